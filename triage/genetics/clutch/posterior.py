"""What the engine says of a clutch."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from triage.genetics.clutch.model import CrossModel
from triage.genetics.clutch.worlds import World
from triage.records import Genotype, Sex, VisualCall


class Later(Mapping):
    """A read-only mapping that is made when somebody first looks at it."""

    __slots__ = ("_made", "_make")

    def __init__(self, make: Callable[[], Mapping]) -> None:
        self._make, self._made = make, None

    def _get(self) -> Mapping:
        if self._made is None:
            self._made = self._make()
        return self._made

    def __getitem__(self, key):
        return self._get()[key]

    def __iter__(self) -> Iterator:
        return iter(self._get())

    def __len__(self) -> int:
        return len(self._get())

    def __repr__(self) -> str:
        return repr(self._get())


@dataclass(frozen=True, slots=True)
class CallChance:
    """One visual call of one hatchling: with all readings, and from the parents alone."""

    call: VisualCall
    probability: float
    parents_only: float


@dataclass(frozen=True, slots=True, eq=False)
class EggPosterior:
    """One hatchling.

    Attributes
    ----------
    sires
        P(sire) by candidate name.
    sex
        P(sex).
    call_chances
        P(visual call), shape (n_calls,), in the order of ``CrossModel.calls``.
    loci
        P(genotype) by locus; loci at which nobody carries anything are absent.
    """

    label: str
    sires: Mapping[str, float]
    sex: Mapping[Sex, float]
    call_chances: NDArray[np.float64]
    loci: Mapping[str, Mapping[Genotype, float]]


@dataclass(frozen=True, slots=True)
class ParentPosterior:
    """One parent: role "dam" or "sire", and P(genotype) by live locus."""

    role: str
    name: str
    loci: Mapping[str, Mapping[Genotype, float]]


@dataclass(frozen=True, slots=True, eq=False)
class Posterior:
    """Everything that follows from a cross and its readings.

    ``log_evidence`` is the natural logarithm of the probability of all readings, likelihoods as given; ``mixed`` the
    chance that several sires shared the clutch.
    """

    model: CrossModel
    log_evidence: float
    mixed: float
    eggs: tuple[EggPosterior, ...]
    parents: tuple[ParentPosterior, ...]
    #: Where lines are open: the chance of each world of the model after the readings, and what follows in it; impossible ones left out.
    worlds: tuple[tuple[float, World, Posterior], ...] = ()

    def calls(self, egg: int, *, at_least: float = 0.0) -> list[CallChance]:
        """Calls of one egg with a probability above ``at_least``, likeliest first."""
        chances = self.eggs[egg].call_chances
        expected = self.model.expected_calls()
        order = np.argsort(-chances, kind="stable")
        return [
            CallChance(self.model.calls[i], float(chances[i]), float(expected[i])) for i in order if chances[i] > at_least
        ]

    def egg(self, label: str) -> EggPosterior:
        return next(e for e in self.eggs if e.label == label)

    def parent(self, name: str) -> ParentPosterior:
        return next(p for p in self.parents if p.name == name)
