"""The realism figures: quartiles, grouping, every look once, and the same animals for every look."""

import numpy as np
import pytest

from triage.species import load_species
from triage.species.drawing import usual_looks
from triage.training import realism
from triage.vision.vocabulary import build


def test_quartiles_equal_scipy():
    """Outside check: scipy.stats.mstats.mquantiles with its (1, 1) plotting positions, which are numpy's default."""
    mstats = pytest.importorskip("scipy.stats").mstats
    values = np.random.default_rng(3).random(37)
    found = realism.quartiles(values.tolist())
    outside = mstats.mquantiles(values, (0.25, 0.5, 0.75), alphap=1, betap=1)
    assert [found[k] for k in ("lower quartile", "median", "upper quartile")] == pytest.approx(outside, abs=5e-4)
    assert found["n"] == 37


def test_groups_keep_their_own_values():
    found = realism.by_group([0.1, 0.9, 0.3], ["a", "b", "a"])
    assert list(found) == ["a", "b"] and found["a"]["n"] == 2
    assert found["a"]["median"] == 0.2 and found["b"]["median"] == 0.9


def test_every_look_of_the_vocabulary_is_measured():
    """Each class of the reader has at least one of its words among the looks, and the wild type is there once."""
    species = load_species("ball python")
    looks = realism.single_looks(species)
    assert looks["wild type"] == {}
    for locus in build(species, usual_looks()).loci:
        for words in locus.classes[1:]:
            assert any(word in looks for word in words), words


class CountingGate:
    """Stands in for the network: the mean of a picture's red."""

    def snake_mass(self, photo):
        return float(photo.pixels[..., 0].mean() / 255)


def test_looks_differ_in_their_genes_only():
    looks = {"wild type": {}, "again": {}, "albino": {"albino": ("albino", "albino")}}
    masses, names, stages, shares = realism.snake_masses(CountingGate(), looks, 3, 64, "training", 1, "cpu")
    assert names == ["wild type"] * 3 + ["again"] * 3 + ["albino"] * 3
    assert (masses[:3] == masses[3:6]).all() and (masses[6:] != masses[:3]).all()
    assert stages[:3] == stages[3:6] == stages[6:] and set(shares) <= {words for _, words in realism._SHARES}
