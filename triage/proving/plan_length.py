"""How many eggs and seasons until a hidden gene is settled: exact first-passage sums over what was seen so far.

An animal is *settled* at a level when one answer has at least that probability. Eggs are looked at one by one for the count of
eggs, and all together at the end of a season for the count of seasons.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from triage.errors import WorkTooLargeError
from triage.proving.plan_information import Counts, _informative
from triage.proving.plan_table import EggTable
from triage.proving.seasons import EggCount

#: Most different histories that are kept apart.
MOST_HISTORIES = 200_000
#: Nothing is said beyond so many eggs of one pairing.
MOST_EGGS = 300


@dataclass(frozen=True, slots=True)
class UntilSettled:
    """P(settled at exactly n) for n = 0, 1, ..., and the chance that it takes longer than the last of them.

    ``unit`` is "eggs" or "seasons".
    """

    unit: str
    level: float
    chances: tuple[float, ...]
    beyond: float

    def p_within(self, n: int) -> float:
        """Chance of being settled within ``n``."""
        return math.fsum(self.chances[: n + 1])

    def quantile(self, share: float) -> int | None:
        """Least n within which it is settled with this chance; None where that lies beyond what was counted."""
        total = 0.0
        for n, p in enumerate(self.chances):
            total += p
            if total >= share * (1 - 1e-12):
                return n
        return None

    @property
    def mean(self) -> float | None:
        """Mean, where less than one in a million lies beyond what was counted."""
        if self.beyond > 1e-6:
            return None
        return math.fsum(n * p for n, p in enumerate(self.chances))


@dataclass(frozen=True, slots=True)
class Standing:
    """One history at the end of a season: its counts, its chance by answer, and the hypotheses' chances given it.

    ``p_by_hypothesis`` is P(history, hypothesis), shape (n_hypotheses,).
    """

    counts: Counts
    p_by_hypothesis: NDArray[np.float64]
    answers: Mapping[str, float]
    settled: str | None

    @property
    def probability(self) -> float:
        return float(self.p_by_hypothesis.sum())


class _Histories:
    """Likelihoods and posteriors of counts, each worked out once."""

    def __init__(self, table: EggTable, level: float) -> None:
        self.table, self.level = table, level
        self.joint, per_class = table.per_egg()
        self.classes = _informative(table)
        self.per_class = [per_class[..., k] for k in self.classes]
        dull = table.uninformative
        self.p_dull = 0.0 if dull is None else float(per_class[..., dull][self.joint > 0].flat[0])
        self.words, self.answer_of = table.answer_of
        self._known: dict[Counts, tuple[NDArray[np.float64], str | None]] = {}

    @property
    def start(self) -> dict[Counts, float]:
        return {(0,) * len(self.classes): 1.0}

    def weights(self, counts: Counts) -> NDArray[np.float64]:
        """P(one given order of these counts, hypothesis), shape (n_hypotheses,)."""
        return self._look_up(counts)[0]

    def settled(self, counts: Counts) -> str | None:
        return self._look_up(counts)[1]

    def answers(self, counts: Counts) -> dict[str, float]:
        by_answer = np.bincount(self.answer_of, weights=self.weights(counts), minlength=len(self.words))
        return dict(zip(self.words, (by_answer / by_answer.sum()).tolist(), strict=True))

    def _look_up(self, counts: Counts) -> tuple[NDArray[np.float64], str | None]:
        found = self._known.get(counts)
        if found is None:
            if len(self._known) > MOST_HISTORIES:
                raise WorkTooLargeError(
                    f"proving {self.table.held.animal.name} with {self.table.mate.name}: more than {MOST_HISTORIES:,} different "
                    "histories; name fewer genes in question, or ask for fewer seasons"
                )
            likelihood = self.joint.copy()
            for chance, n in zip(self.per_class, counts, strict=True):
                if n:
                    likelihood = likelihood * chance**n
            weights = likelihood.sum(axis=1)
            by_answer = np.bincount(self.answer_of, weights=weights, minlength=len(self.words))
            best = int(by_answer.argmax())
            total = by_answer.sum()
            is_settled = total > 0 and by_answer[best] >= self.level * total * (1 - 1e-12)
            found = self._known[counts] = (weights, self.words[best] if is_settled else None)
        return found

    def one_more_egg(self, paths: Mapping[Counts, float]) -> dict[Counts, float]:
        """Orders of eggs that lead to each history, one egg later; histories nobody can have are dropped."""
        later: dict[Counts, float] = defaultdict(float)
        for counts, n in paths.items():
            if self.p_dull:
                later[counts] += n * self.p_dull
            for k in range(len(counts)):
                more = (*counts[:k], counts[k] + 1, *counts[k + 1 :])
                later[more] += n
        return {c: n for c, n in later.items() if self.weights(c).any()}

    def probability(self, paths: Mapping[Counts, float]) -> float:
        return math.fsum(n * float(self.weights(c).sum()) for c, n in paths.items())


def eggs_until_settled(table: EggTable, level: float, *, most_eggs: int = MOST_EGGS, negligible: float = 1e-9) -> UntilSettled:
    """Distribution of the number of eggs (slugs and lost ones counted) until settled, the eggs looked at one by one.

    Stops at ``most_eggs``, or where less than ``negligible`` is left.
    """
    histories = _Histories(table, level)
    open_paths = histories.start
    chances = []
    left = 1.0
    for n in range(most_eggs + 1):
        if n:
            open_paths = histories.one_more_egg(open_paths)
        done = {c: k for c, k in open_paths.items() if histories.settled(c) is not None}
        open_paths = {c: k for c, k in open_paths.items() if c not in done}
        chances.append(histories.probability(done))
        left = histories.probability(open_paths)
        if left < negligible or not open_paths:
            break
    return UntilSettled("eggs", level, tuple(chances), max(0.0, left))


def season_ends(table: EggTable, eggs: EggCount, level: float, n_seasons: int) -> Iterator[tuple[Standing, ...]]:
    """For season 0 (today), 1, ..., ``n_seasons``: every history still open when it began, as it stands at its end.

    A history that is settled at the end of a season goes no further.
    """
    histories = _Histories(table, level)
    paths = histories.start
    for season in range(n_seasons + 1):
        if season:
            paths = _one_more_season(histories, paths, eggs)
        standings = tuple(
            Standing(c, k * histories.weights(c), histories.answers(c), histories.settled(c)) for c, k in paths.items()
        )
        yield standings
        paths = {c: k for c, k in paths.items() if histories.settled(c) is None}


def seasons_until_settled(table: EggTable, eggs: EggCount, level: float, *, n_seasons: int = 8) -> UntilSettled:
    """Distribution of the number of seasons until settled; ``eggs`` is the number of eggs of one season."""
    chances, left = [], 1.0
    for standings in season_ends(table, eggs, level, n_seasons):
        chances.append(math.fsum(s.probability for s in standings if s.settled is not None))
        left = math.fsum(s.probability for s in standings if s.settled is None)
    return UntilSettled("seasons", level, tuple(chances), max(0.0, left))


def _one_more_season(histories: _Histories, paths: Mapping[Counts, float], eggs: EggCount) -> dict[Counts, float]:
    after: dict[Counts, float] = defaultdict(float)
    step = dict(paths)
    for n in range(eggs.largest + 1):
        if n:
            step = histories.one_more_egg(step)
        p = eggs.chances[n]
        if p > 0:
            for counts, k in step.items():
                after[counts] += p * k
    return dict(after)


@dataclass(frozen=True, slots=True)
class PlainRun:
    """What a run of young that exclude nothing would say.

    Attributes
    ----------
    telling
        What an egg can show that excludes a hypothesis at once.
    needed
        Least run after which one answer reaches the level, and that answer; None where no run does.
    """

    telling: tuple[str, ...]
    level: float
    needed: int | None
    answer: str


def plain_run(table: EggTable, level: float, *, most_eggs: int = MOST_EGGS) -> PlainRun:
    """The stopping rule for eggs that exclude nothing: after how many in a row is which answer settled.

    An outcome excludes nothing when every hypothesis can give it.
    """
    telling, plain = _telling(table)
    words, of = table.answer_of
    joint, _ = table.per_egg()
    weights = joint.copy()
    for n in range(most_eggs + 1):
        by_answer = np.bincount(of, weights=weights.sum(axis=1), minlength=len(words))
        best = int(by_answer.argmax())
        if by_answer.sum() > 0 and by_answer[best] >= level * by_answer.sum() * (1 - 1e-12):
            return PlainRun(telling, level, n, words[best])
        weights = weights * plain
        weights = weights / weights.sum() if weights.sum() > 0 else weights
    return PlainRun(telling, level, None, "")


def young_to_show(table: EggTable, answer: str, chance: float, *, most_eggs: int = MOST_EGGS) -> int | None:
    """Least number of young so that, if ``answer`` is true, at least one excludes a hypothesis with this chance.

    The handbooks' number of offspring of a test mating: ceil(ln(1 - chance) / ln(q)), q the chance that one young shows nothing.
    Give a table made without slugs and losses to count young and not eggs. None where no number is enough.
    """
    _, plain = _telling(table)
    words, of = table.answer_of
    joint, _ = table.per_egg()
    weights = joint[of == words.index(answer)]
    weights = weights / weights.sum()
    q = plain[of == words.index(answer)]
    for n in range(1, most_eggs + 1):
        if 1 - float((weights * q**n).sum()) >= chance - 1e-12:
            return n
    return None


def _telling(table: EggTable) -> tuple[tuple[str, ...], NDArray[np.float64]]:
    """Words of outcomes that exclude a hypothesis, and P(an egg excludes nothing | hypothesis, mate)."""
    joint, _ = table.per_egg()
    averaged = np.einsum("hm,hmo->ho", table.mate_weights, table.chances)
    plain = (averaged > 0).all(axis=0)
    telling = tuple(w for w, common in zip(table.outcomes, plain, strict=True) if not common)
    if table.mate.another_for_each_egg:
        return telling, averaged[:, plain].sum(axis=1, keepdims=True)
    return telling, table.chances[..., plain].sum(axis=-1)
