"""Rendered bodies, read into GPU memory as the renderer writes them."""

import glob
import os
import threading
import time

import numpy as np
import torch

SIDE = 352  # px of a rendered sample
HEIGHT_PX = 256 / 1.27  # px of a standing height in it
PLANES = 4  # R G B A
LABELS = 90
POINTS = 17  # x, y, z each, then:
VIEW, AZIMUTH, MODE, TIME = range(51, 55)
PLACES = 56  # x, y of each point, px from the middle
VIEWS = ("open side", "closed side", "rear", "front", "oblique")


def read_file(path):
    """One renderer file: samples [n,4,S,S] uint8, labels [n,90], scene [3,S,S]."""
    lab = np.fromfile(path[:-4] + ".lab", np.float32).reshape(-1, LABELS)
    raw = np.fromfile(path, np.uint8)
    n, size = len(lab), PLANES * SIDE * SIDE
    return raw[: n * size].reshape(n, PLANES, SIDE, SIDE), lab, raw[n * size :].reshape(3, SIDE, SIDE)


class Pool:
    """A ring of samples on the GPU, refilled by a thread from a folder."""

    def __init__(self, folder, samples, scenes, device="cuda"):
        self.folder, self.device = folder, device
        self.px = torch.empty(samples, PLANES, SIDE, SIDE, dtype=torch.uint8, device=device)
        self.lab = torch.zeros(samples, LABELS, device=device)
        self.scene = torch.empty(scenes, 3, SIDE, SIDE, dtype=torch.uint8, device=device)
        self.seen = self.scenes = 0
        self.stop = False
        self.thread = threading.Thread(target=self.run, daemon=True)
        self.thread.start()

    def __len__(self):
        return min(self.seen, len(self.px))

    def run(self):
        while not self.stop:
            paths = sorted(glob.glob(os.path.join(self.folder, "*.bin")))
            if not paths:
                time.sleep(0.05)
            for p in paths:
                self.add(*read_file(p))
                os.remove(p)
                os.remove(p[:-4] + ".lab")
                if self.stop:
                    return

    def add(self, px, lab, scene):
        at = self.seen % len(self.px)
        n = min(len(px), len(self.px) - at)
        self.px[at : at + n].copy_(torch.from_numpy(px[:n]))
        self.lab[at : at + n].copy_(torch.from_numpy(lab[:n]))
        self.scene[self.scenes % len(self.scene)].copy_(torch.from_numpy(scene))
        self.scenes += 1
        self.seen += n

    def wait(self, n):
        while self.seen < n:
            time.sleep(0.1)

    def draw(self, n):
        i = torch.randint(len(self), (n,), device=self.device)
        return self.px[i], self.lab[i]

    def draw_scene(self, n):
        i = torch.randint(min(self.scenes, len(self.scene)), (n,), device=self.device)
        return self.scene[i].float() / 255


def load_folder(folder, device="cuda"):
    """All samples of a folder, for measuring."""
    px, lab = [], []
    for p in sorted(glob.glob(os.path.join(folder, "*.bin"))):
        a, b, _ = read_file(p)
        px.append(torch.from_numpy(a.copy()))
        lab.append(torch.from_numpy(b.copy()))
    return torch.cat(px).to(device), torch.cat(lab).to(device)
