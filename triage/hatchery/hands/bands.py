"""Four further ways to lay pale lateral blotches, for the varied domain.

`facets` are cut by straight lines, `lobes` are rays of uneven length about a middle, `limbs` are strokes of a brush down the flank,
`scallops` what dark tongues hanging from the back leave free.
As in `triage.hatchery.hands.outlines`, all keep to what the settings say and differ in all else. Signed fields in girths.
"""

import torch
from torch import Tensor

from triage.hatchery import draws
from triage.hatchery.hands.tables import (
    below_top,
    blotch_rows,
    cell_index,
    flatten,
    one_a_cell,
    own,
    places,
    spot_radius,
    spots,
    spots_apart,
)
from triage.hatchery.skin import CELLS, Style, chance, pick

(_SALT_FACETS, _SALT_FACETS_OWN, _SALT_LOBES, _SALT_LOBES_OWN, _SALT_LIMBS, _SALT_LIMBS_OWN, _SALT_SCALLOPS,
 _SALT_SCALLOPS_OWN) = range(1701, 1709)  # fmt: skip


def facets(
    look: dict[str, Tensor], animal_seeds: Tensor, along: Tensor, v: Tensor, height: Tensor, style: Style
) -> tuple[Tensor, Tensor]:
    """Blotches cut out by straight lines: two sides and four corners, the lower corners often beyond the belly's edge."""
    lean, slant, upper, lower, steep, phase, apart_share, bar = own(
        animal_seeds, _SALT_FACETS_OWN,
        (-0.25, 0.25), (0.05, 0.25), (0.10, 0.34), (-0.35, 0.35), (0.55, 0.80), (0.2, 0.8), (0.35, 0.65), (0.6, 1.1),
    )  # fmt: skip
    spacing, place, side = places(look, along, v, phase)
    draw = draws.normal(animal_seeds, _SALT_FACETS, 10, 2 * CELLS)
    *rows, lost = blotch_rows(look, spacing, style, draw, wider=1.08)
    tilts = slant[:, 0] * draw[:, 6] - lean[:, 0], slant[:, 0] * draw[:, 7] + lean[:, 0]
    table = torch.stack([*rows, lost * 0.5 * spacing[:, 0], *tilts, *draw[:, 8:].unbind(1)], 1)
    apart = spots_apart(look, spacing, apart_share)
    gentle = (1 - steep * steep).sqrt()
    first = (place - 0.5).floor()
    pale, dark = torch.full_like(along, -1.0), torch.full_like(along, -1.0)
    for step in (0, 1):
        cell = first + step
        shift, half, top, spot, free, left, right, crown, base = pick(table, cell_index(cell, side))
        tall, y = below_top(look, height, top)
        x = (place - (cell + 0.5 + shift)) * spacing
        down = y * tall
        field, middle = down * 1.1, down - 0.5 * tall
        for sign, turn in ((-1, left), (1, right)):
            within = half - sign * x + free
            field = torch.minimum(field, within + turn * middle)
            field = torch.minimum(field, (down - (upper + 0.10 * sign * crown) * tall) * steep + within * gentle)
            field = torch.minimum(field, ((1 - lower + 0.10 * sign * base) * tall - down) * steep + within * gentle)
        pale = torch.maximum(pale, field)
        dark = torch.maximum(dark, spots(spot, x, (y - 0.5) * tall * bar, apart))
    return pale, torch.minimum(dark, pale + 0.01)


def lobes(
    look: dict[str, Tensor], animal_seeds: Tensor, along: Tensor, v: Tensor, height: Tensor, style: Style
) -> tuple[Tensor, Tensor]:
    """Blotches that reach out from a middle unevenly, in two to five lobes."""
    box, heart, star, middle, reach, phase, apart_share, bar = own(
        animal_seeds, _SALT_LOBES_OWN,
        (0.04, 0.16), (-0.14, 0.14), (0.03, 0.11), (0.46, 0.58), (0.56, 0.74), (0.2, 0.8), (0.35, 0.65), (0.6, 1.1),
    )  # fmt: skip
    spacing, place, side = places(look, along, v, phase)
    draw = draws.normal(animal_seeds, _SALT_LOBES, 9, 2 * CELLS)
    *rows, _ = blotch_rows(look, spacing, style, draw, wider=1.10)
    tilt, three, five = 0.12 * draw[:, 6], star[:, 0] * draw[:, 7], star[:, 0] * draw[:, 8]
    # cosines of three and five times an angle: its cosine times a polynomial in the square of its sine
    lobe = (three + five, -4 * three - 12 * five, 16 * five)
    table = torch.stack([*rows, tilt, *lobe], 1)
    apart = spots_apart(look, spacing, apart_share)
    first = (place - 0.5).floor()
    pale, dark = torch.full_like(along, -1.0), torch.full_like(along, -1.0)
    for step in (0, 1):
        cell = first + step
        shift, half, top, spot, tilt, one, square, fourth = pick(table, cell_index(cell, side))
        tall, y = below_top(look, height, top)
        down = (y - middle) * tall
        x = (place - (cell + 0.5 + shift)) * spacing
        across, up = x / half, (y - middle) / reach
        squared = across * across + up * up + 1e-6
        away = torch.rsqrt(squared)
        c, s = across * away, up * away
        both, s2 = c * s, s * s
        lobe = both * (8 * box * both + tilt) + s * (3 - 4 * s2) * heart + c * (one + s2 * (square + s2 * fourth))
        radius = squared * away
        field = (1 + (lobe - box) * radius.clamp(max=1) - radius) * half
        pale = torch.maximum(pale, torch.minimum(field, y * tall * 1.1))
        dark = torch.maximum(dark, spots(spot, x, down * bar, apart))
    return pale, torch.minimum(dark, pale + 0.01)


def limbs(
    look: dict[str, Tensor], animal_seeds: Tensor, along: Tensor, v: Tensor, height: Tensor, style: Style
) -> tuple[Tensor, Tensor]:
    """Blotches as strokes of a round brush down the flank, with an elbow, now thicker above it and now below."""
    bend, elbow, swell, phase, apart_share, bar = own(
        animal_seeds, _SALT_LIMBS_OWN, (0.04, 0.16), (0.40, 0.60), (-0.22, 0.22), (0.2, 0.8), (0.3, 0.6), (0.6, 1.1)
    )
    spacing, place, side = places(look, along, v, phase)
    draw = draws.normal(animal_seeds, _SALT_LIMBS, 9, 2 * CELLS)
    gap = spacing[:, 0]
    shift, half, top, spot, lost = blotch_rows(look, spacing, style, draw, wider=0.98)
    tall = (look["belly_edge"][:, 0] - top).clamp(min=0.05)
    # one limb runs up from the elbow, so far that its round end is the top, the other down beyond the belly's edge
    above, below = (elbow[:, 0] * tall - 0.9 * half).clamp(min=0.02), 1.2 * tall
    bend = -bend[:, 0] * gap
    over_above, over_below = bend * (draw[:, 6] + draw[:, 7]), bend * (draw[:, 6] - draw[:, 7])
    long_above, long_below = (over_above**2 + above**2).sqrt(), (over_below**2 + below**2).sqrt()
    table = torch.stack(
        [shift - 0.5 * bend / gap * draw[:, 6], half, top, spot, lost * 0.5 * gap, 2 * half / tall * (swell[:, 0] + 0.10 * draw[:, 8]),
         top + elbow[:, 0] * tall, over_above / long_above, -above / long_above, long_above, over_below / long_below,
         below / long_below], 1
    )  # fmt: skip
    apart = spots_apart(look, spacing, apart_share)
    first = (place - 0.5).floor()
    pale, dark = torch.full_like(along, -1.0), torch.full_like(along, -1.0)
    for step in (0, 1):
        cell = first + step
        shift, half, top, spot, free, thicker, bent, x_above, y_above, long_above, x_below, y_below = pick(
            table, cell_index(cell, side)
        )
        x, down = (place - (cell + 0.5 + shift)) * spacing, height - bent  # from the elbow
        along_above, along_below = x * x_above + down * y_above, x * x_below + down * y_below
        reached = torch.minimum(along_above.clamp(min=0), long_above)
        away = torch.sqrt((along_above - reached) ** 2 + (x * y_above - down * x_above) ** 2)
        field = half + thicker * reached - away
        reached = along_below.clamp(min=0)
        away = torch.sqrt((along_below - reached) ** 2 + (x * y_below - down * x_below) ** 2)
        field = torch.maximum(field, half - thicker * reached - away) + free
        pale = torch.maximum(pale, torch.minimum(field, (height - top) * 1.1))
        dark = torch.maximum(dark, spots(spot, x, down * bar, apart))
    return pale, torch.minimum(dark, pale + 0.01)


def scallops(
    look: dict[str, Tensor], animal_seeds: Tensor, along: Tensor, v: Tensor, height: Tensor, style: Style
) -> tuple[Tensor, Tensor]:
    """What dark tongues hanging from the back leave free: arches between them, and the flank below the short ones."""
    long, uneven, club, fillet, phase, apart_share, bar = own(
        animal_seeds, _SALT_SCALLOPS_OWN,
        (0.72, 1.05), (0.06, 0.22), (-0.5, 0.5), (0.02, 0.07), (0.2, 0.8), (0.35, 0.65), (0.6, 1.1),
    )  # fmt: skip
    spacing, place, side = places(look, along, v, phase)
    draw = draws.normal(animal_seeds, _SALT_SCALLOPS, 8, 2 * CELLS)
    gap, flat = spacing[:, 0], flatten(look)
    lost = (chance(draw[:, 1]) < flat["dropped_columns"]).float()
    half = 0.56 * (1 - flat["blotch_width"]).clamp(min=0.03) * gap * (1 + 1.6 * style.width * draw[:, 2]).clamp(0.4, 1.7)
    tongues = torch.stack([(style.shift * draw[:, 0]).clamp(-0.4, 0.4), half * (1 - lost) - lost * gap, draw[:, 3]], 1)
    rows = (flat["blotch_top"] + style.top * draw[:, 7], spot_radius(flat, gap, draw[:, 4], draw[:, 5]), 0.48 + 0.06 * draw[:, 6])
    cell = place.floor()
    near = [pick(tongues, cell_index(cell + step, side)) for step in (0, 1)]
    before, behind = cell + near[0][0], cell + 1 + near[1][0]  # where the tongues hang
    own_cell = cell - (place < before).float() + (place > behind).float()
    middle = (place - 0.5 * (before + behind)) * spacing
    tall, y, dark = one_a_cell(look, height, own_cell, side, middle, rows, spacing, bar, apart_share)
    ends = y * tall * 1.1
    tall, y = below_top(look, height, look["blotch_top"])
    pale = torch.full_like(along, 1.0)
    for hung, (_, half_p, length) in zip((before, behind), near, strict=True):
        x = (place - hung) * spacing
        tip = (long + uneven * length) * tall - half_p
        width = half_p * (1 + club * (y - 0.5).clamp(-0.6, 0.6))
        pale = torch.minimum(pale, torch.sqrt(x * x + (y * tall - tip).clamp(min=0) ** 2) - width)
    # the back runs into the tongues with a rounded corner
    share = (0.5 + 0.5 * (ends - pale) / fillet).clamp(0, 1)
    pale = ends + (pale - ends) * share - fillet * share * (1 - share)
    return pale, torch.minimum(dark, pale + 0.01)
