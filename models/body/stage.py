"""From rendered bodies to training crops: what models/bat does to its crops, with
one frame in place of three."""

import math
import os
import sys

import torch

import samples

sys.path.append(os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "bat"))
from augment import Augment, affine, either, grid_for, linear, sample  # noqa: E402
from scenery import chance, uni  # noqa: E402


def cut_out(px, m):
    """Places a body: premultiplied linear colour [n,3,3,H,W] (the same frame three
    times, as the bat's code has a frame before and one after), alpha [n,3,1,H,W]."""
    a = px[:, 3:4].float() * (1 / 255)
    out = sample(torch.cat([linear(px[:, :3]) * a, a], 1), grid_for(m, samples.SIDE))
    out = out[:, None].repeat(1, 3, 1, 1, 1)
    return out[:, :, :3], out[:, :, 3:4]


def placed(lab, m, flip):
    """The body's points [n,17,5] as the placed picture shows them: x, y, z in
    standing heights, and where they are in the 256 px square."""
    p = lab[:, : 3 * samples.POINTS].view(-1, samples.POINTS, 3)
    turn = m[:, :, :2] / torch.linalg.det(m[:, :, :2]).abs().sqrt()[:, None, None]
    xy = p[:, :, :2] @ turn  # the inverse of an orthogonal map, for rows
    p = torch.cat([xy, p[:, :, 2:]], 2)
    # m takes the square's px to the sample's
    q = lab[:, samples.PLACES :].view(-1, samples.POINTS, 2) - m[:, None, :, 2]
    q = torch.linalg.solve(m[:, :, :2], q.mT).mT + 128
    p = torch.cat([p, q], 2)
    other = torch.cat([p[:, 8:16], p[:, :8], p[:, 16:]], 1)  # left is right in a mirror
    return torch.where((flip < 0)[:, None, None], other, p)


class Stage(Augment):
    @torch.no_grad()
    def __call__(self, px, lab):
        """Returns image [n,3,256,256], points [n,17,5], and the share [n] of each
        body that is not covered."""
        n = len(px)
        flip = either(n)
        # the square a pose network looks in: side within 10 %, turned, off centre
        scale = torch.randn(n, device="cuda").mul(0.07).clamp(-0.2, 0.2).exp()
        turn = torch.randn(n, device="cuda") * (8 * math.pi / 180)
        shift = torch.randn(n, 2, device="cuda") * (0.025 * samples.HEIGHT_PX)
        m = affine(n, scale, turn, shift, flip)
        rgb, alpha = cut_out(px, m)
        rgb = rgb * torch.randn(n, 1, 3, 1, 1, device="cuda").mul(0.06).exp()
        rgb = rgb * torch.randn(n, 1, 1, 1, 1, device="cuda").mul(0.35).exp()
        rgb = self.cloth(rgb)
        scene = self.scene(n, m, torch.zeros(n, 3, 2, device="cuda"))
        plain = float(torch.rand(())) < 0.5  # nobody else about, nothing in front
        if not plain:
            scene = self.others(scene, px, None)
        scene = self.shadow(scene, alpha)
        img = scene * (1 - alpha) + rgb
        body = alpha[:, 1].clone()
        left = body.clone()
        if not plain:
            img, left = self.in_front(img, left)
        y, c = self.degrade(*self.tone(img))
        seen = left.sum((1, 2, 3)) / body.sum((1, 2, 3)).clamp(min=1)
        return self.assemble(y, c)[:, :3], placed(lab, m, flip), seen

    def others(self, scene, px, _):
        """Another hitter behind, for some."""
        n = len(px)
        k = int(n * 0.22)
        turn = uni(k, -0.2, 0.2)
        side = torch.where(chance(k, 0.5), 1.0, -1.0)
        shift = torch.stack([side * uni(k, 45, 150), uni(k, -50, 50)], 1)
        scale = uni(k, math.log(0.8), math.log(2.2)).exp()
        m = affine(k, scale, turn, shift, either(k))
        rgb, alpha = cut_out(px.roll(n // 2, 0)[:k], m)
        gain = torch.randn(k, 1, 1, 1, 1, device="cuda").mul(0.4).exp()
        scene[:k] = scene[:k] * (1 - alpha) + rgb * gain
        return scene[torch.arange(n, device="cuda")]
