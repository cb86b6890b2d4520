"""The bound on any reader: its density against scipy, and that seeing worse never helps."""

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from triage.training.measures import ceiling


@pytest.mark.parametrize("rank", [0, 1, 4])
def test_the_density_is_the_multivariate_normal_one(rank):
    draw = np.random.default_rng(rank)
    x, mean, variance, factors = draw.normal(size=7), draw.normal(size=7), draw.uniform(0.1, 2, 7), draw.normal(size=(rank, 7))
    wanted = multivariate_normal(mean, np.diag(variance) + factors.T @ factors).logpdf(x)
    assert ceiling.log_density(x, mean, variance, factors) - 3.5 * np.log(2 * np.pi) == pytest.approx(wanted, abs=1e-9)


def test_a_worse_view_reads_worse(bench):
    sharp, dull = ceiling.settings_seen(bench, 1.0, 60, 1), ceiling.settings_seen(bench, 6.0, 60, 1)
    assert sharp["top1"] > dull["top1"] and sharp["nll"] < dull["nll"]
    assert sharp["top1"] > 0.9


def test_a_sharper_view_never_reads_worse_white_animals_included(bench):
    """Photo 274 of this seed shows a white animal: a class that joins pairs of unlike settings."""
    nll = [ceiling.settings_seen(bench, k, 280, 1)["nll"] for k in (0.1, 0.5, 1.0, 2.0)]
    assert nll == sorted(nll) and nll[0] < 0.05
