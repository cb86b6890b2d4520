"""The realism figures: quartiles, grouping, every look once, and the same animals for every look."""

import numpy as np
import pytest

from triage.training.measures import realism
from triage.training.protocol import SHARES_SEEN, quartiles, share_in_words


def test_quartiles_equal_scipy():
    """Outside check: scipy.stats.mstats.mquantiles with its (1, 1) plotting positions, which are numpy's default."""
    mstats = pytest.importorskip("scipy.stats").mstats
    values = np.random.default_rng(3).random(37)
    found = quartiles(values.tolist())
    outside = mstats.mquantiles(values, (0.25, 0.5, 0.75), alphap=1, betap=1)
    assert [found[k] for k in ("lower quartile", "median", "upper quartile")] == pytest.approx(outside, abs=5e-4)
    assert found["n"] == 37


def test_groups_keep_their_own_values():
    found = realism._by_name([0.1, 0.9, 0.3], ["b", "a", "b"], ["c", "b", "a"])
    assert list(found) == ["b", "a"] and found["b"]["n"] == 2
    assert found["b"]["median"] == 0.2 and found["a"]["median"] == 0.9


def test_every_look_of_the_vocabulary_is_measured(bench):
    """Each class of the reader has at least one of its words among the looks, and the wild type is there once."""
    looks = realism.single_looks(bench.species, bench.looks)
    assert looks["wild type"] == {}
    for locus in bench.vocabulary.loci:
        for words in locus.classes[1:]:
            assert any(word in looks for word in words), words


class CountingGate:
    """Stands in for the network: the mean of a picture's red."""

    def snake_mass(self, photo):
        return float(photo.pixels[..., 0].mean() / 255)


def test_looks_differ_in_their_genes_only(bench):
    looks = {"wild type": {}, "again": {}, "albino": {"albino": ("albino", "albino")}}
    masses, names, stages, shares = realism.snake_masses(CountingGate(), looks, 3, 64, "training", 1, bench)
    assert names == ["wild type"] * 3 + ["again"] * 3 + ["albino"] * 3
    assert masses[:3] == masses[3:6] and all(one != other for one, other in zip(masses[6:], masses[:3], strict=True))
    assert stages[:3] == stages[3:6] == stages[6:] and set(shares) <= set(SHARES_SEEN)


def test_shares_seen_lie_in_their_quarters():
    assert [share_in_words(share) for share in (0.0, 0.2499, 0.25, 0.5, 0.7499, 0.75, 1.0)] == [
        "under 1/4", "under 1/4", "1/4 to 1/2", "1/2 to 3/4", "1/2 to 3/4", "over 3/4", "over 3/4",
    ]  # fmt: skip
