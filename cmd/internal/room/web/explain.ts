import { say } from "./say.js";

// explain fills in, when a measure is opened for the first time, which source of
// error gives what share of its bar. The server works that out for all measures of
// a swing at once, in some seconds, so it is asked once. told hears which points the
// measures that are open were read from.
export function explain(all: NodeListOf<HTMLDetailsElement>, told: (points: Set<string>) => void): void {
  let asked: Promise<Record<string, [string, number][]>> | undefined;
  const box = document.getElementById("player")?.dataset;
  all.forEach((d) =>
    d.addEventListener("toggle", async () => {
      const open = [...all].filter((m) => m.open);
      told(new Set(open.flatMap((m) => m.dataset.points!.split(",").map((p) => p.replace(" velocity", "")))));
      const out = d.querySelector(".budget")!;
      if (!d.open || out.hasAttribute("data-done")) return;
      out.setAttribute("data-done", "");
      try {
        asked ??= fetch(`${box?.at}/budget?as=${box?.version}`).then((r) => (r.ok ? r.json() : Promise.reject(r.status)));
        const shares = (await asked)[d.dataset.measure!];
        out.textContent = shares ? shares.map(([n, s]) => say("budget.share", n, s)).join(", ") : say("budget.none");
      } catch {
        out.textContent = say("budget.none");
      }
    }),
  );
}
