"""Which facts an answer rests on, by leaving each one out."""

import math
from fractions import Fraction

import pytest
from support import INCOMPLETE, RECESSIVE, call, dam, locus, pair, seen, sire, species

from triage.genetics.clutch import influence
from triage.genetics.clutch.influence import MOST_LOG_ODDS
from triage.genetics.clutch.model import compile_cross
from triage.records import CallReading, Egg, Genotype, GenotypeReading, Sex

OF = species(locus("albino", RECESSIVE), locus("pastel", INCOMPLETE), locus("gold", INCOMPLETE, crossover=0.1))
HET = Genotype("albino", "normal")
HALF = {"albino/normal": Fraction(1, 2), "normal/normal": Fraction(1, 2)}
NORMAL = seen()


def strongest_facts(model, eggs, question, *more, **settings):
    (found,) = influence.strongest_facts(model, eggs, [question], *more, **settings)
    return found


def dam_is_het(posterior):
    return posterior.parents[0].loci["albino"][HET]


def model_of(**more):
    return compile_cross(pair(OF, dam(albino=HALF, **more), sire(albino="albino/albino")))


def test_each_plain_egg_counts_ln_2_against_a_het():
    """A plain egg of a visual mate has chance 1/2 from a het and 1 from a non-het: ln 2 each, by Bayes' rule."""
    eggs = [Egg("A", readings=(NORMAL,)), Egg("B", readings=(NORMAL,))]
    found = strongest_facts(model_of(), eggs, dam_is_het)
    assert {x.fact for x in found} == {"keeper of A", "keeper of B"}
    assert [x.log_odds for x in found] == pytest.approx([-math.log(2)] * 2, abs=1e-9)


def test_log_odds_are_the_log_of_the_likelihood_ratio():
    """Weight of evidence (Good 1950): ln P(reading | het) / P(reading | not). Albino 0.8, otherwise 0.1: 0.45 to 0.1."""
    reading = CallReading({call(("albino", "albino")): 0.8}, 0.1, "photo")
    (found,) = strongest_facts(model_of(), [Egg("A", readings=(reading,))], dam_is_het)
    assert (found.fact, found.log_odds) == ("photo of A", pytest.approx(math.log(0.45 / 0.1), abs=1e-9))


def test_a_fact_that_settles_it_has_a_finite_number():
    (found,) = strongest_facts(model_of(), [Egg("A", readings=(seen(("albino", "albino")),))], dam_is_het)
    assert found.log_odds == MOST_LOG_ODDS


def test_strongest_first_at_most_so_many_and_none_that_moves_nothing():
    weak = CallReading({call(): 0.6}, 0.4, "photo")
    flat = CallReading({call(): 0.5}, 0.5, "nobody")
    laboratory = GenotypeReading("albino", {HET: 0.9}, 0.1)
    eggs = [Egg("A", readings=(weak,)), Egg("B", readings=(NORMAL, flat)), Egg("C", Sex.MALE, (NORMAL,))]
    found = strongest_facts(model_of(), eggs, dam_is_het, {"dam": [laboratory]}, most=9)
    assert [abs(x.log_odds) for x in found] == sorted((abs(x.log_odds) for x in found), reverse=True)
    assert found[0].fact == "laboratory of dam"
    assert found[0].log_odds == pytest.approx(math.log(9), abs=1e-9)
    assert {x.fact for x in found} == {"laboratory of dam", "keeper of B", "keeper of C", "photo of A"}
    assert len(strongest_facts(model_of(), eggs, dam_is_het, {"dam": [laboratory]}, most=2)) == 2


def test_a_stated_sex_is_a_fact():
    """Gene on the Y at a rate of 0.1: a son has it with 0.9, an egg of unknown sex with 0.5: ln 9."""
    model = compile_cross(pair(OF, dam(), sire(gold="normal|gold")))

    def shows(posterior):
        return next(c.probability for c in posterior.calls(0) if c.call == call(("gold", "gold")))

    (found,) = strongest_facts(model, [Egg("A", Sex.MALE)], shows)
    assert (found.fact, found.log_odds) == ("sex of A", pytest.approx(math.log(9), abs=1e-9))


def test_several_questions_are_answered_as_one_by_one():
    eggs = [Egg("A", readings=(NORMAL,)), Egg("B", readings=(CallReading({call(): 0.6}, 0.4, "photo"),))]
    questions = [dam_is_het, lambda p: p.eggs[1].call_chances[0], lambda p: 1 - dam_is_het(p)]
    assert influence.strongest_facts(model_of(), eggs, questions) == [strongest_facts(model_of(), eggs, one) for one in questions]
