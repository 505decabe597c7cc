// The page that compares: steps two clips in time with each other, and lays the two
// bodies over each other.
import { Marks, draw } from "./over.js";
import { Reel } from "./reel.js";
import { say } from "./say.js";

interface Ghost {
  names: string[];
  first: number;
  frames: ([number, number, number] | null)[][];
}

const layers = new Set(["body", "bat", "trail"]);

// Side is one of the two clips.
class Side {
  readonly letter: string;
  readonly first: number;
  readonly last: number;
  frame: number;
  marks: Marks | null = null;
  ghost: Ghost | null = null;
  readonly reel: Reel;
  private readonly events: Record<string, number>;
  private readonly picture: HTMLImageElement;
  private readonly over: SVGSVGElement;
  private readonly where: HTMLElement;

  constructor(private box: HTMLElement) {
    this.letter = box.dataset.side!.toUpperCase();
    this.first = Number(box.dataset.first);
    this.last = Number(box.dataset.last);
    this.frame = Number(box.dataset.start);
    this.events = JSON.parse(box.dataset.events!);
    this.reel = new Reel(box.dataset.at!);
    this.picture = box.querySelector("img")!;
    this.over = box.querySelector("svg.over")!;
    this.where = box.querySelector(".frame")!;
  }

  async load(ghosts: boolean): Promise<void> {
    const at = this.box.dataset.at!;
    const [marks, ghost] = await Promise.all([fetch(at + "/marks"), ghosts ? fetch(at + "/body") : null]);
    if (marks.ok) this.marks = await marks.json();
    if (ghost?.ok) this.ghost = await ghost.json();
  }

  // zero is the time of the event that both are held at, or of the frame shown first.
  zero(event: string): number {
    return this.events[event] ?? this.ms(Number(this.box.dataset.start));
  }

  ms(frame: number): number {
    return this.marks?.ms[frame - this.marks.first] ?? frame * 33;
  }

  // to shows the frame nearest a time.
  to(ms: number): void {
    let lo = this.first;
    let hi = this.last;
    while (hi - lo > 1) {
      const mid = (lo + hi) >> 1;
      if (this.ms(mid) <= ms) lo = mid;
      else hi = mid;
    }
    this.frame = ms - this.ms(lo) < this.ms(hi) - ms ? lo : hi;
    const wanted = this.frame;
    const url = this.reel.url(wanted);
    if (url) this.picture.src = url;
    else if (url === undefined) this.reel.need(wanted).then(() => wanted === this.frame && this.to(ms), trouble);
    this.picture.alt = say("compare.alt", this.letter, wanted);
    this.where.textContent = say("where", wanted);
    if (this.marks) draw(this.over, this.marks, wanted, layers);
  }
}

function trouble(): void {
  const note = document.getElementById("trouble")!;
  note.textContent = say("gone");
  note.hidden = false;
}

const limbs: [string, string][] = ["lead", "back"]
  .flatMap((s): [string, string][] => [
    [`${s}_shoulder`, `${s}_elbow`],
    [`${s}_elbow`, `${s}_wrist`],
    [`${s}_shoulder`, `${s}_hip`],
    [`${s}_hip`, `${s}_knee`],
    [`${s}_knee`, `${s}_ankle`],
    [`${s}_ankle`, `${s}_heel`],
    [`${s}_heel`, `${s}_toe`],
  ])
  .concat([
    ["lead_shoulder", "back_shoulder"],
    ["lead_hip", "back_hip"],
  ]);

// flat is where a point lies in the drawing, seen from one side. x is toward the
// pitcher, y up, z to where the chest faces.
const flat: Record<string, (p: [number, number, number]) => [number, number]> = {
  side: ([x, y]) => [x, -y],
  above: ([x, , z]) => [x, z],
  behind: ([, y, z]) => [z, -y],
};

function outline(g: Ghost, frame: number, kind: string, from: string): string {
  const see = flat[from]!;
  const point = (f: number, name: string): [number, number] | null => {
    const p = g.frames[f - g.first]?.[g.names.indexOf(name)];
    return p ? see(p) : null;
  };
  const line = (a: [number, number] | null, b: [number, number] | null, more = ""): string =>
    a && b ? `<line class="${kind}${more}" x1="${a[0]}" y1="${a[1]}" x2="${b[0]}" y2="${b[1]}"/>` : "";
  let s = limbs.map(([a, b]) => line(point(frame, a), point(frame, b))).join("");
  s += line(point(frame, "knob"), point(frame, "tip"), " stick");
  const head = point(frame, "head");
  if (head) s += `<circle class="${kind}" cx="${head[0]}" cy="${head[1]}" r="4.5"/>`;
  const way: string[] = [];
  for (let f = g.first; f <= frame; f++) {
    const p = point(f, "tip");
    if (p) way.push(p.join(","));
  }
  return s + `<polyline class="${kind} way" points="${way.join(" ")}"/>`;
}

// frame sets what part of the plane is shown: all that either swing reaches.
function frame(svg: SVGSVGElement, ghosts: Ghost[], from: string): void {
  const all = ghosts.flatMap((g) => g.frames.flat()).flatMap((p) => (p ? [flat[from]!(p)] : []));
  const pad = 6;
  const [x0, y0, x1, y1] = all.reduce((b, [x, y]) => [Math.min(b[0]!, x), Math.min(b[1]!, y), Math.max(b[2]!, x), Math.max(b[3]!, y)], [0, 0, 0, 0]) as [number, number, number, number];
  svg.setAttribute("viewBox", `${x0 - pad} ${y0 - pad} ${x1 - x0 + 2 * pad} ${y1 - y0 + 2 * pad}`);
}

async function open(box: HTMLElement): Promise<void> {
  const sides = [...box.querySelectorAll<HTMLElement>(".side")].filter((b) => b.dataset.film === "true").map((b) => new Side(b));
  const [a, b] = sides;
  if (!a || !b) return;
  const over = document.getElementById("ghost") as unknown as SVGSVGElement | null;
  const from = document.getElementById("from") as HTMLSelectElement | null;
  const event = (document.getElementById("at") as HTMLSelectElement).value;
  const seek = document.getElementById("seek") as HTMLInputElement;
  const where = document.getElementById("where") as HTMLOutputElement;
  const playKey = document.getElementById("play") as HTMLButtonElement;
  const speed = document.getElementById("speed") as HTMLSelectElement;
  try {
    await Promise.all(sides.map((s) => s.load(over !== null)));
  } catch {
    trouble();
    return;
  }
  const zero = sides.map((s) => s.zero(event));
  const lo = Math.ceil(Math.max(...sides.map((s, i) => s.ms(s.first) - zero[i]!)));
  const hi = Math.floor(Math.min(...sides.map((s, i) => s.ms(s.last) - zero[i]!)));
  seek.min = String(lo);
  seek.max = String(hi);
  // A step is a frame of the clip that has more of them.
  const step = Math.max(1, Math.min(...sides.map((s) => s.ms(s.first + 1) - s.ms(s.first))));
  let now = 0;
  let playing = 0;

  const show = (ms: number): void => {
    now = Math.min(Math.max(ms, lo), hi);
    sides.forEach((s, i) => s.to(zero[i]! + now));
    seek.value = String(Math.round(now));
    const text = say("compare.where", Math.round(now));
    where.value = text;
    seek.setAttribute("aria-valuetext", text);
    if (over && a.ghost && b.ghost && from) {
      frame(over, [a.ghost, b.ghost], from.value);
      over.innerHTML = outline(b.ghost, b.frame, "gb", from.value) + outline(a.ghost, a.frame, "ga", from.value); // numbers of our own JSON alone
    }
  };
  const stop = (): void => {
    cancelAnimationFrame(playing);
    playing = 0;
    playKey.textContent = say("play");
  };
  const go = (ms: number): void => {
    stop();
    show(ms);
  };
  const play = (): void => {
    if (now >= hi) show(lo);
    const start = now;
    let began = 0;
    const tick = (t: number): void => {
      began ||= t;
      show(start + (t - began) * Number(speed.value));
      if (now >= hi) stop();
      else playing = requestAnimationFrame(tick);
    };
    playing = requestAnimationFrame(tick);
    playKey.textContent = say("stop");
  };
  const toggle = (): void => (playing ? stop() : play());

  seek.addEventListener("input", () => go(Number(seek.value)));
  document.getElementById("back")!.addEventListener("click", () => go(now - step));
  document.getElementById("on")!.addEventListener("click", () => go(now + step));
  playKey.addEventListener("click", toggle);
  from?.addEventListener("change", () => show(now));
  box.addEventListener("keydown", (e) => {
    if (e.target !== box || e.ctrlKey || e.altKey || e.metaKey) return;
    const by = e.shiftKey ? 10 * step : step;
    const moves: Record<string, () => void> = {
      ArrowLeft: () => go(now - by),
      ArrowRight: () => go(now + by),
      Home: () => go(lo),
      End: () => go(hi),
      "0": () => go(0),
      " ": toggle,
    };
    const move = moves[e.key];
    if (!move) return;
    e.preventDefault();
    move();
  });
  show(0);
}

const box = document.getElementById("pair");
if (box) void open(box);
