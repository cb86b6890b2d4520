"""The other domain: another way to make patterns and colours, other grounds, another camera. Never trained on.

It stands in for the unknown when readings are calibrated and reported. What a gene does is the same, because that is
what is being read; how it is drawn is not: stripes and blotches come from one travelling wave sharpened by local
activation and lateral inhibition (after Turing's idea of 1952, a few steps only), pigments follow a rational law
instead of the exponential one, phones sharpen and clip, and the animals lie on newsprint, fibre, tiles, steel and cloth.
"""

import math

import torch
import torch.nn.functional as F
from torch import Tensor

from triage.hatchery import draws
from triage.hatchery.body import GIRTHS
from triage.hatchery.fields import blur, noise_plane, pixel_grid, plane_mean, smooth_step
from triage.hatchery.response import compress, to_linear, to_srgb
from triage.hatchery.skin import Markings, Noise, ramp

_BROWN = (1.00, 1.11, 1.22)
_LAVENDER = (0.80, 1.04, 0.72)
_XANTHIN = (0.08, 0.24, 1.50)
_ERYTHRIN = (0.10, 0.92, 0.98)
_WHITE = (0.885, 0.875, 0.855)
_TURN = 2 * math.pi
_SALT_SIDE, _SALT_GROUND, _SALT_LOW, _SALT_FINE, _SALT_PHONE, _SALT_SENSOR = range(1201, 1207)


def _chance(normal: Tensor) -> Tensor:
    return 0.5 * (1 + torch.erf(normal * 0.70711))


def _inhibit(field: Tensor, columns: int) -> Tensor:
    """Sharpen (B, S, P) by local activation and lateral inhibition; periodic around the body."""
    near, far = max(3, round(0.06 * columns)) | 1, max(5, round(0.17 * columns)) | 1
    state = torch.tanh(field * (1 / 0.030))[:, None]
    for _ in range(3):
        wrapped = F.pad(state, (far // 2, far // 2, 0, 0), mode="circular")
        wrapped = F.pad(wrapped, (0, 0, far // 2, far // 2), mode="replicate")
        inset = far // 2 - near // 2
        inner = wrapped[:, :, inset : wrapped.shape[2] - inset, inset : wrapped.shape[3] - inset]
        excite, suppress = F.avg_pool2d(inner, near, 1), F.avg_pool2d(wrapped, far, 1)
        state = torch.tanh(0.9 * state + 1.1 * excite - 0.45 * suppress)
    return state[:, 0].clamp(-0.98, 0.98) * 0.036


def travelling_wave(q: dict[str, Tensor], animal_seeds: Tensor, v: Tensor, noise: Noise) -> Markings:
    """Pattern of the shifted domain: one wave along the body, thresholded, in place of placed blotches."""
    low0, low1, low2 = noise.low.unbind(1)
    mid0, mid1, mid2 = noise.middle.unbind(1)
    fine0 = noise.fine[:, 0]
    rows, columns = low0.shape[1:]
    s = ((torch.arange(rows, device=v.device) + 0.5) / rows).view(1, rows, 1)
    draw = draws.uniform(animal_seeds, _SALT_SIDE, 6)[..., None, None]
    along = s * GIRTHS + q["irregularity"] * (0.030 * low1 + 0.012 * mid1)
    warped_v = v + q["irregularity"] * (0.013 * low2 + 0.008 * mid0)
    height = warped_v.abs()
    spacing = 0.86 * GIRTHS / q["blotch_count"]
    side = torch.where(q["banding"] > 0.5, torch.zeros_like(v), 0.5 * (v > 0)) + 0.15 * draw[:, 0]
    phase = _TURN * (along / spacing + side + 0.10 * low0)
    wave = torch.cos(phase)
    gone = ramp(-0.08, 0.08, q["dropped_columns"] - _chance(0.75 * low0 + 0.65 * mid0))
    share = (0.70 * q["blotch_width"] + 5.0 * q["reduction"] + 0.03 * mid2).clamp(0.03, 0.96)
    share = share + (0.97 - share) * gone
    field = (wave - torch.cos(math.pi * share)) * spacing * 0.17
    top = q["blotch_top"] + 0.018 * mid2 + 0.01 * low2
    # blotches narrow towards the belly, then widen
    field = field - 0.030 * smooth_step(0.16, 0.26, height) * (1 - gone) + 0.050 * smooth_step(0.27, 0.33, height)
    field = torch.minimum(field, (height - top) * 0.9)
    ring = (field - 0.026).abs() - 0.012 * q["blotch_rings"] * ramp(-0.7, 0.1, mid1 + 0.4 * low0)
    field = torch.where(q["blotch_rings"] > 0.02, torch.minimum(field, ring), field)
    pale = _inhibit(field, columns) + q["reduction"]

    spine = torch.cos(_TURN * along / 0.31 + 1.8 * low1)
    length = (0.30 + 0.45 * q["dorsal_length"]).clamp(0.05, 1.3)
    marks = torch.minimum(q["dorsal_width"] * (1 + 0.25 * mid1) - height, (spine - torch.cos(math.pi * length)) * 0.05)
    marks = marks - 0.5 * ramp(-0.04, 0.04, _chance(0.8 * low2 + 0.6 * mid0) - q["dorsal_share"])
    pattern = torch.maximum(pale, torch.where(length > 1.0, q["dorsal_width"] - height, marks) + q["reduction"])

    speck = 0.020 * (mid1 + 0.35 * fine0 - (2.3 - 1.5 * q["blotch_eyes"]))
    centred = 0.55 * spacing * torch.sin(0.5 * phase).abs()
    lone = 0.034 - torch.sqrt(centred**2 + ((height - q["blotch_top"] - 0.10) * 0.8) ** 2) - 0.05 * (1 - q["single_eye"])
    spots = torch.maximum(torch.where(q["blotch_eyes"] > 0.05, speck, -1.0), lone)
    pattern = torch.minimum(pattern, -spots) + 0.002 * fine0

    wavy = 0.010 * torch.sin(along * 9.0 + 3 * low0) + 0.006 * mid1
    edge = 0.048 + 0.008 * low0
    stripe = edge - (warped_v + wavy).abs() - (1 - q["pale_stripe"]) * 0.12
    outline = ((warped_v + wavy).abs() - edge - 0.015).abs() - 0.011 * q["pale_stripe"]
    striped = torch.maximum(torch.minimum(pattern, outline), stripe)
    pattern = torch.where(q["pale_stripe"] > 0.02, striped, pattern)
    web = 0.0075 - 0.045 * (mid0 * 0.5 + low0 * 0.8 + 0.3 * torch.sin(along * 16 + 2 * low1)).abs()
    web = web - 0.05 * ramp(0.25, 0.32, height)
    pattern = torch.where(q["web_lines"] > 0.02, torch.minimum(pattern, (1 - q["web_lines"]) * 0.008 - web), pattern)
    broad = 0.060 + 0.020 * torch.sin(along * 7.0 + 2 * low2) - (warped_v + wavy).abs() - (1 - q["dorsal_stripe"]) * 0.2
    pattern = torch.where(q["dorsal_stripe"] > 0.02, torch.minimum(pattern, -broad), pattern)
    line = 0.0090 * q["pin_lines"] * (1 + 0.25 * mid2) - ((warped_v + wavy).abs() - 0.092).abs()
    pattern = torch.where(q["pin_lines"] > 0.02, torch.minimum(pattern, -line), pattern)
    dots = 0.014 * (q["dorsal_dots"] > 0.05) - torch.sqrt(((1 - spine) * 0.05) ** 2 + height * height * 1.3) - 0.001
    return Markings(pattern, dots, along, height)


def rational_law(
    melanin: Tensor, xanthin: Tensor, erythrin: Tensor, lavender: Tensor, animal_seeds: Tensor | None = None
) -> Tensor:
    """Reflectance white / (1 + 0.85 d + 0.9 d^2) of a total depth d: near the exponential law, of another shape."""
    planes = []
    for channel in range(3):
        depth = melanin * (_BROWN[channel] + (_LAVENDER[channel] - _BROWN[channel]) * lavender)
        depth = (depth + xanthin * _XANTHIN[channel] + erythrin * _ERYTHRIN[channel]).clamp(min=0)
        planes.append(_WHITE[channel] / (1 + depth * (0.85 + 0.9 * depth)))
    return torch.stack(planes, 1)


# ---- grounds ---------------------------------------------------------------------------------------------------------


def _place(ground: Tensor, photo_seeds: Tensor) -> tuple[Tensor, Tensor, Tensor, Tensor, Tensor]:
    """Uniforms (B, 12, 1, 1), turned coordinates x and y (B, H, H), low (B, 3, H, H) and fine (B, H, H) noise."""
    size = ground.shape[-1]
    u = draws.uniform(photo_seeds, _SALT_GROUND, 12)[..., None, None]
    angle = u[:, 0] * _TURN
    x0, y0 = ground[:, 0] - u[:, 1], ground[:, 1] - u[:, 2]
    low = noise_plane(photo_seeds, _SALT_LOW, 3, (7, 7), (size, size))
    fine = noise_plane(photo_seeds, _SALT_FINE, 1, (size // 2, size // 2), (size, size))[:, 0]
    return u, x0 * angle.cos() + y0 * angle.sin(), y0 * angle.cos() - x0 * angle.sin(), low, fine


def _cell(x: Tensor) -> tuple[Tensor, Tensor]:
    """Cell number and place 0..1 in it."""
    return x.floor(), x - x.floor()


def newsprint(ground: Tensor, photo_seeds: Tensor) -> Tensor:
    """Grey paper with columns of unreadable print."""
    u, x, y, low, fine = _place(ground, photo_seeds)
    line, in_line = _cell(y * 70)
    column, in_column = _cell(x * 3.2)
    word = torch.sin(x * 260 + line * 12.9898 + 3 * torch.sin(line * 78.233)) + 0.6 * torch.sin(x * 97 + line * 4.1)
    ink = ramp(0.0, 0.5, word) * ramp(0.22, 0.30, in_line) * ramp(0.85, 0.75, in_line) * ramp(0.04, 0.07, in_column)
    picture = ((column + (y * 2.0).floor() * 3) % 5 == 1).float()
    tone = 0.62 + 0.04 * low[:, 0] + 0.02 * fine
    tone = tone - 0.42 * ink * (1 - picture) - 0.25 * picture * (0.5 + 0.3 * low[:, 1])
    tint = torch.stack([torch.ones_like(tone), 0.98 - 0.04 * u[:, 3] + 0 * tone, 0.90 - 0.12 * u[:, 3] + 0 * tone], 1)
    return tone[:, None] * tint


def fibre(ground: Tensor, photo_seeds: Tensor) -> Tensor:
    """Coconut fibre or peat: brown strands in every direction."""
    u, x, y, low, fine = _place(ground, photo_seeds)
    strands = torch.zeros_like(x)
    for number, angle in enumerate((0.2, 1.1, 1.9, 2.7)):
        across = x * math.cos(angle) + y * math.sin(angle)
        bend = 0.6 * low[:, number % 3]
        strands = torch.maximum(strands, ramp(0.80, 1.0, torch.sin(across * 150 + 4 * bend + 0.8 * fine)))
    tone = (0.07 + 0.05 * u[:, 3]) * (1 + 0.35 * fine + 0.2 * low[:, 0]).clamp(0.3, 2) + 0.16 * strands * u[:, 4]
    return tone[:, None] * ground.new_tensor([1.25, 0.85, 0.55]).view(1, 3, 1, 1)


def tiles(ground: Tensor, photo_seeds: Tensor) -> Tensor:
    """Glazed tiles with grout."""
    u, x, y, low, fine = _place(ground, photo_seeds)
    rate = 2.2 + 2.5 * u[:, 3]
    column, in_column = _cell(x * rate)
    row, in_row = _cell(y * rate)
    edge = torch.minimum(torch.minimum(in_column, 1 - in_column), torch.minimum(in_row, 1 - in_row)) / rate
    glaze = to_linear((0.35 + 0.6 * u[:, 4:5] + 0.25 * (u[:, 5:8] - 0.5)).clamp(0.05, 0.97))
    vary = 1 + 0.06 * torch.sin(column * 12.9 + row * 78.2) + 0.03 * low[:, 0] + 0.01 * fine
    grout = ramp(0.010, 0.005, edge)[:, None]
    return glaze * vary[:, None] * (1 - grout) + 0.35 * grout


def steel(ground: Tensor, photo_seeds: Tensor) -> Tensor:
    """Brushed steel of a kitchen scale."""
    u, x, y, low, fine = _place(ground, photo_seeds)
    brush = 0.10 * torch.sin(y * 900 + 2 * low[:, 0]) * (0.5 + 0.5 * torch.sin(x * 31 + y * 470)) + 0.05 * fine
    sheen = 0.16 * torch.sin(x * 5 * (0.5 + u[:, 3]) + 2 * low[:, 1])
    tone = 0.34 + 0.22 * u[:, 4] + sheen + brush * 0.4
    return tone[:, None] * ground.new_tensor([0.98, 1.0, 1.03]).view(1, 3, 1, 1)


def cloth(ground: Tensor, photo_seeds: Tensor) -> Tensor:
    """Checked or striped kitchen cloth with folds."""
    u, x, y, low, fine = _place(ground, photo_seeds)
    rate = 8 + 14 * u[:, 3]
    first = ramp(-0.1, 0.1, torch.sin(x * rate * 3 + 0.3 * low[:, 0]))
    second = ramp(-0.1, 0.1, torch.sin(y * rate * 3 + 0.3 * low[:, 1])) * (u[:, 4] < 0.6)
    one, two = to_linear(u[:, 5:8] * 0.8 + 0.12), to_linear(u[:, 8:11] * 0.5 + 0.45)
    mix = (0.5 * first + 0.5 * second)[:, None]
    weave = 1 + 0.08 * torch.sin(x * 500) * torch.sin(y * 500) + 0.05 * fine
    fold = 1 + 0.25 * torch.tanh(low[:, 2] - 0.3 * low[:, 0])
    return (one + (two - one) * mix) * (weave * fold)[:, None]


GROUNDS = (newsprint, fibre, tiles, steel, cloth)
SHARES = (0.30, 0.20, 0.15, 0.15, 0.20)


# ---- camera ----------------------------------------------------------------------------------------------------------


def other_phone(light: Tensor, photo_seeds: Tensor) -> Tensor:
    """Linear light (B, 3, H, H) -> sRGB picture: centre-weighted metering, sharpening halos, an S-shaped tone curve."""
    size, device = light.shape[-1], light.device
    u = draws.uniform(photo_seeds, _SALT_PHONE, 10)[..., None, None, None]
    row, column = pixel_grid(size, device)
    radius2 = (row / size * 2 - 1) ** 2 + (column / size * 2 - 1) ** 2
    weight = torch.exp(-2.0 * radius2)[None, None]
    grey = 0.25 * light[:, :1] + 0.6 * light[:, 1:2] + 0.15 * light[:, 2:]
    level = plane_mean(grey * weight) / plane_mean(weight)
    image = light * (0.25 / level.clamp(min=0.02)) ** 0.7 * torch.exp2(1.3 * (u[:, 0] - 0.55))
    image = image * torch.cat([torch.exp(0.50 * (u[:, 1] - 0.5)), 1 + 0.10 * (u[:, 2] - 0.5),
                               torch.exp(-0.60 * (u[:, 1] - 0.5))], 1)  # fmt: skip
    image = image + 0.02 * u[:, 3] * (1 - 0.3 * radius2)  # stray light
    image = blur(image, (0.25 + 0.9 * u[:, 4, 0, 0, 0] ** 2) * size / 224, max(1, math.ceil(2.4 * size / 224)))
    noise = draws.pixel_noise(photo_seeds, _SALT_SENSOR, size, size)
    smudged = F.interpolate(F.avg_pool2d(noise, 2), scale_factor=2, mode="bilinear", align_corners=False)
    image = (image + smudged * (0.006 + 0.03 * u[:, 5] ** 2) * (image.clamp(min=0) + 0.03).sqrt()).clamp(min=0)
    image = to_srgb(image.clamp(0, 1))
    image = image + (0.15 + 0.25 * u[:, 6]) * image * (1 - image) * (2 * image - 1)  # S-curve
    soft = blur(image, torch.full((len(image),), 1.1 * size / 224, device=device), max(1, math.ceil(2.6 * size / 224)))
    image = image + (0.2 + 0.7 * u[:, 7]) * (image - soft)
    grey = (image[:, :1] + image[:, 1:2] + image[:, 2:]) / 3
    image = grey + (image - grey) * (0.85 + 0.5 * u[:, 8])
    return compress(image.clamp(0, 1), (35 + 60 * u[:, 9])[:, 0, 0, 0])
