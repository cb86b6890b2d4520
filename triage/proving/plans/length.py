"""How many eggs and seasons until a hidden gene is settled: exact first-passage sums over what was seen so far.

An animal is *settled* at a level when one answer has at least that probability. Eggs are looked at one by one for the count of
eggs, and all together at the end of a season for the count of seasons.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
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
class Standing:
    """Where histories that say the same leave the animal at the end of a season.

    ``p_by_hypothesis`` is P(one of these histories, hypothesis), shape (n_hypotheses,); ``settled`` the answer, or None.
    """

    p_by_hypothesis: NDArray[np.float64]
    answers: Mapping[str, float]
    settled: str | None

    @property
    def probability(self) -> float:
        return float(self.p_by_hypothesis.sum())


#: Histories by what they say; each holds P(history, hypothesis, mate), shape (n_hypotheses, n_mate_states).
_Histories = dict[bytes, NDArray[np.float64]]


class _Walk:
    """Takes histories on by one egg; histories with the same posterior are one."""

    def __init__(self, table: EggTable, level: float) -> None:
        self.table, self.level = table, level
        self.joint, self.per_class = table.per_egg()
        self.words, self.answer_of = table.answer_of

    def start(self) -> _Histories:
        return {_key(self.joint): self.joint}

    def can_settle(self) -> bool:
        """False only where no number of eggs can: hypotheses that this mate's eggs cannot tell apart keep their odds for ever."""
        if self.joint.shape[1] > 1:
            return True
        together: dict[bytes, NDArray[np.float64]] = {}
        for hypothesis, row in enumerate(np.round(self.per_class[:, 0, :], 12) + 0.0):
            alone = np.zeros_like(self.joint)
            alone[hypothesis] = self.joint[hypothesis]
            key = row.tobytes()
            together[key] = together.get(key, 0.0) + alone
        return any(self.settled(weights) is not None for weights in together.values())

    def one_more_egg(self, histories: _Histories) -> _Histories:
        later: _Histories = {}
        for weights in histories.values():
            for k in range(self.per_class.shape[-1]):
                _add(later, weights * self.per_class[..., k])
        if len(later) > MOST_HISTORIES:
            raise WorkTooLargeError(
                f"proving {self.table.held.animal.name} with {self.table.mate.name}: more than {MOST_HISTORIES:,} histories that say "
                "different things; name fewer genes in question, or ask for fewer seasons"
            )
        return later

    def by_answer(self, weights: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.bincount(self.answer_of, weights=weights.sum(axis=1), minlength=len(self.words))

    def settled(self, weights: NDArray[np.float64]) -> str | None:
        by_answer = self.by_answer(weights)
        best = int(by_answer.argmax())
        return self.words[best] if by_answer[best] >= self.level * by_answer.sum() * (1 - 1e-12) else None

    def standing(self, weights: NDArray[np.float64]) -> Standing:
        by_answer = self.by_answer(weights)
        answers = dict(zip(self.words, (by_answer / by_answer.sum()).tolist(), strict=True))
        return Standing(weights.sum(axis=1), answers, self.settled(weights))


def _key(weights: NDArray[np.float64]) -> bytes:
    """Equal for equal posteriors, up to a billionth of the log-odds."""
    with np.errstate(divide="ignore"):
        logs = np.log(weights / weights.max())
    return (np.round(logs, 9) + 0.0).tobytes()


def _add(histories: _Histories, weights: NDArray[np.float64]) -> None:
    if weights.max() > 0:
        key = _key(weights)
        known = histories.get(key)
        histories[key] = weights if known is None else known + weights


def _total(histories: _Histories) -> float:
    return math.fsum(float(w.sum()) for w in histories.values())


def eggs_until_settled(table: EggTable, level: float, *, most_eggs: int = MOST_EGGS, negligible: float = 1e-9) -> UntilSettled:
    """Distribution of the number of eggs (slugs and lost ones counted) until settled, the eggs looked at one by one.

    Stops at ``most_eggs``, or where less than ``negligible`` is left.
    """
    walk = _Walk(table, level)
    if not walk.can_settle():
        return UntilSettled("eggs", level, (0.0,), 1.0)
    still_open = walk.start()
    chances = []
    left = 1.0
    for n in range(most_eggs + 1):
        if n:
            still_open = walk.one_more_egg(still_open)
        done = {k: w for k, w in still_open.items() if walk.settled(w) is not None}
        still_open = {k: w for k, w in still_open.items() if k not in done}
        chances.append(_total(done))
        left = _total(still_open)
        if left < negligible or not still_open:
            break
    return UntilSettled("eggs", level, tuple(chances), max(0.0, left))


def season_ends(table: EggTable, eggs: EggCount, level: float, n_seasons: int) -> Iterator[tuple[Standing, ...]]:
    """For season 0 (today), 1, ..., ``n_seasons``: every history still open when it began, as it stands at its end.

    A history that is settled at the end of a season goes no further.
    """
    walk = _Walk(table, level)
    histories = walk.start()
    for season in range(n_seasons + 1):
        if season:
            histories = _one_more_season(walk, histories, eggs)
        yield tuple(walk.standing(w) for w in histories.values())
        histories = {k: w for k, w in histories.items() if walk.settled(w) is None}


def seasons_until_settled(table: EggTable, eggs: EggCount, level: float, *, n_seasons: int = 8) -> UntilSettled:
    """Distribution of the number of seasons until settled; ``eggs`` is the number of eggs of one season."""
    if not _Walk(table, level).can_settle():
        return UntilSettled("seasons", level, (0.0,), 1.0)
    chances, left = [], 1.0
    for standings in season_ends(table, eggs, level, n_seasons):
        chances.append(math.fsum(s.probability for s in standings if s.settled is not None))
        left = math.fsum(s.probability for s in standings if s.settled is None)
    return UntilSettled("seasons", level, tuple(chances), max(0.0, left))


def _one_more_season(walk: _Walk, histories: _Histories, eggs: EggCount) -> _Histories:
    after: _Histories = {}
    step = histories
    for n in range(eggs.largest + 1):
        if n:
            step = walk.one_more_egg(step)
        if eggs.chances[n] > 0:
            for weights in step.values():
                _add(after, weights * eggs.chances[n])
    return after


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
