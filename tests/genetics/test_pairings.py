"""What-if tables equal the engine's own expectation, pairing by pairing."""

from fractions import Fraction
from random import Random

import pytest
from support import (
    DOMINANT,
    INCOMPLETE,
    RECESSIVE,
    call,
    dam,
    draw_prior,
    draw_species,
    locus,
    pair,
    parent,
    sire,
    species,
)

from triage.genetics.clutch.model import compile_cross
from triage.genetics.pairings import ranked, what_if
from triage.records import Parent, Sex

OF = species(
    locus("albino", RECESSIVE),
    locus("pastel", INCOMPLETE),
    locus("web", DOMINANT, hatch_rate=0.0),
    locus("gold", INCOMPLETE, crossover=0.1),
)


def drawn_parent(rng, of, sex):
    loci = [x for x in rng.sample(of.loci, rng.randint(1, 4)) if rng.random() < 0.9]
    return Parent(sex.value, sex, {x.name: draw_prior(rng, x, x.sex_linked and sex is of.heterogametic, 3) for x in loci})


@pytest.mark.parametrize("seed", range(60))
def test_chances_equal_the_engines_expectation(seed):
    """Without linkage the chance of a call is a product over loci; the engine sums it another way."""
    rng = Random(seed)
    of = draw_species(rng)
    mother, father = drawn_parent(rng, of, Sex.FEMALE), drawn_parent(rng, of, Sex.MALE)
    (found,) = what_if(of, [(mother, father)])
    assert (found.dam, found.sire) == ("female", "male")
    if found.hatched == 0:
        pytest.skip("no egg of the drawn cross hatches")
    model = compile_cross(pair(of, mother, father))
    for wanted, p in zip(model.calls, model.expected_calls(), strict=True):
        assert found.chance(wanted) == pytest.approx(float(p), abs=1e-12)
        assert found.chance(wanted, exactly=False) >= found.chance(wanted) - 1e-15
    assert sum(found.chance(c) for c in model.calls) == pytest.approx(1, abs=1e-12)


def test_loci_are_shared_and_rates_of_the_cross_are_used():
    """A gene on the Y goes to sons: over both sexes half of the young show it, whatever the rate."""
    mothers = [dam(), dam(gold="gold/normal")]
    father = sire(gold="normal|gold")
    plain, single = what_if(OF, [(m, father) for m in mothers], crossover={"gold": 0.0})
    assert plain.looks["gold"] == pytest.approx({"gold": 0.5, "": 0.5})
    assert single.looks["gold"] == pytest.approx({"super gold": 0.25, "gold": 0.5, "": 0.25})


def test_share_that_hatches():
    """Two spiders: a quarter of the eggs is lost and two thirds of the young show it (common practice, no source)."""
    (found,) = what_if(OF, [(dam(web="normal/web"), sire(web="normal/web"))])
    assert found.hatched == pytest.approx(0.75)
    assert found.looks["web"] == pytest.approx({"web": 2 / 3, "": 1 / 3})


def test_wild_loci_are_left_out():
    (found,) = what_if(OF, [(dam(albino="normal/normal", pastel="normal/pastel"), sire())])
    assert set(found.looks) == {"pastel"}
    assert found.chance(call()) == pytest.approx(0.5)
    assert found.chance(call(("albino", "albino"))) == 0.0


def test_at_least_these_looks():
    (found,) = what_if(OF, [(dam(albino="albino/normal", pastel="normal/pastel"), sire(albino="albino/normal"))])
    assert found.chance(call(("albino", "albino"))) == pytest.approx(1 / 8)
    assert found.chance(call(("albino", "albino")), exactly=False) == pytest.approx(1 / 4)


def test_ranked_puts_the_likeliest_pairing_first():
    females = [parent("one", Sex.FEMALE, albino="albino/albino"), parent("two", Sex.FEMALE)]
    males = [
        parent("three", Sex.MALE, albino={"albino/normal": Fraction(2, 3), "normal/normal": Fraction(1, 3)}),
        parent("four", Sex.MALE, albino="albino/normal"),
    ]
    found = ranked(OF, females, males, call(("albino", "albino")))
    assert [(p.dam, p.sire) for _, p in found[:2]] == [("one", "four"), ("one", "three")]
    assert [chance for chance, _ in found] == pytest.approx([1 / 2, 1 / 3, 0, 0])
    with pytest.raises(ValueError, match="a dam is female and every sire male"):
        ranked(OF, males, females, call())
