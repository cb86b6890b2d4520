"""Clutches whose likelihoods are too small for plain products: every number still equals the enumeration."""

from fractions import Fraction
from random import Random

import pytest
from support import INCOMPLETE, RECESSIVE, dam, locus, pair, parent, sire, species, verify

from triage.genetics.clutch import contraction
from triage.records import CallReading, Egg, Sex, VisualCall

OF = species(locus("pastel", INCOMPLETE), locus("clown", RECESSIVE))
#: With a visual dam all young of such a sire look alike, one of four ways: eggs that disagree leave no state likely.
ALL_OR_NONE = {
    "clown": {"clown/clown": Fraction(2, 3), "normal/normal": Fraction(1, 3)},
    "pastel": {"pastel/pastel": Fraction(1, 2), "normal/normal": Fraction(1, 2)},
}
DAM = dam(clown="clown/clown")
CALLS = [VisualCall(x) for x in [(), (("pastel", "pastel"),), (("clown", "clown"),), (("pastel", "pastel"), ("clown", "clown"))]]


def unlike_eggs(n: int, seed: int, exponents: tuple[int, int]) -> list[Egg]:
    """Each egg strongly prefers one of the four looks, in turn; the others have likelihoods of 10 to minus a drawn exponent."""
    rng = Random(seed)
    return [
        Egg(
            f"A{e}",
            None,
            (CallReading({c: 1.0 if c == CALLS[e % 4] else 10.0 ** -rng.randint(*exponents) for c in CALLS}),),
        )
        for e in range(n)
    ]


def one_sire():
    return pair(OF, DAM, sire(**ALL_OR_NONE))


def two_sires(mixed: Fraction):
    fathers = [parent(name, Sex.MALE, **ALL_OR_NONE) for name in ("first", "second")]
    return pair(OF, DAM, *fathers, shares=(Fraction(3, 4), Fraction(1, 4)), mixed=mixed)


@pytest.fixture
def logarithms(monkeypatch) -> list:
    """Shapes of what was multiplied in logarithms; a test that finds none has not tested what it says."""
    used: list = []
    plain = contraction._log_products
    monkeypatch.setattr(contraction, "_log_products", lambda f: used.append(f.shape) or plain(f))
    return used


@pytest.mark.parametrize("seed", range(4))
def test_forty_unlike_eggs_of_one_uncertain_pair(seed, logarithms):
    """One sire, so that the enumeration can take forty eggs; no product of the eggs is a float."""
    verify(one_sire(), unlike_eggs(40, seed, (5, 30)))
    assert logarithms


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("mixed", [Fraction(0), Fraction(1, 10), Fraction(1)])
def test_five_unlike_eggs_of_two_sires(mixed, seed, logarithms):
    verify(two_sires(mixed), unlike_eggs(5, seed, (60, 150)))
    assert logarithms


@pytest.mark.parametrize("seed", range(2))
def test_three_sires_and_a_share_of_zero(seed, logarithms):
    fathers = [parent(f"sire {k}", Sex.MALE, **ALL_OR_NONE) for k in range(3)]
    shares = (Fraction(1, 2), Fraction(0), Fraction(1, 2))
    verify(pair(OF, DAM, *fathers, shares=shares, mixed=Fraction(1, 2)), unlike_eggs(4, seed, (60, 140)))
    assert logarithms
