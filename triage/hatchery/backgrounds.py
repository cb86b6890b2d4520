"""What the animal lies on: tub, paper towel, hand, wood shavings, dark cloth or soil, a plain board.

Each function takes ground coordinates (B, 2, H, H) in body lengths and photo seeds, and returns linear light (B, 3, H, H)
as reflectance: shadows and exposure come later.
"""

from collections.abc import Callable, Sequence
from functools import lru_cache

import torch
import torch.nn.functional as F
from torch import Tensor

from triage.hatchery import draws
from triage.hatchery.fields import noise_plane
from triage.hatchery.response import to_linear
from triage.hatchery.skin import ramp

_SALT_KIND, _SALT_PLACE, _SALT_LOW, _SALT_MIDDLE, _SALT_FINE, _SALT_CARD = 801, 802, 803, 804, 805, 806
_TURN = 2 * torch.pi
_ATLAS_SALT, _ATLAS_SIZE, _ATLAS_FLAKES = 811, 512, 2600


class _Place:
    """Random numbers and noise planes of one background; planes are made when first asked for."""

    def __init__(self, ground: Tensor, photo_seeds: Tensor):
        self.seeds, self.size = photo_seeds, ground.shape[-1]
        self.u = draws.uniform(photo_seeds, _SALT_PLACE, 24)[..., None, None]  # (B, 24, 1, 1)
        self.x0, self.y0 = ground.unbind(1)
        angle = self.u[:, 0] * _TURN
        self.cos, self.sin = angle.cos(), angle.sin()
        x, y = self.x0 - self.u[:, 1], self.y0 - self.u[:, 2]
        self.x, self.y = x * self.cos + y * self.sin, y * self.cos - x * self.sin

    def low(self, channels: int = 3) -> Tensor:
        return noise_plane(self.seeds, _SALT_LOW, channels, (5, 5), (self.size, self.size))

    def middle(self) -> Tensor:
        return noise_plane(self.seeds, _SALT_MIDDLE, 1, (24, 24), (self.size, self.size))[:, 0]

    def fine(self) -> Tensor:
        cells = max(8, int(self.size * 0.6))
        return noise_plane(self.seeds, _SALT_FINE, 1, (cells, cells), (self.size, self.size))[:, 0]


def _rgb(like: Tensor, *values: float) -> Tensor:
    return like.new_tensor(values).view(1, 3, 1, 1)


def tub(ground: Tensor, photo_seeds: Tensor) -> Tensor:
    """Plastic tub: grey, white or tinted, walls at the edge, scuffs and grit."""
    p = _Place(ground, photo_seeds)
    middle, fine = p.middle(), p.fine()
    tone = (0.79 + (p.u[:, 3:4] - 0.7) * 0.55 + 0.05 * (p.u[:, 4:7] - 0.5)).clamp(0.05, 0.98)
    colour = to_linear(tone) * (1 + 0.04 * p.low(1) + 0.02 * middle[:, None])
    reach = 0.26 + 0.20 * p.u[:, 7:9]
    first, second = p.x0 * p.cos + p.y0 * p.sin, p.y0 * p.cos - p.x0 * p.sin
    wall = torch.maximum(first - reach[:, 0], second - reach[:, 1])
    shade = 1 - 0.25 * torch.exp(-((wall / 0.012) ** 2)) - 0.18 * ramp(0, 0.05, wall)
    shade = shade * (1 - 0.22 * ramp(2.3, 2.8, 0.8 * middle + 1.1 * fine))
    scratch = ramp(0.06, 0.02, (torch.sin(p.x * 90 + 1.5 * middle) + 0.02).abs()) * ramp(0.8, 1.6, middle)
    return colour * (shade * (1 - 0.05 * scratch))[:, None]


def paper(ground: Tensor, photo_seeds: Tensor) -> Tensor:
    """Paper towel: quilted, wrinkled, sometimes damp, with a seam."""
    p = _Place(ground, photo_seeds)
    low, middle, fine = p.low(2), p.middle(), p.fine()
    frequency = 36 + 26 * p.u[:, 3]
    x, y = p.x * frequency, p.y * frequency
    quilt = torch.cos(_TURN * (x + y) / 2) + torch.cos(_TURN * (x - y) / 2)
    dots = ramp(0.9, 1.5, torch.cos(_TURN * x * 2) + torch.cos(_TURN * y * 2))
    emboss = torch.where(p.u[:, 4] < 0.5, ramp(-0.25, 0.25, quilt.abs() - 0.25) - 0.5, dots - 0.5)
    wrinkle = low[:, 0] * 1.2 + middle * 0.10
    slope = wrinkle - F.pad(wrinkle, (2, 0), mode="replicate")[..., :-2]
    light = 0.74 + 0.06 * emboss + 0.9 * slope.clamp(-0.08, 0.08) + 0.012 * fine
    damp = ramp(0.3, 1.5, low[:, 1] + 0.08 * middle) * (p.u[:, 5] < 0.30) * 0.16
    seam = 1 - 0.18 * ramp(0.004, 0.001, (p.y - 0.2).abs())
    return (light * seam)[:, None] * (1 - damp[:, None] * _rgb(light, 0.6, 0.8, 1.1))


def hand(ground: Tensor, photo_seeds: Tensor) -> Tensor:
    """An open hand: palm and fingers as soft capsules with nails, a blurred room behind."""
    p = _Place(ground, photo_seeds)
    low, middle, fine = p.low(3), p.middle(), p.fine()
    tones = ground.new_tensor([[0.52, 0.30, 0.21], [0.40, 0.21, 0.14], [0.62, 0.40, 0.31], [0.20, 0.10, 0.065]])
    tone = tones[(p.u[:, 3, 0, 0] * 3.999).long()][..., None, None]
    x0, y0 = p.x0 - (p.u[:, 4] - 0.5) * 0.10, p.y0 - (p.u[:, 5] - 0.5) * 0.10
    x, y = x0 * p.cos + y0 * p.sin, y0 * p.cos - x0 * p.sin + 0.006 * low[:, 0]
    height = torch.zeros_like(x)
    crease = torch.zeros_like(x)
    nail = torch.zeros_like(x)
    spread = 0.9 + 0.5 * p.u[:, 8]

    def capsule(ax: float, ay, bx: float, by, radius: float) -> Tensor:
        dx, dy = bx - ax, by - ay
        t = (((x - ax) * dx + (y - ay) * dy) / (dx * dx + dy * dy)).clamp(0, 1)
        gap2 = (x - ax - t * dx) ** 2 + (y - ay - t * dy) ** 2
        return (radius * radius - gap2).clamp(min=0).sqrt()

    for finger in range(4):
        base = -0.105 + 0.07 * finger
        tip_x, tip_y = 0.27 - 0.035 * abs(finger - 1.6), base * 1.1 * spread
        rise = capsule(0.0, base * 0.9, tip_x, tip_y, 0.036 - 0.004 * (finger == 3))
        for joint in (0.42, 0.74):
            crease = torch.maximum(crease, ramp(0.006, 0.002, (x - joint * tip_x).abs()) * (rise > height))
        spot = ((x - tip_x - 0.012) / 0.020) ** 2 + ((y - tip_y) / 0.018) ** 2
        nail = torch.maximum(nail, ramp(1.0, 0.7, spot) * (p.u[:, 9] < 0.4))
        height = torch.maximum(height, rise)
    height = torch.maximum(height, 0.8 * capsule(-0.13, -0.04, -0.10, 0.05, 0.145))
    height = torch.maximum(height, capsule(-0.16, 0.13, 0.03, 0.20, 0.040))
    inside = ramp(0.0, 0.012, height)[:, None]
    slope_x = (height - F.pad(height, (2, 0), mode="replicate")[..., :-2]) * p.size * 0.06
    slope_y = (height - F.pad(height, (0, 0, 2, 0), mode="replicate")[:, :-2]) * p.size * 0.06
    shade = (0.78 + 5.5 * height).clamp(0.5, 1.0) * (1 + 2.2 * (slope_x * 0.6 + slope_y * 0.5).clamp(-0.1, 0.1))
    lines = ramp(0.10, 0.03, (low[:, 1] + 0.12 * middle).abs()) + ramp(0.10, 0.03, (low[:, 2] - 0.5 + 0.1 * middle).abs())
    shade = shade * (1 - 0.10 * lines.clamp(0, 1)) * (1 - 0.16 * crease) * (1 + 0.03 * fine) * (1 + 0.05 * middle)
    skin = tone * shade[:, None] * (1 + 0.06 * low)
    skin = skin + (skin * _rgb(skin, 1.15, 1.10, 1.10) + 0.03 - skin) * nail[:, None]
    room = to_linear((0.25 + 0.5 * p.u[:, 6:7] + 0.02 * low + 0.10 * low[:, :1]).clamp(0.03, 0.95))
    return skin * inside + room * (1 - inside)


@lru_cache(maxsize=2)
def _shavings(device: str) -> Tensor:
    """A tile (1, 3, n, n) of curled wood flakes, linear, painted once from a fixed seed."""
    import numpy as np
    from PIL import Image, ImageDraw, ImageFilter

    size, rng = _ATLAS_SIZE, np.random.default_rng(_ATLAS_SALT)
    image = Image.new("RGB", (size, size), (92, 70, 45))
    draw = ImageDraw.Draw(image)
    for number in range(_ATLAS_FLAKES):
        length, breadth = rng.gamma(4, 10), rng.gamma(4, 1.1)
        angle = rng.uniform(0, _TURN) + rng.normal(0, 0.9) * np.linspace(-1, 1, 7)
        x, y = np.cumsum(np.cos(angle)) * length / 7, np.cumsum(np.sin(angle)) * length / 7
        x, y = x - x.mean() + rng.uniform(0, size), y - y.mean() + rng.uniform(0, size)
        nx, ny = -np.sin(angle) * breadth, np.cos(angle) * breadth
        wood = np.array([232, 206, 166]) * (1 + rng.normal(0, 0.07)) + rng.normal(0, 5, 3)
        depth = 0.66 + 0.34 * number / _ATLAS_FLAKES
        outline = np.concatenate([np.stack([x + nx, y + ny], 1), np.stack([x - nx, y - ny], 1)[::-1]])
        for offset, colour in ((2, wood * 0.5 * depth), (0, wood * depth * rng.uniform(0.82, 1.0))):
            for ox in (0, size, -size):
                if ox and 60 < x.mean() < size - 60:
                    continue
                draw.polygon([tuple(point) for point in outline + np.array([ox + offset, offset])],
                             fill=tuple(int(max(0, min(255, c))) for c in colour))
        draw.line([tuple(point) for point in np.stack([x, y], 1)], fill=tuple(int(c * depth * 0.9) for c in wood))
    image = image.filter(ImageFilter.GaussianBlur(0.6))
    planes = torch.from_numpy(np.asarray(image).copy()).permute(2, 0, 1).float() / 255
    return to_linear(planes)[None].to(device)


def shavings(ground: Tensor, photo_seeds: Tensor) -> Tensor:
    """Wood shavings."""
    p = _Place(ground, photo_seeds)
    scale = 2.0 + 1.3 * p.u[:, 3]
    x, y = p.x * scale, p.y * scale
    grid = torch.stack([(x - 2 * (x / 2).floor()) - 1, (y - 2 * (y / 2).floor()) - 1], -1)
    tile = _shavings(str(ground.device)).expand(len(ground), -1, -1, -1)
    flakes = F.grid_sample(tile, grid, align_corners=False, padding_mode="border")
    tint = torch.exp(torch.log(_rgb(flakes, 1.0, 0.95, 0.86)) * (p.u[:, 4:5] * 2.4 - 0.6))
    return flakes * tint * (0.55 + 0.6 * p.u[:, 5:6])


def dark(ground: Tensor, photo_seeds: Tensor) -> Tensor:
    """Dark cloth, chips or soil."""
    p = _Place(ground, photo_seeds)
    middle, fine = p.middle()[:, None], p.fine()[:, None]
    tone = 0.20 + 0.22 * (p.u[:, 3:4] - 0.3) + 0.10 * (p.u[:, 4:7] - 0.5)
    colour = to_linear((tone + _rgb(tone, 0.02, 0.0, -0.03)).clamp(0.02, 0.9))
    weave = 1 + 0.10 * torch.sin(p.x * 420)[:, None] * torch.sin(p.y * 420)[:, None] + 0.05 * fine + 0.08 * p.low(1)
    chips = (1 + 0.35 * middle + 0.38 * fine).clamp(0.15, 2.4)
    return colour * torch.where(p.u[:, 7:8] < 0.45, weave, chips)


def board(ground: Tensor, photo_seeds: Tensor) -> Tensor:
    """A plain table, board or backdrop of any colour, with a faint grain."""
    p = _Place(ground, photo_seeds)
    level = 0.15 + 0.75 * p.u[:, 3:4]
    tone = (level + 0.22 * (p.u[:, 4:7] - 0.5)).clamp(0.03, 0.97)
    grain = torch.sin(p.y * (140 + 200 * p.u[:, 8]) + 2.5 * p.low(1)[:, 0] + 0.7 * p.middle())
    wood = (p.u[:, 9] < 0.4) * 0.10
    return to_linear(tone) * (1 + wood * grain + 0.02 * p.fine())[:, None]


GROUNDS: tuple[Callable[[Tensor, Tensor], Tensor], ...] = (tub, paper, hand, shavings, dark, board)
SHARES = (0.25, 0.28, 0.15, 0.12, 0.10, 0.10)
_CARD_SHARE = 0.06


def choose(photo_seeds: Tensor, in_egg: Tensor, shares: Sequence[float], hand_ground: int | None) -> Tensor:
    """Index of a ground per photo (B,), drawn by `shares`; no egg is photographed on `hand_ground`."""
    edges = torch.tensor(shares, device=photo_seeds.device).cumsum(0)[:-1]
    kind = torch.bucketize(draws.uniform(photo_seeds, _SALT_KIND, 1)[:, 0].contiguous(), edges)
    return kind if hand_ground is None else torch.where(in_egg & (kind == hand_ground), 1, kind)


def make_background(
    kinds: Tensor, grounds: Sequence[Callable[[Tensor, Tensor], Tensor]], ground: Tensor, photo_seeds: Tensor
) -> Tensor:
    """Reflectance (B, 3, H, H) of the ground of each photo; one host read tells which kinds occur."""
    result = torch.empty(len(ground), 3, *ground.shape[2:], device=ground.device)
    listed = kinds.tolist()
    for kind in sorted(set(listed)):
        rows = torch.tensor([row for row, other in enumerate(listed) if other == kind], device=ground.device)
        result[rows] = grounds[kind](ground[rows], photo_seeds[rows])
    return grey_card(result, ground, photo_seeds).clamp(0.002, 0.97)


def grey_card(back: Tensor, ground: Tensor, photo_seeds: Tensor) -> Tensor:
    """Lay an 18 % grey card beside the animal in a few photos."""
    u = draws.uniform(photo_seeds, _SALT_CARD, 5)[..., None, None]
    angle = u[:, 1] * _TURN
    x, y = ground[:, 0] - (0.10 + 0.10 * u[:, 4]) * angle.cos(), ground[:, 1] - (0.10 + 0.10 * u[:, 4]) * angle.sin()
    turn = u[:, 2] * _TURN
    across, down = x * turn.cos() + y * turn.sin(), y * turn.cos() - x * turn.sin()
    outside = torch.maximum(across.abs() - 0.085, down.abs() - 0.055)
    card = (ramp(0.003, 0.0, outside) * (u[:, 0] < _CARD_SHARE))[:, None]
    return back + (0.18 - back) * card
