"""Three further ways to lay pale blotches, for the varied domain, and one more to mark the spine.

`islands` rise out of a noise, `gaps` are what dark bars leave free, `beads` are round patches one above the other; `lozenges` lie
on the spine. As in `triage.hatchery.hands.outlines`, all keep to what the settings say and differ in all else. Signed fields in girths.
"""

import torch
from torch import Tensor

from triage.hatchery import draws
from triage.hatchery.fields import smooth_step
from triage.hatchery.hands.tables import (
    below_top,
    blotch_rows,
    cell_index,
    flatten,
    mark_rows,
    one_a_cell,
    own,
    places,
    spot_radius,
    spots,
    spots_apart,
)
from triage.hatchery.skin import CELLS, Style, chance, pick, plane, ramp

(_SALT_ISLANDS, _SALT_ISLANDS_OWN, _SALT_ISLANDS_CELLS, _SALT_GAPS, _SALT_GAPS_OWN, _SALT_BEADS, _SALT_BEADS_OWN, _SALT_LOZENGES,
 _SALT_LOZENGES_OWN) = range(1501, 1510)  # fmt: skip
_LEVELS = 4  # heights at which the noise of `islands` has values of its own


def islands(
    look: dict[str, Tensor], animal_seeds: Tensor, along: Tensor, v: Tensor, height: Tensor, style: Style
) -> tuple[Tensor, Tensor]:
    """What rises above a level in a landscape with a hill for every blotch and a valley between any two."""
    rough, tilt, phase, bar, apart_share = own(
        animal_seeds, _SALT_ISLANDS_OWN, (1.2, 4.2), (-0.30, 0.30), (0.2, 0.8), (0.6, 1.1), (0.35, 0.65)
    )
    spacing, place, side = places(look, along, v, phase)
    flat = flatten(look)
    unevenness = rough * plane(style.width)
    share = look["blotch_width"].clamp(0.02, 0.98)
    # valleys lie at whole places and hills between; a lost valley is a hill too
    knots = draws.normal(animal_seeds, _SALT_ISLANDS, _LEVELS + 1, 4 * CELLS)
    lost = (chance(knots[:, _LEVELS]) < flat["dropped_columns"]).float()
    ground = torch.cat([knots[:, :_LEVELS], lost[:, None]], 1)
    up = (height / look["belly_edge"] * (_LEVELS - 1)).clamp(0, _LEVELS - 1.001)
    step_up = smooth_step(0.0, 1.0, up - up.floor())
    half_places = 2 * place
    first, share_along = half_places.floor(), smooth_step(0.0, 1.0, half_places - half_places.floor())

    def land(knot: Tensor) -> Tensor:
        index = (knot.long() + 4).clamp(0, 2 * CELLS - 1) + side.long() * 2 * CELLS
        *levels, gone = pick(ground, index)
        stacked = torch.stack(levels, 1)
        low = torch.gather(stacked, 1, up.long()[:, None].expand(-1, 1, *up.shape[1:]))[:, 0]
        high = torch.gather(stacked, 1, up.long()[:, None].expand(-1, 1, *up.shape[1:]) + 1)[:, 0]
        hill = (knot.long() % 2).abs().to(knot.dtype)
        return 2 * torch.maximum(hill, gone * 0.95) - 1 + unevenness * (low + (high - low) * step_up)

    here, there = land(first), land(first + 1)
    level = 1 - 2 * share * share * (3 - 2 * share) + tilt * (height / look["belly_edge"] - 0.5)
    pale = (here + (there - here) * share_along - level) * spacing / 6
    draw = draws.normal(animal_seeds, _SALT_ISLANDS_CELLS, 4, 2 * CELLS)
    rows = (flat["blotch_top"] + style.top * draw[:, 0], spot_radius(flat, spacing[:, 0], draw[:, 1], draw[:, 2]),
            0.45 + 0.07 * draw[:, 3])  # fmt: skip
    cell = place.floor()
    tall, y, dark = one_a_cell(look, height, cell, side, (place - cell - 0.5) * spacing, rows, spacing, bar, apart_share)
    pale = torch.minimum(pale, y * tall * 1.1)
    return pale, torch.minimum(dark, pale + 0.01)


def gaps(
    look: dict[str, Tensor], animal_seeds: Tensor, along: Tensor, v: Tensor, height: Tensor, style: Style
) -> tuple[Tensor, Tensor]:
    """What dark bars leave free: bars that wander, taper either way, fork or break."""
    taper, waves, swing, phase, fork, bar, apart_share = own(
        animal_seeds, _SALT_GAPS_OWN, (-0.7, 0.7), (0.5, 1.6), (0.0, 0.16), (0.2, 0.8), (0.0, 0.5), (0.6, 1.1), (0.35, 0.65)
    )
    spacing, place, side = places(look, along, v, phase)
    draw = draws.normal(animal_seeds, _SALT_GAPS, 9, 2 * CELLS)
    gap, flat = spacing[:, 0], flatten(look)
    lost = (chance(draw[:, 1]) < flat["dropped_columns"]).float()
    half = 0.5 * (1 - flat["blotch_width"]).clamp(min=0.03) * gap * (1 + 1.6 * style.width * draw[:, 2]).clamp(0.4, 1.7)
    bars = torch.stack(
        [(style.shift * draw[:, 0]).clamp(-0.4, 0.4), half * (1 - lost) - lost * gap, draw[:, 3], (draw[:, 4] > 0.7).float(),
         0.5 + 0.25 * draw[:, 5] + 9.0 * (draw[:, 6] < 0.9)], 1
    )  # fmt: skip
    rows = (flat["blotch_top"] + style.top * draw[:, 7], spot_radius(flat, gap, draw[:, 8], draw[:, 3]), 0.45 + 0.06 * draw[:, 5])
    cell = place.floor()
    tall, y, dark = one_a_cell(look, height, cell, side, (place - cell - 0.5) * spacing, rows, spacing, bar, apart_share)
    pale = torch.full_like(along, 1.0)
    for step in (0, 1):
        shift_p, half_p, turn, forked, broken = pick(bars, cell_index(cell + step, side))
        middle = cell + step + shift_p + swing * torch.sin(torch.pi * (waves * y + turn))
        x = ((place - middle) * spacing).abs()
        x = (x - forked * fork * (y - 0.5).clamp(min=0) * spacing).abs()
        width = half_p * (1 + taper * (2 * y - 1).clamp(-1, 1))
        width = width - (half_p + 0.05).clamp(min=0) * ramp(0.11, 0.05, (y - broken).abs())  # a break through the bar
        pale = torch.minimum(pale, x - width)
    pale = torch.minimum(pale, y * tall * 1.1)
    return pale, torch.minimum(dark, pale + 0.01)


def beads(
    look: dict[str, Tensor], animal_seeds: Tensor, along: Tensor, v: Tensor, height: Tensor, style: Style
) -> tuple[Tensor, Tensor]:
    """Two or three round patches one above the other, grown together, each a little out of line."""
    count, phase, shrink, apart_share, bar = own(
        animal_seeds, _SALT_BEADS_OWN, (2.0, 4.0), (0.2, 0.8), (-0.25, 0.25), (0.3, 0.6), (0.6, 1.1)
    )
    count = count.floor()
    spacing, place, side = places(look, along, v, phase)
    draw = draws.normal(animal_seeds, _SALT_BEADS, 9, 2 * CELLS)
    rows = blotch_rows(look, spacing, style, draw, wider=1.10)
    table = torch.stack([*rows, *(0.09 * draw[:, 6 + number] for number in range(3))], 1)
    apart = spots_apart(look, spacing, apart_share)
    first = (place - 0.5).floor()
    pale, dark = torch.full_like(along, -1.0), torch.full_like(along, -1.0)
    for step in (0, 1):
        cell = first + step
        shift_p, half_p, top_p, spot_p, lost_p, *aside = pick(table, cell_index(cell, side))
        tall, y = below_top(look, height, top_p)
        middle = (place - (cell + 0.5 + shift_p)) * spacing
        field = torch.full_like(along, -1.0)
        for number in range(3):
            x = middle + aside[number] * spacing
            down = (y * count - (number + 0.5)) * half_p / 0.74  # beads overlap: each is taller than its share
            bead = half_p * (1 + shrink * (number - 1)) - torch.sqrt(x * x + down * down)
            field = torch.maximum(field, torch.where(number < count, bead, -1.0))
        field = torch.maximum(field, (half_p - middle.abs()) * lost_p - (1 - lost_p))
        pale = torch.maximum(pale, torch.minimum(field, (y + 0.1) * tall * 1.1))
        dark = torch.maximum(dark, spots(spot_p, middle, (y - 0.5) * tall * bar, apart))
    return pale, dark


def lozenges(
    look: dict[str, Tensor], animal_seeds: Tensor, along: Tensor, wavy_v: Tensor, style: Style
) -> tuple[Tensor, Tensor]:
    """Marks on the spine that run to a point at both ends, now to the left of it, now to the right."""
    blunt, zigzag = own(animal_seeds, _SALT_LOZENGES_OWN, (0.6, 1.0), (0.0, 0.020))
    table = mark_rows(look, animal_seeds, _SALT_LOZENGES, style, (0.30, 0.16, 0.46), wider=1.25, aside=0.008)
    place = along / plane(style.spacing)
    first = (place - 0.5).floor()
    pale, dark = torch.full_like(along, -2.0), torch.full_like(along, -2.0)
    for step in (0, 1):
        cell = first + step
        shift, width, length, offset, dot = pick(table, cell_index(cell))
        x = (place - (cell + 0.5 + shift)).abs() * plane(style.spacing)
        off = wavy_v + offset + zigzag * (1 - 2 * (cell.long() % 2).abs())
        narrowing = 1 - (x / length).clamp(max=3.0) ** (1 / (2 - blunt))
        pale = torch.maximum(pale, torch.minimum(width * narrowing, (length - x) * 0.6) - off.abs())
        dark = torch.maximum(dark, dot - torch.sqrt((x - length * 0.2).clamp(min=0) ** 2 + off * off * 1.4))
    return pale, dark
