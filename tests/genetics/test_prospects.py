"""How many eggs settle an open question."""

import math
from fractions import Fraction

import pytest
from support import INCOMPLETE, RECESSIVE, dam, locus, pair, sire, species

from triage.genetics.clutch.model import compile_cross
from triage.genetics.clutch.prospects import MOST_EGGS, eggs_needed, eggs_until_settled

OF = species(locus("albino", RECESSIVE), locus("pastel", INCOMPLETE))
HALF = {"albino/normal": Fraction(1, 2), "normal/normal": Fraction(1, 2)}
#: Chance of a plain egg from a carrier by mate: visual, known het, own daughter of a het (breeding handbooks' three mates).
MATES = {"visual": Fraction(1, 2), "het": Fraction(3, 4), "daughters": Fraction(7, 8)}


def posterior(p, plain, n):
    """Bayes' rule in fractions: P(carrier | n plain eggs)."""
    return p * plain**n / (p * plain**n + 1 - p)


@pytest.mark.parametrize("prior", [Fraction(1, 2), Fraction(2, 3), Fraction(1, 10)])
@pytest.mark.parametrize("plain", MATES.values(), ids=MATES)
@pytest.mark.parametrize("bar", [Fraction(1, 20), Fraction(1, 100), Fraction(1, 1000)])
def test_is_the_least_number(prior, plain, bar):
    n = eggs_needed(float(prior), float(plain), float(bar))
    assert posterior(prior, plain, n) <= bar
    assert n == 0 or posterior(prior, plain, n - 1) > bar


@pytest.mark.parametrize(("mate", "first", "second"), [("visual", 5, 7), ("het", 11, 17), ("daughters", 23, 35)])
def test_handbook_numbers(mate, first, second):
    """5/7, 11/17, 23/35 plain young miss a carrier less than 5 % and 1 % of the time: ceil(ln bar / ln plain), derived.

    No citable table was found (handbooks round (3/4)^16 = 0.01002 to 16). The miss rate is not the posterior: with prior 1/2 the
    bar on the posterior that has the same n is bar / (1 + bar).
    """
    plain = float(MATES[mate])
    assert [math.ceil(math.log(bar) / math.log(plain)) for bar in (0.05, 0.01)] == [first, second]
    assert [eggs_needed(0.5, plain, bar / (1 + bar)) for bar in (0.05, 0.01)] == [first, second]


def test_two_thirds_by_a_visual_table():
    """Posterior of a 2/3 het after n plain young of a visual mate: 2/3, 1/2, 1/3, 1/5, 1/9, 1/17, 1/33 (derived by Bayes' rule)."""
    table = ["2/3", "1/2", "1/3", "1/5", "1/9", "1/17", "1/33"]
    for n, p in enumerate(map(Fraction, table)):
        assert posterior(Fraction(2, 3), Fraction(1, 2), n) == p
        assert eggs_needed(2 / 3, 0.5, float(p) + 1e-12) == n


def ask(mother, father, name="dam", at="albino", allele="albino"):
    model = compile_cross(pair(OF, mother, father))
    animal = mother if name == "dam" else father
    return eggs_until_settled(model, name, at, allele, dict(animal.loci[at].states))


def test_words_for_a_possible_het_with_a_visual_and_a_het_mate():
    by_visual = ask(dam(albino=HALF), sire(albino="albino/albino"))
    assert by_visual == "5 more eggs that show nothing of it leave it under 5 %, 7 under 1 %; one that shows it proves it"
    by_het = ask(dam(albino=HALF), sire(albino="albino/normal"))
    assert by_het.startswith(f"{eggs_needed(0.5, 0.75, 0.05)} more eggs")
    assert (eggs_needed(0.5, 0.75, 0.05), eggs_needed(0.5, 0.75, 0.01)) == (11, 16)


def test_two_thirds_by_a_het_takes_13_and_19():
    """Least n with (2/3)(3/4)^n / ((2/3)(3/4)^n + 1/3) under the bar, in fractions."""
    plain, prior = Fraction(3, 4), Fraction(2, 3)
    wanted = [next(n for n in range(99) if posterior(prior, plain, n) <= bar) for bar in (Fraction(1, 20), Fraction(1, 100))]
    found = ask(dam(albino={"albino/normal": prior, "normal/normal": 1 - prior}), sire(albino="albino/normal"))
    assert found.startswith(f"{wanted[0]} more eggs that show nothing of it leave it under 5 %, {wanted[1]} under 1 %")


def test_the_sire_can_be_asked_about_too():
    assert ask(dam(albino="albino/albino"), sire(albino=HALF), name="sire").startswith("5 more eggs")


def test_a_plain_mate_cannot_settle_a_recessive():
    assert ask(dam(albino=HALF), sire()) == "this pairing cannot settle it"


def test_two_copies_for_certain_show_in_the_next_egg():
    sure = {"pastel/pastel": Fraction(1, 2), "normal/normal": Fraction(1, 2)}
    assert ask(dam(pastel=sure), sire(), at="pastel", allele="pastel") == "the next egg settles it"


def test_nothing_open_gives_no_words():
    assert ask(dam(albino="albino/normal"), sire(albino="albino/albino")) == ""


def test_a_pairing_that_takes_too_long_is_said_to():
    """A mate with a chance of 1 % of being het shows one albino in 400 eggs of two carriers."""
    rare = {"albino/normal": Fraction(1, 100), "normal/normal": Fraction(99, 100)}
    assert ask(dam(albino=HALF), sire(albino=rare)) == f"it would take more than {MOST_EGGS} eggs of this pairing"
