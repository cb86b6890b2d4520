"""Which facts probabilities rest on: what leaving each one out would do to it, in log-odds."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from triage.errors import ContradictionError
from triage.genetics.clutch.exact import infer
from triage.genetics.clutch.model import CrossModel
from triage.genetics.clutch.posterior import Posterior
from triage.genetics.transmission import OTHER_LOSS
from triage.records import Egg, Reading

#: Log-odds are cut here, so that a fact which settles a question has a finite number.
MOST_LOG_ODDS = 50.0


@dataclass(frozen=True, slots=True)
class Influence:
    """One fact, and by how much it raised the log-odds (natural logarithm) of the question."""

    fact: str
    log_odds: float


def strongest_facts(
    model: CrossModel,
    eggs: Sequence[Egg],
    questions: Sequence[Callable[[Posterior], float]],
    parent_readings: Mapping[str, Sequence[Reading]] | None = None,
    *,
    most: int = 3,
    other_loss: float = OTHER_LOSS,
) -> list[list[Influence]]:
    """For each question the facts that move its probability most, strongest first.

    Parameters
    ----------
    questions
        Each takes a posterior of the same eggs and returns the probability asked about.
    most
        Number of facts returned a question; facts that move nothing are left out.
    other_loss
        As for ``infer``.

    Each fact (one reading of one egg or parent, one stated sex) is left out in turn and everything computed again, once for all
    questions.
    """
    readings = dict(parent_readings or {})

    def answers(some_eggs: Sequence[Egg], some_readings: Mapping[str, Sequence[Reading]]) -> list[float]:
        posterior = infer(model, some_eggs, some_readings, other_loss=other_loss)
        return [_log_odds(question(posterior)) for question in questions]

    base = answers(eggs, readings)
    found: list[list[Influence]] = [[] for _ in questions]
    for fact, some_eggs, some_readings in _each_left_out(eggs, readings):
        try:
            without = answers(some_eggs, some_readings)
        except ContradictionError:
            continue
        for own, before, after in zip(found, base, without, strict=True):
            own.append(Influence(fact, before - after))
    ranked = [sorted(own, key=lambda x: -abs(x.log_odds)) for own in found]
    return [[x for x in own[:most] if abs(x.log_odds) > 1e-9] for own in ranked]


def odds_in_words(log_odds: float) -> str:
    """A shift of log-odds for people: "odds x 490", "odds / 3", or that it settles the question."""
    if abs(log_odds) >= MOST_LOG_ODDS:
        return "settles it" if log_odds > 0 else "rules it out"
    times = math.exp(abs(log_odds))
    number = f"{times:,.0f}" if times >= 10 else f"{times:.1f}"
    return f"odds {'x' if log_odds > 0 else '/'} {'over a million' if times > 1e6 else number}"


def _log_odds(p: float) -> float:
    if p <= 0:
        return -MOST_LOG_ODDS
    if p >= 1:
        return MOST_LOG_ODDS
    return max(-MOST_LOG_ODDS, min(MOST_LOG_ODDS, math.log(p) - math.log1p(-p)))


def _each_left_out(eggs: Sequence[Egg], readings: dict[str, Sequence[Reading]]):
    for i, egg in enumerate(eggs):
        for j, reading in enumerate(egg.readings):
            kept = tuple(r for k, r in enumerate(egg.readings) if k != j)
            yield f"{reading.observer} of {egg.label}", [*eggs[:i], replace(egg, readings=kept), *eggs[i + 1 :]], readings
        if egg.sex is not None:
            yield f"sex of {egg.label}", [*eggs[:i], replace(egg, sex=None), *eggs[i + 1 :]], readings
    for name, own in readings.items():
        for j, reading in enumerate(own):
            kept = [r for k, r in enumerate(own) if k != j]
            yield f"{reading.observer} of {name}", list(eggs), {**readings, name: kept}
