"""From rendered cut-outs to training crops, all on the GPU.

Order: place (turn, scale, shift, mirror) -> stand before a background, other
hitters, false bats, shadow -> net and things in front -> light, colour, tone
curve -> lens blur, smaller size, noise, block coding, back to size, sharpening.
"""

import math

import torch
import torch.nn.functional as F

import data
import scenery
from net import CROP
from scenery import chance, uni

BACK = 320  # px, side of a background picture
LUMA = (0.299, 0.587, 0.114)  # BT.601

# ITU-T T.81 (JPEG) annex K tables
LUMA_Q = """16 11 10 16 24 40 51 61 12 12 14 19 26 58 60 55 14 13 16 24 40 57 69 56
14 17 22 29 51 87 80 62 18 22 37 56 68 109 103 77 24 35 55 64 81 104 113 92
49 64 78 87 103 121 120 101 72 92 95 98 112 100 103 99"""
CHROMA_Q = """17 18 24 47 99 99 99 99 18 21 26 66 99 99 99 99 24 26 56 99 99 99 99 99
47 66 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99
99 99 99 99 99 99 99 99 99 99 99 99 99 99 99 99"""


def table(text):
    return torch.tensor([float(v) for v in text.split()]).view(8, 8).cuda()


def dct_matrix():
    k = torch.arange(8.0)
    m = torch.cos(math.pi * (2 * k[None] + 1) * k[:, None] / 16) * 0.5
    m[0] *= math.sqrt(0.5)
    return m.cuda()


class Codec:
    """Block coding: a still-picture coder, or frames predicted one from another."""

    def __init__(self):
        self.d = dct_matrix()
        self.luma, self.chroma = (table(t).T[:, None] for t in (LUMA_Q, CHROMA_Q))

    def code(self, x, step):
        """x [b,c,h,w] in 0..255; step [b,1,1,8,1,8], its rows the horizontal frequency."""
        b, c, h, w = x.shape
        t = x.reshape(b, c, h // 8, 8, w // 8, 8) @ self.d.T
        t = t.transpose(3, 5) @ self.d.T
        t = (t / step).round_().mul_(step)
        t = (t @ self.d).transpose(3, 5) @ self.d
        return t.reshape(b, c, h, w)

    def __call__(self, y, c):
        """y [b,3,h,w] luma of before, now, after; c [b,2,h,w] chroma of now; 0..1."""
        b = len(y)
        q = uni(b, 20, 92)
        s = torch.where(q < 50, 50 / q, 2 - q / 50)[:, None, None, None, None, None]
        step = (self.luma * s).clamp(1, 255)
        flat = (16 + 8 * torch.rand_like(s)) * s * (1 + 0.05 * self.luma / 16)
        y, c = y * 255, c * 255
        intra = self.code(y, step)
        prev = intra[:, :1]
        frames = [prev]
        for i in (1, 2):
            prev = prev + self.code(y[:, i : i + 1] - prev, flat)
            frames.append(prev)
        inter = torch.cat(frames, 1)
        half = F.avg_pool2d(c, 2)
        half = self.code(half, (self.chroma * s).clamp(1, 255))
        half = F.interpolate(half, scale_factor=2.0, mode="bilinear", align_corners=False)
        kind = torch.rand(b, 1, 1, 1, device="cuda")
        y = torch.where(kind < 0.45, intra, torch.where(kind < 0.9, inter, y))
        c = torch.where(kind < 0.9, half, c)
        return y.clamp(0, 255) / 255, c / 255


def gauss(x, sigma):
    """Blur [b,c,h,w] by per-picture sigma [b] px (up to about 2)."""
    b, c, h, w = x.shape
    r = 4
    k = torch.arange(-r, r + 1, device=x.device)
    k = torch.exp(-0.5 * (k / sigma.clamp(min=0.05)[:, None]) ** 2)
    k = (k / k.sum(1, keepdim=True)).repeat_interleave(c, 0)
    x = F.pad(x, (r, r, r, r), mode="replicate").reshape(1, b * c, h + 2 * r, w + 2 * r)
    x = F.conv2d(x, k[:, None, :, None], groups=b * c)
    x = F.conv2d(x, k[:, None, None, :], groups=b * c)
    return x.view(b, c, h, w)


class Backgrounds:
    """A store of procedural pictures, a few replaced at every step."""

    def __init__(self, pool, count):
        self.pool = pool
        self.img = torch.empty(count, 3, BACK, BACK, dtype=torch.uint8, device="cuda")
        self.at = 0
        while self.at < count:
            self.renew(min(64, count - self.at))
        self.at = 0

    def renew(self, n):
        at = self.at % len(self.img)
        n = min(n, len(self.img) - at)
        new = scenery.scenery(n, BACK, self.pool.draw_scene(n))
        self.img[at : at + n] = (new * 255 + 0.5).byte()
        self.at += n

    def draw(self, n):
        return self.img[torch.randint(len(self.img), (n,), device="cuda")]


def either(n):
    """1 or -1, to mirror or not."""
    return torch.where(chance(n, 0.5), 1.0, -1.0)


def affine(n, scale, turn, shift, flip):
    """[n,2,3] from output px (centre origin) to source px (centre origin)."""
    c, s = turn.cos() * scale, turn.sin() * scale
    return torch.stack(
        [torch.stack([c * flip, -s, shift[:, 0]], 1), torch.stack([s * flip, c, shift[:, 1]], 1)], 1
    )


def grid_for(m, side):
    """Sampling grid of CROP x CROP for a source of the given side."""
    v = torch.arange(CROP, device="cuda") - (CROP - 1) / 2
    y, x = v[None, :, None], v[None, None, :]
    sx = m[:, 0, 0, None, None] * x + m[:, 0, 1, None, None] * y + m[:, 0, 2, None, None]
    sy = m[:, 1, 0, None, None] * x + m[:, 1, 1, None, None] * y + m[:, 1, 2, None, None]
    return torch.stack([sx, sy], -1) * (2 / side)


def shifted(m, d):
    """The same map with the picture moved by d [n,2] output px."""
    out = m.clone()
    out[:, :, 2] -= (m[:, :, :2] @ d[:, :, None])[:, :, 0]
    return out


def sample(src, grid, padding="zeros"):
    return F.grid_sample(src, grid, padding_mode=padding, align_corners=False)


def linear(u8):
    return (u8.float() * (1 / 255)).pow(2.2)


def cut_out(px, m, shake):
    """Places the three frames: premultiplied linear colour and alpha.

    Returns rgb [n,3 frames,3,H,W], alpha [n,3,1,H,W], bat alpha [n,1,H,W];
    frames in the order before, now, after.
    """
    rgb, alpha, bat = [], [], None
    for f, (at, planes) in enumerate(((5, 4), (0, 5), (9, 4))):
        p = px[:, at : at + planes]
        a = p[:, 3:4].float() * (1 / 255)
        src = torch.cat([linear(p[:, :3]) * a, a], 1)
        if f == 1:
            src = torch.cat([src, p[:, 4:5].float() * (1 / 255)], 1)
        out = sample(src, grid_for(shifted(m, shake[:, f]), data.SIDE))
        rgb.append(out[:, :3])
        alpha.append(out[:, 3:4])
        if f == 1:
            bat = out[:, 4:5]
    return torch.stack(rgb, 1), torch.stack(alpha, 1), bat


class Augment:
    def __init__(self, backgrounds):
        self.back = backgrounds
        self.codec = Codec()
        self.tone = torch.compile(self.tone, dynamic=False)

    @torch.no_grad()
    def __call__(self, px, lab):
        """Returns image [n,5,256,256], and a dict of targets.

        knob, tip [n,2] in px of the crop (pixel centres at whole numbers),
        bat [n,1,64,64] coverage, inch [n] inches a px, visible [n].
        """
        n = len(px)
        m, truth = self.place(lab)
        shake = torch.zeros(n, 3, 2, device="cuda")
        shake[:, ::2] = torch.randn(n, 2, 2, device="cuda") * uni((n, 1, 1), 0, 2.5)
        shake *= chance(n, 0.5)[:, None, None]
        rgb, alpha, bat = cut_out(px, m, shake)
        rgb = rgb * torch.randn(n, 1, 3, 1, 1, device="cuda").mul(0.06).exp()
        rgb = rgb * torch.randn(n, 1, 1, 1, 1, device="cuda").mul(0.35).exp()
        rgb = self.cloth(rgb)
        scene = self.scene(n, m, shake)
        scene = self.others(scene, px, shake)
        scene = self.shadow(scene, alpha)
        img = scene * (1 - alpha) + rgb
        img, bat = self.in_front(img, bat)
        y, c = self.tone(img)
        y, c = self.degrade(y, c)
        truth["bat"] = F.avg_pool2d(bat, CROP // 64)
        area = bat.sum((1, 2, 3))
        truth["visible"] = area > 25
        return self.assemble(y, c), truth

    def place(self, lab):
        n = len(lab)
        height = data.SIDE / 1.71875
        scale = uni(n, math.log(0.8), math.log(1.25)).exp()
        turn = uni(n, -12, 12) * math.pi / 180
        turn *= chance(n, 0.7)
        r, a = uni(n, 0, 1).sqrt() * 0.08 * height, uni(n, 0, 2 * math.pi)
        r *= chance(n, 0.9)
        shift = torch.stack([r * a.cos(), r * a.sin()], 1)
        m = affine(n, scale, turn, shift, either(n))
        inv = torch.linalg.inv(m[:, :, :2])
        truth = {"inch": scale / lab[:, data.PX_PER_IN]}
        for name, col in (("knob", data.KNOB_X), ("tip", data.TIP_X)):
            p = lab[:, col : col + 2] - data.SIDE / 2
            truth[name] = (inv @ (p - shift)[:, :, None])[:, :, 0] + (CROP - 1) / 2
        return m, truth

    def cloth(self, rgb):
        """Prints a pattern faintly on some hitters, whose own surfaces are plain."""
        n = len(rgb)
        k = n // 3
        v = torch.randperm(n, device="cuda")[:k]
        tex = self.back.draw(k)[:, None, :, :CROP, :CROP].float() / 255
        strength = uni((k, 1, 1, 1, 1), 0, 0.6)
        rgb[v] *= 1 + strength * (tex / tex.mean((2, 3, 4), keepdim=True).clamp(min=0.1) - 1)
        return rgb

    def scene(self, n, m, shake):
        """Background of the three frames, linear; it shakes with the camera."""
        img = linear(self.back.draw(n))
        k = uni(n, math.log(0.55), math.log(1.3)).exp()
        turn = uni(n, -0.15, 0.15)
        size = BACK / 2 - CROP / 2
        shift = torch.rand(n, 2, device="cuda").sub(0.5) * size
        b = affine(n, k, turn, shift, either(n))
        # a camera that follows the hitter, or none
        drift = torch.randn(n, 1, 2, device="cuda") * uni((n, 1, 1), 0, 1.5)
        drift = drift * chance(n, 0.3)[:, None, None]
        drift = drift * torch.tensor([-1.0, 0.0, 1.0], device="cuda")[None, :, None]
        out = []
        for f in range(3):
            moved = shifted(b, shake[:, f] + drift[:, f])
            out.append(sample(img, grid_for(moved, BACK), "reflection"))
        gain = torch.randn(n, 1, 1, 1, 1, device="cuda").mul(0.35).exp()
        return (torch.stack(out, 1) * gain).clamp(0, 1.5)

    def others(self, scene, px, shake):
        """Another hitter behind, for some; his hands stay away from the centre."""
        n = len(px)
        k = int(n * 0.22)
        turn = uni(k, -0.2, 0.2)
        a, r = uni(k, -math.pi, math.pi), uni(k, 70, 170)
        scale = uni(k, math.log(0.8), math.log(2.2)).exp()
        shift = torch.stack([r * a.cos(), r * a.sin() * 0.6], 1)
        m = affine(k, scale, turn, torch.zeros(k, 2, device="cuda"), either(k))
        still = chance(k, 0.4)
        rgb, alpha, _ = cut_out(px.roll(n // 2, 0)[:k], m=shifted(m, shift), shake=shake[:k])
        rgb = torch.where(still[:, None, None, None, None], rgb[:, 1:2], rgb)
        alpha = torch.where(still[:, None, None, None, None], alpha[:, 1:2], alpha)
        gain = torch.randn(k, 1, 1, 1, 1, device="cuda").mul(0.4).exp()
        scene[:k] = scene[:k] * (1 - alpha) + rgb * gain
        return scene[torch.arange(n, device="cuda")]

    def shadow(self, scene, alpha):
        """The hitter's own shadow on a wall or the ground behind, for some."""
        n = len(scene)
        k = n // 4
        v = slice(n - k, n)
        shift = torch.randn(k, 2, device="cuda") * 45
        m = affine(k, uni(k, 0.8, 1.2), uni(k, -0.3, 0.3), shift, torch.ones(k, device="cuda"))
        m[:, 0, 1] += uni(k, -0.8, 0.8)
        m[:, 1, 1] *= torch.where(chance(k, 0.4), uni(k, -4, -1.5), torch.ones(k, device="cuda"))
        dark = sample(alpha[v].reshape(k, 3, CROP, CROP), grid_for(m, CROP))
        dark = gauss(dark, uni(k, 0.3, 2)).view(k, 3, 1, CROP, CROP)
        scene[v] = scene[v] * (1 - dark * uni((k, 1, 1, 1, 1), 0.15, 0.7))
        return scene

    def in_front(self, img, bat):
        n = len(img)
        k = n // 5
        v = torch.randperm(n, device="cuda")[:k]
        mask = scenery.net(k, CROP)[:, None]
        col = scenery.colours(k)[:, None, :, None, None].pow(2.2)
        img[v] += (col - img[v]) * mask
        # things between camera and hitter, cut from other pictures
        k = n // 4
        v = torch.randperm(n, device="cuda")[:k]
        tex = linear(self.back.draw(k))[:, None, :, :CROP, :CROP]
        y, x = scenery.axes(CROP)
        cover = torch.zeros(k, 1, CROP, CROP, device="cuda")
        for _ in range(2):
            ang = uni((k, 1, 1, 1), 0, math.pi)
            dx, dy = x - uni((k, 1, 1, 1), 0, CROP), y - uni((k, 1, 1, 1), 0, CROP)
            u, w = dx * ang.cos() + dy * ang.sin(), dy * ang.cos() - dx * ang.sin()
            hw, hh = uni((k, 1, 1, 1), 1, 5.3).exp(), uni((k, 1, 1, 1), 1, 3.6).exp()
            box = torch.minimum(hw - u.abs(), hh - w.abs()).add(0.5).clamp(0, 1)
            cover = torch.maximum(cover, box * chance(k, 0.7)[:, None, None, None])
        club, paint = scenery.capsule(k, CROP)
        club = club * chance(k, 0.3)[:, None, None, None]
        img[v] += (tex - img[v]) * cover[:, None]
        img[v] += (paint.pow(2.2)[:, None] - img[v]) * club[:, None]
        bat[v] *= (1 - cover) * (1 - club)
        return img, bat

    def tone(self, img):
        """Light and colour; returns luma of three frames and chroma of now."""
        n = len(img)
        k = torch.randn(n, 1, 1, 1, 1, device="cuda").mul(0.3).exp()
        k = k * torch.randn(n, 3, 1, 1, 1, device="cuda").mul(0.02).exp()
        k = k * torch.randn(n, 1, 3, 1, 1, device="cuda").mul(0.12).exp()
        x = img * k + uni((n, 1, 1, 1, 1), -0.03, 0.08) * chance(n, 0.3)[:, None, None, None, None]
        y, xx = scenery.axes(CROP)
        far = ((y / CROP - 0.5) ** 2 + (xx / CROP - 0.5) ** 2)[:, None]
        x = x * (1 - uni((n, 1, 1, 1, 1), -0.4, 0.8) * far)
        x = torch.where(x > 0.8, 0.8 + (x - 0.8) / (1 + (x - 0.8).clamp(min=0) * 3), x)
        gamma = torch.randn(n, 1, 1, 1, 1, device="cuda").mul(0.18).exp() / 2.2
        x = x.clamp(0, 1).pow(gamma)
        contrast = 1 + 0.2 * torch.randn(n, 1, 1, 1, 1, device="cuda")
        x = (x - 0.5) * contrast + 0.5 + 0.05 * torch.randn(n, 1, 1, 1, 1, device="cuda")
        swap = chance(n, 0.06)[:, None, None, None, None]
        x = torch.where(swap, x.roll(1, 2), x).clamp(0, 1)
        r, g, b = x.unbind(2)
        luma = LUMA[0] * r + LUMA[1] * g + LUMA[2] * b
        cb, cr = (b[:, 1] - luma[:, 1]) * 0.564, (r[:, 1] - luma[:, 1]) * 0.713
        hue = uni((n, 1, 1), -0.35, 0.35) * chance(n, 0.5)[:, None, None]
        sat = uni((n, 1, 1), 0.3, 1.6) * chance(n, 0.94)[:, None, None]
        c = torch.stack([hue.cos() * cb - hue.sin() * cr, hue.sin() * cb + hue.cos() * cr], 1)
        return luma, c * sat[:, None]

    def degrade(self, luma, chroma):
        n = len(luma)
        x = torch.cat([luma, chroma], 1)
        x = gauss(x, uni(n, 0, 1.8) * chance(n, 0.5))
        # camera shake within the exposure: a few shifted copies
        k = n // 6
        v = torch.randperm(n, device="cuda")[:k]
        d = torch.randn(k, 2, device="cuda") * 1.5
        eye = torch.eye(2, 3, device="cuda").repeat(k, 1, 1)
        copies = [
            sample(x[v], grid_for(shifted(eye, d * w), CROP), "border")
            for w in (-1.0, -0.5, 0.0, 0.5, 1.0)
        ]
        x[v] = sum(copies) / len(copies)
        less = torch.arange(5, 15)[torch.randperm(10)[:6]] * 16
        sizes = [CROP] + less.tolist()
        cut = [0] + torch.linspace(0.4 * n, n, len(sizes)).round().int().tolist()
        out = []
        for size, a, b in zip(sizes, cut[:-1], cut[1:]):
            p = x[a:b]
            if size != CROP:
                p = F.interpolate(p, (size, size), mode="bilinear", antialias=True, align_corners=False)
            out.append(self.sensor_and_codec(p))
        full = (CROP, CROP)
        x = torch.cat([F.interpolate(p, full, mode="bilinear", align_corners=False) for p in out])
        k = uni((n, 1, 1, 1), 0.3, 1.6) * chance(n, 0.25)[:, None, None, None]
        y = x[:, :3]
        y = y + k * (y - gauss(y, uni(n, 0.6, 1.5)))
        return y, x[:, 3:]

    def sensor_and_codec(self, p):
        b, size = len(p), p.shape[-1]
        level = uni((b, 1, 1, 1), 0, 1) ** 2.5 * 0.055
        grain = torch.randn_like(p)
        coarse = torch.randn(b, 5, size // 2, size // 2, device="cuda")
        coarse = F.interpolate(coarse, (size, size), mode="bilinear", align_corners=False)
        grain = torch.where(chance(b, 0.4)[:, None, None, None], coarse * 1.3, grain)
        shot = 0.4 + (1 - torch.cat([p[:, :3], p[:, 1:2], p[:, 1:2]], 1)) * 0.9
        p = p + grain * level * shot
        y, c = self.codec(p[:, :3], p[:, 3:])
        return torch.cat([y, c], 1)

    def assemble(self, y, c):
        """The network's input from luma and chroma; some neighbours repeat."""
        n = len(y)
        before, now, after = y.unbind(1)
        before = torch.where(chance(n, 0.07)[:, None, None], now, before)
        after = torch.where(chance(n, 0.07)[:, None, None], now, after)
        cb, cr = c[:, 0], c[:, 1]
        r, b = now + cr / 0.713, now + cb / 0.564
        g = (now - LUMA[0] * r - LUMA[2] * b) / LUMA[1]
        x = torch.stack([r, g, b, before, after], 1).clamp(0, 1)
        return (x * 255).round() * (1 / 255)
