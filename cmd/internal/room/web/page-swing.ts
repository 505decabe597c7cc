// The page of a swing: steps pictures, draws marks over them, explains numbers.
import { Reel } from "./reel.js";
import { Marks, draw } from "./over.js";
import { Player } from "./player.js";
import { correct } from "./correct.js";
import { explain } from "./explain.js";

let told = new Set<string>(); // points that open measures were read from
let redraw = (): void => {};
const box = document.getElementById("player");
if (box) open(box);
explain(document.querySelectorAll<HTMLDetailsElement>("details.measure"), (points) => {
  told = points;
  redraw();
});

// A link of a chain leads to a measure, which opens.
function follow(): void {
  const at = document.getElementById(location.hash.slice(1));
  const shut = at?.closest("details");
  if (shut) shut.open = true;
  if (at instanceof HTMLDetailsElement) at.open = true;
}
window.addEventListener("hashchange", follow);
follow();

async function open(box: HTMLElement): Promise<void> {
  const at = box.dataset.at!;
  const answer = await fetch(`${at}/marks?as=${box.dataset.version}`);
  const marks: Marks | null = answer.ok ? await answer.json() : null;
  const over = document.getElementById("over") as unknown as SVGSVGElement;
  const player = new Player(box, new Reel(at), marks);
  const layers = box.querySelectorAll<HTMLInputElement>("[data-layer]");
  const hand = marks && correct(box, over, player, marks, () => redraw());
  redraw = (): void => {
    const on = new Set([...layers].filter((l) => l.checked).map((l) => l.dataset.layer!));
    if (marks) draw(over, marks, player.shown, on, told);
    hand?.draw();
  };
  layers.forEach((l) => l.addEventListener("change", redraw));
  player.onframe = redraw;
  player.begin();
}
