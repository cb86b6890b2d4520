"""The skin of an animal as a map in body coordinates.

Rows run from snout (s = 0) to tail tip (s = 1), columns around the body: v in -0.5..0.5, 0 on the spine, +-0.5 on the
belly midline. The pattern is a signed field, positive where pale, in units of mid-body girth: jittered blotches with
dark spots, marks on the spine, stripes and lines, all warped by band-limited noise. Colour is light reflected by a white
layer through melanin, xanthin and erythrin (Beer-Lambert law), linear RGB.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

import torch
import torch.nn.functional as F
from torch import Tensor

from triage.hatchery import draws
from triage.hatchery.body import GIRTHS, HEAD
from triage.hatchery.fields import noise_plane, smooth_step

CELLS = 64  # places in the tables of blotches and spinal marks
BROWN = (1.00, 1.17, 1.32)  # absorption of melanin in red, green, blue
LAVENDER = (0.72, 1.06, 0.74)  # the same where it stays unfinished
XANTHIN = (0.05, 0.27, 1.75)
ERYTHRIN = (0.12, 0.88, 1.12)
WHITE = (0.90, 0.875, 0.835)  # the reflecting layer
SHOWN = 0.02  # a stripe or line is drawn where its setting lies above

_SALT_LOW, _SALT_MIDDLE, _SALT_FINE, _SALT_BLOTCHES, _SALT_MARKS, _SALT_PIED, _SALT_HEAD, _SALT_CALICO = range(201, 209)


@dataclass(frozen=True)
class Style:
    """How a generator draws, apart from what genes do: jitter of blotches in their place, width and top; how far their
    middle is waisted and their foot flared; size and height of their spots; warping; roughness of edges; spacing of the
    marks on the spine, in girths; half width of stripes; checks along the belly, in radians per girth.

    Numbers, or tensors (B, 1) of one number an animal.
    """

    shift: float | Tensor = 0.13
    width: float | Tensor = 0.17
    top: float | Tensor = 0.024
    waist: float | Tensor = 0.42
    flare: float | Tensor = 0.55
    spot: float | Tensor = 0.30
    spot_height: float | Tensor = 0.40
    warp: float | Tensor = 1.0
    rough: float | Tensor = 1.0
    spacing: float | Tensor = 0.34
    stripe: float | Tensor = 0.046
    check: float | Tensor = 58.0


PLAIN = Style()


def plane(value: float | Tensor) -> float | Tensor:
    """A number of a `Style` ready for planes: (B, 1) becomes (B, 1, 1)."""
    return value[..., None] if isinstance(value, Tensor) else value


@dataclass(frozen=True)
class Noise:
    """Band-limited noise planes of an animal: low (B, 3, S, P), middle (B, 3, S, P), fine (B, 2, S, P)."""

    low: Tensor
    middle: Tensor
    fine: Tensor


def ramp(low: float | Tensor, high: float | Tensor, value: Tensor) -> Tensor:
    """Straight step from 0 at `low` to 1 at `high`: enough for edges a few pixels wide."""
    return ((value - low) / (high - low)).clamp(0, 1)


def chance(normal: Tensor) -> Tensor:
    return 0.5 * (1 + torch.erf(normal * 0.70711))


def skin_noise(animal_seeds: Tensor, size: tuple[int, int]) -> Noise:
    """Noise of each animal, at the resolution of the map."""

    low = noise_plane(animal_seeds, _SALT_LOW, 3, (34, 7), size)
    middle = draws.coarse_normal(animal_seeds, _SALT_MIDDLE, 3, 88, 17)
    middle = F.interpolate(F.interpolate(middle, (264, 51), mode="bicubic"), size, mode="bilinear")
    fine = F.interpolate(draws.coarse_normal(animal_seeds, _SALT_FINE, 2, 260, 50), size, mode="bilinear")
    return Noise(low, middle, fine)


def pick(table: Tensor, index: Tensor) -> tuple[Tensor, ...]:
    """table (B, C, K), index (B, S, P) -> C planes (B, S, P)."""
    batch, channels, _ = table.shape
    flat = index.reshape(batch, 1, -1).expand(-1, channels, -1)
    return torch.gather(table, 2, flat).reshape(batch, channels, *index.shape[1:]).unbind(1)


def blotches(
    look: dict[str, Tensor], animal_seeds: Tensor, along: Tensor, v: Tensor, height_v: Tensor, style: Style
) -> tuple[Tensor, Tensor]:
    """Signed fields of the lateral blotches and of the dark spots in them, (B, S, P) each."""
    spacing = 0.86 * GIRTHS / look["blotch_count"]  # (B, 1, 1)
    draw = draws.normal(animal_seeds, _SALT_BLOTCHES, 8, 2 * CELLS)
    gap, flat = spacing[:, 0], {name: value[:, 0] for name, value in look.items()}  # (B, 1) for the tables
    shift = (style.shift * draw[:, 0]).clamp(-0.4, 0.4)
    dropped = (chance(draw[:, 5]) < flat["dropped_columns"]).float()  # the dark column beside it is gone
    half = 0.5 * flat["blotch_width"] * gap * (1 + style.width * draw[:, 1]).clamp(0.5, 1.6) + dropped * gap * 0.55
    half = torch.minimum(half, (0.98 - shift.abs()) * gap)  # only the two nearest cells are looked at
    top = flat["blotch_top"] + style.top * draw[:, 2]
    spot = 0.5 * flat["blotch_width"].clamp(max=0.75) * gap
    has_spot = (chance(draw[:, 3]) < flat["blotch_eyes"]).float()
    upper = spot * (style.spot + 0.07 * draw[:, 4] + 0.10 * flat["single_eye"]) * has_spot - (1 - has_spot) * 0.5
    lower = spot * 0.22 * (chance(draw[:, 7]) < flat["blotch_eyes"] * 0.5).float()
    table = torch.stack([shift, half, top, upper, style.spot_height + 0.05 * draw[:, 6], torch.where(lower > 0, lower, lower - 0.5)], 1)

    apart = 0.5 * flat["blotch_width"].clamp(max=0.75)[..., None] * spacing * 0.50 * (1 - look["single_eye"])
    banded = look["banding"] > 0.5
    side = torch.where(banded, torch.zeros_like(v), (v > 0).float())
    place = along / spacing + side * 0.5
    first = (place - 0.5).floor()
    pale = torch.full_like(along, -1.0)
    dark = torch.full_like(along, -1.0)
    for step in (0, 1):
        cell = first + step
        index = (cell.long() + 2).clamp(0, CELLS - 1) + side.long() * CELLS
        shift_p, half_p, top_p, upper_p, spot_y, lower_p = pick(table, index)
        x = (place - (cell + 0.5 + shift_p)) * spacing
        distance = x.abs()
        tall = (look["belly_edge"] - top_p).clamp(min=0.05)
        y = (height_v - top_p) / tall
        # round at the top, waisted below the middle, flaring into the belly
        crown = (1 - (1 - y * 2.5).clamp(0, 1) ** 2).clamp(min=0).sqrt()
        waist = 1 - plane(style.waist) * smooth_step(0.4, 0.85, y) + plane(style.flare) * ramp(0.85, 1.15, y)
        field = torch.minimum(half_p * torch.where(y < 0.4, crown, waist) - distance, y * tall * 1.1)
        pale = torch.maximum(pale, field)
        eye = upper_p - torch.sqrt((distance - apart) ** 2 + ((y - spot_y) * tall * 0.85) ** 2)
        small = lower_p - torch.sqrt(x * x + ((y - 0.80) * tall) ** 2)
        dark = torch.maximum(dark, torch.maximum(eye, small))
    return pale, dark


def spinal_marks(
    look: dict[str, Tensor], animal_seeds: Tensor, along: Tensor, wavy_v: Tensor, style: Style
) -> tuple[Tensor, Tensor]:
    """Signed field of the pale marks on the spine, and the dark dots of a plain-bodied animal, (B, S, P) each."""
    draw = draws.normal(animal_seeds, _SALT_MARKS, 6, CELLS)
    flat = {name: value[:, 0] for name, value in look.items()}
    half_width = flat["dorsal_width"] * (1 + 0.33 * draw[:, 1]).clamp(0.35, 1.9)
    half_length = style.spacing * (0.20 + 0.14 * chance(draw[:, 2]) + 0.40 * flat["dorsal_length"]).clamp(min=0.05)
    missing = (chance(draw[:, 3]) >= flat["dorsal_share"]).float() * 0.5
    shown = torch.where(flat["dorsal_width"] > 0.004, half_width - missing, half_width - 2.0)
    dots = (0.012 + 0.005 * draw[:, 5]) * (flat["dorsal_dots"] > 0.05)
    table = torch.stack([(0.2 * draw[:, 0]).clamp(-0.45, 0.45), shown, half_length, 0.013 * draw[:, 4], dots], 1)
    place = along / plane(style.spacing)
    first = (place - 0.5).floor()
    pale = torch.full_like(along, -2.0)
    dark = torch.full_like(along, -2.0)
    for step in (0, 1):
        cell = first + step
        shift, width, length, offset, dot = pick(table, (cell.long() + 2).clamp(0, CELLS - 1))
        x = (place - (cell + 0.5 + shift)).abs() * plane(style.spacing)
        off = wavy_v + offset
        pale = torch.maximum(pale, width - torch.sqrt((x - length).clamp(min=0) ** 2 + off * off))
        dark = torch.maximum(dark, dot - torch.sqrt((x - length * 0.25).clamp(min=0) ** 2 + off * off * 1.4))
    return pale, dark


@dataclass(frozen=True)
class Places:
    """Where each texel lies, (B, S, P) in girths: `along` the body, and `across` it, 0 on the spine, both warped; `v` (1, 1, P)
    signed and unwarped; `noise` of the animal."""

    v: Tensor
    along: Tensor
    across: Tensor
    noise: Noise


def warp(
    look: dict[str, Tensor], animal_seeds: Tensor, s: Tensor, v: Tensor, noise: Noise, style: Style
) -> tuple[Tensor, Tensor]:
    """Distances along the body and across it, in girths, shaken by noise of two wavelengths; (B, S, P) each."""
    low0, low1, _ = noise.low.unbind(1)
    mid0, mid1, _ = noise.middle.unbind(1)
    amount = look["irregularity"] * plane(style.warp)
    return s * GIRTHS + amount * (0.026 * low0 + 0.008 * mid0), v + amount * (0.016 * low1 + 0.006 * mid1)


def roughness(look: dict[str, Tensor], animal_seeds: Tensor, places: Places, style: Style) -> Tensor:
    """What is added to the pattern to roughen its edges, in girths."""
    return (0.0014 * places.noise.fine[:, 0] + 0.0025 * places.noise.middle[:, 2]) * plane(style.rough)


def blotch_rings(look: dict[str, Tensor], animal_seeds: Tensor, blotch: Tensor, places: Places, style: Style) -> Tensor:
    """Blotches broken into rings: a dark line inside the rim, interrupted by noise."""
    mid0, low2 = places.noise.middle[:, 0], places.noise.low[:, 2]
    ring = (blotch - 0.034).abs() - 0.013 * look["blotch_rings"] * ramp(-0.6, 0.2, mid0 + 0.5 * low2)
    return torch.minimum(blotch, ring)


def pale_stripe(look: dict[str, Tensor], animal_seeds: Tensor, pattern: Tensor, places: Places, style: Style) -> Tensor:
    """A whole pale stripe along the spine between two dark lines."""
    away = (places.across + 0.006 * places.noise.middle[:, 1]).abs()
    half = plane(style.stripe) + 0.010 * places.noise.low[:, 2]
    edge_line = (away - half - 0.016).abs() - 0.011 * look["pale_stripe"]
    return torch.maximum(torch.minimum(pattern, edge_line), (half - away) - (1 - look["pale_stripe"]) * 0.12)


def web_lines(look: dict[str, Tensor], animal_seeds: Tensor, pattern: Tensor, places: Places, style: Style) -> Tensor:
    """A web of thin dark lines, where a noise and a wave along the body cancel."""
    low0, _, low2 = places.noise.low.unbind(1)
    mid0, mid1, _ = places.noise.middle.unbind(1)
    web = 0.0070 + 0.0035 * mid1 - 0.05 * ramp(0.25, 0.32, places.across.abs())
    web = web - 0.042 * (low2 + 0.30 * mid0 + 0.35 * torch.sin(places.along * 20.944 + 3 * low0)).abs()
    return torch.minimum(pattern, (1 - look["web_lines"]) * 0.008 - web)


def dorsal_stripe(look: dict[str, Tensor], animal_seeds: Tensor, pattern: Tensor, places: Places, style: Style) -> Tensor:
    """A broad dark stripe along the spine."""
    half = 0.062 + 0.024 * places.noise.low[:, 2]
    broad = half - (places.across + 0.012 * places.noise.middle[:, 1]).abs() - (1 - look["dorsal_stripe"]) * 0.2
    return torch.minimum(pattern, -broad)


def pin_lines(look: dict[str, Tensor], animal_seeds: Tensor, pattern: Tensor, places: Places, style: Style) -> Tensor:
    """A pair of thin dark lines beside the spine."""
    _, low1, low2 = places.noise.low.unbind(1)
    _, mid1, mid2 = places.noise.middle.unbind(1)
    line_at = (places.v + 0.014 * low1 + 0.007 * mid1).abs() - (0.088 + 0.010 * low2)
    line = (0.0085 + 0.003 * mid2).clamp(min=0.001) * look["pin_lines"] - line_at.abs()
    return torch.minimum(pattern, -line)


def speckle(look: dict[str, Tensor], animal_seeds: Tensor, places: Places) -> Tensor:
    """Where dark specks of the flank may lie, 0..1."""
    return ramp(0.75, 1.2, places.noise.fine[:, 1] + 0.6 * places.noise.middle[:, 0])


def belly_marks(
    look: dict[str, Tensor], animal_seeds: Tensor, places: Places, rate: float | Tensor
) -> tuple[Tensor, Tensor, Tensor]:
    """Checks along the belly edge, 0..1, at `rate` radians a girth; fringe of that edge, in girths; dark track down the belly,
    0..1, as far as `belly_tracks` has it. (B, S, P) each."""
    low0, low1, _ = places.noise.low.unbind(1)
    mid0, _, mid2 = places.noise.middle.unbind(1)
    checks = ramp(0.15, 0.55, torch.sin(places.along * rate + 2.2 * low0 + 1.5 * torch.sign(places.v)) + 0.55 * mid2)
    track = ramp(0.016, 0.008, (places.v.abs() - 0.405 - 0.012 * low1).abs())
    track = track * look["belly_tracks"] * ramp(-0.4, 0.4, mid0 + 0.6)
    return checks, 0.007 * places.noise.fine[:, 1], track


def mottle(look: dict[str, Tensor], animal_seeds: Tensor, places: Places) -> Tensor:
    """Logarithm of how unevenly pigment lies."""
    noise = places.noise
    return 0.10 * noise.middle[:, 2] + 0.07 * noise.fine[:, 1] + 0.08 * noise.low[:, 0]


def freckles(look: dict[str, Tensor], animal_seeds: Tensor, places: Places) -> Tensor:
    """Small dark freckles, 0..1."""
    noise = places.noise.fine[:, 0] + 0.35 * places.noise.middle[:, 0]
    return ramp(1.55, 1.75, noise + 0.9 * look["freckles"]) * (look["freckles"] > 0.01)


@dataclass(frozen=True)
class Head:
    """Proportions of the head's pattern, numbers or (B, 1, 1): width of the crown mark and of the split crown, as a share of the
    plain ones; how much wider the band through the eye is, and how much higher it and the teardrop lie, in girths; how much
    further forward the crown's spots lie, as a factor."""

    crown: float | Tensor = 1.0
    narrow: float | Tensor = 1.0
    mask: float | Tensor = 0.0
    shift: float | Tensor = 0.0
    spots: float | Tensor = 1.0


@dataclass(frozen=True)
class WhiteEdge:
    """Edge of skin without pigment, numbers or (B, 1, 1): how far it follows the low and the middle noise, how soft it is, how
    much easier white lies low; the same of calico patches; `teeth`: how far both follow the fine noise."""

    low: float | Tensor = 0.26
    middle: float | Tensor = 0.12
    soft: float | Tensor = 0.05
    climb: float | Tensor = 0.5
    patch_middle: float | Tensor = 0.4
    patch_soft: float | Tensor = 0.10
    teeth: Tensor | None = None


@dataclass(frozen=True)
class Textures:
    """What is drawn on top of the pattern: a function, or the numbers, of each."""

    speckle: Callable[..., Tensor] = speckle
    belly_marks: Callable[..., tuple[Tensor, Tensor, Tensor]] = belly_marks
    mottle: Callable[..., Tensor] = mottle
    freckles: Callable[..., Tensor] = freckles
    head: Head = field(default_factory=Head)
    white_edge: WhiteEdge = field(default_factory=WhiteEdge)


@dataclass(frozen=True)
class Elements:
    """The function that draws each element of the pattern; one that replaces another takes and returns the same."""

    warp: Callable[..., tuple[Tensor, Tensor]] = warp
    roughness: Callable[..., Tensor] = roughness
    blotches: Callable[..., tuple[Tensor, Tensor]] = blotches
    marks: Callable[..., tuple[Tensor, Tensor]] = spinal_marks
    blotch_rings: Callable[..., Tensor] = blotch_rings
    pale_stripe: Callable[..., Tensor] = pale_stripe
    web_lines: Callable[..., Tensor] = web_lines
    dorsal_stripe: Callable[..., Tensor] = dorsal_stripe
    pin_lines: Callable[..., Tensor] = pin_lines
    textures: Textures = field(default_factory=Textures)

    def stroke(self, name: str, look: dict[str, Tensor], animal_seeds: Tensor, pattern: Tensor, *given) -> Tensor:
        """The pattern with the element `name` where its setting is above `SHOWN`, as it was elsewhere."""
        return torch.where(look[name] > SHOWN, getattr(self, name)(look, animal_seeds, pattern, *given), pattern)


@dataclass(frozen=True)
class Markings:
    """(B, S, P): `pattern`, signed, positive where pale, in girths; `dots`, positive on dark spinal dots; `along`, warped
    distance along the body, and `height`, warped distance from the spine around the body, both in girths. `check`: rate of
    the checks along the belly, radians per girth; `textures`: how what lies on the pattern is drawn."""

    pattern: Tensor
    dots: Tensor
    along: Tensor
    height: Tensor
    check: float | Tensor = PLAIN.check
    textures: Textures = field(default_factory=Textures)


def lateral_blotches(
    q: dict[str, Tensor],
    animal_seeds: Tensor,
    v: Tensor,
    noise: Noise,
    style: Style = PLAIN,
    elements: Elements | None = None,
) -> Markings:
    """The training domain's generator: jittered blotches down each side and marks along the spine.

    `elements` says how each element is drawn; None means the functions of this module.
    """
    elements = elements or Elements()
    rows = noise.low.shape[2]
    s = ((torch.arange(rows, device=v.device) + 0.5) / rows).view(1, rows, 1)
    along, across = elements.warp(q, animal_seeds, s, v, noise, style)
    height = across.abs()
    given = (Places(v, along, across, noise), style)
    blotch, spots = elements.blotches(q, animal_seeds, along, v, height, style)
    marks, dots = elements.marks(q, animal_seeds, along, across + 0.005 * noise.middle[:, 1], style)
    blotch = elements.stroke("blotch_rings", q, animal_seeds, blotch, *given)
    pattern = torch.maximum(blotch, marks) + q["reduction"]
    pattern = torch.minimum(pattern, -spots) + elements.roughness(q, animal_seeds, *given)
    for name in ("pale_stripe", "web_lines", "dorsal_stripe", "pin_lines"):
        pattern = elements.stroke(name, q, animal_seeds, pattern, *given)
    return Markings(pattern, dots, along, height, plane(style.check), elements.textures)


def make_skin(
    look: dict[str, Tensor],
    animal_seeds: Tensor,
    size: tuple[int, int],
    draw_markings: Callable[[dict[str, Tensor], Tensor, Tensor, Noise], Markings] | None = None,
    reflect: Callable[[Tensor, Tensor, Tensor, Tensor, Tensor], Tensor] | None = None,
) -> Tensor:
    """Reflectance (B, 3, S, P), linear RGB, of animals whose settings `look` come from `express`.

    `draw_markings(q, animal_seeds, v, noise)` and `reflect(melanin, xanthin, erythrin, lavender, animal_seeds)` replace the pattern
    generator and the mixing of pigments; None means `lateral_blotches` and `beer_lambert`.
    """
    rows, columns = size
    device, batch = animal_seeds.device, len(animal_seeds)
    q = {name: value.view(batch, 1, 1) for name, value in look.items()}
    s = ((torch.arange(rows, device=device) + 0.5) / rows).view(1, rows, 1)
    v = ((torch.arange(columns, device=device) + 0.5) / columns - 0.5).view(1, 1, columns)
    va = v.abs()
    noise = skin_noise(animal_seeds, size)
    low0, low1, low2 = noise.low.unbind(1)
    mid0, mid1, _ = noise.middle.unbind(1)
    markings = (draw_markings or lateral_blotches)(q, animal_seeds, v, noise)
    pattern, dots, height, textures = markings.pattern, markings.dots, markings.height, markings.textures
    places = Places(v, markings.along, height, noise)

    pale = smooth_step(-1.0, 1.0, pattern / q["edge_softness"]) * (1 - q["blotch_fill"])
    core = smooth_step(0.0, 0.055, pattern)  # 0 at the rim of a blotch, 1 inside
    deep = smooth_step(0.0, 0.050, -pattern)  # 0 at the rim of the ground, 1 inside
    deep = deep + (0.8 - deep) * q["blotch_fill"] * 0.85  # drowned blotches leave no outline

    # ---- pigments ------------------------------------------------------------------------------------------------
    low_flank = smooth_step(0.10, 0.31, va)  # (1, 1, P)
    paling = q["flank_paling"] * low_flank
    blotch_m = q["blotch_melanin"] * (1 - q["halo"] * (1 - core)) * (1 + 0.35 * core) * (1 - 0.75 * paling)
    blotch_x = q["blotch_xanthin"] * (1 - 0.35 * q["halo"] * (1 - core)) * (1 - paling)
    blotch_e = q["blotch_erythrin"] * (0.75 + 0.45 * core) * (1 - paling)
    haze = q["blush"] * deep * (0.75 + 0.35 * low2).clamp(0, 1.3) * (1 - 0.6 * smooth_step(0.10, 0.24, va))
    ground_m = q["ground_melanin"] * (1 + q["rim"] * (1 - deep)) * torch.exp(-2.3 * haze) * (1 - 0.25 * low_flank)
    loss = q["contrast_loss"]
    ground_m = ground_m * (1 - loss) + blotch_m * 1.1 * loss
    ground_x = q["ground_xanthin"] * (1 - 0.5 * haze) * (1 - loss) + blotch_x * loss
    ground_e = q["ground_erythrin"] * (1 - 0.4 * haze) * (1 - loss) + blotch_e * loss
    melanin = ground_m + (blotch_m - ground_m) * pale
    xanthin = ground_x + (blotch_x - ground_x) * pale
    erythrin = ground_e + (blotch_e - ground_e) * pale
    dark_level = q["ground_melanin"] * 0.8 * (1 - loss * 0.7)
    speck = textures.speckle(q, animal_seeds, places) * smooth_step(0.17, 0.25, va) * q["flank_speckle"]
    melanin = melanin + (dark_level - melanin).clamp(min=0) * speck
    melanin = melanin + (q["ground_melanin"] * 0.55 - melanin).clamp(min=0) * ramp(-0.008, 0.008, dots) * q["dorsal_dots"]

    # ---- belly: white, its edge checked or scalloped --------------------------------------------------------------
    checks, fringe, track = textures.belly_marks(q, animal_seeds, places, markings.check)
    edge = q["belly_edge"] + fringe * (1 + 2 * q["flank_speckle"]) + 0.012 * q["belly_checks"] * (checks - 0.5)
    belly = smooth_step(-0.022, 0.022, height - edge)
    near_edge = ramp(0.060, 0.030, (va - q["belly_edge"] - 0.03).abs())
    stain = near_edge * checks * q["belly_checks"] * 0.55
    stain = torch.maximum(stain, track) * q["ground_melanin"] * 0.45
    melanin = melanin * (1 - 0.97 * belly) + belly * stain
    xanthin = xanthin * (1 - 0.88 * belly)
    erythrin = erythrin * (1 - 0.92 * belly)

    melanin, xanthin, erythrin = _head(q, animal_seeds, s, v, (low2, mid0, mid1), (melanin, xanthin, erythrin), textures.head)

    # ---- the whole animal ----------------------------------------------------------------------------------------
    hood = q["head_dark"] * smooth_step(0.19, 0.07, s + 0.012 * low1) * (1 - belly)
    melanin = melanin + (q["ground_melanin"] * 1.15 - melanin).clamp(min=0) * hood
    uneven = torch.exp(textures.mottle(q, animal_seeds, places))
    keep = 1 - q["leucism"]
    # white animals are not paint: faint cream and a pink bloom of blood under thin skin
    cream = q["leucism"] * (0.022 * (1 + low0).clamp(min=0) + 0.012)
    bloom = q["leucism"] * (0.035 + 0.020 * low2 + 0.030 * belly)
    glow = q["dorsal_glow"] * smooth_step(0.045, 0.012, height) * ramp(0.06, 0.12, s) * q["leucism"].clamp(min=0.3)
    melanin = melanin * q["melanin"] * uneven * keep
    melanin = melanin + 0.40 * q["head_wash"] * q["leucism"] * smooth_step(0.085, 0.05, s)
    xanthin = xanthin * q["xanthin"] * uneven * keep + cream + 0.55 * glow
    erythrin = erythrin * q["erythrin"] * uneven * keep + bloom
    melanin = melanin + textures.freckles(q, animal_seeds, places) * 1.7 * (1 - belly) * keep
    bare = _unpigmented(q, animal_seeds, s, va, noise, size, textures.white_edge)
    melanin, xanthin, erythrin = melanin * bare, xanthin * bare, erythrin * bare

    return (reflect or beer_lambert)(melanin, xanthin, erythrin, q["lavender"], animal_seeds)


def beer_lambert(
    melanin: Tensor, xanthin: Tensor, erythrin: Tensor, lavender: Tensor, animal_seeds: Tensor | None = None
) -> Tensor:
    """Light that crosses the pigments and comes back: white * exp(-sum of depths), (B, 3, S, P)."""
    planes = []
    for channel in range(3):
        depth = melanin * (BROWN[channel] + (LAVENDER[channel] - BROWN[channel]) * lavender)
        depth = depth + xanthin * XANTHIN[channel] + erythrin * ERYTHRIN[channel]
        planes.append(WHITE[channel] * torch.exp(-depth.clamp(min=0)))
    return torch.stack(planes, 1)


def _head(q, animal_seeds: Tensor, s: Tensor, v: Tensor, noise, pigments, shape: Head):
    """Blend the head's own pattern over the front of the map."""
    low2, mid0, mid1 = noise
    melanin, xanthin, erythrin = pigments
    rows = max(1, int(melanin.shape[1] * HEAD * 1.45))  # the head's rows only
    cut = slice(0, rows)
    s, low2, mid0, mid1 = s[:, cut], low2[:, cut], mid0[:, cut], mid1[:, cut]
    place = s / HEAD
    va = v.abs()
    blend = smooth_step(1.25, 0.95, place + 0.05 * mid0)
    draw = draws.normal(animal_seeds, _SALT_HEAD, 6)[..., None, None]  # (B, 6, 1, 1)
    across = va + 0.012 * low2 * smooth_step(0.2, 0.6, place)
    crown = smooth_step(0.125, 0.100, across / shape.crown - 0.03 * smooth_step(0.35, 0.9, place))
    at_eye = across + shape.shift
    mask = smooth_step(0.165, 0.185, at_eye - 0.03 * smooth_step(0.3, 1.0, place))
    mask = mask * smooth_step(0.262, 0.245, at_eye - shape.mask) * smooth_step(0.05, 0.25, place)  # dark band through the eye
    # clown: the crown splits to a narrow mark, the mask shrinks to a teardrop below the eye
    mark = q["head_mark"]
    narrow = smooth_step(0.062, 0.040, across / shape.narrow - 0.030 * smooth_step(0.55, 1.0, place)) * smooth_step(0.25, 0.40, place)
    crown = crown + (narrow - crown) * mark
    tear_across = (across + shape.shift - 0.150 - 0.115 * ramp(0.30, 0.62, place)).abs()
    tear = smooth_step(0.030, 0.016, tear_across) * smooth_step(0.26, 0.32, place) * smooth_step(0.70, 0.60, place)
    mask = mask + (tear - mask) * mark
    dark = torch.maximum(crown * (1 - 0.35 * smooth_step(0.28, 0.12, place)), mask)
    spot_x, spot_v = (place * shape.spots - 0.62 - 0.05 * draw[:, 0]) * 0.32, va - 0.030 - 0.008 * draw[:, 1]
    spot = smooth_step(0.035, 0.018, torch.sqrt(spot_x * spot_x + spot_v * spot_v)) * 0.55
    dark = dark * (1 - spot * (0.3 + 0.7 * q["head_fade"]))
    nose_x, nose_v = (place - 0.17 - 0.02 * draw[:, 2]) * 0.30, va - 0.060
    nose = smooth_step(0.040, 0.022, torch.sqrt(nose_x * nose_x + nose_v * nose_v))
    dark = dark * (1 - nose * q["nose_spots"])
    crown_m = q["ground_melanin"] * 0.92 * torch.exp(-1.9 * q["head_fade"] * (0.7 + 0.3 * mid1.clamp(-1, 1)))
    crown_m = crown_m * (1 - 0.55 * q["contrast_loss"]) + q["blotch_melanin"] * 0.55 * q["contrast_loss"]
    lip = 1 - 0.9 * smooth_step(0.245, 0.275, across)
    head_m = (dark * crown_m + (1 - dark) * q["blotch_melanin"] * 0.70) * lip
    head_x = (dark * q["ground_xanthin"] + (1 - dark) * q["blotch_xanthin"] * 0.75) * lip
    head_e = (dark * q["ground_erythrin"] + (1 - dark) * q["blotch_erythrin"] * 0.75) * lip
    result = []
    for body, head in ((melanin, head_m), (xanthin, head_x), (erythrin, head_e)):
        front = body[:, cut]
        result.append(torch.cat([front + (head - front) * blend, body[:, rows:]], 1))
    return result


def _unpigmented(q, animal_seeds: Tensor, s: Tensor, va: Tensor, noise: Noise, size: tuple[int, int], edge: WhiteEdge) -> Tensor:
    """1 where pigment cells are, 0 in piebald stretches and calico patches; soft-edged (B, S, P)."""
    low0, low1, _ = noise.low.unbind(1)
    mid0 = noise.middle[:, 0]
    stretches = draws.normal(animal_seeds, _SALT_PIED, 1, 11, 1)
    stretches = F.interpolate(stretches, (size[0], 1), mode="bicubic", align_corners=False)[:, 0]
    land = stretches + edge.low * low0 + edge.middle * mid0 - edge.climb * smooth_step(0.26, 0.36, va)  # white climbs from below
    level = torch.erfinv(2 * q["unpigmented"].clamp(0.001, 0.999) - 1) * 1.1
    if edge.teeth is not None:
        land = land + edge.teeth * noise.fine[:, 0]
    pied = ramp(edge.soft, -edge.soft, land - level) * (q["unpigmented"] > 0.01) * smooth_step(0.085, 0.12, s + 0.01 * low1)
    patches = noise_plane(animal_seeds, _SALT_CALICO, 1, (40, 9), size)[:, 0]
    climb = patches + edge.patch_middle * mid0 + 9.0 * (va - 0.30) + 2.2 * (q["flank_white"] - 0.5)
    if edge.teeth is not None:
        climb = climb + edge.teeth * noise.fine[:, 1]
    calico = ramp(-edge.patch_soft, edge.patch_soft, climb) * (q["flank_white"] > 0.01) * ramp(0.07, 0.11, s) * smooth_step(0.10, 0.16, va)
    return (1 - pied) * (1 - calico)
