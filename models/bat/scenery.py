"""Procedural pictures to stand behind, in front of and around a hitter.

Everything is drawn from random numbers; no photograph is used. Pictures are
gamma-encoded, 0..1, [n,3,S,S]. Positions are in pixels of that picture.
"""

import math

import torch
import torch.nn.functional as F


def uni(shape, lo, hi, dev="cuda"):
    return lo + (hi - lo) * torch.rand(shape, device=dev)


def chance(n, p, dev="cuda"):
    return torch.rand(n, device=dev) < p


# gamma-encoded paints of fields, halls, cloth and walls, 0..255
NATURAL = """168 122 86  120 92 66  196 168 130  78 116 52  46 104 54  120 130 70  52 70 40  30 44 28
206 222 236  110 160 220  70 100 150  22 34 90  110 24 28  150 60 44  90 90 94  140 140 140
200 198 190  236 236 232  26 26 30  48 50 54  196 150 92  230 200 160  60 46 38  170 150 60"""


def colours(*shape):
    """Random paints [..., 3]: a quarter greys, nearly half natural, the rest of any hue."""
    c = torch.rand(*shape, 3, device="cuda")
    known = torch.tensor([float(v) for v in NATURAL.split()], device="cuda").view(-1, 3) / 255
    pick = known[torch.randint(len(known), shape, device="cuda")]
    pick = (pick * (0.65 + 0.7 * torch.rand(*shape, 1, device="cuda")) + 0.1 * (c - 0.5)).clamp(0, 1)
    k = torch.rand(*shape, 1, device="cuda")
    out = torch.where(k < 0.7, pick, c)
    return torch.where(k < 0.25, 0.1 * c + 0.9 * k / 0.25, out)


def noise(n, c, size):
    """Value noise of several octaves with a random spectrum, about 0..1."""
    out = torch.zeros(n, c, size, size, device="cuda")
    total = torch.zeros(n, 1, 1, 1, device="cuda")
    beta = uni((n, 1, 1, 1), 0.2, 1.4)
    for g in (2, 5, 11, 23, 47, 97, 180):
        stretch = float(torch.empty(1).uniform_(-0.8, 0.8).exp())
        gh, gw = max(2, int(g * stretch)), max(2, int(g / stretch))
        grid = torch.rand(n, c, gh, gw, device="cuda")
        amp = uni((n, 1, 1, 1), 0.2, 1) * g**-beta
        out += amp * F.interpolate(grid, (size, size), mode="bicubic", align_corners=False)
        total += amp
    out = out / total
    return ((out - 0.5) * uni((n, 1, 1, 1), 1, 3) + 0.5).clamp(0, 1)


def axes(size):
    v = torch.arange(size, device="cuda", dtype=torch.float32)
    return v[None, None, :, None], v[None, None, None, :]  # y, x


def paint(img, mask, colour):
    """colour [n,3] or [n,3,S,S] over img where mask [n,1,S,S]."""
    if colour.dim() == 2:
        colour = colour[:, :, None, None]
    return img + (colour - img) * mask


def two_tone(n, size):
    a, b, c = colours(n), colours(n), colours(n)
    k = noise(n, 2, size)
    img = a[:, :, None, None] + (b - a)[:, :, None, None] * k[:, :1]
    return paint(img, k[:, 1:] ** 2, c)


def layers(n, size):
    """Bands one below another: sky, trees, fence, grass, dirt."""
    y, _ = axes(size)
    k = noise(n, 4, size)
    img = colours(n)[:, :, None, None].expand(n, 3, size, size)
    edge = uni((n, 1, 1, 1), -40, 120)
    for i in range(4):
        rough = uni((n, 1, 1, 1), 0, 50) * (k[:, i : i + 1] - 0.5)
        m = torch.sigmoid((y - edge - rough) * uni((n, 1, 1, 1), 0.2, 2))
        tex = 1 + uni((n, 1, 1, 1), 0, 0.9) * (k[:, (i + 1) % 4][:, None] - 0.5)
        img = paint(img, m, (colours(n)[:, :, None, None] * tex).clamp(0, 1))
        edge = edge + uni((n, 1, 1, 1), 8, 110)
    return img


def cells(n, size):
    """Voronoi patches, each of one paint."""
    y, x = axes(size // 2)
    m = 36
    p = torch.rand(n, m, 2, device="cuda") * size / 2
    near = (y - p[:, :, 0, None, None]).square() + (x - p[:, :, 1, None, None]).square()
    who = near.argmin(1)
    c = colours(n, m)
    img = c[torch.arange(n, device="cuda")[:, None, None], who].permute(0, 3, 1, 2)
    return F.interpolate(img, (size, size), mode="bilinear", align_corners=False)


def foliage(n, size):
    k = noise(n, 3, size)
    fine = torch.rand(n, 1, size // 2, size // 2, device="cuda")
    fine = F.interpolate(fine, (size, size), mode="bicubic", align_corners=False)
    leaf = ((k[:, :1] + 0.5 * fine - uni((n, 1, 1, 1), 0.5, 0.9)) * 8).sigmoid()
    return paint(colours(n)[:, :, None, None] * (0.4 + k[:, 1:2]), leaf, colours(n)).clamp(0, 1)


def crowd(n, size):
    g = int(torch.randint(20, 90, (1,)))
    c = torch.rand(n, 3, g, g, device="cuda")
    c = torch.lerp(c.mean(1, keepdim=True), c, float(torch.rand(1)))
    mode = "nearest" if torch.rand(1) < 0.5 else "bicubic"
    return F.interpolate(c, (size, size), mode=mode).clamp(0, 1)


def gratings(img):
    """Stripes, pickets, bricks and meshes: one or two square waves."""
    n, _, size, _ = img.shape
    y, x = axes(size)
    total = None
    for i in range(2):
        ang = uni((n, 1, 1, 1), 0, math.pi)
        ang = torch.where(torch.rand_like(ang) < 0.5, (ang * 2 / math.pi).round() * math.pi / 2, ang)
        f = uni((n, 1, 1, 1), math.log(0.01), math.log(0.3)).exp()
        w = x * ang.cos() + y * ang.sin() + uni((n, 1, 1, 1), 0, 12) * torch.sin(y * 0.03 + x * 0.021)
        phase = (w * f + uni((n, 1, 1, 1), 0, 1)) % 1
        duty = uni((n, 1, 1, 1), 0.06, 0.5)
        line = ((duty / 2 - (phase - 0.5).abs()) / f).add(0.5).clamp(0, 1)
        if total is None:
            total = line
        else:
            both = chance(n, 0.5)[:, None, None, None]
            total = torch.where(both, torch.maximum(total, line), total)
    return paint(img, total * uni((n, 1, 1, 1), 0.15, 1), colours(n))


def boxes(img, count):
    """Turned rectangles: signs, posts, doors, benches, lettering."""
    n, _, size, _ = img.shape
    y, x = axes(size)
    for _ in range(count):
        ang = uni((n, 1, 1, 1), 0, math.pi)
        ang = torch.where(torch.rand_like(ang) < 0.6, (ang * 2 / math.pi).round() * math.pi / 2, ang)
        dx, dy = x - uni((n, 1, 1, 1), 0, size), y - uni((n, 1, 1, 1), 0, size)
        u, v = dx * ang.cos() + dy * ang.sin(), dy * ang.cos() - dx * ang.sin()
        hw, hh = uni((n, 1, 1, 1), 0.5, 4.6).exp(), uni((n, 1, 1, 1), 0.5, 4.0).exp()
        m = torch.minimum(hw - u.abs(), hh - v.abs()).add(0.5).clamp(0, 1)
        letters = torch.rand(n, 1, size // 6, size // 4, device="cuda")
        letters = F.interpolate((letters > 0.5).float(), (size, size), mode="nearest")
        m = torch.where(chance(n, 0.15)[:, None, None, None], m * letters, m)
        img = paint(img, m * chance(n, 0.7)[:, None, None, None], colours(n))
    return img


def capsule(n, size, centre=None):
    """One random tapered club a picture, like a bat or not: mask, paint.

    Handle, flared knob, taper and barrel vary from a plain rod to a bat.
    """
    y, x = axes(size)
    c = uni((n, 2, 1, 1, 1), 0, size) if centre is None else centre
    ang = uni((n, 1, 1, 1), -math.pi, math.pi)
    half = uni((n, 1, 1, 1), 15, 75)
    dx, dy = x - c[:, 0], y - c[:, 1]
    u = (dx * ang.cos() + dy * ang.sin()) / half  # -1 knob .. 1 tip
    v = dy * ang.cos() - dx * ang.sin()
    handle = uni((n, 1, 1, 1), 0.8, 2.6)
    barrel = handle * uni((n, 1, 1, 1), 0.8, 3)
    r = handle + (barrel - handle) * ((u + uni((n, 1, 1, 1), -0.2, 0.6)) * 2).clamp(0, 1)
    r = torch.where(u < -1 + 3.0 / half, handle * uni((n, 1, 1, 1), 1, 2.2), r)
    end = (1 - u.abs()) * half
    m = torch.minimum(r - v.abs(), end + 0.5).add(0.5).clamp(0, 1)
    light = 1 + uni((n, 1, 1, 1), -0.6, 0.6) * (v / r.clamp(min=0.3)).clamp(-1, 1)
    a, b, g = colours(n), colours(n), colours(n)
    col = torch.where(u < uni((n, 1, 1, 1), -1, 0), g[:, :, None, None], a[:, :, None, None])
    band = (u - uni((n, 1, 1, 1), -0.2, 0.9)).abs() < uni((n, 1, 1, 1), 0, 0.2)
    col = torch.where(band, b[:, :, None, None], col)
    return m, (col * light).clamp(0, 1)


def lines(img, count):
    """Rails, wires, foul lines: thin straight strokes across the picture."""
    n, _, size, _ = img.shape
    y, x = axes(size)
    for _ in range(count):
        ang = uni((n, 1, 1, 1), 0, math.pi)
        d = (x - uni((n, 1, 1, 1), 0, size)) * ang.sin() - (y - uni((n, 1, 1, 1), 0, size)) * ang.cos()
        m = (uni((n, 1, 1, 1), -0.7, 1.8).exp() - d.abs()).add(0.5).clamp(0, 1)
        img = paint(img, m * chance(n, 0.5)[:, None, None, None] * uni((n, 1, 1, 1), 0.3, 1), colours(n))
    return img


def net(n, size):
    """A net or chain-link in front of everything: mask [n,1,S,S]."""
    y, x = axes(size)
    tilt = uni((n, 1, 1, 1), -0.2, 0.2) + math.pi / 4 * chance(n, 0.5)[:, None, None, None]
    bend = uni((n, 1, 1, 1), 0, 6) * torch.sin(x * 0.04 + uni((n, 1, 1, 1), 0, 6) + y * 0.02)
    step, width = uni((n, 1, 1, 1), 5, 26), uni((n, 1, 1, 1), 0.25, 1.0)
    m = torch.zeros(n, 1, size, size, device="cuda")
    for a in (tilt, tilt + math.pi / 2):
        w = (x * a.cos() + y * a.sin() + bend) % step
        m = torch.maximum(m, (width - (w - step / 2).abs() + 0.5).clamp(0, 1))
    return m * uni((n, 1, 1, 1), 0.2, 0.9)


def scenery(n, size, rendered):
    """n background pictures; rendered [n,3,S',S'] are the renderer's own scenes."""
    rendered = F.interpolate(rendered, (size, size), mode="bilinear", align_corners=False)
    kinds = [two_tone, layers, layers, layers, foliage, foliage, cells, crowd]
    img = torch.empty(n, 3, size, size, device="cuda")
    split = torch.linspace(0, n * 0.75, len(kinds) + 1).round().int().tolist()
    for k, a, b in zip(kinds, split[:-1], split[1:]):
        if b > a:
            img[a:b] = k(b - a, size)
    img[split[-1] :] = rendered[split[-1] :]
    img = img[torch.randperm(n, device="cuda")]
    # two pictures meet along a soft random edge
    m = ((noise(n, 1, size) - uni((n, 1, 1, 1), 0.2, 0.8)) * uni((n, 1, 1, 1), 3, 40)).sigmoid()
    m = m * chance(n, 0.4)[:, None, None, None]
    img = paint(img, m, img.roll(1, 0))
    for p, f in ((0.3, gratings), (0.55, lambda i: boxes(i, 8)), (0.5, lambda i: lines(i, 6))):
        use = chance(n, p)[:, None, None, None]
        img = torch.where(use, f(img), img)
    for _ in range(3):
        mask, col = capsule(n, size)
        img = paint(img, mask * chance(n, 0.3)[:, None, None, None], col)
    return img.clamp(0, 1)
