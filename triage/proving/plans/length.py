"""How many eggs and seasons until a hidden gene is settled: exact first-passage sums over what was seen so far.

An animal is *settled* at a level when one answer has at least that probability. Eggs are looked at one by one for the count of
eggs, and all together at the end of a season for the count of seasons.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from triage.errors import WorkTooLargeError
from triage.proving.plans.egg_table import EggTable
from triage.proving.plans.seasons import EggCount

#: Most different histories that are kept apart.
MOST_HISTORIES = 200_000
#: Nothing is said beyond so many eggs of one pairing.
MOST_EGGS = 300
#: Histories of less than this chance are let go: with MOST_HISTORIES of them an egg, less than 1e-12 in MOST_EGGS eggs.
_NEVER = 1e-20
#: What stands for the log-odds of a hypothesis that is excluded; further below than any float's logarithm.
_EXCLUDED = 2**60
#: Odd numbers that make one of a row.
_MIXERS = np.random.default_rng(0).integers(-(2**62), 2**62, size=64) * 2 + 1


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


@dataclass(frozen=True, slots=True, eq=False)
class SeasonEnd:
    """Histories at the end of a season, those that say the same as one.

    Attributes
    ----------
    by_hypothesis, by_answer
        P(history, hypothesis) and P(history, answer), shapes (n_histories, n_hypotheses) and (n_histories, n_answers).
    settled
        Index of the settled answer by history, -1 where it is still open, shape (n_histories,).
    """

    by_hypothesis: NDArray[np.float64]
    by_answer: NDArray[np.float64]
    settled: NDArray[np.intp]

    @property
    def probability(self) -> NDArray[np.float64]:
        """Chance of each history, shape (n_histories,)."""
        return self.by_answer.sum(axis=1)


#: P(history, group of hypotheses), shape (n_histories, n_groups).
_Histories = NDArray[np.float64]


class _Walk:
    """Takes histories on by one egg; histories with the same posterior are one, and so are hypotheses that no egg tells apart."""

    def __init__(self, table: EggTable, level: float) -> None:
        self.table, self.level = table, level
        self.groups = table.told_apart
        self.start = self.groups.chances[None, :]

    def can_settle(self) -> bool:
        """False only where no number of eggs can: hypotheses that this mate's eggs cannot tell apart keep their odds for ever."""
        if self.table.per_egg()[0].shape[1] > 1:
            return True
        return bool((self.settled(np.diag(self.start[0])) >= 0).any())

    def one_more_egg(self, histories: _Histories) -> _Histories:
        later = _merged(histories[:, None, :] * self.groups.per_class.T)
        if len(later) > MOST_HISTORIES:
            raise WorkTooLargeError(
                f"proving {self.table.held.animal.name} with {self.table.mate.name}: more than {MOST_HISTORIES:,} histories that say "
                "different things; name fewer genes in question, or ask for fewer seasons"
            )
        return later

    def settled(self, histories: _Histories) -> NDArray[np.intp]:
        """Index of the settled answer by history, -1 where none is."""
        by_answer = histories @ self.groups.answer
        best = by_answer.argmax(axis=1)
        return np.where(by_answer.max(axis=1, initial=0) >= self.level * by_answer.sum(axis=1) * (1 - 1e-12), best, -1)


def _merged(histories: NDArray[np.float64]) -> _Histories:
    """Histories whose posteriors are equal, up to a billionth of the log-odds, added up."""
    histories = histories.reshape(-1, histories.shape[-1])
    histories = histories[histories.sum(axis=1) > _NEVER]
    with np.errstate(divide="ignore"):
        logs = np.log(histories / histories.max(axis=1, keepdims=True))
    posterior = np.where(histories > 0, np.rint(logs * 1e9), -_EXCLUDED).astype(np.int64)
    hashed = (posterior * _MIXERS[np.arange(posterior.shape[1]) % len(_MIXERS)]).sum(axis=1)
    order = np.argsort(hashed, kind="stable")
    hashed, posterior = hashed[order], posterior[order]
    new = np.ones(len(order), dtype=bool)
    # Equal hashes stand side by side; what they are of decides.
    new[1:] = (hashed[1:] != hashed[:-1]) | (posterior[1:] != posterior[:-1]).any(axis=1)
    return np.add.reduceat(histories[order], np.flatnonzero(new), axis=0) if len(order) else histories


def eggs_until_settled(table: EggTable, level: float, *, most_eggs: int = MOST_EGGS, negligible: float = 1e-9) -> UntilSettled:
    """Distribution of the number of eggs (slugs and lost ones counted) until settled, the eggs looked at one by one.

    Stops at ``most_eggs``, or where less than ``negligible`` is left.
    """
    walk = _Walk(table, level)
    if not walk.can_settle():
        return UntilSettled("eggs", level, (0.0,), 1.0)
    still_open = walk.start
    chances = []
    left = 1.0
    for n in range(most_eggs + 1):
        if n:
            still_open = walk.one_more_egg(still_open)
        done = walk.settled(still_open) >= 0
        chances.append(float(still_open[done].sum()))
        still_open = still_open[~done]
        left = float(still_open.sum())
        if left < negligible:
            break
    return UntilSettled("eggs", level, tuple(chances), max(0.0, left))


def season_ends(table: EggTable, eggs: EggCount, level: float, n_seasons: int) -> Iterator[SeasonEnd]:
    """For season 0 (today), 1, ..., ``n_seasons``: every history still open when it began, as it stands at its end.

    A history that is settled at the end of a season goes no further.
    """
    walk = _Walk(table, level)
    histories = walk.start
    for season in range(n_seasons + 1):
        if season:
            histories = _one_more_season(walk, histories, eggs)
        settled = walk.settled(histories)
        yield SeasonEnd(histories @ walk.groups.hypothesis, histories @ walk.groups.answer, settled)
        histories = histories[settled < 0]


def seasons_until_settled(table: EggTable, eggs: EggCount, level: float, *, n_seasons: int = 8) -> UntilSettled:
    """Distribution of the number of seasons until settled; ``eggs`` is the number of eggs of one season."""
    if not _Walk(table, level).can_settle():
        return UntilSettled("seasons", level, (0.0,), 1.0)
    chances, left = [], 1.0
    for end in season_ends(table, eggs, level, n_seasons):
        chances.append(math.fsum(end.probability[end.settled >= 0]))
        left = math.fsum(end.probability[end.settled < 0])
    return UntilSettled("seasons", level, tuple(chances), max(0.0, left))


def _one_more_season(walk: _Walk, histories: _Histories, eggs: EggCount) -> _Histories:
    after = []
    step = histories
    for n in range(eggs.largest + 1):
        if n:
            step = walk.one_more_egg(step)
        if eggs.chances[n] > 0:
            after.append(step * eggs.chances[n])
    return _merged(np.concatenate(after))


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
    averaged = np.einsum("hm,hmo->ho", table.mate_weights, table.chances)
    plain = (averaged > 0).all(axis=0)
    telling = tuple(w for w, common in zip(table.outcomes, plain, strict=True) if not common)
    if table.mate.another_for_each_egg:
        return telling, averaged[:, plain].sum(axis=1, keepdims=True)
    return telling, table.chances[..., plain].sum(axis=-1)
