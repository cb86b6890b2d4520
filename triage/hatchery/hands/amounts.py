"""The settings of pigment and marking as a hand of the animal's own takes them, for the varied domain.

How dark a ground is, how wide a rim shows, how far a flank pales: each hand (and each clutch, lamp and camera) has it a little
otherwise. Left alike in all renders, a reader takes a domain that is darker throughout for a gene that darkens.
"""

import torch
from torch import Tensor

from triage.hatchery import draws

_SALT_AMOUNTS = 1801
#: Standard deviation of the logarithm of what a setting is multiplied by. By judgement: about the spread between animals of
#: one genotype for pigments, a third of the setting for what differs most from hand to hand.
FACTORS = {
    "ground_melanin": 0.10, "blotch_melanin": 0.16, "ground_xanthin": 0.18, "blotch_xanthin": 0.14, "ground_erythrin": 0.18,
    "blotch_erythrin": 0.18, "blush": 0.30, "halo": 0.25, "rim": 0.35, "flank_paling": 0.22, "belly_checks": 0.30,
    "flank_speckle": 0.35, "head_fade": 0.30, "nose_spots": 0.25, "contrast_loss": 0.10, "edge_softness": 0.20,
}  # fmt: skip
_SHARES = ("blush", "halo", "flank_paling", "flank_speckle", "head_fade", "nose_spots", "contrast_loss")


def own_amounts(look: dict[str, Tensor], animal_seeds: Tensor) -> dict[str, Tensor]:
    """Settings (B,) each, those of `FACTORS` as one hand has them: what is absent stays absent, shares stay within 0..1."""
    z = draws.normal(animal_seeds, _SALT_AMOUNTS, len(FACTORS))
    taken = dict(look)
    for place, (name, spread) in enumerate(FACTORS.items()):
        taken[name] = look[name] * torch.exp(spread * z[:, place])
    for name in _SHARES:
        taken[name] = taken[name].clamp(0, 1)
    return taken


def as_written(look: dict[str, Tensor], animal_seeds: Tensor) -> dict[str, Tensor]:
    """The settings as they are."""
    return look
