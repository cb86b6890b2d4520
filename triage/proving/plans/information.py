"""What a proving clutch can teach, and what each of its outcomes would say: exact sums over counts of what the eggs show.

Information is the mutual information between the answers and the outcome (Shannon 1948), in nats. The order of eggs says
nothing, and neither do eggs whose chance is the same under every hypothesis, so counts of the other classes are enough.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from triage.errors import WorkTooLargeError
from triage.proving.plans.egg_table import EggTable
from triage.proving.plans.seasons import EggCount

#: Most count vectors of one clutch or season that are summed.
MOST_COUNTS = 2_000_000


def information_nats(table: EggTable, eggs: EggCount) -> float:
    """Mutual information between the answers and what a clutch of that many eggs shows, in nats.

    Raises
    ------
    WorkTooLargeError
        The eggs can show too many different counts.
    """
    _, by_answer = _counts_and_chances(table, eggs)
    prior = by_answer.sum(axis=0)
    outcome = by_answer.sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = by_answer * np.log(by_answer / (outcome[:, None] * prior[None, :]))
    return max(0.0, float(terms[by_answer > 0].sum()))


def p_settled_by(table: EggTable, eggs: EggCount, level: float) -> float:
    """Chance that after a clutch of that many eggs one answer has at least the probability ``level``."""
    _, by_answer = _counts_and_chances(table, eggs)
    outcome = by_answer.sum(axis=1)
    settled = by_answer.max(axis=1) >= level * outcome * (1 - 1e-12)
    return float(outcome[settled & (outcome > 0)].sum())


@dataclass(frozen=True, slots=True)
class OutcomeMeaning:
    """One outcome of a clutch: what was seen how often, how likely that is, and what it says.

    ``seen`` pairs words with counts; eggs that say nothing are left out of it.
    """

    seen: tuple[tuple[str, int], ...]
    probability: float
    answers: Mapping[str, float]


def outcome_meanings(table: EggTable, n_eggs: int, most: int | None = None) -> tuple[OutcomeMeaning, ...]:
    """What ``n_eggs`` eggs can show, likeliest first, with P(answer | outcome); the ``most`` likeliest, or all."""
    shown, by_answer = _counts_and_chances(table, EggCount.exactly(n_eggs))
    words, _ = table.answer_of
    told = [table.class_words(k) for k in _informative(table)]
    totals = by_answer.sum(axis=1)
    meanings = []
    for at in np.argsort(-totals, kind="stable")[:most].tolist():
        total = float(totals[at])
        if total > 0:
            seen = tuple((w, n) for w, n in zip(told, shown[at].tolist(), strict=True) if n)
            meanings.append(OutcomeMeaning(seen, total, dict(zip(words, (by_answer[at] / total).tolist(), strict=True))))
    return tuple(meanings)


def _informative(table: EggTable) -> list[int]:
    dull = table.uninformative
    return [k for k in range(table.n_classes) if k != dull]


@lru_cache(maxsize=1)  # one clutch is asked several things in a row; table and eggs never change
def _counts_and_chances(table: EggTable, eggs: EggCount) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """Counts of the informative classes, shape (n_counts, n_classes), and P(counts, answer), shape (n_counts, n_answers)."""
    groups = table.told_apart
    classes = _informative(table)
    largest = eggs.largest
    n_counts = math.comb(largest + len(classes), len(classes))
    n_groups = len(groups.chances)
    if n_counts * n_groups > MOST_COUNTS * 4:
        raise WorkTooLargeError(
            f"a clutch of up to {largest} eggs that can show {len(classes)} things has {n_counts:,} outcomes under "
            f"{n_groups} combinations of genotypes: too many to sum; name fewer genes in question"
        )
    shown = counts_up_to(len(classes), largest)
    dull = table.uninformative
    p_dull = 0.0 if dull is None else float(groups.per_class[0, dull])
    likelihood = np.tile(groups.chances, (len(shown), 1))
    for place, at in enumerate(classes):
        powers = groups.per_class[:, at] ** np.arange(largest + 1)[:, None]
        likelihood *= powers[shown[:, place]]
    return shown, _paths(shown, eggs, p_dull)[:, None] * (likelihood @ groups.answer)


def counts_up_to(n_classes: int, n_eggs: int) -> NDArray[np.intp]:
    """Every way to count ``n_eggs`` or fewer eggs in so many classes, shape (n_ways, n_classes).

    >>> counts_up_to(1, 2).tolist(), len(counts_up_to(2, 3))
    ([[0], [1], [2]], 10)
    """
    shown, left = np.zeros((1, 0), dtype=np.intp), np.array([n_eggs])
    for _ in range(n_classes):
        ways = left + 1
        begins = np.repeat(np.cumsum(ways) - ways, ways)
        one = np.arange(ways.sum()) - begins
        shown = np.column_stack([np.repeat(shown, ways, axis=0), one])
        left = np.repeat(left, ways) - one
    return shown


def _paths(shown: NDArray[np.intp], eggs: EggCount, p_dull: float) -> NDArray[np.float64]:
    """Number of orders in which the counts can come, over the number of eggs, times the chance of the dull eggs among them."""
    by_total = np.zeros(eggs.largest + 1)
    for total in range(eggs.largest + 1):
        by_total[total] = math.fsum(
            p * math.comb(n, total) * p_dull ** (n - total)
            for n, p in enumerate(eggs.chances)
            if p > 0 and n >= total
        )
    factorial = np.array([float(math.factorial(n)) for n in range(eggs.largest + 1)])
    total = shown.sum(axis=1)
    return factorial[total] / factorial[shown].prod(axis=1) * by_total[total]
