"""The bat finder: a small U-shaped network, and how its output is read."""

import torch
import torch.nn.functional as F
from torch import nn

CROP = 256  # px, the input's side
GRID = 64  # cells, the output's side
CELL = CROP // GRID
KNOB, TIP, KNOB_PREC, TIP_PREC, MASK = 0, 1, slice(2, 5), slice(5, 8), 8
CHANNELS = 9
NU = 4.0  # degrees of freedom of the Student-t whose scale the precision gives


def conv_bn(ci, co, k=3, stride=1, groups=1):
    return nn.Sequential(
        nn.Conv2d(ci, co, k, stride, k // 2, groups=groups, bias=False),
        nn.BatchNorm2d(co, momentum=0.02),
    )


class Block(nn.Module):
    """Depthwise 5x5, then a pointwise pair, added to its input."""

    def __init__(self, c):
        super().__init__()
        self.wide = conv_bn(c, c, 5, groups=c)
        self.grow = conv_bn(c, 2 * c, 1)
        self.shrink = conv_bn(2 * c, c, 1)

    def forward(self, x):
        return x + self.shrink(F.relu(self.grow(self.wide(x))))


class BatNet(nn.Module):
    """[B,5,256,256] in 0..1 -> [B,9,64,64] raw (channels: see the model card)."""

    def __init__(self, widths=(16, 32, 64, 128, 160), down=(0, 2, 2, 3), up=(1, 1, 1), inputs=5):
        super().__init__()
        self.stem = conv_bn(inputs, widths[0], 3, 2)
        self.reduce = nn.ModuleList(
            conv_bn(a, b, 3, 2) for a, b in zip(widths[:-1], widths[1:])
        )
        self.down = nn.ModuleList(
            nn.Sequential(*[Block(c) for _ in range(n)]) for c, n in zip(widths[1:], down)
        )
        self.lateral = nn.ModuleList(
            conv_bn(a, b, 1) for a, b in zip(widths[:1:-1], widths[-2:0:-1])
        )
        self.up = nn.ModuleList(
            nn.Sequential(*[Block(c) for _ in range(n)])
            for c, n in zip(widths[-2:0:-1], up)
        )
        self.head = nn.Conv2d(widths[1], CHANNELS, 1)
        nn.init.zeros_(self.head.bias)
        nn.init.normal_(self.head.weight, std=0.01)
        nn.init.constant_(self.head.bias[MASK : MASK + 1], -3.0)

    def early(self, x):
        """Input to a quarter of its size."""
        x = F.relu(self.stem(x))
        return F.relu(self.reduce[0](x))

    def forward(self, x):
        x = self.down[0](self.early(x))
        kept = []
        for reduce, down in zip(self.reduce[1:], self.down[1:]):
            kept.append(x)
            x = down(F.relu(reduce(x)))
        for lateral, up in zip(self.lateral, self.up):
            x = up(F.interpolate(lateral(x), scale_factor=2.0, mode="nearest") + kept.pop())
        return self.head(x)


def window(out, heat, prec):
    """Reads one point of raw output.

    Returns the point [B,2] in cells (x, y), and its precision parameters
    [B,3]: means over the 5x5 window round the heat peak, weighted by the
    softmax of the heat logits in that window.
    """
    b = out.shape[0]
    flat = out[:, heat].reshape(b, -1)
    peak = flat.detach().argmax(1)
    px = (peak % GRID).clamp(2, GRID - 3)
    py = (peak // GRID).clamp(2, GRID - 3)
    d = torch.arange(-2, 3, device=out.device)
    ys = (py[:, None] + d)[:, :, None].expand(b, 5, 5)
    xs = (px[:, None] + d)[:, None, :].expand(b, 5, 5)
    idx = (ys * GRID + xs).reshape(b, 25)
    w = flat.gather(1, idx).softmax(1)
    at = torch.stack(
        [(w * xs.reshape(b, 25)).sum(1), (w * ys.reshape(b, 25)).sum(1)], 1
    )
    maps = out[:, prec].reshape(b, 3, -1)
    par = (maps.gather(2, idx[:, None].expand(b, 3, 25)) * w[:, None]).sum(2)
    return at, par


def whiten(par, r):
    """Residual r [B,2] in cells over its scale: z = L^T r with L = [[a,0],[b,c]]."""
    la, lb, lc = par.clamp(-6, 6).unbind(1)
    return torch.stack([la.exp() * r[:, 0] + lb * r[:, 1], lc.exp() * r[:, 1]], 1)


def student_nll(par, r):
    """Negative log-likelihood of r under a bivariate Student-t, up to a constant."""
    z2 = whiten(par, r).square().sum(1)
    la, _, lc = par.clamp(-6, 6).unbind(1)
    return -(la + lc) + 0.5 * (NU + 2) * torch.log1p(z2 / NU)


def sigma(par):
    """Root mean variance of the two axes (cells) of the scale matrix (L L^T)^-1."""
    la, b, lc = par.unbind(1)
    a, c = la.exp(), lc.exp()
    # inverse of L L^T = [[a^2, ab], [ab, b^2 + c^2]]; determinant (ac)^2
    return ((a * a + b * b + c * c) / (2 * (a * c) ** 2)).sqrt()
