"""The luck of a clutch against a full listing of outcomes and against SciPy."""

import itertools
import math
from fractions import Fraction
from random import Random

import pytest
from scipy import stats

from triage.errors import WorkTooLargeError
from triage.genetics.clutch import luck
from triage.genetics.clutch.luck import multinomial_tail, one_in


def outcomes(n, classes):
    """Every way to spread n eggs on the classes."""
    if classes == 1:
        yield (n,)
        return
    for first in range(n + 1):
        for rest in outcomes(n - first, classes - 1):
            yield (first, *rest)


def listed_tail(counts, chances):
    """The tail by listing, in exact fractions."""

    def p(n):
        ways = math.factorial(sum(n))
        for c in n:
            ways //= math.factorial(c)
        return ways * math.prod(q**c for q, c in zip(chances, n))

    bar = p(counts)
    return sum((x for n in outcomes(sum(counts), len(counts)) if (x := p(n)) <= bar), Fraction(0))


@pytest.mark.parametrize("seed", range(60))
def test_equals_the_listing(seed):
    rng = Random(seed)
    parts = [rng.randint(1, 6) for _ in range(rng.randint(1, 5))]
    chances = [Fraction(p, sum(parts)) for p in parts]
    drawn = rng.choices(range(len(parts)), parts, k=rng.randint(0, 7))
    counts = [drawn.count(i) for i in range(len(parts))]
    assert multinomial_tail(counts, [float(p) for p in chances]) == pytest.approx(float(listed_tail(counts, chances)), rel=1e-12)


@pytest.mark.parametrize("seed", range(15))
def test_equals_a_sum_of_scipys_multinomial(seed):
    """Against scipy.stats.multinomial.pmf summed over all outcomes; equal likelihoods count as equal up to 1e-9."""
    rng = Random(1000 + seed)
    weights = [rng.random() + 0.01 for _ in range(rng.randint(2, 4))]
    chances = [w / sum(weights) for w in weights]
    drawn = rng.choices(range(len(weights)), weights, k=rng.randint(1, 9))
    counts = [drawn.count(i) for i in range(len(weights))]
    law = stats.multinomial(len(drawn), chances)
    bar = law.pmf(counts) * (1 + 1e-9)
    expected = math.fsum(p for n in outcomes(len(drawn), len(weights)) if (p := law.pmf(n)) <= bar)
    assert multinomial_tail(counts, chances) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("p", [0.25, 0.5, 1 / 3, 0.9])
@pytest.mark.parametrize("n", [1, 4, 9, 20])
def test_two_classes_equal_scipys_binomial_test(n, p):
    """Against scipy.stats.binomtest: its exact two-sided p-value is the same tail."""
    for k in range(n + 1):
        assert multinomial_tail([k, n - k], [p, 1 - p]) == pytest.approx(stats.binomtest(k, n, p).pvalue, rel=1e-9)


@pytest.mark.parametrize(("red", "white"), [(315 + 101, 108 + 32), (705, 224)])
def test_mendels_counts(red, white):
    """Mendel 1866: round or wrinkled yellow 416 to green 140, flowers 705 to 224; against scipy.stats.binomtest."""
    expected = stats.binomtest(white, red + white, 0.25).pvalue
    assert multinomial_tail([red, white], [0.75, 0.25]) == pytest.approx(expected, rel=1e-7)


def test_seven_supers_of_a_pair_of_singles_is_one_in_128():
    """Seven animals with a gene of which each has a chance of 1/2: both ends of the binomial, 2/128."""
    assert multinomial_tail([7, 0], [0.5, 0.5]) == pytest.approx(2 / 128, rel=1e-12)
    assert multinomial_tail([7, 0], [1.0, 0.0]) == 1.0
    assert one_in(1 / 128) == "1 in 128"


def test_twelve_eggs_in_thirty_equal_classes():
    """All twelve alike: 30 outcomes share the least likelihood, 30 / 30^12 of the whole."""
    assert multinomial_tail([12] + [0] * 29, [1 / 30] * 30) == pytest.approx(30.0**-11, rel=1e-9)
    assert multinomial_tail([1] * 12 + [0] * 18, [1 / 30] * 30) == pytest.approx(1.0, rel=1e-12)


def test_twelve_eggs_in_thirty_unequal_classes():
    """Against the share of drawn clutches (NumPy's generator, seed 5) that are no likelier than the one seen."""
    import numpy as np

    chances = np.array([3.0] * 6 + [1.0] * 16 + [0.5] * 8)
    chances /= chances.sum()
    counts = [3, 2, 0, 1, 0, 0] + [1] * 4 + [0] * 12 + [1, 1] + [0] * 6
    law = stats.multinomial(12, chances)
    drawn = np.random.default_rng(5).multinomial(12, chances, size=40_000)
    share = float((law.logpmf(drawn) <= law.logpmf(counts) + 1e-9).mean())
    found = multinomial_tail(counts, chances.tolist())
    assert found == pytest.approx(share, abs=4 * math.sqrt(0.25 / 40_000))


def test_zero_chances():
    assert multinomial_tail([1, 1], [1.0, 0.0]) == 0.0
    assert multinomial_tail([2, 0, 1], [0.5, 0.0, 0.5]) == pytest.approx(multinomial_tail([2, 1], [0.5, 0.5]), rel=1e-12)
    assert multinomial_tail([0, 0], [0.5, 0.5]) == 1.0


def test_order_of_classes_does_not_matter():
    counts, chances = [3, 1, 0, 2], [0.4, 0.3, 0.2, 0.1]
    found = {round(multinomial_tail([counts[i] for i in o], [chances[i] for i in o]), 12) for o in itertools.permutations(range(4))}
    assert len(found) == 1


def test_refuses_more_than_its_memory(monkeypatch):
    monkeypatch.setattr(luck, "MOST_PARTIAL_OUTCOMES", 50)
    weights = [1 + 0.01 * i for i in range(8)]
    chances = [w / sum(weights) for w in weights]
    with pytest.raises(WorkTooLargeError, match="the luck of 8 eggs in 8 classes needs more than 50 partial outcomes; ask for fewer eggs"):
        multinomial_tail([2, 2, 2, 1, 1, 0, 0, 0], chances)


@pytest.mark.parametrize(
    ("counts", "chances", "message"),
    [
        ([1], [0.5, 0.5], "one entry for each class"),
        ([-1, 2], [0.5, 0.5], "counts 0 or more"),
        ([1, 1], [0.5, 0.6], "sum to 1"),
        ([1, 1], [1.5, -0.5], "0 or more and sum to 1"),
    ],
)
def test_refuses_what_is_no_distribution(counts, chances, message):
    with pytest.raises(ValueError, match=message):
        multinomial_tail(counts, chances)


@pytest.mark.parametrize(
    ("chance", "words"), [(0.0, "impossible"), (1.0, "1 in 1"), (2 / 3, "1 in 1.5"), (1 / 128, "1 in 128"), (0.1, "1 in 10")]
)
def test_one_in(chance, words):
    assert one_in(chance) == words
