"""What the ways of drawing blotches and spinal marks share: where the cells lie, and the tables of what lies in them.

A table (B, C, n) has C numbers for every cell; `triage.hatchery.skin.pick` spreads them over planes. Lengths are in girths.
"""

import torch
from torch import Tensor

from triage.hatchery import draws
from triage.hatchery.body import GIRTHS
from triage.hatchery.skin import CELLS, Style, chance, pick


def own(animal_seeds: Tensor, salt: int, *ranges: tuple[float, float]) -> tuple[Tensor, ...]:
    """Numbers of an animal's own, uniform on `ranges`; (B, 1, 1) each."""
    u = draws.uniform(animal_seeds, salt, len(ranges))[..., None, None]
    return tuple(low + (high - low) * u[:, place] for place, (low, high) in enumerate(ranges))


def flatten(look: dict[str, Tensor]) -> dict[str, Tensor]:
    """Settings (B, 1, 1) as (B, 1), ready for tables."""
    return {name: value[:, 0] for name, value in look.items()}


def places(
    look: dict[str, Tensor], along: Tensor, v: Tensor, phase: float | Tensor = 0.5
) -> tuple[Tensor, Tensor, Tensor]:
    """Spacing (B, 1, 1), and place in spacings and side (0 or 1) of every texel; the sides are `phase` of a spacing apart."""
    spacing = 0.86 * GIRTHS / look["blotch_count"]
    side = torch.where(look["banding"] > 0.5, torch.zeros_like(v), (v > 0).float())
    return spacing, along / spacing + side * phase, side


def cell_index(cell: Tensor, side: Tensor | None = None) -> Tensor:
    """Column of a table (B, C, CELLS), or of one (B, C, 2 * CELLS) with `side`, that belongs to a cell."""
    index = (cell.long() + 2).clamp(0, CELLS - 1)
    return index if side is None else index + side.long() * CELLS


def spot_radius(flat: dict[str, Tensor], gap: Tensor, wanted: Tensor, size: Tensor, mean: float = 0.27) -> Tensor:
    """Radius of each cell's dark spot, below 0 where it has none; standard normal `wanted` and `size` (B, n).

    `mean`: over half the width of a blotch.
    """
    has_spot = (chance(wanted) < flat["blotch_eyes"]).float()
    radius = 0.5 * flat["blotch_width"].clamp(max=0.75) * gap * (mean + 0.06 * size + 0.10 * flat["single_eye"])
    return radius * has_spot - (1 - has_spot) * 0.5


def spots_apart(look: dict[str, Tensor], spacing: Tensor, share: float | Tensor) -> Tensor:
    """How far the two spots of a blotch lie from its middle; 0 where they are one."""
    return 0.5 * look["blotch_width"].clamp(max=0.75) * spacing * share * (1 - look["single_eye"])


def spots(radius: Tensor, x: Tensor, down: Tensor, apart: Tensor) -> Tensor:
    """Signed field of the two spots of a blotch, `x` along and `down` around the body from its middle."""
    return radius - torch.sqrt((x.abs() - apart) ** 2 + down**2)


def blotch_rows(
    look: dict[str, Tensor], spacing: Tensor, style: Style, draw: Tensor, wider: float = 1.0, eye: float = 0.27
) -> tuple[Tensor, ...]:
    """Shift in spacings, half width, upper end, radius of the spot, and 1 where a dark column beside it is lost, (B, n) each.

    `draw` (B, 6 or more, n) is standard normal; `wider` makes up for a shape that does not fill its width.
    """
    gap, flat = spacing[:, 0], flatten(look)
    shift = (style.shift * draw[:, 0]).clamp(-0.4, 0.4)
    lost = (chance(draw[:, 1]) < flat["dropped_columns"]).float()
    half = 0.5 * flat["blotch_width"] * gap * (1 + style.width * draw[:, 2]).clamp(0.5, 1.6) * wider + lost * gap * 0.55
    half = torch.minimum(half, (0.98 - shift.abs()) * gap)  # only the two nearest cells are looked at
    top = flat["blotch_top"] + style.top * draw[:, 3]
    return shift, half, top, spot_radius(flat, gap, draw[:, 4], draw[:, 5], eye), lost


def below_top(look: dict[str, Tensor], height: Tensor, top: Tensor) -> tuple[Tensor, Tensor]:
    """How tall a blotch is, and the place in it of every texel: 0 at its top, 1 where the belly begins."""
    tall = (look["belly_edge"] - top).clamp(min=0.05)
    return tall, (height - top) / tall


def one_a_cell(
    look: dict[str, Tensor], height: Tensor, cell: Tensor, side: Tensor, x: Tensor, rows: tuple[Tensor, ...], spacing: Tensor,
    bar: Tensor, apart_share: Tensor,
) -> tuple[Tensor, Tensor, Tensor]:  # fmt: skip
    """How tall the blotch of each texel's own `cell` is, the texel's place in it (0 at the top), and the field of its spots.

    `x`: distance along the body from the middle of the blotch. `rows`: upper end, radius of the spots and their place, (B, n) each.
    """
    top, radius, spot_y = pick(torch.stack(rows, 1), cell_index(cell, side))
    tall, y = below_top(look, height, top)
    apart = spots_apart(look, spacing, apart_share)
    return tall, y, spots(radius, x, (y - spot_y) * tall * bar, apart)


def mark_rows(
    look: dict[str, Tensor], animal_seeds: Tensor, salt: int, style: Style, lengths: tuple[float, float, float],
    wider: float = 1.0, aside: float = 0.013,
) -> Tensor:  # fmt: skip
    """Table (B, 5, CELLS) of the marks on the spine: shift in places, half width, half length, offset, radius of the dot.

    A mark that is not shown has a width far below 0. `lengths`: the shortest, what chance and what `dorsal_length` add, over the
    spacing of marks; `wider` as in `blotch_rows`; `aside`: standard deviation of the offset.
    """
    draw = draws.normal(animal_seeds, salt, 6, CELLS)
    flat = flatten(look)
    shortest, by_chance, by_setting = lengths
    half_width = wider * flat["dorsal_width"] * (1 + 0.33 * draw[:, 1]).clamp(0.35, 1.9)
    half_length = style.spacing * (shortest + by_chance * chance(draw[:, 2]) + by_setting * flat["dorsal_length"]).clamp(min=0.05)
    missing = (chance(draw[:, 3]) >= flat["dorsal_share"]).float() * 0.5
    shown = torch.where(flat["dorsal_width"] > 0.004, half_width - missing, half_width - 2.0)
    dots = (0.012 + 0.005 * draw[:, 5]) * (flat["dorsal_dots"] > 0.05)
    return torch.stack([(0.2 * draw[:, 0]).clamp(-0.45, 0.45), shown, half_length, aside * draw[:, 4], dots], 1)
