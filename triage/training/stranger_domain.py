"""A domain drawn by another hand, for reporting only.

Whoever wrote the second training domain knew the domain that the report is made in. This one was written without opening
the source of either, by other methods: a mosaic of cells for the pattern, two-flux pigments, other grounds, another camera.
Nothing trains on it and nothing is calibrated on it. What a gene does is still the looks file's word: no figure from here
says how real snakes are read. Every number below without a source is a judgement by eye.
"""

from __future__ import annotations

import math

import torch
import torch.nn.functional as F
from torch import Tensor

from triage.hatchery import draws
from triage.hatchery.body import GIRTHS
from triage.hatchery.camera import CameraRange
from triage.hatchery.domains import Domain
from triage.hatchery.fields import blur, noise_plane, pixel_grid, plane_mean, smooth_step
from triage.hatchery.light import LightRange
from triage.hatchery.response import compress, to_linear, to_srgb
from triage.hatchery.skin import CELLS, WHITE, Markings, Noise, chance, pick, ramp

_SALT_TILES, _SALT_WALLS, _SALT_SPINE, _SALT_NET, _SALT_CHECK, _SALT_SCATTER = range(9301, 9307)
_SALT_PLACE, _SALT_KEY, _SALT_LOW, _SALT_MIDDLE, _SALT_CAMERA, _SALT_TONE, _SALT_SENSOR = range(9321, 9328)
_LAYERS = (0.20, 0.55, 0.95)  # heights of a tile's three seeds, as shares of the way from its top to the belly
_SPINE = 0.30  # girths between the seeds on the spine
_NET = (0.23, 7)  # girths along the body between the knots of the web, and how many go around it
# absorption per unit of depth in red, green, blue: near the plain law's ratios, stronger where two fluxes wash colours out
_BROWN, _LAVENDER, _SCATTERING = (0.82, 1.20, 1.62), (0.58, 1.28, 0.62), 20.0
_XANTHIN, _ERYTHRIN = (0.10, 0.80, 7.8), (0.14, 1.6, 2.1)


def soft_min(a: Tensor, b: Tensor, k: float | Tensor) -> Tensor:
    """The smaller of two fields, their corner rounded over a width `k` > 0 in the fields' unit."""
    return torch.minimum(a, b) - (k - (a - b).abs()).clamp(min=0).square() / (4 * k)


def _tiles(q: dict[str, Tensor], animal_seeds: Tensor, along: Tensor, v: Tensor, height: Tensor) -> tuple[Tensor, Tensor]:
    """Signed fields (B, S, P), in girths, of the pale tiles down the flanks and of the dark pebbles in them.

    A tile is three cells of a Voronoi diagram, one above another; walls between tiles are the diagram's own, thickened by
    mortar. A dropped column is a wall left out (tiles merge); here and there a crack splits a tile in two.
    """
    gap = 0.86 * GIRTHS / q["blotch_count"]  # (B, 1, 1)
    flat = {name: value[:, 0] for name, value in q.items()}  # (B, 1) for the tables
    z, u = draws.normal(animal_seeds, _SALT_TILES, 11, 2 * CELLS), draws.uniform(animal_seeds, _SALT_WALLS, 5, 2 * CELLS)
    loose = flat["irregularity"].clamp(max=2.0)
    top = flat["blotch_top"] + 0.020 * z[:, 0]
    tall = (flat["belly_edge"] - top).clamp(min=0.08)
    across = [(0.08 * z[:, 1] + 0.085 * loose * z[:, 2 + layer]).clamp(-0.36, 0.36) for layer in range(3)]  # in gaps
    down = [top + tall * (_LAYERS[layer] + 0.06 * loose * z[:, 5 + layer]) for layer in range(3)]
    mortar = 0.5 * gap[:, 0] * (1 - flat["blotch_width"] * (1 + 0.16 * z[:, 8]).clamp(0.5, 1.6))
    mortar = torch.where(u[:, 0] < flat["dropped_columns"], -0.3 * gap[:, 0], mortar)  # of the wall to the right
    whole = (u[:, 1] >= 0.06 * loose * (1 - flat["dropped_columns"])).float()  # 0 where cracked
    width = flat["blotch_width"].clamp(max=0.75) * gap[:, 0]
    pebble = torch.where(u[:, 2] < flat["blotch_eyes"], width * (0.135 + 0.03 * z[:, 9] + 0.05 * flat["single_eye"]), -0.5)
    chip = torch.where(u[:, 3] < 0.45 * flat["blotch_eyes"], 0.09 * width, -0.5)
    table = torch.stack([*across, *down, mortar, whole, top, pebble, chip, 0.6 * z[:, 10], 0.35 + 0.55 * u[:, 4]], 1)
    side = torch.where(q["banding"] > 0.5, torch.zeros_like(v), (v > 0).float())
    place = along / gap + side * 0.47
    first = (place - 0.5).floor()
    near, cracks, rest = [], [], []
    for step in (-1, 0, 1, 2):  # the two nearest tiles and the neighbours that wall them in
        column = first + step
        index = (column.long() + 2).clamp(0, CELLS - 1) + side.long() * CELLS
        *seeds, mortar_p, whole_p, top_p, pebble_p, chip_p, tilt, round_p = pick(table, index)
        x = [(place - (column + 0.5 + seed)) * gap for seed in seeds[:3]]
        d = [x[layer].square() + (height - seeds[3 + layer]).square() for layer in range(3)]
        near.append(soft_min(soft_min(d[0], d[1], 0.006), d[2], 0.006))
        cracks.append((d[1] - d[2]).abs() / (2 * (seeds[5] - seeds[4]).clamp(min=0.03)) - 0.011 + whole_p)
        rest.append((mortar_p, top_p, pebble_p, chip_p, tilt, round_p, 0.5 * (x[0] + x[1]), seeds[3:]))
    # (d_b^2 - d_a^2) / (2 |a - b|) is the distance to the bisector of a and b, positive on a's side
    walls = [(near[step + 1] - near[step]) / (2 * gap) for step in range(3)]
    y = (height - q["blotch_top"]) / (q["belly_edge"] - q["blotch_top"]).clamp(min=0.08)
    swell = 1 + 0.30 * smooth_step(0.25, 0.75, y) - 0.45 * smooth_step(0.80, 1.10, y)  # tiles neck, then open to the belly
    half = [torch.where(part[0] > 0, part[0] * swell, part[0]) for part in rest]
    apart = 0.26 * q["blotch_width"].clamp(max=0.75) * gap * (1 - q["single_eye"])
    pale, dark = torch.full_like(along, -1.0), torch.full_like(along, -1.0)
    for step in (1, 2):
        _, top_p, pebble_p, chip_p, tilt, round_p, x, (_, middle, _) = rest[step]
        field = torch.minimum(walls[step] - half[step], -walls[step - 1] - half[step - 1])
        field = soft_min(field, height - top_p, round_p * q["blotch_width"].clamp(0.3, 1.0) * gap * 0.75)
        pale = torch.maximum(pale, torch.minimum(field, cracks[step]))
        rise = height - (0.6 * middle + 0.4 * top_p) - 0.012  # from the middle of the pebbles, towards the belly
        spots = pebble_p - torch.sqrt(((x - 0.25 * tilt * rise).abs() - apart).square() + (0.78 * rise).square())
        below = chip_p - torch.sqrt((x + 0.02 * tilt).square() + (0.7 * (height - q["belly_edge"] + 0.055)).square())
        dark = torch.maximum(dark, torch.maximum(spots, below))
    return pale, dark


def _spine(q: dict[str, Tensor], animal_seeds: Tensor, along: Tensor, across: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Signed fields (B, S, P), in girths, of the pale tiles on the spine and of its dark dots; `bead`, 0 where two cells of
    the spine meet and about 0.5 amid one."""
    flat = {name: value[:, 0] for name, value in q.items()}
    z = draws.normal(animal_seeds, _SALT_SPINE, 6, CELLS)
    half = flat["dorsal_width"] * (1 + 0.28 * z[:, 0]).clamp(0.4, 1.8)
    shown = (chance(z[:, 1]) < flat["dorsal_share"]) & (flat["dorsal_width"] > 0.004)
    mortar = (0.20 * (1 - flat["dorsal_length"]) * (1 + 0.3 * z[:, 2])).clamp(-0.30, 0.42) * _SPINE
    table = torch.stack([(0.20 * z[:, 3]).clamp(-0.4, 0.4), 0.014 * z[:, 4], half - 0.4 * ~shown, mortar, 0.004 * z[:, 5]], 1)
    place = along / _SPINE
    first = (place - 0.5).floor()
    parts = []
    for step in (-1, 0, 1, 2):
        shift, offset, half_p, mortar_p, dot = pick(table, ((first + step).long() + 2).clamp(0, CELLS - 1))
        x, off = (place - (first + step + 0.5 + shift)) * _SPINE, across - offset
        parts.append((x.square() + off.square(), half_p - off.abs(), mortar_p, 0.013 + dot - torch.sqrt((0.6 * x).square() + off * off)))
    walls = [(parts[step + 1][0] - parts[step][0]) / (2 * _SPINE) for step in range(3)]
    pale, dots, bead = torch.full_like(along, -1.0), torch.full_like(along, -1.0), torch.zeros_like(along)
    for step in (1, 2):
        inside = torch.minimum(walls[step], -walls[step - 1])
        ends = torch.minimum(walls[step] - parts[step][2], -walls[step - 1] - parts[step - 1][2])
        pale = torch.maximum(pale, soft_min(ends, parts[step][1], 0.03))
        dots, bead = torch.maximum(dots, parts[step][3]), torch.maximum(bead, inside / _SPINE)
    return pale, dots, bead


def _net(animal_seeds: Tensor, along: Tensor, v: Tensor) -> Tensor:
    """Half the lead of the nearest of the knots that lie around the body over the second nearest (B, S, P), in girths: 0 on the
    edges of their Voronoi diagram, about the distance to them nearby."""
    (pitch, around), (row, column) = _NET, ((along / _NET[0]).floor(), ((v + 0.5) * _NET[1]).floor())
    rows = math.ceil(1.3 * GIRTHS / pitch) + 8
    table = 0.10 + 0.80 * draws.uniform(animal_seeds, _SALT_NET, 2, rows * around)
    apart = []
    for i in (-1, 0, 1):
        for j in (-1, 0, 1):
            a, b = pick(table, (row + i + 4).long().clamp(0, rows - 1) * around + (column + j).long() % around)
            x, y = (row + i + a) * pitch - along, (column + j + b) / around - 0.5 - v
            apart.append(torch.sqrt(x.square() + y.square()))
    nearest = torch.stack(apart).topk(2, 0, largest=False).values
    return 0.5 * (nearest[1] - nearest[0])


def mosaic(q: dict[str, Tensor], animal_seeds: Tensor, v: Tensor, noise: Noise) -> Markings:
    """The pattern as pale tiles in dark mortar: cells about jittered seeds on the unrolled body (Voronoi 1908; as a texture,
    Worley 1996). `q` settings (B, 1, 1); `v` (1, 1, P) in girths around the body. Fields (B, S, P), in girths.
    """
    low0, low1, low2 = noise.low.unbind(1)
    mid0, mid1, mid2 = noise.middle.unbind(1)
    rows = low0.shape[1]
    s = ((torch.arange(rows, device=v.device) + 0.5) / rows).view(1, rows, 1)
    along = s * GIRTHS + q["irregularity"] * (0.018 * low1 + 0.011 * mid1)
    warped = v + q["irregularity"] * (0.012 * low2 + 0.008 * mid0)
    height = warped.abs()
    tiles, pebbles = _tiles(q, animal_seeds, along, v, height)
    marks, dots, bead = _spine(q, animal_seeds, along, warped + 0.004 * mid2)
    # rings: a second line of mortar inside the rim, with gaps
    ring = (tiles - 0.036).abs() - 0.0125 * q["blotch_rings"] * ramp(-0.5, 0.1, mid2 + 0.6 * low0)
    tiles = torch.where(q["blotch_rings"] > 0.02, torch.minimum(tiles, ring), tiles)
    pattern = torch.minimum(torch.maximum(tiles, marks) + q["reduction"], -pebbles) + 0.0016 * noise.fine[:, 1] + 0.003 * mid0
    off = (warped + 0.005 * mid2).abs()
    # stripes and lines follow the beads of the spine's cells
    ribbon = 0.034 + 0.045 * bead + 0.005 * low0
    border = (off - ribbon - 0.017).abs() - 0.0115 * q["pale_stripe"]
    striped = torch.maximum(torch.minimum(pattern, border), ribbon - off - (1 - q["pale_stripe"]) * 0.12)
    pattern = torch.where(q["pale_stripe"] > 0.02, striped, pattern)
    if bool((q["web_lines"] > 0.02).any()):  # dear, and rare
        thread = 0.0062 + 0.003 * mid2 - _net(animal_seeds, along + 0.015 * mid1 + 0.05 * low2, warped + 0.012 * mid2)
        thread = thread - 0.04 * ramp(0.24, 0.31, height) - 0.02 * ramp(0.5, 1.1, low1)  # torn here and there
        pattern = torch.where(q["web_lines"] > 0.02, torch.minimum(pattern, (1 - q["web_lines"]) * 0.008 - thread), pattern)
    broad = 0.036 + 0.085 * bead + 0.016 * low1 - off - (1 - q["dorsal_stripe"]) * 0.2
    pattern = torch.where(q["dorsal_stripe"] > 0.02, torch.minimum(pattern, -broad), pattern)
    line = (0.0085 + 0.0025 * mid1).clamp(min=0.001) * q["pin_lines"] - (off - 0.078 - 0.03 * bead - 0.010 * low0).abs()
    pattern = torch.where(q["pin_lines"] > 0.02, torch.minimum(pattern, -line), pattern)
    pattern = torch.maximum(pattern, v.abs() - 0.44)  # both flanks end pale, so the belly midline has no seam
    check = 48 + 20 * draws.uniform(animal_seeds, _SALT_CHECK, 1)[..., None]
    return Markings(pattern, dots, along, height, check)


def scattering(melanin: Tensor, yellow_red: Tensor) -> Tensor:
    """S in the unit of K: pigment cells lie above the reflecting ones and take their light away, dark ones most."""
    return _SCATTERING / (1 + 7.5 * melanin + 2.8 * melanin * melanin + 3.0 * yellow_red)


def two_flux(melanin: Tensor, xanthin: Tensor, erythrin: Tensor, lavender: Tensor, animal_seeds: Tensor) -> Tensor:
    """Reflectance (B, 3, S, P), linear, of pigments (B, S, P) mixed into a scattering layer too thick to see through.

    R = 1 + K/S - sqrt((K/S)^2 + 2 K/S), times the plain white layer (Kubelka and Munk 1931, "Ein Beitrag zur Optik der
    Farbanstriche", Zeitschrift fuer technische Physik 12: 593-601). Animals scatter a little differently.
    """
    melanin, xanthin, erythrin = melanin.clamp(min=0), xanthin.clamp(min=0), erythrin.clamp(min=0)
    own = torch.exp(0.08 * draws.normal(animal_seeds, _SALT_SCATTER, 1)[..., None])
    s, planes = scattering(melanin, xanthin + erythrin) * own, []
    for channel in range(3):
        k = melanin * (_BROWN[channel] + (_LAVENDER[channel] - _BROWN[channel]) * lavender)
        x = (k + xanthin * _XANTHIN[channel] + erythrin * _ERYTHRIN[channel]) / s
        planes.append(WHITE[channel] / (1 + x + torch.sqrt(x * x + 2 * x)))  # the formula, without its loss of digits
    return torch.stack(planes, 1)


class _Laid:
    """A ground laid at random under the animal. `u` (B, 16, 1, 1) uniform numbers; `x`, `y` (B, H, H) ground coordinates in body
    lengths, turned and moved; `low` (B, 3, H, H) and `middle` (B, 2, H, H) noise; `step` (B, H, H), body lengths a pixel."""

    def __init__(self, ground: Tensor, photo_seeds: Tensor):
        self.u = draws.uniform(photo_seeds, _SALT_PLACE, 16)[..., None, None]
        cos, sin = (self.u[:, 0] * 2 * math.pi).cos(), (self.u[:, 0] * 2 * math.pi).sin()
        x, y = ground[:, 0] + self.u[:, 1], ground[:, 1] + self.u[:, 2]
        self.x, self.y = x * cos + y * sin, y * cos - x * sin
        self.key = (draws.uniform(photo_seeds, _SALT_KEY, 1) * 2**24).to(torch.int32)[..., None]
        self.low = noise_plane(photo_seeds, _SALT_LOW, 3, (6, 6), ground.shape[-2:])
        self.middle = noise_plane(photo_seeds, _SALT_MIDDLE, 2, (20, 20), ground.shape[-2:])
        down = F.pad(ground[:, :, 1:] - ground[:, :, :-1], (0, 0, 0, 1), mode="replicate")
        self.step = torch.sqrt(down[:, 0].square() + down[:, 1].square())

    def cell(self, i: Tensor, j: Tensor) -> Tensor:
        """A uniform number per cell (i, j) of a grid."""
        return (draws.mix(draws.mix(i.to(torch.int32) + self.key) + j.to(torch.int32)) & 0xFFFF).float() / 65536


def newsprint(ground: Tensor, photo_seeds: Tensor) -> Tensor:
    """Reflectance (B, 3, H, H) of a newspaper: columns of small print, headlines, here and there a grey picture, a crease."""
    p = _Laid(ground, photo_seeds)
    wide, tall = 0.13 + 0.05 * p.u[:, 3], 0.16 + 0.10 * p.u[:, 4]
    column, block = (p.x / wide).floor(), (p.y / tall).floor()
    x, y, kind = p.x - column * wide, p.y - block * tall, p.cell(column, block)
    pitch = torch.where((kind < 0.20) & (y < 0.05), 0.024, 0.0085)  # a headline on top of some blocks
    line, letter = (y / pitch).floor(), (x / (0.42 * pitch)).floor()
    inked = p.cell(line + 100 * block, letter + 100 * column)
    ink = ramp(0.40, 0.28, (y / pitch - line - 0.5).abs()) * (inked > 0.16) * (0.5 + 0.3 * torch.sin((x / pitch + inked) * 21))
    ink = ink + (0.26 - ink) * ramp(0.20, 0.42, p.step / pitch)  # too far off to be told apart: grey
    picture = (kind > 0.86) & (y < tall - 0.012)
    ink = torch.where(picture, 0.45 + 0.22 * p.low[:, 1] + 0.10 * p.middle[:, 0], ink) * (x < wide - 0.010)
    crease = 1 - 0.10 * ramp(0.006, 0.0, (p.y + 0.02 * p.low[:, 0] - p.u[:, 5]).abs()) + 0.035 * p.low[:, 2]
    tone = (0.80 - 0.20 * p.u[:, 6] * p.u[:, 6] + 0.01 * p.middle[:, 1])[:, None] * ground.new_tensor([1.0, 0.975, 0.91]).view(1, 3, 1, 1)
    return to_linear(tone) * (crease * (1 - 0.88 * ink.clamp(0, 0.9)))[:, None]


def terry(ground: Tensor, photo_seeds: Tensor) -> Tensor:
    """Reflectance (B, 3, H, H) of a towel of loops, in one colour, lying in soft folds."""
    p = _Laid(ground, photo_seeds)
    pitch = 0.0042 + 0.0025 * p.u[:, 3]
    x, y = (p.x + 0.012 * p.low[:, 0]) / pitch, (p.y + 0.012 * p.low[:, 1]) / pitch
    row = y.floor()
    x = x + 0.5 * (row % 2)  # laid like bricks; each loop, seen from above, is a lying ring
    tall, lean = p.cell(x.floor(), row), p.cell(x.floor(), row + 7919) - 0.5
    dx, dy = x - x.floor() - 0.5 - 0.3 * lean, y - row - 0.35 - 0.3 * tall
    ring = torch.sqrt((dx + 2 * lean * dy).square() + 0.5 * dy.square())
    pile = (0.55 + 0.45 * tall) * ramp(0.42, 0.05, (ring - 0.34).abs())
    pile = pile + (0.62 - pile) * ramp(0.35, 0.85, p.step / pitch)
    cloth = to_linear((0.30 + 0.60 * p.u[:, 4:5].sqrt() + 0.16 * (p.u[:, 5:8] - 0.5)).clamp(0.08, 0.96))
    fold = (1 + 0.09 * p.low[:, 2] + 0.03 * p.middle[:, 0]).clamp(0.5, 1.4)
    return cloth * ((0.45 + 0.62 * pile) * fold)[:, None]


def marbled(ground: Tensor, photo_seeds: Tensor) -> Tensor:
    """Reflectance (B, 3, H, H) of marbled plastic: a plain colour with clouds and thin veins, polished flat."""
    p = _Laid(ground, photo_seeds)
    base = (0.20 + 0.68 * p.u[:, 3:4] + 0.14 * (p.u[:, 4:7] - 0.5)).clamp(0.06, 0.95)
    other = (base + torch.where(p.u[:, 3:4] > 0.45, -0.24, 0.26) + 0.08 * (p.u[:, 7:10] - 0.5)).clamp(0.04, 0.97)
    first, second = p.low[:, 0] + 0.16 * p.middle[:, 0], p.low[:, 1] - 0.5 * p.low[:, 0] + 0.12 * p.middle[:, 1]
    veins = ramp(0.10, 0.0, first.abs()) + 0.7 * ramp(0.06, 0.0, second.abs())
    share = 0.75 * veins.clamp(0, 1) + 0.35 * ramp(-0.4, 1.4, p.low[:, 2] + 0.25 * p.middle[:, 1])
    return to_linear(base + (other - base) * share.clamp(0, 1)[:, None])


def pocket_camera(light: Tensor, photo_seeds: Tensor) -> Tensor:
    """Linear light (B, 3, H, H) -> sRGB picture 0..1 of a camera that meters its middle, sharpens, and rolls light off like film."""
    size = light.shape[-1]
    u = draws.uniform(photo_seeds, _SALT_CAMERA, 6)[..., None, None, None]  # (B, 6, 1, 1, 1)
    z = draws.normal(photo_seeds, _SALT_TONE, 6)[..., None, None, None]
    row, column = pixel_grid(size, light.device)
    from_middle = torch.sqrt((row / size - 0.5) ** 2 + (column / size - 0.5) ** 2)
    weight = (1 - 1.2 * from_middle).clamp(min=0.1)[None, None]
    grey = 0.25 * light[:, :1] + 0.60 * light[:, 1:2] + 0.15 * light[:, 2:]
    mean = (plane_mean(grey * weight) / plane_mean(weight)).clamp(min=0.015)
    image = light * (0.26 / mean) ** 0.55 * torch.exp2(0.30 * z[:, 0])
    # what white balance leaves of the lamp's colour: amber to blue, with a trace of green
    image = image * torch.cat([torch.exp(0.12 * z[:, 1]), torch.exp(0.03 * z[:, 2]), torch.exp(-0.165 * z[:, 1])], 1)
    image = image * (1 - 0.22 * u[:, 0] * (2 * from_middle) ** 3)
    radius = max(1, math.ceil(2.2 * size / 224))
    image = blur(image, (0.25 + 0.55 * u[:, 1, 0, 0, 0] ** 2) * size / 224, radius)
    noise = draws.pixel_noise(photo_seeds, _SALT_SENSOR, size, size)
    noise = 0.5 * noise + 0.7 * (noise[:, :1] + noise[:, 1:2] + noise[:, 2:]) / 3  # mostly of brightness
    image = (image + noise * torch.sqrt((0.00002 + 0.0009 * u[:, 2] ** 2) * (image + 0.03).clamp(min=0))).clamp(min=0)
    image = to_srgb(((1 - torch.exp(-1.25 * image)) * 1.22).clamp(0, 1))
    soft = blur(image, torch.full((len(image),), 0.9 * size / 224, device=image.device), radius)
    image = image + 0.5 * u[:, 3] * (image - soft)
    grey = 0.3 * image[:, :1] + 0.6 * image[:, 1:2] + 0.1 * image[:, 2:]
    image = grey + (image - grey) * (1.05 + 0.10 * z[:, 3]).clamp(0.75, 1.3)
    return compress(image.clamp(0, 1), 48 + 46 * u[:, 4, 0, 0, 0])


STRANGER = Domain(
    "stranger", mosaic, two_flux,
    CameraRange(most_tilt=0.95, tilt_power=1.4, least_fill=0.58, fill_span=0.60, close_share=0.25, least_view=0.48, view_span=0.70),
    LightRange(flash_share=0.12, least_elevation=0.42, elevation_span=0.90, least_key=0.50, key_span=0.75, least_ambient=0.36,
               ambient_span=0.34, softness=0.8, warmth=0.38),
    (newsprint, terry, marbled), (0.40, 0.35, 0.25), None, pocket_camera,
)  # fmt: skip
