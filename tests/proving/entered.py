"""What a clutch that was seen says of a held-back animal, by Bayes' rule on a table of eggs: for checks and simulations."""

import numpy as np


def after_outcomes(found, seen):
    """The animal after a clutch in which each outcome was seen so often: Bayes' rule on the table's own chances."""
    joint, _ = found.per_egg()
    likelihood = np.ones_like(joint)
    for words, n in seen.items():
        likelihood = likelihood * found.chances[..., found.outcomes.index(words)] ** n
    weights = (joint * likelihood).sum(axis=1)
    return found.held.given(dict(zip(found.hypotheses, (weights / weights.sum()).tolist(), strict=True)))
