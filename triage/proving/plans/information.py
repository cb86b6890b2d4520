"""What a proving clutch can teach, and what each of its outcomes would say: exact sums over counts of what the eggs show.

Information is the mutual information between the answers and the outcome (Shannon 1948), in nats. The order of eggs says
nothing, and neither do eggs whose chance is the same under every hypothesis, so counts of the other classes are enough.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from triage.errors import WorkTooLargeError
from triage.proving.plans.egg_table import EggTable
from triage.proving.plans.seasons import EggCount

Counts = tuple[int, ...]

#: Most count vectors of one clutch or season that are summed.
MOST_COUNTS = 2_000_000
NATS_PER_BIT = math.log(2)


def information_nats(table: EggTable, eggs: EggCount) -> float:
    """Mutual information between the answers and what a clutch of that many eggs shows, in nats.

    Raises
    ------
    WorkTooLargeError
        The eggs can show too many different counts.
    """
    _, chances = _counts_and_chances(table, eggs)
    by_answer = _by_answer(table, chances)
    prior = by_answer.sum(axis=0)
    outcome = by_answer.sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = by_answer * np.log(by_answer / (outcome[:, None] * prior[None, :]))
    return max(0.0, math.fsum(terms[by_answer > 0]))


def p_settled_by(table: EggTable, eggs: EggCount, level: float) -> float:
    """Chance that after a clutch of that many eggs one answer has at least the probability ``level``."""
    _, chances = _counts_and_chances(table, eggs)
    by_answer = _by_answer(table, chances)
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


def outcome_meanings(table: EggTable, n_eggs: int) -> tuple[OutcomeMeaning, ...]:
    """Everything that ``n_eggs`` eggs can show, likeliest first, with P(answer | outcome)."""
    shown, chances = _counts_and_chances(table, EggCount.exactly(n_eggs))
    by_answer = _by_answer(table, chances)
    words, _ = table.answer_of
    told = [table.class_words(k) for k in _informative(table)]
    meanings = []
    for counts, row in zip(shown, by_answer, strict=True):
        total = float(row.sum())
        if total > 0:
            seen = tuple((w, n) for w, n in zip(told, counts, strict=True) if n)
            meanings.append(OutcomeMeaning(seen, total, dict(zip(words, (row / total).tolist(), strict=True))))
    return tuple(sorted(meanings, key=lambda m: -m.probability))


def _informative(table: EggTable) -> list[int]:
    return [k for k in range(table.n_classes) if k != table.uninformative]


def _counts_and_chances(table: EggTable, eggs: EggCount) -> tuple[list[Counts], NDArray[np.float64]]:
    """Counts of the informative classes, and P(counts, hypothesis), shape (n_counts, n_hypotheses)."""
    joint, per_class = table.per_egg()
    classes = _informative(table)
    largest = eggs.largest
    n_counts = math.comb(largest + len(classes), len(classes))
    if n_counts * joint.size > MOST_COUNTS * 4:
        raise WorkTooLargeError(
            f"a clutch of up to {largest} eggs that can show {len(classes)} things has {n_counts:,} outcomes under "
            f"{joint.size} combinations of genotypes: too many to sum; name fewer genes in question"
        )
    shown = list(counts_up_to(len(classes), largest))
    dull = table.uninformative
    p_dull = 0.0 if dull is None else float(per_class[..., dull][joint > 0].flat[0])
    paths = _paths(shown, eggs, p_dull)
    likelihood = np.ones((len(shown), *joint.shape))
    as_array = np.array(shown, dtype=int).reshape(len(shown), len(classes))
    for place, at in enumerate(classes):
        powers = per_class[None, ..., at] ** np.arange(largest + 1)[:, None, None]
        likelihood *= powers[as_array[:, place]]
    return shown, paths[:, None] * (likelihood * joint).sum(axis=2)


def counts_up_to(n_classes: int, n_eggs: int) -> Iterator[Counts]:
    """Every way to count ``n_eggs`` or fewer eggs in so many classes.

    >>> list(counts_up_to(1, 2)), len(list(counts_up_to(2, 3)))
    ([(0,), (1,), (2,)], 10)
    """
    if n_classes == 0:
        yield ()
        return
    for first in range(n_eggs + 1):
        for rest in counts_up_to(n_classes - 1, n_eggs - first):
            yield (first, *rest)


def _paths(shown: Sequence[Counts], eggs: EggCount, p_dull: float) -> NDArray[np.float64]:
    """Number of orders in which the counts can come, over the number of eggs, times the chance of the dull eggs among them."""
    by_total = np.zeros(eggs.largest + 1)
    for total in range(eggs.largest + 1):
        by_total[total] = math.fsum(
            p * math.comb(n, total) * p_dull ** (n - total)
            for n, p in enumerate(eggs.chances)
            if p > 0 and n >= total
        )
    result = np.empty(len(shown))
    for at, counts in enumerate(shown):
        total = sum(counts)
        orders = math.factorial(total) / math.prod(math.factorial(n) for n in counts)
        result[at] = orders * by_total[total]
    return result


def _by_answer(table: EggTable, chances: NDArray[np.float64]) -> NDArray[np.float64]:
    """P(counts, answer), shape (n_counts, n_answers)."""
    words, of = table.answer_of
    summed = np.zeros((len(chances), len(words)))
    for hypothesis, at in enumerate(of):
        summed[:, at] += chances[:, hypothesis]
    return summed
