"""Trains the bat finder and its comparison variants; writes ONNX and tables.

    python3 train.py --crops DIR --held DIR --out DIR --plan main:8.5m [--init FILE]

DIR of --crops is being filled by the renderer (see README.md); --held holds
the finished files of seeds used for measuring only. A plan is a list of
name:steps or name:MINUTESm, trained one after another over the same samples.
Names: main (also exported); scratch; pose (early layers of a pose network);
three and one (both go on from --init, one with the neighbour frames withheld).
"""

import argparse
import json
import math
import os
import time

import torch
import torch.nn.functional as F

import data
from augment import Augment, Backgrounds
from export import export
from net import CELL, CROP, GRID, KNOB, KNOB_PREC, MASK, TIP, TIP_PREC, BatNet
from net import sigma, student_nll, whiten, window

SEED = 20261
BATCH = 256
POINTS = (("knob", KNOB, KNOB_PREC), ("tip", TIP, TIP_PREC))


def to_cells(p):
    return (p + 0.5) / CELL - 0.5


def heat_target(at):
    """Normalised Gaussian of one cell round at [n,2] (cells): [n, GRID*GRID]."""
    v = torch.arange(GRID, device=at.device)
    gx = torch.exp(-0.5 * (v - at[:, :1]) ** 2)
    gy = torch.exp(-0.5 * (v - at[:, 1:]) ** 2)
    t = (gy[:, :, None] * gx[:, None, :]).flatten(1)
    return t / t.sum(1, keepdim=True).clamp(min=1e-6)


def weights(truth, lab):
    """1 where a point is asked for, less where its own end is hidden, else 0."""
    out = {}
    for name, col in (("knob", data.KNOB_PX), ("tip", data.TIP_PX)):
        inside = ((truth[name] > -0.5) & (truth[name] < CROP - 0.5)).all(1)
        w = (inside & truth["visible"]).float()
        out[name] = w * torch.where(lab[:, col] < 3, 0.5, 1.0)
    return out


def loss_of(out, truth, lab, nll_weight):
    w = weights(truth, lab)
    total = 2 * F.binary_cross_entropy_with_logits(out[:, MASK], truth["bat"][:, 0])
    for name, heat, prec in POINTS:
        at = to_cells(truth[name])
        ce = -(heat_target(at) * out[:, heat].flatten(1).log_softmax(1)).sum(1)
        found, par = window(out, heat, prec)
        nll = student_nll(par, found - at)
        total = total + (w[name] * (ce + nll_weight * nll)).mean()
    return total


class Average:
    """Exponential moving average of weights and batch-norm statistics."""

    def __init__(self, model):
        self.state = {k: v.detach().clone() for k, v in model.state_dict().items()}
        self.steps = 0

    @torch.no_grad()
    def update(self, model):
        self.steps += 1
        k = min(0.9985, self.steps / (self.steps + 20))
        live = model.state_dict()
        floats = [n for n, v in self.state.items() if v.is_floating_point()]
        torch._foreach_lerp_([self.state[n] for n in floats], [live[n] for n in floats], 1 - k)


def withheld(x):
    """The current frame's luma in place of its neighbours'."""
    y = 0.299 * x[:, :1] + 0.587 * x[:, 1:2] + 0.114 * x[:, 2:3]
    return torch.cat([x[:, :3], y, y], 1)


def make(name, pose_file):
    torch.manual_seed(SEED)
    if name == "pose":
        from pose_stem import PoseBatNet

        return PoseBatNet(pose_file)
    return BatNet()


class Replay:
    """The last augmented batches; a drawn one comes back mirrored."""

    def __init__(self, count):
        self.count, self.kept, self.at = count, [], 0

    def keep(self, x, truth, lab):
        row = ((x * 255).round().byte(), truth, lab)
        if len(self.kept) < self.count:
            self.kept.append(row)
        else:
            self.kept[self.at % self.count] = row
        self.at += 1

    def draw(self):
        x, truth, lab = self.kept[int(torch.randint(len(self.kept), ()))]
        flipped = {**truth, "bat": truth["bat"].flip(-1)}
        for p in ("knob", "tip"):
            flipped[p] = torch.stack([CROP - 1 - truth[p][:, 0], truth[p][:, 1]], 1)
        return x.flip(-1).float() / 255, flipped, lab


def fit(name, limit, pool, augment, args, init=None):
    """Trains one variant; limit is a number of steps, or minutes as "8.5m"."""
    minutes = float(limit[:-1]) if limit.endswith("m") else None
    model = make(name, args.pose).cuda().to(memory_format=torch.channels_last)
    replay = Replay(64)
    if init:
        model.load_state_dict(torch.load(init, map_location="cuda")["ema"])
    average = Average(model)
    decay = [p for p in model.parameters() if p.dim() > 1 and p.requires_grad]
    rest = [p for p in model.parameters() if p.dim() <= 1 and p.requires_grad]
    opt = torch.optim.AdamW(
        [{"params": decay, "weight_decay": 0.02}, {"params": rest, "weight_decay": 0}],
        lr=1e-3,
        betas=(0.9, 0.99),
        fused=True,
    )
    peak = args.lr * (0.5 if init else 1)
    start, step, shown, sums = time.time(), 0, 0.0, 0.0
    while True:
        done = (time.time() - start) / (60 * minutes) if minutes else step / int(limit)
        if done >= 1:
            break
        warm = min(1, step / (100 if init else 300))
        lr = peak * warm * (0.5 + 0.5 * math.cos(math.pi * done)) + 1e-6
        for g in opt.param_groups:
            g["lr"] = lr
        if step % 2 == 0 or step < 40:
            px, lab = pool.draw(BATCH)
            x, truth = augment(px, lab)
            replay.keep(x, truth, lab)
        else:
            x, truth, lab = replay.draw()
        if step % 32 == 0:
            augment.back.renew(64)
        if name == "one":
            x = withheld(x)
        with torch.autocast("cuda", torch.bfloat16):
            out = model(x.contiguous(memory_format=torch.channels_last))
        nll = 0.25 if init else 0.25 * min(1, max(0, (step - 300) / 700))
        loss = loss_of(out.float(), truth, lab, nll)
        opt.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(model.parameters(), 2.0)
        opt.step()
        average.update(model)
        step += 1
        sums += loss.detach()
        if step % 500 == 0:
            now = time.time() - start
            print(
                f"{name} step {step} {now:.0f}s loss {float(sums) / 500:.3f} "
                f"{500 * BATCH / (now - shown):.0f}/s pool {pool.seen} lr {lr:.1e}"
            )
            shown, sums = now, 0.0
    print(f"{name}: {step} steps, {step * BATCH} samples, {pool.seen} rendered")
    model.load_state_dict(average.state)
    return model.eval(), step


@torch.no_grad()
def measure(model, held, name):
    """Per-sample results on held-out crops: dict of CPU tensors."""
    res = {}
    for x, truth, lab in held:
        x = x.float() / 255
        if name == "one":
            x = withheld(x)
        out = model(x.contiguous(memory_format=torch.channels_last)).float()
        row = {"inch": truth["inch"], "visible": truth["visible"].float()}
        w = weights(truth, lab)
        for point, heat, prec in POINTS:
            at, par = window(out, heat, prec)
            r = at - to_cells(truth[point])
            row[point + "_err"] = r.norm(dim=1) * CELL * truth["inch"]
            row[point + "_sigma"] = sigma(par) * CELL * truth["inch"]
            row[point + "_z"] = whiten(par, r).norm(dim=1)
            row[point + "_asked"] = w[point]
        row["mask_peak"] = out[:, MASK].flatten(1).max(1).values.sigmoid()
        row["travel"] = lab[:, data.TIP_TRAVEL] / lab[:, data.PX_PER_IN]
        row["view"] = lab[:, data.VIEW]
        for k, v in row.items():
            res.setdefault(k, []).append(v.cpu())
    return {k: torch.cat(v) for k, v in res.items()}


def quant(v, q):
    return float(torch.quantile(v, q)) if len(v) else float("nan")


def table(res, title):
    """Text table by blur length and by view; errors in inches."""
    lines = [f"== {title}: n | tip median p95 lost>5in | knob median p95 lost>5in"]
    groups = [("all", torch.ones_like(res["travel"], dtype=torch.bool))]
    cuts = (0, 1, 3, 6, 10, 1e9)
    for lo, hi in zip(cuts[:-1], cuts[1:]):
        groups.append((f"blur {lo}-{hi:g} in", (res["travel"] >= lo) & (res["travel"] < hi)))
    for i, v in enumerate(data.VIEWS):
        groups.append((v, res["view"] == i))
    for label, pick in groups:
        cells = []
        for p in ("tip", "knob"):
            e = res[p + "_err"][pick & (res[p + "_asked"] == 1)]
            lost = float((e > 5).float().mean()) * 100 if len(e) else float("nan")
            cells.append(f"{len(e):5d} {quant(e, 0.5):6.2f} {quant(e, 0.95):6.2f} {lost:5.1f}%")
        lines.append(f"{label:16s} | " + " | ".join(cells))
    for p in ("tip", "knob"):
        asked = res[p + "_asked"] > 0
        hidden = asked & (res[p + "_asked"] < 1)
        z = res[p + "_z"][asked]
        # a bivariate Gaussian has |z| quantiles 1.177 (50 %) and 2.448 (95 %)
        lines.append(
            f"{p}: |z| 50/68/95/99 % {quant(z, 0.5):.2f} {quant(z, 0.68):.2f} {quant(z, 0.95):.2f} "
            f"{quant(z, 0.99):.2f}; "
            f"factor {quant(z, 0.5) / 1.177:.2f} (median) {quant(z, 0.95) / 2.448:.2f} (95 %); "
            f"end hidden: n {int(hidden.sum())} median {quant(res[p + '_err'][hidden], 0.5):.2f} "
            f"p95 {quant(res[p + '_err'][hidden], 0.95):.2f}"
        )
    gone = res["visible"] == 0
    lines.append(
        f"mask peak, bat seen: 5 % quantile {quant(res['mask_peak'][~gone], 0.05):.2f}; "
        f"bat hidden (n {int(gone.sum())}): median {quant(res['mask_peak'][gone], 0.5):.2f}"
    )
    return "\n".join(lines)


def held_out(augment, folder):
    """Held-out crops, augmented once with a fixed seed."""
    px, lab = data.load_folder(folder)
    torch.manual_seed(SEED + 1)
    sets = []
    for i in range(0, len(px) - BATCH + 1, BATCH):
        x, truth = augment(px[i : i + BATCH], lab[i : i + BATCH])
        sets.append(((x * 255).round().byte(), truth, lab[i : i + BATCH]))
    return sets


def main():
    ap = argparse.ArgumentParser(description=__doc__)
    ap.add_argument("--crops", required=True)
    ap.add_argument("--held", required=True)
    ap.add_argument("--out", required=True)
    ap.add_argument("--plan", default="main:8.5m")
    ap.add_argument("--init", help="weights to go on from, for main, three, one")
    ap.add_argument("--pose", help="ONNX file of the pose network, for pose")
    ap.add_argument("--samples", type=int, default=26000, help="rendered samples kept")
    ap.add_argument("--first", type=int, default=2000, help="samples to wait for")
    ap.add_argument("--lr", type=float, default=3e-3)
    args = ap.parse_args()
    torch.backends.cudnn.benchmark = True
    torch.backends.cudnn.allow_tf32 = True
    torch.manual_seed(SEED)
    os.makedirs(args.out, exist_ok=True)
    pool = data.Pool(args.crops, args.samples, 2500)
    pool.wait(args.first)
    augment = Augment(Backgrounds(pool, 4000))
    held = held_out(augment, args.held)
    held[0][0][:48].cpu().numpy().tofile(os.path.join(args.out, "held_inputs.u8"))
    tables = {}
    for item in args.plan.split():
        name, limit = item.split(":")
        init = args.init if name in ("main", "three", "one") else None
        model, steps = fit(name, limit, pool, augment, args, init)
        res = measure(model, held, name)
        tables[name] = table(res, f"{name}, {steps} steps of {BATCH}")
        print(tables[name], flush=True)
        torch.save({"ema": model.state_dict(), "steps": steps}, os.path.join(args.out, f"{name}.pt"))
        if name == "main":
            x = torch.cat([h[0] for h in held[:1]])[:4].float() / 255
            print(json.dumps(export(model, x, args.out)), flush=True)
    with open(os.path.join(args.out, "tables.txt"), "w") as f:
        f.write("\n\n".join(tables.values()) + "\n")
    pool.stop = True


if __name__ == "__main__":
    main()
