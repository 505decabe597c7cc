"""The depth network: what it is given, what it says, and how that is scored."""

import math

import torch
import torch.nn.functional as F
from torch import nn

# points, left side first: shoulder elbow wrist hip knee ankle heel toe; 16 the head
SH, EL, WR, HIP, KNEE, ANK, HEEL, TOE = range(8)
HEAD = 16


def depth_terms():
    """Rows of weights over the 17 points: the depths that are asked for.

    By side: knee against hip, ankle against knee, wrist against shoulder, elbow
    against the middle of shoulder and wrist, toe against heel; then the middle of
    the shoulders against that of the hips, the head against the middle of the
    shoulders, the left ankle against the right.
    """
    rows = []

    def row(**by):
        r = [0.0] * 17
        for k, v in by.items():
            r[int(k[1:])] = v
        rows.append(r)

    for pairs in (((KNEE, 1), (HIP, -1)), ((ANK, 1), (KNEE, -1)), ((WR, 1), (SH, -1)),
                  ((EL, 1), (SH, -0.5), (WR, -0.5)), ((TOE, 1), (HEEL, -1))):
        for side in (0, 8):
            row(**{f"p{j + side}": v for j, v in pairs})
    row(p0=0.5, p8=0.5, p3=-0.5, p11=-0.5)
    row(p16=1, p0=-0.5, p8=-0.5)
    row(p5=1, p13=-1)
    return torch.tensor(rows)


DEPTHS = 13
# the depths, left and right swapped, as a mirror has them (the last changes sign)
SWAPPED = [1, 0, 3, 2, 5, 4, 7, 6, 9, 8, 10, 11, 12]
LINES = ((HIP, HIP + 8), (SH, SH + 8))  # left minus right: hips, shoulders
OUTPUTS = 2 * DEPTHS + 4 * len(LINES)
# The pose network's points for the 17; the head is midway between its ears
POSE = [11, 13, 15, 23, 25, 27, 29, 31, 12, 14, 16, 24, 26, 28, 30, 32]
EARS = [7, 8]
PLACE_PX = 4.0  # what 1 of an output place means, px of the square
UNIT = 0.1  # of standing height, what 1 of an output depth means
NU = 4.0  # degrees of freedom of the Student-t of every error


def truth_of(points):
    """points [n,17,3] in heights -> depths [n,13], lines [n,2,3]."""
    w = depth_terms().to(points.device)
    depths = points[:, :, 2] @ w.T
    lines = torch.stack([points[:, a, :3] - points[:, b, :3] for a, b in LINES], 1)
    return depths, lines


def split(out):
    """Raw output [n,34] -> depths (heights), log of their scale, line vectors
    [n,2,3], log of the scale of their yaw (radians)."""
    out = out[:, :OUTPUTS]
    d = out[:, :DEPTHS] * UNIT
    ld = out[:, DEPTHS : 2 * DEPTHS] + math.log(0.04)
    r = out[:, 2 * DEPTHS :].view(-1, len(LINES), 4)
    return d, ld.clamp(-7, 1), r[:, :, :3], (r[:, :, 3] + math.log(0.2)).clamp(-5, 1)


def pose_places(landmarks):
    """The pose network's own places of the 17 points, px of the square."""
    xy = landmarks.view(-1, 39, 5)[:, :, :2]
    return torch.cat([xy[:, POSE], xy[:, EARS].mean(1, keepdim=True)], 1)


def split_places(out, landmarks):
    """Places [n,17,2], px of the square, and the log of their scales [n,17], px."""
    p = out[:, OUTPUTS:].view(-1, 17, 3)
    return pose_places(landmarks) + PLACE_PX * p[:, :, :2], (p[:, :, 2] + math.log(PLACE_PX)).clamp(-2, 4)


def place_loss(out, landmarks, points, weight):
    """A two-dimensional Student-t for every point inside the square."""
    xy, ls = split_places(out, landmarks)
    want = points[:, :, 3:]
    inside = ((want > 2) & (want < 254)).all(2).float() * weight[:, None]
    r2 = (xy - want).square().sum(2)
    nll = 2 * ls + 0.5 * (NU + 2) * torch.log1p(r2 * torch.exp(-2 * ls) / NU)
    plain = F.smooth_l1_loss(xy / PLACE_PX, want / PLACE_PX, reduction="none").sum(2)
    return ((nll + plain) * inside).sum() / inside.sum().clamp(min=1)


def yaw(v):
    """Heading of a line seen from above the picture: 0 when its left end is to the
    right of the picture, positive when that end is farther away."""
    return torch.atan2(v[..., 2], v[..., 0])


def wrap(a):
    return torch.remainder(a + math.pi, 2 * math.pi) - math.pi


def student(log_scale, r):
    """Negative log-likelihood of r, up to a constant."""
    return log_scale + 0.5 * (NU + 1) * torch.log1p((r * torch.exp(-log_scale)).square() / NU)


def loss_of(out, landmarks, points, weight):
    depths, lines = truth_of(points)
    d, ld, v, ly = split(out)
    unit = lines / lines.norm(dim=2, keepdim=True)
    # a line that stands upright in the picture has no yaw
    flat = (unit[:, :, 0].square() + unit[:, :, 2].square()).clamp(max=1)
    nll = student(ld, d - depths).mean(1)
    nll = nll + 2 * (flat * student(ly, wrap(yaw(v) - yaw(unit)))).mean(1)
    plain = F.smooth_l1_loss(d / 0.05, depths / 0.05, reduction="none").mean(1)
    plain = plain + 3 * (v - unit).square().sum(2).mean(1)
    depth = (weight * (nll + plain)).sum() / weight.sum().clamp(min=1)
    return depth + place_loss(out, landmarks, points, weight)


def conv_bn(ci, co, k=1, stride=1, groups=1):
    return nn.Sequential(
        nn.Conv2d(ci, co, k, stride, k // 2, groups=groups, bias=False),
        nn.BatchNorm2d(co, momentum=0.02),
    )


class Block(nn.Module):
    """Depthwise 5x5, then a pointwise pair, added to its input."""

    def __init__(self, c):
        super().__init__()
        self.wide = conv_bn(c, c, 5, groups=c)
        self.grow = conv_bn(c, 2 * c)
        self.shrink = conv_bn(2 * c, c)

    def forward(self, x):
        return x + self.shrink(F.relu(self.grow(self.wide(x))))


class Down(nn.Module):
    """Halves a map and joins one of the pose network's own."""

    def __init__(self, ci, co, join):
        super().__init__()
        self.shrink = conv_bn(ci, ci, 3, 2, groups=ci)
        self.mix = conv_bn(ci, co)
        self.join = conv_bn(join, co)
        self.blocks = nn.Sequential(Block(co), Block(co))

    def forward(self, x, f):
        return self.blocks(F.relu(self.mix(self.shrink(x)) + self.join(f)))


class DepthNet(nn.Module):
    """Inner maps of the pose network and its own answer -> [n,85] raw."""

    def __init__(self):
        super().__init__()
        self.first = conv_bn(32, 64)
        self.d16 = Down(64, 128, 88)
        self.d8 = Down(128, 160, 144)
        self.d4 = Down(160, 192, 288)
        self.narrow = conv_bn(192, 96)
        self.flat = nn.Linear(96 * 16, 256)
        self.deep = nn.Linear(288 * 4, 192)
        self.answer = nn.Linear(195 + 117, 128)
        self.mid = nn.Linear(256 + 192 + 128, 256)
        self.out = nn.Linear(256, OUTPUTS)
        # each point: the maps about where the pose network has it, and the whole body
        self.near = nn.Linear(5 * 64 + 128 + 256 + 17, 160)
        self.place = nn.Linear(160, 3)
        for last in (self.out, self.place):
            nn.init.normal_(last.weight, std=0.01)
            nn.init.zeros_(last.bias)
        self.register_buffer("about", torch.tensor([[0.0, 0.0], [1, 0], [-1, 0], [0, 1], [0, -1]]) * (8 / 128), persistent=False)
        self.register_buffer("which", torch.eye(17), persistent=False)

    def forward(self, t226, t251, t269, t316, t335, landmarks, world):
        fine = F.relu(self.first(t226))
        coarse = self.d16(fine, t251)
        x = self.d4(self.d8(coarse, t269), t316)
        x = F.relu(self.flat(F.relu(self.narrow(x)).flatten(1)))
        deep = F.relu(self.deep(t335.flatten(1)))
        # pixels to -1..1 and logits cut off; metres as they are
        m = landmarks.view(-1, 39, 5)
        m = torch.cat([m[:, :, :3] / 128 - 1, m[:, :, 3:].clamp(-8, 8) / 8], 2)
        a = F.relu(self.answer(torch.cat([m.flatten(1), world], 1)))
        whole = F.relu(self.mid(F.dropout(torch.cat([x, deep, a], 1), 0.1, self.training)))
        at = (pose_places(landmarks) / 128 - 1).clamp(-1, 1)
        n = at.shape[0]
        around = (at[:, :, None] + self.about).to(fine.dtype)
        near = F.grid_sample(fine, around, padding_mode="border", align_corners=False)  # [n,64,17,5]
        near = near.permute(0, 2, 1, 3).flatten(2)
        far = F.grid_sample(coarse, at[:, :, None].to(coarse.dtype), padding_mode="border", align_corners=False)
        far = far.permute(0, 2, 1, 3).flatten(2)
        each = torch.cat([near, far, whole[:, None].expand(n, 17, 256), self.which.to(fine.dtype).expand(n, 17, 17)], 2)
        place = self.place(F.relu(self.near(each)))
        return torch.cat([self.out(whole), place.flatten(1)], 1)
