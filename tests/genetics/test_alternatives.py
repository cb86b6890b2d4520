"""Other explanations of a hatchling, ranked; their factors against Bayes' rule by hand."""

import math
from fractions import Fraction

import pytest
from support import INCOMPLETE, RECESSIVE, call, dam, eggs_seen, locus, pair, parent, seen, sire, species

from triage.genetics.clutch.alternatives import BACKGROUND, explanations
from triage.genetics.clutch.exact import log_evidence
from triage.genetics.clutch.model import compile_cross
from triage.records import CallReading, Egg, Parthenogenesis, Sex

OF = species(locus("albino", RECESSIVE), locus("pastel", INCOMPLETE), locus("enchi", INCOMPLETE))
COLUBRID = species(locus("albino", RECESSIVE), locus("pastel", INCOMPLETE), heterogametic=Sex.FEMALE)
ALBINO = call(("albino", "albino"))
PASTEL = call(("pastel", "pastel"))
FAINT = 0.001


def explained(cross, egg, looks, others=(), **more):
    return {x.text: x for x in explanations(cross, [*others, egg], len(others), looks, **more)}


def read_as(wanted, otherwise=FAINT):
    return Egg("A1", readings=(CallReading({wanted: 1.0}, otherwise, "photo"),))


def test_factors_by_hand_where_both_parents_lack_a_recessive():
    """Both het: 1/4 albino, so (1/4 + 3/4 e) / e by Bayes' rule; one het alone changes nothing: factor 1."""
    cross = pair(OF, dam(), sire())
    found = explained(cross, read_as(ALBINO), [ALBINO])
    assert found["dam and sire both carry het albino unrecorded"].bayes_factor == pytest.approx((1 / 4 + 3 / 4 * FAINT) / FAINT)
    assert found["dam carries het albino unrecorded"].bayes_factor == pytest.approx(1)
    assert found["sire carries het albino unrecorded"].bayes_factor == pytest.approx(1)
    assert found["a misread photo or a slip of the pen"].bayes_factor == pytest.approx(1 / FAINT)


def test_factor_of_an_unrecorded_sire():
    """A male at large carries a gene of frequency q with Hardy-Weinberg chances; a het dam then gives albinos with chance q/2."""
    cross = pair(OF, dam(albino="albino/normal"), sire())
    for q in (BACKGROUND, 0.1):
        found = explained(cross, read_as(ALBINO), [ALBINO], background=q)
        expected = (q / 2 + (1 - q / 2) * FAINT) / FAINT
        assert found["another, unrecorded sire"].bayes_factor == pytest.approx(expected, rel=1e-9)


def test_background_is_the_published_rate():
    """3 het of 60 unrelated animals (Lederer et al. 2023 in OMIA:002758-51751): 3 of 120 alleles."""
    assert pytest.approx(3 / 120) == BACKGROUND


def test_each_log_likelihood_is_the_engines():
    cross = pair(OF, dam(), sire())
    found = explained(cross, read_as(PASTEL), [PASTEL])
    changed = pair(OF, dam(), sire(pastel="normal/pastel"))
    expected = log_evidence(compile_cross(changed), [read_as(PASTEL)])
    assert found["sire carries pastel unrecorded"].log_likelihood == pytest.approx(expected, abs=1e-12)


def test_best_first():
    found = explanations(pair(OF, dam(), sire()), [read_as(ALBINO)], 0, [ALBINO])
    assert [x.log_likelihood for x in found] == sorted((x.log_likelihood for x in found), reverse=True)
    assert all(x.log_likelihood > -math.inf for x in found)


def test_factors_are_infinite_where_the_records_are_contradicted():
    found = explained(pair(OF, dam(), sire()), Egg("A1", readings=(seen(("albino", "albino")),)), [ALBINO])
    assert found["dam and sire both carry het albino unrecorded"].bayes_factor == math.inf
    assert found["dam and sire both carry het albino unrecorded"].log_likelihood == pytest.approx(math.log(1 / 4))
    assert "dam carries het albino unrecorded" not in found


def test_parthenogenesis_makes_a_het_mother_give_visuals():
    """Terminal-fusion automixis: half-clones, at a het locus AA or aa only (Booth et al. 2014): half are visual."""
    egg = Egg("A1", Sex.FEMALE, (seen(("albino", "albino")),))
    found = explained(pair(OF, dam(albino="albino/normal"), sire()), egg, [ALBINO])
    # Two factors of 1/2: albino, and, for the recorded sex, all young are female (XX): chance 1.
    assert math.exp(found["no sire at all (parthenogenesis)"].log_likelihood) == pytest.approx(1 / 2)
    son = Egg("A1", Sex.MALE, (seen(("albino", "albino")),))
    assert "no sire at all (parthenogenesis)" not in explained(pair(OF, dam(albino="albino/normal"), sire()), son, [ALBINO])


def test_parthenogenesis_is_offered_only_where_it_is_computed():
    assert "no sire at all (parthenogenesis)" not in explained(pair(COLUBRID, dam(), sire()), read_as(ALBINO), [ALBINO])
    already = pair(OF, dam(albino="albino/normal"), sire(), Parthenogenesis())
    assert "no sire at all (parthenogenesis)" not in explained(already, read_as(ALBINO), [ALBINO])


def test_only_genes_spoken_of_are_added_and_none_that_is_there():
    found = explained(pair(OF, dam(pastel="normal/pastel"), sire()), read_as(PASTEL), [PASTEL])
    assert not any("enchi" in text or "albino" in text for text in found)
    assert "dam carries pastel unrecorded" not in found
    assert "sire carries pastel unrecorded" in found


def test_each_sire_is_named():
    fathers = [parent("Basil", Sex.MALE), parent("Thyme", Sex.MALE)]
    found = explained(pair(OF, dam(), *fathers), read_as(PASTEL), [PASTEL])
    assert {"Basil carries pastel unrecorded", "Thyme carries pastel unrecorded"} <= set(found)
    assert "dam and Thyme both carry pastel unrecorded" in found


def test_the_rest_of_the_clutch_informs_the_dam():
    """Three plain young of a visual mate leave a 1/2 het at 1/9 (setup of Ogino and Wilson 2004); she gives albinos with 1/18."""
    half = {"albino/normal": Fraction(1, 2), "normal/normal": Fraction(1, 2)}
    cross = pair(OF, dam(albino=half), sire(albino="albino/albino"))
    egg = Egg("A1", readings=(seen(("albino", "albino"), ("pastel", "pastel")),))
    looks = [call(("albino", "albino"), ("pastel", "pastel"))]
    alone = explained(cross, egg, looks)["sire carries pastel unrecorded"]
    informed = explained(cross, egg, looks, eggs_seen(3, seen()))["sire carries pastel unrecorded"]
    assert math.exp(alone.log_likelihood) == pytest.approx(1 / 2 * 1 / 2 * 1 / 2)
    assert math.exp(informed.log_likelihood) == pytest.approx(1 / 9 * 1 / 2 * 1 / 2)
