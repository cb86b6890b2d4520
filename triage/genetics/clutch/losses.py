"""Eggs that a cross is expected to lose."""

from __future__ import annotations

import numpy as np

from triage.genetics.clutch.model import CrossModel


def expected_losses(model: CrossModel) -> float:
    """Share of the eggs of a cross that carry a genotype which does not hatch, 0 to 1."""
    if model.worlds:
        return sum(world.chance * expected_losses(one) for world, one in model.worlds)
    share = 0.0
    for k, weight in enumerate(model.shares):
        hatched = 1.0
        for block in model.blocks:
            hatched *= float(np.einsum("d,s,ds->", block.dam_prior, block.sire_priors[k], block.hatched[k]))
        share += float(weight) * (1 - hatched)
    return share
