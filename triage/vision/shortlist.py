"""The calls that photos and parents leave: a list made to hold the true one 95 % of the time."""

from __future__ import annotations

import numpy as np


def mass_above(posterior: np.ndarray) -> np.ndarray:
    """Probability of all the calls that are likelier than each, (n,) of posteriors (n,); equally likely calls share it.

    By this score a shortlist grows with the doubt there is, so that easy and hard crosses are covered alike: adaptive
    prediction sets, Romano, Sesia and Candes 2020 (arXiv 2006.02544), without their randomisation.
    """
    falling = -np.sort(-posterior)
    before = np.concatenate([[0.0], np.cumsum(falling)])
    return before[np.searchsorted(-falling, -posterior, side="left")]


def shortlist_of(expected: np.ndarray, likelihoods: np.ndarray, limit: float) -> list[int]:
    """Places of the calls, likeliest first, until those before hold more than `limit`, given photos and parents and nothing else.

    `expected` (n,) chances from the parents alone, `likelihoods` (n,) of the photos on any scale; what `limit` promises was
    measured on crosses with one photo. Empty where the parents can have no viable young.
    """
    weight = expected * likelihoods
    if not weight.any():
        return []
    posterior = weight / weight.sum()
    order = np.argsort(-posterior, kind="stable")
    kept = (mass_above(posterior) <= limit) & (posterior > 0)
    return [int(i) for i in order if kept[i]]
