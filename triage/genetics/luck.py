"""How surprising a clutch is: the exact chance of an outcome no likelier than the one seen.

The outcome of a clutch is how many hatchlings fell into each class; given chances p of the classes it is multinomial.
The tail sums P(n) over every n with P(n) <= P(seen). Listing every n is out of the question for 12 eggs in 30 classes
(7.9e9 of them). So outcomes are built class by class, those that have become equally likely are pooled, and a partial outcome
is settled in one step as soon as all its completions lie on one side of the outcome seen.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from triage.errors import WorkTooLargeError

#: Two log-probabilities closer than this are the same number.
_SAME = 1e-9
#: Partial outcomes held at once, 24 bytes each; more are refused.
MOST_PARTIAL_OUTCOMES = 10_000_000


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
    live = sorted((p for p in chances if p > 0), reverse=True)
    seen = sum(c * math.log(p) - math.lgamma(c + 1) for c, p in zip(counts, chances) if c)
    floor, ceiling = (np.array(bound) for bound in _bounds(live, n))
    log_all = math.lgamma(n + 1)
    tail = 0.0
    left, value, ways = np.array([n]), np.zeros(1), np.ones(1)
    for i, p in enumerate(live):
        log_mass = np.array([_log_mass(live[i + 1 :], rest) for rest in range(n + 1)])
        grown = []
        for c in range(n + 1):
            able = left >= c if i < len(live) - 1 else left == c
            rest, sums, many = left[able] - c, value[able] + (c * math.log(p) - math.lgamma(c + 1)), ways[able]
            inside = sums + ceiling[i + 1][rest] <= seen + _SAME
            tail += float((many[inside] * np.exp(log_all + sums[inside] + log_mass[rest[inside]])).sum())
            open_ = ~inside & (sums + floor[i + 1][rest] <= seen + _SAME)
            grown.append((rest[open_], sums[open_], many[open_]))
            if sum(len(g[0]) for g in grown) > MOST_PARTIAL_OUTCOMES:
                raise WorkTooLargeError(
                    f"the luck of {n} eggs in {len(live)} classes needs more than {MOST_PARTIAL_OUTCOMES:,} partial outcomes; "
                    "ask for fewer eggs or put calls together"
                )
        left, value, ways = _pooled(*(np.concatenate(part) for part in zip(*grown)))
    return min(tail, 1.0)


def _pooled(left: NDArray, value: NDArray, ways: NDArray) -> tuple[NDArray, NDArray, NDArray]:
    """Partial outcomes that leave as many eggs and are equally likely, counted together."""
    if not len(left):
        return left, value, ways
    order = np.lexsort((value, left))
    left, value, ways = left[order], value[order], ways[order]
    first = np.concatenate([[True], (np.diff(left) != 0) | (np.diff(value) > _SAME)])
    starts = np.flatnonzero(first)
    return left[starts], value[starts], np.add.reduceat(ways, starts)


def _log_mass(chances: Sequence[float], n: int) -> float:
    """Log of the sum of prod p^c / c! over every way to spread n eggs: (sum p)^n / n!."""
    if n == 0:
        return 0.0
    return n * math.log(sum(chances)) - math.lgamma(n + 1) if chances else -math.inf


def _bounds(chances: Sequence[float], n: int) -> tuple[list[list[float]], list[list[float]]]:
    """Least and greatest log of prod p^c / c! over ways to spread 0..n eggs on classes i and later."""
    size = len(chances)
    floor = [[-math.inf] * (n + 1) for _ in range(size + 1)]
    ceiling = [[-math.inf] * (n + 1) for _ in range(size + 1)]
    floor[size][0] = ceiling[size][0] = 0.0
    for i in range(size - 1, -1, -1):
        step = [c * math.log(chances[i]) - math.lgamma(c + 1) for c in range(n + 1)]
        for m in range(n + 1):
            ways = range(m + 1) if i < size - 1 else (m,)
            ceiling[i][m] = max(step[c] + ceiling[i + 1][m - c] for c in ways)
            floor[i][m] = min(step[c] + floor[i + 1][m - c] for c in ways)
    return floor, ceiling


def one_in(chance: float) -> str:
    """A chance for people: "1 in 128", "1 in 1.5"."""
    if chance <= 0:
        return "impossible"
    times = 1 / chance
    return f"1 in {times:.0f}" if times >= 10 else f"1 in {times:.1f}".removesuffix(".0")
