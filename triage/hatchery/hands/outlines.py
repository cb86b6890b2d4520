"""Two more ways to lay pale blotches on dark ground, for the varied domain, and one more to mark the spine.

All keep to what the settings say (how many, how wide, where they end above, how many have dark spots) and differ in all else,
so that a reader learns the settings and not one hand's drawing of them. Signed fields in girths, as in `triage.hatchery.skin`.
"""

import torch
from torch import Tensor

from triage.hatchery import draws
from triage.hatchery.fields import smooth_step
from triage.hatchery.hands.tables import below_top, cell_index, flatten, own, places, spot_radius, spots, spots_apart
from triage.hatchery.skin import CELLS, Style, chance, pick, plane, ramp

_SALT_CELLS, _SALT_CELLS_OWN, _SALT_COLUMNS, _SALT_COLUMNS_OWN, _SALT_SHREDS, _SALT_SHREDS_OWN = range(1401, 1407)


def cells(
    look: dict[str, Tensor], animal_seeds: Tensor, along: Tensor, v: Tensor, height: Tensor, style: Style
) -> tuple[Tensor, Tensor]:
    """Blotches as leaning cells, anything from diamonds over ovals to boxes, that may or may not reach the belly."""
    box, round_, lean, middle, tall_share, apart_share, bar = own(
        animal_seeds, _SALT_CELLS_OWN, (0.0, 0.9), (0.0, 1.0), (-0.35, 0.35), (0.40, 0.65), (0.50, 0.85), (0.3, 0.7), (0.35, 1.1)
    )
    spacing, place, side = places(look, along, v)
    draw = draws.normal(animal_seeds, _SALT_CELLS, 7, 2 * CELLS)
    gap, flat = spacing[:, 0], flatten(look)
    shift = (style.shift * draw[:, 0]).clamp(-0.4, 0.4)
    dropped = (chance(draw[:, 1]) < flat["dropped_columns"]).float()
    half = 0.5 * flat["blotch_width"] * gap * (1 + style.width * draw[:, 2]).clamp(0.5, 1.6) + dropped * gap * 0.55
    half = torch.minimum(half * 1.06, (0.98 - shift.abs()) * gap)  # cells narrow at both ends, so they are a little wider
    spot = spot_radius(flat, gap, draw[:, 3], draw[:, 4], 0.26)
    table = torch.stack([shift, half, flat["blotch_top"] + style.top * draw[:, 5], spot, 0.12 * draw[:, 6], dropped], 1)

    apart = spots_apart(look, spacing, apart_share)
    first = (place - 0.5).floor()
    pale, dark = torch.full_like(along, -1.0), torch.full_like(along, -1.0)
    for step in (0, 1):
        cell = first + step
        shift_p, half_p, top_p, spot_p, lean_p, dropped_p = pick(table, cell_index(cell, side))
        tall, y = below_top(look, height, top_p)
        x = (place - (cell + 0.5 + shift_p)) * spacing + (lean + lean_p) * (y - middle) * tall
        across, down = x.abs(), ((y - middle) / torch.maximum(middle, tall_share)).abs() * half_p
        diamond, oval, square = across + 0.8 * down, torch.sqrt(across * across + down * down), torch.maximum(across, down)
        away = oval + box * (torch.where(round_ < 0.35, diamond, square) - oval)
        field = half_p - away + dropped_p * 0.5 * spacing
        pale = torch.maximum(pale, torch.minimum(field, (y + 0.1) * tall * 1.1))
        dark = torch.maximum(dark, spots(spot_p, x, (y - middle) * tall * bar, apart))
    return pale, dark


def columns(
    look: dict[str, Tensor], animal_seeds: Tensor, along: Tensor, v: Tensor, height: Tensor, style: Style
) -> tuple[Tensor, Tensor]:
    """Pale columns with edges of their own to either side, waisted anywhere, some bridged and some cut through; spots in rows."""
    waves, bulge, start, phase, rows, size = own(
        animal_seeds, _SALT_COLUMNS_OWN, (0.6, 2.2), (-0.35, 0.35), (0.0, 1.0), (0.15, 0.85), (0.6, 3.4), (0.75, 1.3)
    )
    spacing, place, side = places(look, along, v, phase)
    draw = draws.normal(animal_seeds, _SALT_COLUMNS, 9, 2 * CELLS)
    gap, flat = spacing[:, 0], flatten(look)
    shift = (style.shift * draw[:, 0]).clamp(-0.35, 0.35)
    dropped = (chance(draw[:, 1]) < flat["dropped_columns"]).float()
    left = 0.5 * flat["blotch_width"] * gap * (1 + 1.3 * style.width * draw[:, 2]).clamp(0.4, 1.7) + dropped * gap * 0.55
    right = 0.5 * flat["blotch_width"] * gap * (1 + 1.3 * style.width * draw[:, 3]).clamp(0.4, 1.7) + dropped * gap * 0.55
    widest = (0.98 - shift.abs()) * gap
    has_spot = (chance(draw[:, 4]) < flat["blotch_eyes"]).float()
    cut = 0.5 + 0.22 * draw[:, 5] + (draw[:, 6] < 0.8) * 9.0  # one in five is cut through by a dark bar
    top = flat["blotch_top"] + 1.3 * style.top * draw[:, 7]
    table = torch.stack(
        [shift, torch.minimum(left, widest), torch.minimum(right, widest), top, has_spot, cut, 0.10 * draw[:, 8]], 1
    )

    width = look["blotch_width"].clamp(max=0.75)
    radius = 0.5 * width * spacing * (0.24 + 0.10 * look["single_eye"]) * size
    apart = spots_apart(look, spacing, 0.48)
    first = (place - 0.5).floor()
    pale, dark = torch.full_like(along, -1.0), torch.full_like(along, -1.0)
    for step in (0, 1):
        cell = first + step
        shift_p, left_p, right_p, top_p, spot_p, cut_p, lean_p = pick(table, cell_index(cell, side))
        tall, y = below_top(look, height, top_p)
        x = (place - (cell + 0.5 + shift_p)) * spacing + lean_p * (y - 0.5) * tall
        # a hump or a waist, once or twice on the way down; a full turn of it leaves the mean width alone
        profile = 1 + bulge * torch.sin(torch.pi * (waves * y + 2 * start)) + 0.35 * ramp(0.9, 1.2, y)
        field = torch.where(x < 0, left_p, right_p) * profile - x.abs()
        bar = 0.012 - ((y - cut_p) * tall).abs()
        field = torch.minimum(field, -bar)
        pale = torch.maximum(pale, torch.minimum(field, y * tall * 1.1))
        nearest = ((y * rows.round() - 0.5).round() + 0.5).clamp(min=0.5) / rows.round()
        nearest = torch.minimum(nearest, (rows.round() - 0.5) / rows.round())
        eye = spots(radius, x, (y - nearest) * tall * 0.85, apart)
        dark = torch.maximum(dark, torch.where(spot_p > 0.5, eye * smooth_step(1.1, 0.9, y), -0.5))
    return pale, dark


def shreds(
    look: dict[str, Tensor], animal_seeds: Tensor, along: Tensor, wavy_v: Tensor, style: Style
) -> tuple[Tensor, Tensor]:
    """Marks on the spine as shreds of a ribbon, long and short as a noise has it, and the dots of a plain body between them."""
    (width_share,) = own(animal_seeds, _SALT_SHREDS_OWN, (0.85, 1.15))
    knots = draws.normal(animal_seeds, _SALT_SHREDS, 2, CELLS)
    flat = flatten(look)
    place = along / (0.62 * plane(style.spacing))
    first = place.floor()
    at, share = cell_index(first), place - first
    here, wide = pick(knots, at)
    there, wide_there = pick(knots, (at + 1).clamp(max=CELLS - 1))
    bend = share * share * (3 - 2 * share)
    noise, wide = here + (there - here) * bend, wide + (wide_there - wide) * bend
    covered = ((0.40 + 0.80 * flat["dorsal_length"]) * flat["dorsal_share"]).clamp(0.02, 0.98)[..., None]
    level = -1.128 * torch.erfinv(2 * covered - 1)  # 0.8 of a normal quantile: the noise is smoothed between its knots
    half = look["dorsal_width"] * width_share * (1 + 0.33 * wide).clamp(0.35, 1.9)
    half = torch.where(look["dorsal_width"] > 0.004, half, half - 2.0)
    pale = torch.minimum(half - wavy_v.abs(), (noise - level) * 0.10)
    dot = 0.013 * (look["dorsal_dots"] > 0.05) - torch.sqrt(((share - 0.5) * 0.16) ** 2 + wavy_v * wavy_v * 1.4)
    return pale, dot
