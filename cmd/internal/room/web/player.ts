import { Marks } from "./over.js";
import { Reel } from "./reel.js";
import { say } from "./say.js";

// Player steps and plays the frames of a swing.
export class Player {
  frame: number; // asked for
  shown: number; // whose picture is there: the same, or one a moment before
  onframe: () => void = () => {};
  readonly first: number;
  readonly last: number;
  private asked = 0; // counts pictures asked for
  private answered = 0; // the last of them that is shown
  private playing = 0; // id of the animation frame asked for, 0 when still
  private readonly picture = document.getElementById("picture") as HTMLImageElement;
  private readonly seek = document.getElementById("seek") as HTMLInputElement;
  private readonly playKey = document.getElementById("play") as HTMLButtonElement;
  private readonly speed = document.getElementById("speed") as HTMLSelectElement;
  private readonly where = document.getElementById("where") as HTMLOutputElement;
  private readonly trouble = document.getElementById("trouble")!;
  private readonly head = document.getElementById("head");

  constructor(private box: HTMLElement, private reel: Reel, private marks: Marks | null) {
    this.first = Number(box.dataset.first);
    this.last = Number(box.dataset.last);
    this.frame = this.shown = Number(box.dataset.start);
  }

  // begin listens, and fetches the pictures: those around the first one first.
  begin(): void {
    this.seek.addEventListener("input", () => this.go(Number(this.seek.value)));
    document.getElementById("back")!.addEventListener("click", () => this.go(this.frame - 1));
    document.getElementById("on")!.addEventListener("click", () => this.go(this.frame + 1));
    this.playKey.addEventListener("click", () => (this.playing ? this.stop() : this.play()));
    document.querySelectorAll<HTMLButtonElement>("button.go").forEach((b) =>
      b.addEventListener("click", () => {
        this.go(Number(b.dataset.frame));
        this.box.scrollIntoView({ block: "nearest" });
      }),
    );
    this.box.addEventListener("keydown", (e) => this.key(e));
    this.show();
    void this.fetchAll();
  }

  go(frame: number): void {
    this.stop();
    this.set(frame);
  }

  private set(frame: number): void {
    this.frame = Math.min(Math.max(frame, this.first), this.last);
    this.show();
  }

  // ms is a frame's time, by the capture clock where that is known.
  private ms(frame: number): number {
    const m = this.marks;
    return m ? m.ms[frame - m.first] ?? 0 : frame * 33;
  }

  private contact(): number | null {
    const b = document.querySelector<HTMLElement>('button.go[data-event="contact"]');
    return b && this.marks?.timed ? this.ms(Number(b.dataset.frame)) : null;
  }

  private show(): void {
    void this.picturize(this.frame);
    this.picture.alt = say("alt", this.frame);
    const c = this.contact();
    const text = c === null ? say("where", this.frame) : say("where.ms", this.frame, signed(this.ms(this.frame) - c));
    this.where.value = text;
    this.seek.value = String(this.frame);
    this.seek.setAttribute("aria-valuetext", text);
    const x = `${(100 * (this.frame - this.first)) / Math.max(1, this.last - this.first)}%`;
    this.head?.setAttribute("x1", x);
    this.head?.setAttribute("x2", x);
  }

  // picturize shows a frame's picture and what is drawn over it at the same instant,
  // once both are there; the frame before stays until then. One that comes after a
  // later one is dropped.
  private async picturize(frame: number): Promise<void> {
    const turn = ++this.asked;
    let trouble = "";
    let url: string | null | undefined = null;
    try {
      await this.reel.need(frame);
      url = this.reel.url(frame);
      if (url) {
        const ahead = new Image();
        ahead.src = url;
        await ahead.decode();
      } else {
        trouble = say("lost", frame);
      }
    } catch {
      trouble = say("gone");
    }
    if (turn < this.answered) return;
    this.answered = turn;
    this.shown = frame;
    if (url) this.picture.src = url;
    this.say(trouble);
    this.onframe();
  }

  private say(text: string): void {
    this.trouble.textContent = text;
    this.trouble.hidden = text === "";
  }

  private play(): void {
    if (this.frame >= this.last) this.set(this.first);
    const from = this.ms(this.frame);
    let began = 0;
    const step = (now: number): void => {
      began ||= now;
      const at = from + (now - began) * Number(this.speed.value);
      let f = this.frame;
      while (f < this.last && this.ms(f + 1) <= at) f++;
      if (f !== this.frame && this.reel.url(f) !== undefined) this.set(f);
      if (f >= this.last) this.stop();
      else this.playing = requestAnimationFrame(step);
    };
    this.playing = requestAnimationFrame(step);
    this.playKey.textContent = say("stop");
  }

  private stop(): void {
    cancelAnimationFrame(this.playing);
    this.playing = 0;
    this.playKey.textContent = say("play");
  }

  private key(e: KeyboardEvent): void {
    // A slider, list or field keeps its own keys.
    if (e.target !== this.box || e.ctrlKey || e.altKey || e.metaKey) return;
    const by = e.shiftKey ? 10 : 1;
    const moves: Record<string, () => void> = {
      ArrowLeft: () => this.go(this.frame - by),
      ArrowRight: () => this.go(this.frame + by),
      Home: () => this.go(this.first),
      End: () => this.go(this.last),
      PageUp: () => this.go(this.event(-1)),
      PageDown: () => this.go(this.event(1)),
      " ": () => (this.playing ? this.stop() : this.play()),
    };
    const move = moves[e.key];
    if (!move) return;
    e.preventDefault();
    move();
  }

  // event is the frame of the next event in a direction.
  private event(way: 1 | -1): number {
    const at = [...document.querySelectorAll<HTMLElement>("button.go[data-event]")]
      .map((b) => Number(b.dataset.frame))
      .filter((f) => (f - this.frame) * way > 0)
      .sort((a, b) => (a - b) * way);
    return at[0] ?? this.frame;
  }

  private async fetchAll(): Promise<void> {
    try {
      for (let d = 0; d <= this.last - this.first; d += 16) {
        for (const f of [this.frame + d, this.frame - d]) {
          if (f >= this.first && f <= this.last) await this.reel.need(f);
        }
      }
      await this.reel.need(this.first);
      await this.reel.need(this.last);
    } catch {
      this.say(say("gone"));
    }
  }
}

// signed writes a whole number with a true minus sign.
export function signed(v: number): string {
  const r = Math.round(v);
  return (r < 0 ? "\u2212" : "+") + Math.abs(r);
}
