"""How surprising a clutch is: the exact chance of an outcome no likelier than the one seen.

The outcome of a clutch is how many hatchlings fell into each class; given chances p of the classes it is multinomial.
The tail sums P(n) over every n with P(n) <= P(seen). Listing every n is out of the question for 12 eggs in 30 classes
(7.9e9 of them). So outcomes are built class by class, classes of one chance at once, those that have become equally likely are
pooled, and a partial outcome is settled in one step as soon as all its completions lie on one side of the outcome seen.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from triage.errors import WorkTooLargeError

#: Two log-probabilities closer than this are the same number.
_SAME = 1e-9
_EQUAL = 1e-12  # of the logs of chances, to count as one
#: Partial outcomes held at once, 24 bytes each; more are refused.
MOST_PARTIAL_OUTCOMES = 10_000_000
_MOST_WORK = 60_000_000  # and made altogether: some seconds
_MOST_EGGS_TOGETHER = 16  # more have too many partitions (231 of 16 eggs) to take equal classes in one step


def multinomial_tail(counts: Sequence[int], chances: Sequence[float]) -> float:
    """P(an outcome no likelier than the one seen), exactly.

    Parameters
    ----------
    counts
        Hatchlings seen in each class.
    chances
        Chance of each class; sums to 1.

    Returns
    -------
    float
        From above 0 to 1; 0.0 if a class of chance 0 was seen.

    Raises
    ------
    ValueError
        Lengths differ, a count is negative, or the chances do not sum to 1.
    WorkTooLargeError
        More than ``MOST_PARTIAL_OUTCOMES`` different partial outcomes would have to be held.
    """
    if len(counts) != len(chances) or any(c < 0 for c in counts):
        raise ValueError("counts and chances must have one entry for each class, counts 0 or more")
    if abs(sum(chances) - 1) > 1e-9 or any(p < 0 for p in chances):
        raise ValueError("the chances must be 0 or more and sum to 1")
    if any(c and p == 0 for c, p in zip(counts, chances)):
        return 0.0
    n = sum(counts)
    groups = _groups(sorted((p for p in chances if p > 0), reverse=True), n)
    seen = sum(c * math.log(p) - math.lgamma(c + 1) for c, p in zip(counts, chances) if c)
    floor, ceiling = (np.array(bound) for bound in _bounds(groups, n))
    log_all = math.lgamma(n + 1)
    tail, work = 0.0, 0
    left, value, ways = np.array([n]), np.zeros(1), np.ones(1)
    later = list(itertools.accumulate((g.chance * g.size for g in reversed(groups)), initial=0.0))[::-1]
    for i, group in enumerate(groups):
        last = i == len(groups) - 1
        log_mass = np.array([_log_mass(later[i + 1], rest) for rest in range(n + 1)])
        grown = []
        held = 0
        for spread in group.spreads:
            able = left == spread.eggs if last else left >= spread.eggs
            rest, sums = left[able] - spread.eggs, value[able] + spread.log_weight
            many = ways[able] * spread.ways
            inside = sums + ceiling[i + 1][rest] <= seen + _SAME
            tail += float((many[inside] * np.exp(log_all + sums[inside] + log_mass[rest[inside]])).sum())
            open_ = ~inside & (sums + floor[i + 1][rest] <= seen + _SAME)
            grown.append((rest[open_], sums[open_], many[open_]))
            held += len(grown[-1][0])
            work += len(rest)
            if held > MOST_PARTIAL_OUTCOMES or work > _MOST_WORK:
                n_classes = sum(g.size for g in groups)
                most = MOST_PARTIAL_OUTCOMES if held > MOST_PARTIAL_OUTCOMES else _MOST_WORK
                raise WorkTooLargeError(
                    f"the luck of {n} eggs in {n_classes} classes needs more than {most:,} partial outcomes; "
                    "ask for fewer eggs or put calls together"
                )
        left, value, ways = _pooled(*(np.concatenate(part) for part in zip(*grown)))
    return min(tail, 1.0)


@dataclass(frozen=True, slots=True)
class _Spread:
    """Some eggs on the classes of a group: how many, log of prod p^c / c!, and in how many ways that can be."""

    eggs: int
    log_weight: float
    ways: float


@dataclass(frozen=True, slots=True)
class _Group:
    """Classes that share one chance, taken in one step."""

    chance: float
    size: int
    spreads: tuple[_Spread, ...]


def _groups(chances: Sequence[float], n: int) -> list[_Group]:
    """Equal neighbours of a sorted list together, unless that takes more steps than one class after another."""
    groups: list[_Group] = []
    for _, equal in itertools.groupby(chances, key=lambda p: round(math.log(p) / _EQUAL)):
        same = list(equal)
        chance, size = math.fsum(same) / len(same), len(same)
        if size > 1 and n <= _MOST_EGGS_TOGETHER:
            groups.append(_Group(chance, size, tuple(_spreads(chance, size, n))))
        else:
            single = tuple(_spreads(chance, 1, n))
            groups += [_Group(chance, 1, single)] * size
    return groups


def _spreads(chance: float, size: int, n: int) -> Iterator[_Spread]:
    """Every partition of 0..n eggs into at most `size` parts."""

    def parts(eggs: int, most: int, room: int) -> Iterator[tuple[int, ...]]:
        if eggs == 0:
            yield ()
        elif room:
            for first in range(min(eggs, most), 0, -1):
                for rest in parts(eggs - first, first, room - 1):
                    yield (first, *rest)

    for eggs in range(n + 1):
        for partition in parts(eggs, eggs, size):
            ways = math.perm(size, len(partition))
            for same in Counter(partition).values():
                ways //= math.factorial(same)
            yield _Spread(eggs, eggs * math.log(chance) - sum(math.lgamma(c + 1) for c in partition), float(ways))


def _pooled(left: NDArray, value: NDArray, ways: NDArray) -> tuple[NDArray, NDArray, NDArray]:
    """Partial outcomes that leave as many eggs and are equally likely, counted together."""
    if not len(left):
        return left, value, ways
    order = np.lexsort((value, left))
    left, value, ways = left[order], value[order], ways[order]
    first = np.concatenate([[True], (np.diff(left) != 0) | (np.diff(value) > _SAME)])
    starts = np.flatnonzero(first)
    return left[starts], value[starts], np.add.reduceat(ways, starts)


def _log_mass(chance: float, n: int) -> float:
    """Log of the sum of prod p^c / c! over every way to spread n eggs on classes of this chance together: (sum p)^n / n!."""
    if n == 0:
        return 0.0
    return n * math.log(chance) - math.lgamma(n + 1) if chance > 0 else -math.inf


def _bounds(groups: Sequence[_Group], n: int) -> tuple[list[list[float]], list[list[float]]]:
    """Least and greatest log of prod p^c / c! over ways to spread 0..n eggs on the groups from the i-th on."""
    size = len(groups)
    floor = [[-math.inf] * (n + 1) for _ in range(size + 1)]
    ceiling = [[-math.inf] * (n + 1) for _ in range(size + 1)]
    floor[size][0] = ceiling[size][0] = 0.0
    for i in range(size - 1, -1, -1):
        least, most = [math.inf] * (n + 1), [-math.inf] * (n + 1)
        for spread in groups[i].spreads:
            least[spread.eggs] = min(least[spread.eggs], spread.log_weight)
            most[spread.eggs] = max(most[spread.eggs], spread.log_weight)
        for m in range(n + 1):
            taken = range(m + 1) if i < size - 1 else (m,)
            ceiling[i][m] = max(most[c] + ceiling[i + 1][m - c] for c in taken)
            floor[i][m] = min(least[c] + floor[i + 1][m - c] for c in taken)
    return floor, ceiling


def one_in(chance: float) -> str:
    """A chance for people: "1 in 128", "1 in 1.5"."""
    if chance <= 0:
        return "impossible"
    times = 1 / chance
    return f"1 in {times:.0f}" if times >= 10 else f"1 in {times:.1f}".removesuffix(".0")
