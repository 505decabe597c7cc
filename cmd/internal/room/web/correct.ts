// Correction by hand: drag a point, or give its place in numbers; say at which frame
// an event is; then have what follows measured anew.
import { MarkFrame, Marks, Spot, spot } from "./over.js";
import { Player } from "./player.js";
import { say } from "./say.js";

interface PlaceChange {
  frame: number;
  point: string;
  x: number;
  y: number;
  none?: boolean; // it is not in the picture
}
interface InstantChange {
  event: string;
  frame: number;
  none?: boolean;
}

const byId = <T extends HTMLElement>(id: string): T => document.getElementById(id) as T;

// put moves a point in the marks that are drawn.
function put(m: Marks, f: MarkFrame, point: string, [x, y]: Spot): void {
  const i = m.names.indexOf(point);
  if (point === "knob") f.k = { x, y, q: "h" };
  else if (point === "tip") f.t = { x, y, q: "h" };
  else if (point === "ball") f.o = { x, y, q: "h" };
  else if (point === "head") f.h = [x, y, f.h?.[2] ?? 0];
  else if (f.b && i >= 0) {
    f.b[2 * i] = x;
    f.b[2 * i + 1] = y;
    f.q = f.q!.slice(0, i) + "h" + f.q!.slice(i + 1);
  }
}

// remove takes a point out of the marks that are drawn.
function remove(m: Marks, f: MarkFrame, point: string): void {
  const i = m.names.indexOf(point);
  if (point === "knob") delete f.k;
  else if (point === "tip") delete f.t;
  else if (point === "ball") delete f.o;
  else if (point === "head") delete f.h;
  else if (f.q && i >= 0) f.q = f.q.slice(0, i) + "-" + f.q.slice(i + 1);
}

export function correct(box: HTMLElement, over: SVGSVGElement, player: Player, m: Marks, redraw: () => void): { draw(): void } {
  const panel = byId<HTMLDetailsElement>("correct");
  const point = byId<HTMLSelectElement>("c-point");
  const [x, y] = [byId<HTMLInputElement>("c-x"), byId<HTMLInputElement>("c-y")];
  const zoom = byId<HTMLSelectElement>("c-zoom");
  const event = byId<HTMLSelectElement>("c-event");
  const list = byId("c-list");
  const send = byId<HTMLButtonElement>("c-send");
  const tell = byId("c-say");
  const screen = box.querySelector<HTMLElement>(".screen")!;
  const places = new Map<string, { change: PlaceChange; was: MarkFrame }>();
  const instants = new Map<string, InstantChange>();
  const width = over.viewBox.baseVal.width;
  const height = over.viewBox.baseVal.height;

  const here = (): MarkFrame | undefined => m.frames[player.frame - m.first];
  const clamp = (v: number, most: number): number => Math.round(Math.min(Math.max(v, 0), most) * 10) / 10;

  // move puts the chosen point somewhere in the frame that is shown, null: nowhere.
  function move(to: Spot | null): void {
    const f = here();
    if (!f) return;
    const key = `${player.frame} ${point.value}`;
    const was = places.get(key)?.was ?? structuredClone(f);
    const [px, py]: Spot = to ? [clamp(to[0], width), clamp(to[1], height)] : [0, 0];
    if (to) put(m, f, point.value, [px, py]);
    else remove(m, f, point.value);
    places.set(key, { change: { frame: player.frame, point: point.value, x: px, y: py, none: !to }, was });
    redraw();
    changes();
  }

  function changes(): void {
    list.replaceChildren();
    const row = (text: string, undo: () => void): void => {
      const li = document.createElement("li");
      const b = document.createElement("button");
      b.type = "button";
      b.textContent = say("undo");
      b.setAttribute("aria-label", say("undo.one", text));
      b.addEventListener("click", () => {
        undo();
        redraw();
        changes();
        point.focus();
      });
      li.append(text + " ", b);
      list.append(li);
    };
    for (const [key, { change: c, was }] of places) {
      const text = c.none
        ? say("change.gone", name(point, c.point), c.frame)
        : say("change.point", name(point, c.point), c.frame, Math.round(c.x), Math.round(c.y));
      row(text, () => {
        places.delete(key);
        const back = spot(m, was, c.point);
        const f = m.frames[c.frame - m.first]!;
        if (back) put(m, f, c.point, back);
        else remove(m, f, c.point);
      });
    }
    for (const [key, c] of instants) {
      row(c.none ? say("change.none", name(event, c.event)) : say("change.event", name(event, c.event), c.frame), () => instants.delete(key));
    }
    send.disabled = places.size + instants.size === 0;
  }

  const name = (s: HTMLSelectElement, id: string): string => [...s.options].find((o) => o.value === id)?.text ?? id;

  // show puts the numbers and the handles of the frame that is shown.
  function draw(): void {
    if (!panel.open) return;
    const f = here();
    const at = f && spot(m, f, point.value);
    for (const [n, v] of [[x, at?.[0]], [y, at?.[1]]] as const) {
      // a number that is being typed stays; an empty one with the focus was reached before it was filled
      if (document.activeElement !== n || n.value === "") n.value = v === undefined ? "" : String(Math.round(v));
    }
    if (f) {
      const r = width / 90 / Number(zoom.value);
      const dots = [...point.options]
        .map((o) => ({ id: o.value, p: spot(m, f, o.value) }))
        .filter((d) => d.p && d.id !== point.value)
        .map((d) => `<circle class="c-dot" data-point="${d.id}" cx="${d.p![0]}" cy="${d.p![1]}" r="${r * 0.6}"/>`);
      if (at) dots.push(`<circle class="c-hold" data-point="${point.value}" cx="${at[0]}" cy="${at[1]}" r="${r * 1.6}"/><circle class="c-core" cx="${at[0]}" cy="${at[1]}" r="${r * 0.2}"/>`);
      over.insertAdjacentHTML("beforeend", dots.join(""));
    }
    magnify(at);
  }

  let held: { by: Spot } | null = null;
  const inClip = (e: PointerEvent): Spot => {
    const p = new DOMPoint(e.clientX, e.clientY).matrixTransform(over.getScreenCTM()!.inverse());
    return [p.x, p.y];
  };

  // magnify keeps still while a point is held: the picture must not run away.
  function magnify(at: Spot | null | undefined): void {
    if (held) return;
    const z = panel.open ? Number(zoom.value) : 1;
    screen.style.setProperty("--zoom", String(z));
    if (at) {
      screen.style.setProperty("--zx", `${(100 * at[0]) / width}%`);
      screen.style.setProperty("--zy", `${(100 * at[1]) / height}%`);
    }
  }

  over.addEventListener("pointerdown", (e) => {
    if (!panel.open) return;
    const id = (e.target as Element).getAttribute("data-point");
    if (id) point.value = id;
    const f = here();
    const at = f && spot(m, f, point.value);
    const p = inClip(e);
    held = { by: id && at ? [at[0] - p[0], at[1] - p[1]] : [0, 0] };
    over.setPointerCapture(e.pointerId);
    e.preventDefault();
    if (!id || !at) move(p); // a point that was not found is put where the picture is touched
    else redraw();
  });
  over.addEventListener("pointermove", (e) => {
    if (!held) return;
    const p = inClip(e);
    move([p[0] + held.by[0], p[1] + held.by[1]]);
  });
  const drop = (): void => {
    held = null;
  };
  over.addEventListener("pointerup", drop);
  over.addEventListener("pointercancel", drop);

  for (const n of [x, y]) {
    n.addEventListener("input", () => {
      if (x.value !== "" && y.value !== "") move([Number(x.value), Number(y.value)]);
    });
  }
  point.addEventListener("change", redraw);
  zoom.addEventListener("change", redraw);
  panel.addEventListener("toggle", () => {
    box.classList.toggle("correcting", panel.open);
    magnify(null);
    redraw();
  });
  byId("c-gone").addEventListener("click", () => move(null));
  byId("c-here").addEventListener("click", () => {
    instants.set(event.value, { event: event.value, frame: player.frame });
    changes();
  });
  byId("c-none").addEventListener("click", () => {
    instants.set(event.value, { event: event.value, frame: 0, none: true });
    changes();
  });

  byId<HTMLFormElement>("c-form").addEventListener("submit", async (e) => {
    e.preventDefault();
    const token = byId<HTMLInputElement>("c-token").value.trim();
    if (!token) {
      tell.textContent = say("token");
      byId("c-token").focus();
      return;
    }
    send.disabled = true;
    tell.textContent = say("again");
    try {
      const answer = await fetch(box.dataset.at + "/corrections", {
        method: "POST",
        credentials: "omit",
        headers: { "Content-Type": "application/json", Authorization: "Bearer " + token },
        body: JSON.stringify({
          upon: Number(box.dataset.version),
          note: byId<HTMLInputElement>("c-note").value,
          places: [...places.values()].map((p) => p.change),
          instants: [...instants.values()],
        }),
      });
      if (answer.status === 201) {
        location.assign(answer.headers.get("Location")!);
        return;
      }
      tell.textContent = answer.status === 401 || answer.status === 403 ? say("token.bad") : answer.status === 422 ? await answer.text() : say("failed");
    } catch {
      tell.textContent = say("failed");
    }
    send.disabled = false;
  });

  changes();
  return { draw };
}
