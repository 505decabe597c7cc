"""Trains the depth network over the frozen pose network; writes ONNX and tables.

    python3 learn.py --bodies DIR --held DIR --out DIR --pose pose_full.onnx --minutes 8 [--init FILE]

DIR of --bodies is being filled by the renderer (see README.md); --held holds the
finished files of seeds used for measuring only.
"""

import argparse
import hashlib
import json
import math
import os
import time

import numpy as np
import torch

import depth
import frozen
import samples
from stage import Stage

from augment import Backgrounds  # of models/bat, found by stage

SEED = 20262
BATCH = 256


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


def mirrored(x, points):
    p = points.clone()
    p[:, :, 0] *= -1
    p[:, :, 3] = 256 - p[:, :, 3]
    return x.flip(-1), torch.cat([p[:, 8:16], p[:, :8], p[:, 16:]], 1)


class Replay:
    """The last batches; a drawn one comes back mirrored."""

    def __init__(self, count):
        self.count, self.kept, self.at = count, [], 0

    def keep(self, x, points, seen):
        row = ((x * 255).round().byte(), points, seen)
        if len(self.kept) < self.count:
            self.kept.append(row)
        else:
            self.kept[self.at % self.count] = row
        self.at += 1

    def draw(self):
        x, points, seen = self.kept[int(torch.randint(len(self.kept), ()))]
        x, points = mirrored(x.float() / 255, points)
        return x, points, seen


def resume(model, path):
    """Goes on from a network's ONNX file, in which a convolution and its batch
    normalisation are one: the normalisations start, and stay, plain scales."""
    import onnx
    from onnx import numpy_helper

    kept = {i.name: torch.from_numpy(numpy_helper.to_array(i).copy()) for i in onnx.load(path).graph.initializer}
    state = model.state_dict()
    for name in list(state):
        stem, _, last = name.rpartition(".")
        if stem.endswith(".0") and f"{stem[:-2]}.weight" in kept and last == "weight":
            state[name].copy_(kept[f"{stem[:-2]}.weight"])
        elif stem.endswith(".1") and f"{stem[:-2]}.bias" in kept:
            state[name].copy_(kept[f"{stem[:-2]}.bias"] if last == "bias" else torch.full_like(state[name], 0.0 if last == "running_mean" else 1.0))
        elif name in kept and kept[name].shape == state[name].shape:
            state[name].copy_(kept[name])
        else:
            print("starts new:", name, flush=True)
    model.load_state_dict(state)
    for m in model.modules():
        if isinstance(m, torch.nn.BatchNorm2d):
            m.eval()


def fit(pool, stage, pose, args):
    torch.manual_seed(SEED)
    model = depth.DepthNet().cuda()
    if args.init:
        resume(model, args.init)
    average, replay = Average(model), Replay(64)
    decay = [p for p in model.parameters() if p.dim() > 1]
    rest = [p for p in model.parameters() if p.dim() <= 1]
    opt = torch.optim.AdamW(
        [{"params": decay, "weight_decay": 0.05}, {"params": rest, "weight_decay": 0}],
        lr=1e-3, betas=(0.9, 0.99), fused=True,
    )
    peak = args.lr * (0.5 if args.init else 1)
    start, step, shown, total = time.time(), 0, time.time(), 0.0
    while True:
        done = (time.time() - start) / (60 * args.minutes)
        if done >= 1:
            break
        lr = peak * min(1, step / 200) * (0.5 + 0.5 * math.cos(math.pi * done)) + 1e-6
        for g in opt.param_groups:
            g["lr"] = lr
        if step % 2 == 0 or step < 20:
            x, points, seen = stage(*pool.draw(BATCH))
            replay.keep(x, points, seen)
        else:
            x, points, seen = replay.draw()
        if step % 32 == 0:
            stage.back.renew(64)
        answer = pose(x)
        with torch.autocast("cuda", torch.bfloat16):
            out = model(**answer)
        loss = depth.loss_of(out.float(), answer["landmarks"], points, (seen > 0.4).float())
        opt.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(model.parameters(), 5.0)
        opt.step()
        average.update(model)
        step += 1
        total += loss.detach()
        if step % 100 == 0 and time.time() - shown > 15:
            shown = time.time()
            print(f"step {step} loss {float(total) / 100:.3f} lr {lr:.2e} drawn {pool.seen}", flush=True)
        if step % 100 == 0:
            total = 0.0
    model.load_state_dict(average.state)
    return model.eval(), step


@torch.no_grad()
def measure(model, pose, sets):
    """Errors over held-out sets: the network's, its mirrored look's, and those of
    the pose network's own guess."""
    res = {}
    for x, points, seen, lab in sets:
        x = x.float() / 255
        answer = pose(x)
        out = model(**answer).float()
        d, ld, v, ly = depth.split(out)
        at, al = depth.split_places(out, answer["landmarks"])
        mx, _ = mirrored(x, points)
        md, _, mv, _ = depth.split(model(**pose(mx)).float())
        md = md[:, depth.SWAPPED].clone()
        md[:, 12] *= -1
        mv = mv * torch.tensor([1.0, 1.0, -1.0], device="cuda")
        mv[:, :, 1] *= -1
        depths, lines = depth.truth_of(points)
        true = depth.yaw(lines)
        w = answer["world"].view(-1, 39, 3)
        own = torch.stack([w[:, 23] - w[:, 24], w[:, 11] - w[:, 12]], 1)
        deg = 180 / math.pi
        unit = v / v.norm(dim=2, keepdim=True).clamp(min=1e-6)
        munit = mv / mv.norm(dim=2, keepdim=True).clamp(min=1e-6)
        row = {
            "d": (d - depths) * 100,
            "dz": (d - depths) * torch.exp(-ld),
            "y": depth.wrap(depth.yaw(v) - true) * deg,
            "yz": depth.wrap(depth.yaw(v) - true) * torch.exp(-ly),
            "ys": torch.exp(ly) * deg,
            "yt": depth.wrap(depth.yaw(unit + munit) - true) * deg,
            "ym": depth.wrap(depth.yaw(v) - depth.yaw(mv)) * deg,
            "yo": depth.wrap(depth.yaw(own) - true) * deg,
            "sep": depth.wrap(depth.yaw(v[:, 1]) - depth.yaw(v[:, 0]) - true[:, 1] + true[:, 0]) * deg,
            "sepo": depth.wrap(depth.yaw(own[:, 1]) - depth.yaw(own[:, 0]) - true[:, 1] + true[:, 0]) * deg,
            "p": (at - points[:, :, 3:]).norm(dim=2) / HEIGHT * 100,
            "pz": (at - points[:, :, 3:]).norm(dim=2) * torch.exp(-al),
            "po": (depth.pose_places(answer["landmarks"]) - points[:, :, 3:]).norm(dim=2) / HEIGHT * 100,
            "eloff": depths[:, 6:8] * 100,
            "elgot": d[:, 6:8] * 100,
            "view": lab[:, samples.VIEW],
            "mode": lab[:, samples.MODE],
            "ok": seen > 0.4,
        }
        for k, t in row.items():
            res.setdefault(k, []).append(t.cpu())
    return {k: torch.cat(v) for k, v in res.items()}


def quant(v, q):
    return float(torch.quantile(v.float(), q)) if len(v) else float("nan")


DEPTH_NAMES = ("knee L", "knee R", "ankle L", "ankle R", "wrist L", "wrist R", "elbow L", "elbow R",
               "toe L", "toe R", "trunk", "head", "ankles")


PLACE_NAMES = tuple(f"{n} {s}" for s in "LR" for n in ("shoulder", "elbow", "wrist", "hip", "knee", "ankle", "heel", "toe")) + ("head",)
HEIGHT = 256 / 1.27  # px of a standing height in the square


def table(res, title):
    """Yaw in degrees, depths in percent of standing height."""
    lines = [f"== {title}: yaw |error| median p90 / bias; own: the pose network's guess; mirror: mean of two looks"]
    ok = res["ok"]
    groups = [("all", ok)] + [(v, ok & (res["view"] == i)) for i, v in enumerate(samples.VIEWS)]
    groups += [(f"mode {m}", ok & (res["mode"] == m)) for m in range(3)]
    for label, pick in groups:
        cells = [f"n {int(pick.sum()):5d}"]
        for j, name in enumerate(("hips", "shoulders")):
            e, o, t = (res[k][pick][:, j] for k in ("y", "yo", "yt"))
            cells.append(
                f"{name} {quant(e.abs(), 0.5):5.1f} {quant(e.abs(), 0.9):5.1f} / {quant(e, 0.5):5.1f}"
                f" own {quant(o.abs(), 0.5):5.1f} {quant(o.abs(), 0.9):5.1f} / {quant(o, 0.5):5.1f}"
                f" mirror {quant(t.abs(), 0.5):5.1f} {quant(t.abs(), 0.9):5.1f}"
            )
        s, so = res["sep"][pick].abs(), res["sepo"][pick].abs()
        cells.append(f"separation {quant(s, 0.5):5.1f} {quant(s, 0.9):5.1f} own {quant(so, 0.5):5.1f} {quant(so, 0.9):5.1f}")
        lines.append(f"{label:12s} | " + " | ".join(cells))
    for j, name in enumerate(("hips", "shoulders")):
        z, s, m = res["yz"][ok][:, j].abs(), res["ys"][ok][:, j], res["ym"][ok][:, j].abs()
        lines.append(
            f"{name}: scale deg median {quant(s, 0.5):.1f} p90 {quant(s, 0.9):.1f}; |z| 50/68/95 % "
            f"{quant(z, 0.5):.2f} {quant(z, 0.68):.2f} {quant(z, 0.95):.2f}; mirror apart median {quant(m, 0.5):.1f} p90 {quant(m, 0.9):.1f}"
        )
    for j, name in enumerate(DEPTH_NAMES):
        e, z = res["d"][ok][:, j], res["dz"][ok][:, j].abs()
        lines.append(
            f"depth {name:8s} |error| {quant(e.abs(), 0.5):5.2f} p90 {quant(e.abs(), 0.9):5.2f} bias {quant(e, 0.5):5.2f}"
            f" |z| 50/68/95 % {quant(z, 0.5):.2f} {quant(z, 0.68):.2f} {quant(z, 0.95):.2f}"
        )
    for m in (None, 0):
        pick = ok if m is None else ok & (res["mode"] == m)
        for j, name in enumerate(PLACE_NAMES):
            e, o, z = res["p"][pick][:, j], res["po"][pick][:, j], res["pz"][pick][:, j]
            lines.append(
                f"place {name:10s} mode {m} |error| {quant(e, 0.5):5.2f} p90 {quant(e, 0.9):5.2f} own {quant(o, 0.5):5.2f} {quant(o, 0.9):5.2f}"
                f" |z| 50/95 % {quant(z, 0.5):.2f} {quant(z, 0.95):.2f}"
            )
    clear = ok[:, None] & (res["eloff"].abs() > 3)
    right = (res["eloff"] * res["elgot"] > 0) & clear
    lines.append(f"elbow more than 3 % off its line: right side {float(right.sum()) / max(1, int(clear.sum())):.3f} of {int(clear.sum())}")
    return "\n".join(lines)


def held_out(stage, folder):
    px, lab = samples.load_folder(folder)
    torch.manual_seed(SEED + 1)
    sets = []
    for i in range(0, len(px) - BATCH + 1, BATCH):
        x, points, seen = stage(px[i : i + BATCH], lab[i : i + BATCH])
        sets.append(((x * 255).round().byte(), points, seen, lab[i : i + BATCH]))
    return sets


def folded(model):
    """A float32 CPU copy whose conv-batchnorm pairs are single convolutions."""
    import copy

    from torch import nn
    from torch.nn.utils.fusion import fuse_conv_bn_eval

    m = copy.deepcopy(model).float().cpu().eval()
    for mod in list(m.modules()):
        for name, child in list(mod.named_children()):
            if isinstance(child, nn.Sequential) and len(child) == 2 and isinstance(child[1], nn.BatchNorm2d):
                setattr(mod, name, fuse_conv_bn_eval(child[0], child[1]))
    return m


def export(model, pose, x, folder):
    """Writes body_depth.onnx and a worked example; checks ONNX Runtime against PyTorch."""
    import onnxruntime as ort

    m = folded(model)
    names = [*frozen.FEATURES, *frozen.ANSWERS]
    given = {k: v.cpu().contiguous() for k, v in pose(x).items()}
    path = os.path.join(folder, "body_depth.onnx")
    torch.onnx.export(
        m, tuple(given[k][:1] for k in names), path, input_names=names, output_names=["out"],
        opset_version=17, dynamo=False,
    )
    with torch.no_grad():
        want = m(*(given[k] for k in names)).numpy()
    o = ort.SessionOptions()
    o.intra_op_num_threads = 1
    s = ort.InferenceSession(path, o, providers=["CPUExecutionProvider"])
    got = np.concatenate([s.run(None, {k: given[k][i : i + 1].numpy() for k in names})[0] for i in range(len(x))])
    ms = []
    for _ in range(50):
        t = time.perf_counter()
        s.run(None, {k: given[k][:1].numpy() for k in names})
        ms.append(1e3 * (time.perf_counter() - t))
    (x[0].cpu() * 255).round().byte().numpy().tofile(os.path.join(folder, "example_image.u8"))
    want[0].astype(np.float32).tofile(os.path.join(folder, "example_out.f32"))
    with open(path, "rb") as f:
        digest = hashlib.sha256(f.read()).hexdigest()
    return {
        "sha256": digest,
        "parameters": sum(p.numel() for p in m.parameters()),
        "ort_vs_torch": float(np.abs(got - want).max()),
        "ms_min": round(min(ms), 2),
    }


def main():
    ap = argparse.ArgumentParser(description=__doc__)
    ap.add_argument("--bodies", required=True)
    ap.add_argument("--held", required=True)
    ap.add_argument("--out", required=True)
    ap.add_argument("--pose", required=True)
    ap.add_argument("--minutes", type=float, default=8)
    ap.add_argument("--init", help="ONNX file to go on from")
    ap.add_argument("--samples", type=int, default=60000, help="rendered samples kept")
    ap.add_argument("--first", type=int, default=2000, help="samples to wait for")
    ap.add_argument("--lr", type=float, default=2e-3)
    args = ap.parse_args()
    torch.backends.cudnn.benchmark = True
    torch.backends.cudnn.allow_tf32 = True
    torch.manual_seed(SEED)
    os.makedirs(args.out, exist_ok=True)
    pool = samples.Pool(args.bodies, args.samples, 2500)
    pool.wait(args.first)
    stage, pose = Stage(Backgrounds(pool, 4000)), frozen.Frozen(args.pose)
    held = held_out(stage, args.held)
    held[0][0][:32].cpu().numpy().tofile(os.path.join(args.out, "held_inputs.u8"))
    print("pose network, PyTorch against ONNX Runtime:", json.dumps(frozen.check(args.pose, held[0][0][:3].float() / 255)), flush=True)
    model, steps = fit(pool, stage, pose, args)
    torch.save({"ema": model.state_dict(), "steps": steps}, os.path.join(args.out, "body_depth.pt"))
    text = table(measure(model, pose, held), f"{steps} steps of {BATCH}, {pool.seen} samples drawn")
    print(text, flush=True)
    with open(os.path.join(args.out, "tables.txt"), "w") as f:
        f.write(text + "\n")
    print(json.dumps(export(model, pose, held[0][0][:4].float() / 255, args.out)), flush=True)
    pool.stop = True


if __name__ == "__main__":
    main()
