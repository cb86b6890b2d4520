"""Further ways to draw the stripes, lines and rings, for the varied domain.

As in `triage.hatchery.hands.outlines`, all keep to what the settings say (whether there is one, how thick) and to what a
keeper knows the mark by (a pin line runs beside the spine, a web is a mesh down the flanks, a pale stripe is whole), and
differ in all else: straight or wandering, whole or broken, doubled, tapering. Each takes and returns what the plain way
in `triage.hatchery.skin` does; signed fields in girths, negative where dark.
"""

import torch
import torch.nn.functional as F
from torch import Tensor

from triage.hatchery import draws
from triage.hatchery.body import GIRTHS
from triage.hatchery.fields import noise_plane, smooth_step
from triage.hatchery.hands.tables import own
from triage.hatchery.skin import Places, Style, pick, plane, ramp

(_SALT_FREE, _SALT_DASHED, _SALT_TWIN, _SALT_CRACKS, _SALT_STRANDS, _SALT_VEINS, _SALT_STEPPED, _SALT_KEYHOLES,
 _SALT_SWAYING, _SALT_RIBBON, _SALT_CHAIN, _SALT_OFFSET, _SALT_UNEVEN, _SALT_ROSETTES, _SALT_DOUBLE) = range(1601, 1616)  # fmt: skip
_KNOTS = 50  # added to a salt for numbers along the body
_AROUND = 7  # cells of a web around the body


def along_body(animal_seeds: Tensor, salt: int, channels: int, knots: int, places: Places) -> tuple[Tensor, ...]:
    """`channels` smooth random lines (B, S, 1) from snout to tail tip, standard normal at `knots` places."""
    table = draws.normal(animal_seeds, salt + _KNOTS, channels, knots, 1)
    rows = places.along.shape[1]
    return F.interpolate(table, (rows, 1), mode="bicubic", align_corners=False).unbind(1)


def by_side(left: Tensor, right: Tensor, places: Places) -> Tensor:
    """(B, S, 1) each -> (B, S, P): a line for either side of the spine; they blend on it."""
    return left + (right - left) * smooth_step(-0.025, 0.025, places.v)


# ---- thin dark lines beside the spine ---------------------------------------------------------------------------


def free_pins(look: dict[str, Tensor], animal_seeds: Tensor, pattern: Tensor, places: Places, style: Style) -> Tensor:
    """Two whole lines that wander each by itself, thick and thin by turns."""
    away, swing, beat = own(animal_seeds, _SALT_FREE, (0.070, 0.108), (0.006, 0.018), (0.1, 0.6))
    left, right, thick, other = along_body(animal_seeds, _SALT_FREE, 4, 26, places)
    at = away + swing * by_side(left, right, places) + 0.004 * places.noise.middle[:, 1]
    half = 0.0085 * (1 + beat * by_side(thick, other, places)).clamp(0.35, 1.8) * look["pin_lines"]
    return torch.minimum(pattern, (places.v.abs() - at).abs() - half)


def dashed_pins(look: dict[str, Tensor], animal_seeds: Tensor, pattern: Tensor, places: Places, style: Style) -> Tensor:
    """Two straight lines of long strokes that thin out at both ends, with short gaps between."""
    away, thick, spread, gap = own(animal_seeds, _SALT_DASHED, (0.068, 0.108), (0.9, 1.2), (-0.03, 0.03), (0.5, 1.1))
    left, right, bend, other = along_body(animal_seeds, _SALT_DASHED, 4, 34, places)
    at = away + spread * (places.along / GIRTHS - 0.5) + 0.004 * by_side(bend, other, places)
    drawn = ramp(-0.55, 0.25, by_side(left, right, places) + 1.0 - 0.5 * gap)
    half = 0.0105 * thick * drawn * look["pin_lines"] - 0.02 * (1 - ramp(0.0, 0.1, drawn))
    return torch.minimum(pattern, (places.v.abs() - at).abs() - half)


def twin_pins(look: dict[str, Tensor], animal_seeds: Tensor, pattern: Tensor, places: Places, style: Style) -> Tensor:
    """Two lines that taper to the tail, each with a hairline beside it in places."""
    away, apart, taper = own(animal_seeds, _SALT_TWIN, (0.064, 0.095), (0.020, 0.034), (0.0, 0.5))
    left, right, here, there = along_body(animal_seeds, _SALT_TWIN, 4, 18, places)
    at = away + 0.010 * by_side(left, right, places) + 0.006 * places.noise.middle[:, 1]
    off = places.v.abs() - at
    half = 0.0085 * (1 + taper * (0.5 - places.along / GIRTHS)) * look["pin_lines"]
    hair = 0.0050 * ramp(-0.2, 0.3, by_side(here, there, places)) * look["pin_lines"]
    return torch.minimum(pattern, torch.minimum(off.abs() - half, (off - apart).abs() - hair + 0.001))


# ---- a web of thin dark lines -----------------------------------------------------------------------------------


def _webbed(look: dict[str, Tensor], pattern: Tensor, away: Tensor, half: Tensor, places: Places) -> Tensor:
    """The pattern with dark lines at `away` = 0, of half width `half` in girths; none low on the flank."""
    half = half + 0.0035 * places.noise.middle[:, 1] - 0.05 * ramp(0.25, 0.32, places.across.abs())
    return torch.minimum(pattern, (1 - look["web_lines"]) * 0.008 - half + away)


def cracks(look: dict[str, Tensor], animal_seeds: Tensor, pattern: Tensor, places: Places, style: Style) -> Tensor:
    """A web between cells of uneven size, like cracks in glaze."""
    length, jitter, tall = own(animal_seeds, _SALT_CRACKS, (0.22, 0.34), (0.7, 1.0), (0.8, 1.3))
    count = 32
    spots = draws.uniform(animal_seeds, _SALT_CRACKS + _KNOTS, 2, count * _AROUND)
    x = places.along / length + 0.10 * places.noise.low[:, 0]
    y = (places.across + 0.5) * (_AROUND - 1) + 0.12 * places.noise.low[:, 1]
    first_x, first_y = x.floor(), y.floor()
    step_y = tall / (_AROUND - 1)
    nearest, second = torch.full_like(x, 9.0), torch.full_like(x, 9.0)
    for over in (-1, 0, 1):
        for up in (-1, 0, 1):
            cell_x, cell_y = first_x + over, first_y + up
            index = (cell_x.long() + 2).clamp(0, count - 1) * _AROUND + cell_y.long().clamp(0, _AROUND - 1)
            spot_x, spot_y = pick(spots, index)
            dx = (x - cell_x - 0.5 - jitter * (spot_x - 0.5)) * length
            dy = (y - cell_y - 0.5 - jitter * (spot_y - 0.5)) * step_y
            far = torch.sqrt(dx * dx + dy * dy)
            second = torch.minimum(second, torch.maximum(nearest, far))
            nearest = torch.minimum(nearest, far)
    return _webbed(look, pattern, 0.5 * (second - nearest), torch.full_like(x, 0.0078), places)


def strands(look: dict[str, Tensor], animal_seeds: Tensor, pattern: Tensor, places: Places, style: Style) -> Tensor:
    """A web of two sets of slanting strands that run down the flanks and cross, here and there one missing."""
    rate, lean, other_rate, other_lean, curl = own(
        animal_seeds, _SALT_STRANDS, (9.0, 12.5), (0.3, 0.9), (7.0, 10.0), (0.5, 1.2), (0.35, 0.75)
    )
    low0, low1, low2 = places.noise.low.unbind(1)
    mid0, _, mid2 = places.noise.middle.unbind(1)
    down = places.across.abs()
    turn = 1.7 * torch.tanh(40 * places.v)  # the sides do not mirror each other
    first = torch.sin(rate * (places.along + lean * down) + curl * low0 + 0.25 * mid0 + turn).abs() / rate
    second = torch.sin(other_rate * (places.along - other_lean * down) + curl * low1 + 0.25 * mid2 + turn)
    first = first + 0.03 * ramp(-0.5, -0.8, low2)
    second = second.abs() / other_rate + 0.03 * ramp(0.1, 0.4, low2 + 0.5 * mid0)
    return _webbed(look, pattern, 0.55 * torch.minimum(first, second), torch.full_like(down, 0.0095), places)


def veins(look: dict[str, Tensor], animal_seeds: Tensor, pattern: Tensor, places: Places, style: Style) -> Tensor:
    """A web of veins, long ones that fork and short ones between them."""
    (fine,) = own(animal_seeds, _SALT_VEINS, (0.3, 0.8))
    size = tuple(places.along.shape[1:])
    large = noise_plane(animal_seeds, _SALT_VEINS + _KNOTS, 2, (34, 6), size)
    mid0, _, mid2 = places.noise.middle.unbind(1)
    main = (large[:, 0] + 0.15 * mid0).abs() * 0.062
    twig = (large[:, 1] + fine * places.noise.low[:, 0] + 0.15 * mid2).abs() * 0.078
    twig = twig + 0.026 * ramp(0.2, 0.6, large[:, 0].abs())  # only beside a long one
    return _webbed(look, pattern, torch.minimum(main, twig), torch.full_like(main, 0.0085), places)


# ---- a broad dark stripe along the spine ------------------------------------------------------------------------


def stepped_stripe(look: dict[str, Tensor], animal_seeds: Tensor, pattern: Tensor, places: Places, style: Style) -> Tensor:
    """A stripe that widens and narrows in steps, either side by itself, with spurs into the flank."""
    width, knots, sharp = own(animal_seeds, _SALT_STEPPED, (0.052, 0.066), (0.012, 0.026), (1.5, 4.0))
    left, right, spur, other = along_body(animal_seeds, _SALT_STEPPED, 4, 30, places)
    half = width + knots * torch.tanh(sharp * by_side(left, right, places))
    half = half + 0.070 * ramp(0.8, 1.7, by_side(spur, other, places)) + 0.006 * places.noise.middle[:, 2]
    return torch.minimum(pattern, places.across.abs() - half + (1 - look["dorsal_stripe"]) * 0.2)


def keyholes(look: dict[str, Tensor], animal_seeds: Tensor, pattern: Tensor, places: Places, style: Style) -> Tensor:
    """A stripe with pale slits and ovals along its middle."""
    width, hole, level = own(animal_seeds, _SALT_KEYHOLES, (0.070, 0.086), (0.026, 0.044), (-0.3, 0.6))
    holes, wide, sway = along_body(animal_seeds, _SALT_KEYHOLES, 3, 28, places)
    off = (places.across + 0.010 * sway + 0.006 * places.noise.middle[:, 1]).abs()
    less = (1 - look["dorsal_stripe"]) * 0.2
    holes = (hole + 0.06) * ramp(0.0, 0.9, holes - level) - 0.06 - off - less
    return torch.maximum(torch.minimum(pattern, off - width * (1 + 0.18 * wide) + less), holes)


def swaying_stripe(look: dict[str, Tensor], animal_seeds: Tensor, pattern: Tensor, places: Places, style: Style) -> Tensor:
    """A smooth stripe that sways, broad at the neck and narrow at the tail or the other way round, and breaks off here or there."""
    width, taper, swing = own(animal_seeds, _SALT_SWAYING, (0.056, 0.072), (-0.35, 0.6), (0.006, 0.022))
    sway, wide, breaks = along_body(animal_seeds, _SALT_SWAYING, 3, 14, places)
    half = width * (1 + taper * (0.5 - places.along / GIRTHS) + 0.10 * wide)
    half = half - 0.09 * ramp(1.5, 1.7, breaks) - (1 - look["dorsal_stripe"]) * 0.2
    off = (places.across + swing * sway).abs()
    return torch.minimum(pattern, off - half)


# ---- a pale stripe along the spine, edged dark ------------------------------------------------------------------


def _striped(look: dict[str, Tensor], pattern: Tensor, inside: Tensor, edge_half: Tensor, gap: float) -> Tensor:
    """The pattern with a stripe where `inside` > 0 and a dark line around it, `gap` from the edge to the line's middle."""
    edged = torch.minimum(pattern, (inside + gap).abs() - edge_half * look["pale_stripe"])
    return torch.maximum(edged, inside - (1 - look["pale_stripe"]) * 0.12)


def ribbon(look: dict[str, Tensor], animal_seeds: Tensor, pattern: Tensor, places: Places, style: Style) -> Tensor:
    """A stripe whose edges wander each by itself, the dark line along them thick and thin and here and there missing."""
    (swing,) = own(animal_seeds, _SALT_RIBBON, (0.006, 0.013))
    left, right, thick, other = along_body(animal_seeds, _SALT_RIBBON, 4, 30, places)
    half = plane(style.stripe) + (swing * by_side(left, right, places)).clamp(min=-0.022)
    line = 0.0155 * ramp(-1.2, 0.4, by_side(thick, other, places)) - 0.001
    return _striped(look, pattern, half - places.across.abs(), line, 0.015)


def chain(look: dict[str, Tensor], animal_seeds: Tensor, pattern: Tensor, places: Places, style: Style) -> Tensor:
    """A stripe with a neck and a swelling by turns, in a sharp even line."""
    rate, depth = own(animal_seeds, _SALT_CHAIN, (12.0, 26.0), (0.15, 0.42))
    uneven, drift = along_body(animal_seeds, _SALT_CHAIN, 2, 20, places)
    half = plane(style.stripe) * (1 + depth * torch.sin(rate * places.along + 1.2 * uneven))
    half = half + 0.003 * places.noise.low[:, 2]
    inside = half - (places.across + 0.004 * drift).abs()
    return _striped(look, pattern, inside, torch.full_like(inside, 0.0105), 0.0125)


def offset_stripe(look: dict[str, Tensor], animal_seeds: Tensor, pattern: Tensor, places: Places, style: Style) -> Tensor:
    """A stripe that sways from side to side and tapers, in two thin lines of which the outer comes and goes."""
    swing, taper = own(animal_seeds, _SALT_OFFSET, (0.008, 0.022), (-0.3, 0.5))
    sway, outer = along_body(animal_seeds, _SALT_OFFSET, 2, 16, places)
    half = plane(style.stripe) * (1 + taper * (0.5 - places.along / GIRTHS)) + 0.004 * places.noise.middle[:, 2]
    inside = half - (places.across + swing * sway).abs()
    edged = torch.minimum(pattern, (inside + 0.034).abs() - 0.006 * look["pale_stripe"] * ramp(-0.3, 0.6, outer))
    return _striped(look, edged, inside, torch.full_like(inside, 0.0085), 0.012)


# ---- blotches broken into rings ---------------------------------------------------------------------------------


def uneven_rings(look: dict[str, Tensor], animal_seeds: Tensor, blotch: Tensor, places: Places, style: Style) -> Tensor:
    """Rings near the rim or far inside, their line in strokes of uneven thickness."""
    (depth,) = own(animal_seeds, _SALT_UNEVEN, (0.022, 0.044))
    mid0, mid1, mid2 = places.noise.middle.unbind(1)
    half = 0.0142 * look["blotch_rings"] * ramp(-1.1, 0.6, mid2 + 0.5 * mid1)
    return torch.minimum(blotch, (blotch - depth - 0.006 * mid0).abs() - half)


def rosettes(look: dict[str, Tensor], animal_seeds: Tensor, blotch: Tensor, places: Places, style: Style) -> Tensor:
    """Rings of separate dark dabs, one beside the other."""
    depth, rate = own(animal_seeds, _SALT_ROSETTES, (0.028, 0.040), (46.0, 66.0))
    low0, low1, _ = places.noise.low.unbind(1)
    dabs = torch.sin(rate * places.along + 2.0 * low0) * torch.sin(rate * places.across + 2.0 * low1)
    half = 0.0215 * look["blotch_rings"] * ramp(-0.15, 0.55, dabs.abs() - 0.25)
    return torch.minimum(blotch, (blotch - depth).abs() - half)


def double_rings(look: dict[str, Tensor], animal_seeds: Tensor, blotch: Tensor, places: Places, style: Style) -> Tensor:
    """A whole thin ring near the rim and a broken one within it."""
    apart, beat = own(animal_seeds, _SALT_DOUBLE, (0.026, 0.036), (0.4, 1.0))
    mid0, low2 = places.noise.middle[:, 0], places.noise.low[:, 2]
    half = 0.0070 * look["blotch_rings"]
    outer = (blotch - 0.022).abs() - half * ramp(-1.3, -0.5, mid0)
    inner = (blotch - 0.022 - apart).abs() - half * ramp(-0.4, 0.3, mid0 + beat * low2)
    return torch.minimum(blotch, torch.minimum(outer, inner))


PINS = (free_pins, dashed_pins, twin_pins)
WEBS = (cracks, strands, veins)
DARK_STRIPES = (stepped_stripe, keyholes, swaying_stripe)
PALE_STRIPES = (ribbon, chain, offset_stripe)
RINGS = (uneven_rings, rosettes, double_rings)
