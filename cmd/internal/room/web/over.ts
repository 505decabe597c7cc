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
  between?: boolean; // nobody looked at the picture: marks lie between those of others
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

export type Spot = [number, number];

const xy = (p: Place | undefined): Spot | null => (p ? [p.x, p.y] : null);

// spot is where a point is in a frame, null when it was not found.
export function spot(m: Marks, f: MarkFrame, point: string): Spot | null {
  if (point === "knob") return xy(f.k);
  if (point === "tip") return xy(f.t);
  if (point === "ball") return xy(f.o);
  if (point === "head") return f.h ? [f.h[0], f.h[1]] : null;
  const i = m.names.indexOf(point);
  return f.b && i >= 0 && f.q?.[i] !== "-" ? [f.b[2 * i]!, f.b[2 * i + 1]!] : null;
}

function line(kind: string, a: Spot | null, b: Spot | null): string {
  if (!a || !b) return "";
  const d = `x1="${a[0]}" y1="${a[1]}" x2="${b[0]}" y2="${b[1]}"`;
  return `<line class="under" ${d}/><line class="${kind}" ${d}/>`;
}

function path(kind: string, places: (Place | undefined)[]): string {
  const pts = places.filter((p) => p !== undefined).map((p) => `${p.x},${p.y}`);
  return pts.length > 1 ? `<polyline class="under" points="${pts.join(" ")}"/><polyline class="${kind}" points="${pts.join(" ")}"/>` : "";
}

// draw fills the drawing over a picture with the layers that are on, and rings the
// points that are told. Paths run from the first frame to the one shown.
export function draw(svg: SVGSVGElement, m: Marks, frame: number, on: Set<string>, told = new Set<string>()): void {
  const f = m.frames[frame - m.first];
  let s = "";
  if (f) {
    const past = m.frames.slice(0, frame - m.first + 1);
    if (on.has("body")) s += limbs.map(([a, b]) => line("l-body", spot(m, f, a), spot(m, f, b))).join("");
    if (on.has("lines")) {
      s += line("l-lines", spot(m, f, "left_shoulder"), spot(m, f, "right_shoulder"));
      s += line("l-lines", spot(m, f, "left_hip"), spot(m, f, "right_hip"));
    }
    if (on.has("base")) s += line("l-base", spot(m, f, "left_ankle"), spot(m, f, "right_ankle"));
    if (on.has("head") && f.h) s += `<circle class="l-head" cx="${f.h[0]}" cy="${f.h[1]}" r="${f.h[2] || 8}"/>`;
    if (on.has("trail")) s += path("l-trail", past.map((p) => p.t));
    if (on.has("knob")) s += path("l-knob", past.map((p) => p.k));
    if (on.has("bat")) s += line("l-bat", xy(f.k), xy(f.t));
    if (on.has("ball")) {
      s += past.map((p) => (p.o && !p.between ? `<circle class="l-seen" cx="${p.o.x}" cy="${p.o.y}" r="2"/>` : "")).join("");
      if (f.o) s += `<circle class="l-ball" cx="${f.o.x}" cy="${f.o.y}" r="9"/>`;
    }
    const r = svg.viewBox.baseVal.width / 110;
    for (const point of told) {
      const p = spot(m, f, point);
      if (p) s += `<circle class="under" cx="${p[0]}" cy="${p[1]}" r="${r}"/><circle class="l-told" cx="${p[0]}" cy="${p[1]}" r="${r}"/>`;
    }
  }
  svg.innerHTML = s; // numbers of our own JSON alone
}
