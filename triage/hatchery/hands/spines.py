"""Two further ways to mark the spine, for the varied domain.

`drops` run out into a tail, `margins` is a band with two edges that know nothing of each other. As in `triage.hatchery.hands.outlines`,
both keep to what the settings say and differ in all else. Signed fields in girths.
"""

import torch
from torch import Tensor

from triage.hatchery import draws
from triage.hatchery.fields import smooth_step
from triage.hatchery.hands.tables import cell_index, mark_rows, own
from triage.hatchery.skin import CELLS, Style, pick, plane

_SALT_DROPS, _SALT_DROPS_OWN, _SALT_MARGINS, _SALT_MARGINS_OWN, _SALT_EDGES = range(1721, 1726)
_KNOT = 0.11  # girths between two knots of an edge of `margins`


def drops(
    look: dict[str, Tensor], animal_seeds: Tensor, along: Tensor, wavy_v: Tensor, style: Style
) -> tuple[Tensor, Tensor]:
    """Marks on the spine with a round head and a tail that thins out, bent to one side; an animal's heads lie all one way."""
    way, tail, bow = own(animal_seeds, _SALT_DROPS_OWN, (-1.0, 1.0), (0.15, 0.65), (-0.030, 0.030))
    table = mark_rows(look, animal_seeds, _SALT_DROPS, style, (0.21, 0.14, 0.44), wider=1.35, aside=0.010)
    way = 1 - 2 * (way < 0).float()
    place = along / plane(style.spacing)
    first = (place - 0.5).floor()
    pale, dark = torch.full_like(along, -2.0), torch.full_like(along, -2.0)
    for step in (0, 1):
        cell = first + step
        shift, width, length, offset, dot = pick(table, cell_index(cell))
        x = (place - (cell + 0.5 + shift)) * plane(style.spacing) * way
        share = (0.5 + 0.5 * x / length).clamp(0, 1)  # 0 at the head, 1 at the end of the tail
        beyond = (x.abs() - length).clamp(min=0)
        off = wavy_v + offset + bow * (2 * share - 1) ** 2
        pale = torch.maximum(pale, width * (1 + (tail - 1) * share) - torch.sqrt(beyond**2 + off * off))
        dark = torch.maximum(dark, dot - torch.sqrt((x.abs() - length * 0.2).clamp(min=0) ** 2 + off * off * 1.4))
    return pale, dark


def margins(
    look: dict[str, Tensor], animal_seeds: Tensor, along: Tensor, wavy_v: Tensor, style: Style
) -> tuple[Tensor, Tensor]:
    """Marks on the spine cut slantwise out of a band whose left and right edges wander each by itself."""
    wander, slant = own(animal_seeds, _SALT_MARGINS_OWN, (0.25, 0.55), (-0.8, 0.8))
    table = mark_rows(look, animal_seeds, _SALT_MARGINS, style, (0.27, 0.14, 0.42), aside=0.006)
    edges = draws.normal(animal_seeds, _SALT_EDGES, 2, CELLS)
    knot = along / _KNOT
    left, right = pick(edges, cell_index(knot.floor()))
    left_ahead, right_ahead = pick(edges, cell_index(knot.floor() + 1))
    bend = smooth_step(0.0, 1.0, knot - knot.floor())
    left, right = left + (left_ahead - left) * bend, right + (right_ahead - right) * bend
    place = along / plane(style.spacing)
    first = (place - 0.5).floor()
    pale, dark = torch.full_like(along, -2.0), torch.full_like(along, -2.0)
    for step in (0, 1):
        cell = first + step
        shift, width, length, offset, dot = pick(table, cell_index(cell))
        off = wavy_v + offset
        x = (place - (cell + 0.5 + shift)) * plane(style.spacing)
        band = torch.where(off < 0, left, right)
        band = width + width.abs() * wander * band.clamp(-1.8, 1.8) - off.abs()
        pale = torch.maximum(pale, torch.minimum(band, length - (x + slant * off).abs()))
        dark = torch.maximum(dark, dot - torch.sqrt((x.abs() - length * 0.2).clamp(min=0) ** 2 + off * off * 1.4))
    return pale, dark
