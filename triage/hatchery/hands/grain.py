"""Further ways to warp a pattern, to roughen its edges and to lay what is fine-grained on it, for the varied domain.

Each takes and returns what the plain way in `triage.hatchery.skin` does, keeps to the settings (how much of it) and takes
from `Style` how strong warping and roughness are. Numbers of the head and of white edges are drawn per animal.
"""

import torch
from torch import Tensor

from triage.hatchery.body import GIRTHS
from triage.hatchery.hands.tables import own
from triage.hatchery.skin import Head, Noise, Places, Style, WhiteEdge, plane, ramp

_SALT_DRIFT, _SALT_SCALLOPS, _SALT_BLOTS, _SALT_HEAD, _SALT_WHITE, _SALT_MOTTLE = range(1631, 1637)
_SCALE = 0.030  # spacing of scales on the flank, in girths


# ---- warping ----------------------------------------------------------------------------------------------------


def ridged(
    look: dict[str, Tensor], animal_seeds: Tensor, s: Tensor, v: Tensor, noise: Noise, style: Style
) -> tuple[Tensor, Tensor]:
    """Folds: the pattern bends one way and sharply back."""
    low0, low1, _ = noise.low.unbind(1)
    amount = look["irregularity"] * plane(style.warp)
    return s * GIRTHS + amount * 0.042 * (low0.abs() - 0.6), v + amount * 0.026 * (low1.abs() - 0.6)


def jolts(
    look: dict[str, Tensor], animal_seeds: Tensor, s: Tensor, v: Tensor, noise: Noise, style: Style
) -> tuple[Tensor, Tensor]:
    """Steps: stretches of skin that lie shifted against each other."""
    low0, low1, _ = noise.low.unbind(1)
    amount = look["irregularity"] * plane(style.warp)
    return s * GIRTHS + amount * 0.022 * torch.tanh(3.0 * low0), v + amount * 0.013 * torch.tanh(3.0 * low1)


def shivers(
    look: dict[str, Tensor], animal_seeds: Tensor, s: Tensor, v: Tensor, noise: Noise, style: Style
) -> tuple[Tensor, Tensor]:
    """Short waves alone."""
    mid0, mid1, _ = noise.middle.unbind(1)
    amount = look["irregularity"] * plane(style.warp)
    return s * GIRTHS + amount * 0.016 * mid0, v + amount * 0.011 * mid1


def drift(
    look: dict[str, Tensor], animal_seeds: Tensor, s: Tensor, v: Tensor, noise: Noise, style: Style
) -> tuple[Tensor, Tensor]:
    """The whole pattern crowds and stretches along the body, and leans; a little short-waved noise."""
    (lean,) = own(animal_seeds, _SALT_DRIFT, (-0.10, 0.10))
    low0, low1, _ = noise.low.unbind(1)
    amount = look["irregularity"] * plane(style.warp)
    long = torch.sin(5.0 * s + 40.0 * lean) + torch.sin(11.0 * s - 60.0 * lean)
    along = s * GIRTHS + amount * (0.045 * long + lean * v.abs() + 0.012 * low0)
    return along, v + amount * (0.010 * low1 + 0.005 * noise.middle[:, 1])


# ---- edges ------------------------------------------------------------------------------------------------------


def scaled_edges(look: dict[str, Tensor], animal_seeds: Tensor, places: Places, style: Style) -> Tensor:
    """Edges that follow the scales in places: small teeth on a slanting lattice."""
    turn = torch.pi / _SCALE
    u, w = places.along * turn, places.v.abs() * turn
    teeth = torch.sin(u + w) * torch.sin(u - w) * (0.5 + 0.7 * places.noise.middle[:, 0]).clamp(0, 1.2)
    return (0.0048 * teeth + 0.0010 * places.noise.middle[:, 2]) * plane(style.rough)


def blunt_edges(look: dict[str, Tensor], animal_seeds: Tensor, places: Places, style: Style) -> Tensor:
    """Edges in wider waves, without teeth."""
    return (0.0038 * places.noise.middle[:, 0] + 0.0012 * places.noise.middle[:, 2]) * plane(style.rough)


def nibbled_edges(look: dict[str, Tensor], animal_seeds: Tensor, places: Places, style: Style) -> Tensor:
    """Edges nibbled from both sides in few places and clean between."""
    bite = places.noise.fine[:, 0] * ramp(0.2, 0.9, places.noise.middle[:, 1].abs())
    return 0.0040 * bite * plane(style.rough)


# ---- specks and freckles ----------------------------------------------------------------------------------------


def dab_speckle(look: dict[str, Tensor], animal_seeds: Tensor, places: Places) -> Tensor:
    """Larger specks with soft edges."""
    return ramp(0.62, 1.15, places.noise.middle[:, 2] + 0.35 * places.noise.fine[:, 1])


def scale_speckle(look: dict[str, Tensor], animal_seeds: Tensor, places: Places) -> Tensor:
    """Single dark scales, crowded in places."""
    turn = torch.pi / _SCALE
    u, w = places.along * turn, places.v.abs() * turn
    scale = torch.sin(u + w) * torch.sin(u - w) + 0.15 * places.noise.fine[:, 0]
    return ramp(0.30, 0.60, scale) * ramp(-0.25, 0.35, places.noise.fine[:, 1] + 0.8 * places.noise.middle[:, 1])


def soft_freckles(look: dict[str, Tensor], animal_seeds: Tensor, places: Places) -> Tensor:
    """Freckles of uneven size that lie in flocks."""
    noise = places.noise.fine[:, 0] + 0.35 * places.noise.low[:, 1]
    return ramp(1.35, 1.85, noise + 0.9 * look["freckles"]) * (look["freckles"] > 0.01)


def large_freckles(look: dict[str, Tensor], animal_seeds: Tensor, places: Places) -> Tensor:
    """Fewer and larger freckles."""
    noise = 0.8 * places.noise.middle[:, 0] + 0.6 * places.noise.fine[:, 1]
    return ramp(1.65, 1.80, noise + 0.9 * look["freckles"]) * (look["freckles"] > 0.01)


def streaky(look: dict[str, Tensor], animal_seeds: Tensor, places: Places) -> Tensor:
    """Pigment uneven in streaks along the body."""
    (rate,) = own(animal_seeds, _SALT_MOTTLE, (18.0, 40.0))
    low0, low1, _ = places.noise.low.unbind(1)
    return 0.11 * torch.sin(rate * places.v + 2.5 * low1) + 0.06 * places.noise.middle[:, 2] + 0.05 * low0


def grainy(look: dict[str, Tensor], animal_seeds: Tensor, places: Places) -> Tensor:
    """Pigment uneven from scale to scale."""
    return 0.15 * places.noise.fine[:, 0] + 0.04 * places.noise.middle[:, 1]


def cloudy(look: dict[str, Tensor], animal_seeds: Tensor, places: Places) -> Tensor:
    """Pigment uneven in soft clouds."""
    return 0.13 * places.noise.low[:, 2] + 0.05 * places.noise.middle[:, 0]


# ---- belly ------------------------------------------------------------------------------------------------------


def _track(look: dict[str, Tensor], places: Places, at: Tensor, present: Tensor) -> Tensor:
    return ramp(0.016, 0.008, (places.v.abs() - at).abs()) * look["belly_tracks"] * present


def scallops(
    look: dict[str, Tensor], animal_seeds: Tensor, places: Places, rate: float | Tensor
) -> tuple[Tensor, Tensor, Tensor]:
    """Round scallops instead of checks, a clean edge, a track that wanders."""
    at, phase = own(animal_seeds, _SALT_SCALLOPS, (0.395, 0.415), (0.5, 2.5))
    low0, _, low2 = places.noise.low.unbind(1)
    arch = 1 - torch.sin(0.5 * rate * places.along + 1.1 * low0 + phase * torch.sign(places.v)).abs()
    checks = ramp(0.20, 0.60, arch + 0.12 * places.noise.middle[:, 2])
    track = _track(look, places, at + 0.016 * places.noise.middle[:, 1], ramp(-0.5, 0.3, low2 + 0.5))
    return checks, 0.004 * places.noise.middle[:, 2], track


def blots(
    look: dict[str, Tensor], animal_seeds: Tensor, places: Places, rate: float | Tensor
) -> tuple[Tensor, Tensor, Tensor]:
    """Blots of any size instead of checks, a ragged edge, a track in dashes."""
    at, size = own(animal_seeds, _SALT_BLOTS, (0.398, 0.412), (0.3, 0.8))
    low0, _, low2 = places.noise.low.unbind(1)
    mid0, mid1, mid2 = places.noise.middle.unbind(1)
    checks = ramp(0.0, 0.45, mid1 + size * low0 - 0.05)
    track = _track(look, places, at + 0.008 * low2, ramp(-0.5, 0.1, mid0 + 0.3))
    return checks, 0.006 * places.noise.fine[:, 1] + 0.005 * mid2, track


def own_head(animal_seeds: Tensor) -> Head:
    """Proportions of an animal's own."""
    crown, narrow, mask, shift, spots = own(
        animal_seeds, _SALT_HEAD, (0.88, 1.12), (0.85, 1.2), (-0.008, 0.010), (-0.008, 0.008), (0.90, 1.12)
    )
    return Head(crown, narrow, mask, shift, spots)


def own_white_edge(animal_seeds: Tensor) -> WhiteEdge:
    """Edges of an animal's own: smooth or torn, sharp or soft."""
    low, middle, soft, climb, patch_middle, patch_soft, teeth = own(
        animal_seeds, _SALT_WHITE, (0.08, 0.42), (0.0, 0.22), (0.02, 0.12), (0.2, 0.8), (0.1, 0.7), (0.04, 0.22),
        (-0.06, 0.08),
    )  # fmt: skip
    return WhiteEdge(low, middle, soft, climb, patch_middle, patch_soft, teeth.clamp(min=0))


WARPS = (ridged, jolts, shivers, drift)
EDGES = (scaled_edges, blunt_edges, nibbled_edges)
SPECKLES = (dab_speckle, scale_speckle)
FRECKLES = (soft_freckles, large_freckles)
MOTTLES = (streaky, grainy, cloudy)
BELLIES = (scallops, blots)
