"""Four further laws by which pigments take their share of the light, for the varied domain.

`cover`: cells lie side by side and white shines between them; `layers`: a layer that scatters blue lies below the yellow and above
the dark; `spectra`: absorption in seven bands of the spectrum; `crowded`: pigment that shades itself, whose darkest is a brown.
Each takes pigments as optical depths (B, S, P) and `lavender` (B, 1, 1), as `triage.hatchery.skin.beer_lambert` does, and gives
reflectance (B, 3, S, P), linear RGB, within 0..1. More pigment is never lighter, and at depth 1 all are about equally dark.
"""

import torch
from torch import Tensor

from triage.hatchery import draws
from triage.hatchery.hands.tables import own
from triage.hatchery.skin import BROWN, ERYTHRIN, LAVENDER, WHITE, XANTHIN

_SALT_ABSORPTION, _SALT_COVER, _SALT_LAYERS, _SALT_SPECTRA, _SALT_CROWDED = range(1741, 1746)
_CAST = (0.35, 0.60, 1.00)  # how much of each channel a layer of fine crystals scatters, over blue
_DEEPEST = (3.7, 4.1, 4.5)  # optical depth at which crowded pigment levels off
#: Absorption in seven bands of equal width from 420 to 660 nm; at depth 1 the channels are about those of the other laws.
_BANDS = {
    "melanin": (1.40, 1.32, 1.25, 1.18, 1.11, 1.03, 0.97),
    "lilac": (0.70, 0.72, 0.92, 1.18, 1.04, 0.72, 0.66),
    "xanthin": (2.20, 2.00, 0.90, 0.20, 0.09, 0.05, 0.03),
    "erythrin": (1.05, 1.15, 1.20, 1.10, 0.62, 0.13, 0.04),
}
#: Share of each band in red, green and blue: none is negative, so that no channel gains by more pigment.
_SENSES = (
    (0.00, 0.00, 0.00, 0.00, 0.12, 0.50, 0.38), (0.00, 0.00, 0.15, 0.50, 0.30, 0.05, 0.00), (0.42, 0.48, 0.10, 0.00, 0.00, 0.00, 0.00),
)  # fmt: skip


def _own_absorption(animal_seeds: Tensor, lavender: Tensor) -> tuple[tuple[Tensor, Tensor, Tensor], ...]:
    """Absorption of dark pigment, xanthin and erythrin in red, green and blue, the animal's own; (B, 1, 1) each."""
    z = draws.normal(animal_seeds, _SALT_ABSORPTION, 10)[..., None, None]
    found = []
    for channel in range(3):
        dark = (BROWN[channel] + (LAVENDER[channel] - BROWN[channel]) * lavender) * torch.exp(0.06 * z[:, channel] + 0.10 * z[:, 9])
        yellow, red = XANTHIN[channel] * torch.exp(0.13 * z[:, 3 + channel]), ERYTHRIN[channel] * torch.exp(0.13 * z[:, 6 + channel])
        found.append((dark, yellow, red))
    return tuple(found)


def cover(
    melanin: Tensor, xanthin: Tensor, erythrin: Tensor, lavender: Tensor, animal_seeds: Tensor
) -> Tensor:
    """Dark cells of one depth each, side by side: more melanin is more of the skin covered, and what shines between adds to the light.

    A share c of skin under cells of depth d reflects white * (1 - c + c * exp(-d)); yellow and red are an even wash over all.
    """
    cell, amount, level = own(animal_seeds, _SALT_COVER, (3.4, 4.8), (0.82, 1.18), (-0.015, 0.015))
    cell = cell * (1 - 0.5 * lavender)  # unfinished pigment makes lighter cells, and more of them
    # bare skin at depth 1, where cells make it as dark as one even layer would
    bare = 1 - (1 - torch.exp(-torch.ones_like(cell))) / (1 - torch.exp(-cell))
    covered = 1 - torch.exp(amount * melanin.clamp(min=0) * torch.log(bare))
    planes = []
    for white, (dark, yellow, red) in zip(WHITE, _own_absorption(animal_seeds, lavender), strict=True):
        shining = 1 - covered * (1 - torch.exp(-cell * dark))
        planes.append((white + level) * shining * torch.exp(-(xanthin * yellow + erythrin * red).clamp(min=0)))
    return torch.stack(planes, 1)


def layers(
    melanin: Tensor, xanthin: Tensor, erythrin: Tensor, lavender: Tensor, animal_seeds: Tensor
) -> Tensor:
    """Yellow and red on top, fine crystals that scatter blue below them, dark pigment below these, all under a clear surface.

    Dark skin keeps a cast of blue, olive under yellow; a little white comes back from the surface itself.
    """
    cast, sheen, level = own(animal_seeds, _SALT_LAYERS, (0.005, 0.045), (0.002, 0.014), (-0.015, 0.015))
    planes = []
    for channel, (dark, yellow, red) in enumerate(_own_absorption(animal_seeds, lavender)):
        scattered = cast * _CAST[channel]
        through = (1 - scattered) * torch.exp(-(melanin * dark).clamp(min=0))
        above = torch.exp(-(xanthin * yellow + erythrin * red).clamp(min=0))
        planes.append(sheen + (1 - sheen) * (WHITE[channel] + level) * above * (scattered + through))
    return torch.stack(planes, 1)


def spectra(
    melanin: Tensor, xanthin: Tensor, erythrin: Tensor, lavender: Tensor, animal_seeds: Tensor
) -> Tensor:
    """The law of Beer and Lambert in each of seven bands, then summed to red, green and blue.

    What is deepest lets through the clearest band of a channel the longest. An animal's yellow and red end up to 12 nm off, and its
    melanin is a warmer or a colder brown.
    """
    yellow_edge, red_edge, warmth, *amounts, level = own(
        animal_seeds, _SALT_SPECTRA, (-0.3, 0.3), (-0.3, 0.3), (-0.10, 0.24), *[(0.85, 1.15)] * 3, (-0.015, 0.015)
    )

    def shifted(bands: tuple[float, ...], number: int, edge: Tensor) -> Tensor:
        before, after = bands[max(number - 1, 0)], bands[min(number + 1, len(bands) - 1)]
        return bands[number] + edge.clamp(max=0) * (bands[number] - after) + edge.clamp(min=0) * (before - bands[number])

    planes = [torch.zeros_like(melanin) for _ in WHITE]
    for number in range(len(_BANDS["melanin"])):
        brown, lilac = _BANDS["melanin"][number], _BANDS["lilac"][number]
        brown = brown * torch.exp(warmth * (3.6 - number) / 3)
        depth = melanin * amounts[0] * (brown + (lilac - brown) * lavender)
        depth = depth + xanthin * amounts[1] * shifted(_BANDS["xanthin"], number, yellow_edge)
        depth = depth + erythrin * amounts[2] * shifted(_BANDS["erythrin"], number, red_edge)
        light = torch.exp(-depth.clamp(min=0))
        for channel, shares in enumerate(_SENSES):
            if shares[number]:
                planes[channel] = planes[channel] + shares[number] * light
    return torch.stack([plane * (white + level) for plane, white in zip(planes, WHITE, strict=True)], 1)


def crowded(
    melanin: Tensor, xanthin: Tensor, erythrin: Tensor, lavender: Tensor, animal_seeds: Tensor
) -> Tensor:
    """Dark pigment that shades itself the more there is of it: its depth levels off, and the darkest skin is a brown.

    Lilac levels off alike, red and yellow at twice that depth.
    """
    early, level = own(animal_seeds, _SALT_CROWDED, (1.00, 1.45), (-0.015, 0.015))
    planes = []
    for channel, (dark, yellow, red) in enumerate(_own_absorption(animal_seeds, lavender)):
        deepest = _DEEPEST[channel] * early
        # 1.10 makes up for what crowding takes at depth 1
        depth = deepest * (1 - torch.exp(-1.10 * (melanin * dark).clamp(min=0) / deepest))
        bright = 2 * deepest * (1 - torch.exp(-1.06 * (xanthin * yellow + erythrin * red).clamp(min=0) / (2 * deepest)))
        planes.append((WHITE[channel] + level) * torch.exp(-depth - bright))
    return torch.stack(planes, 1)
