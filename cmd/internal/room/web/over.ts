// What is drawn over a picture: lines and marks of the track, as SVG.

export interface Place {
  x: number;
  y: number;
  q: string;
}
export interface MarkFrame {
  b?: number[]; // x, y of each point of the body
  q?: string; // a letter a point: what it rests on, "-" not found
  h?: [number, number, number];
  k?: Place;
  t?: Place;
  o?: Place;
}
export interface Marks {
  first: number;
  names: string[];
  lead: string;
  timed: boolean;
  ms: number[];
  frames: MarkFrame[];
}

const limbs: [string, string][] = ["left", "right"]
  .flatMap((s): [string, string][] => [
    [`${s}_shoulder`, `${s}_elbow`],
    [`${s}_elbow`, `${s}_wrist`],
    [`${s}_hip`, `${s}_knee`],
    [`${s}_knee`, `${s}_ankle`],
    [`${s}_ankle`, `${s}_heel`],
    [`${s}_heel`, `${s}_toe`],
    [`${s}_ankle`, `${s}_toe`],
    [`${s}_shoulder`, `${s}_hip`],
  ])
  .concat([
    ["left_shoulder", "right_shoulder"],
    ["left_hip", "right_hip"],
  ]);

// at is a body point's place in a frame, null when it was not found.
export function at(m: Marks, f: MarkFrame | undefined, name: string): [number, number] | null {
  const i = m.names.indexOf(name);
  if (!f?.b || i < 0 || f.q?.[i] === "-") return null;
  return [f.b[2 * i]!, f.b[2 * i + 1]!];
}

function line(kind: string, a: [number, number] | null, b: [number, number] | null): string {
  if (!a || !b) return "";
  const d = `x1="${a[0]}" y1="${a[1]}" x2="${b[0]}" y2="${b[1]}"`;
  return `<line class="under" ${d}/><line class="${kind}" ${d}/>`;
}

function path(kind: string, places: (Place | undefined)[]): string {
  const pts = places.filter((p) => p !== undefined).map((p) => `${p.x},${p.y}`);
  return pts.length > 1 ? `<polyline class="under" points="${pts.join(" ")}"/><polyline class="${kind}" points="${pts.join(" ")}"/>` : "";
}

const xy = (p: Place | undefined): [number, number] | null => (p ? [p.x, p.y] : null);

// draw fills the drawing over a picture with the layers that are on. Paths run from
// the first frame to the one shown.
export function draw(svg: SVGSVGElement, m: Marks, frame: number, on: Set<string>): void {
  const f = m.frames[frame - m.first];
  let s = "";
  if (f) {
    const past = m.frames.slice(0, frame - m.first + 1);
    if (on.has("body")) s += limbs.map(([a, b]) => line("l-body", at(m, f, a), at(m, f, b))).join("");
    if (on.has("lines")) {
      s += line("l-lines", at(m, f, "left_shoulder"), at(m, f, "right_shoulder"));
      s += line("l-lines", at(m, f, "left_hip"), at(m, f, "right_hip"));
    }
    if (on.has("base")) s += line("l-base", at(m, f, "left_ankle"), at(m, f, "right_ankle"));
    if (on.has("head") && f.h) s += `<circle class="l-head" cx="${f.h[0]}" cy="${f.h[1]}" r="${f.h[2] || 8}"/>`;
    if (on.has("trail")) s += path("l-trail", past.map((p) => p.t));
    if (on.has("knob")) s += path("l-knob", past.map((p) => p.k));
    if (on.has("bat")) s += line("l-bat", xy(f.k), xy(f.t));
    if (on.has("ball")) {
      s += past.map((p) => (p.o ? `<circle class="l-seen" cx="${p.o.x}" cy="${p.o.y}" r="2"/>` : "")).join("");
      if (f.o) s += `<circle class="l-ball" cx="${f.o.x}" cy="${f.o.y}" r="9"/>`;
    }
  }
  svg.innerHTML = s; // numbers of our own JSON alone
}
