"""How good an eye is, from calls whose truth was settled otherwise: the rates of `keeper_reading`, and what is open of them.

An eye names a call rightly with chance `accuracy`; of its mistakes, `lookalike_share` take a look-alike for the real thing. Both
have a Beta prior with its mean at the usual rate. The right calls are a binomial count; each mistake is a mixture of the two ways
to make it, so that the posterior of the share is, exactly, a mixture of Betas.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.optimize import brentq
from scipy.special import betaln
from scipy.stats import beta

from triage.genetics.readings import Ways, ways_to_call
from triage.records import Probability, Species, VisualCall
from triage.species.hiding import shown

#: How many settled calls, and how many mistakes, the usual rates are worth; judgements, not measurements.
ACCURACY_WEIGHT, SHARE_WEIGHT = 10.0, 5.0


@dataclass(frozen=True)
class SettledCall:
    """A call, or the several that somebody's words describe, with the true look that came out and what the parents could give."""

    species: Species
    called: tuple[VisualCall, ...]
    true: VisualCall
    possible: tuple[VisualCall, ...]

    @cached_property
    def ways(self) -> Ways:
        return ways_to_call(self.species, self.called, self.true, self.possible)

    @property
    def is_right(self) -> bool:
        """Whether an eye that is right would call the animal so, as it can be perceived, at least every other time."""
        return self.ways.right >= 0.5

    @cached_property
    def differ(self) -> tuple[VisualCall, VisualCall]:
        """The looks of the truth that were not called, and those that were called and are not true."""
        true, said = shown(self.species, self.true), shown(self.species, self.called[0])
        return _less(true, said), _less(said, true)


@dataclass(frozen=True, slots=True)
class Rate:
    """A rate by its posterior: mean, and the ends of the central 95 % interval."""

    mean: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class EyeRates:
    """What settled calls say of an eye: how many there were, how many were right, and both rates."""

    calls: int
    right: int
    accuracy: Rate
    lookalike_share: Rate


@dataclass(frozen=True, slots=True)
class Confusion:
    """What was taken for what: `k` of the `n` animals that truly showed `true` were taken for `taken_for`, and the rate."""

    true: VisualCall
    taken_for: VisualCall
    k: int
    n: int
    rate: Rate


def eye_rates(calls: Sequence[SettledCall], *, accuracy: Probability, lookalike_share: Probability) -> EyeRates:
    """Both rates from settled calls; `accuracy` and `lookalike_share` are the usual ones, between 0 and 1 (both excluded)."""
    wrong = [one.ways for one in calls if not one.is_right]
    n, right = len(calls), len(calls) - len(wrong)
    return EyeRates(n, right, rate_of(right, n, accuracy), _lookalike_share(wrong, lookalike_share))


def confusions(calls: Sequence[SettledCall], *, accuracy: Probability, lookalike_share: Probability) -> tuple[Confusion, ...]:
    """Every mistake by what was taken for what, most frequent first.

    A Dirichlet prior over what an animal of one look may be called, with its mean at the usual rates; of it one call at a time.
    """
    found = Counter((one.species, *one.differ) for one in calls if not one.is_right)
    told = []
    for (species, true, taken_for), k in found.items():
        loci = {locus for call in (true, taken_for) for locus, _ in call.looks}
        shows = [one for one in calls if one.species is species and all(one.true.look(x) == true.look(x) for x in loci)]
        usual = 0.0
        for one in shows:
            other = species.call_of({**dict(one.true.looks), **{x: taken_for.look(x) for x in loci}})
            ways = ways_to_call(species, (other,), one.true, one.possible)
            usual += (1 - accuracy) * (lookalike_share * ways.alike + (1 - lookalike_share) * ways.careless) / len(shows)
        told.append(Confusion(true, taken_for, k, len(shows), rate_of(k, len(shows), usual)))
    return tuple(sorted(told, key=lambda one: (-one.k, -one.k / one.n, one.true.name, one.taken_for.name)))


def rate_of(k: int, n: int, usual: Probability, weight: float = ACCURACY_WEIGHT) -> Rate:
    """The rate behind `k` of `n`, with a prior worth `weight` more that say `usual`: a Beta posterior."""
    a, b = weight * usual + k, weight * (1 - usual) + n - k
    return Rate(a / (a + b), *(float(x) for x in beta.ppf([0.025, 0.975], a, b)))


def _lookalike_share(wrong: Iterable[Ways], usual: Probability) -> Rate:
    a, b = SHARE_WEIGHT * usual, SHARE_WEIGHT * (1 - usual)
    terms = np.ones(1)  # coefficient of s^k (1 - s)^(m - k)
    for one in wrong:
        terms = np.convolve(terms, [one.careless, one.alike])
        terms /= terms.sum()
    m = len(terms) - 1
    k = np.arange(m + 1)
    with np.errstate(divide="ignore"):
        logs = np.log(terms) + betaln(a + k, b + m - k)
    weights = np.exp(logs - logs.max())
    weights /= weights.sum()
    mean = float(weights @ ((a + k) / (a + b + m)))
    ends = (brentq(lambda s, p=p: float(weights @ beta.cdf(s, a + k, b + m - k)) - p, 0, 1, xtol=1e-12) for p in (0.025, 0.975))
    return Rate(mean, *ends)


def _less(one: VisualCall, other: VisualCall) -> VisualCall:
    """A call without the looks of another."""
    return VisualCall(tuple(pair for pair in one.looks if pair not in other.looks))
