"""A collection as plain values: animals, and the clutches they are from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from functools import cached_property
from types import MappingProxyType

from triage.errors import ContradictionError, UnsupportedInheritanceError
from triage.genetics.transmission import OTHER_LOSS
from triage.records import (
    NORMAL,
    Genotype,
    GenotypePrior,
    LineStatement,
    Linkage,
    Locus,
    Parthenogenesis,
    Probability,
    Reading,
    Sex,
    Species,
)


@dataclass(frozen=True, slots=True)
class Animal:
    """One animal, or an egg that did not hatch.

    Attributes
    ----------
    known
        What its papers say by locus, for an animal from no clutch here (a founder); loci that are not named are wild type. Where
        its sex is not known, genotypes of either sex may stand at a sex-linked locus.
    lines
        What its papers say by words whose line is not named; `known` holds what they make of each locus by itself.
    readings
        What has been seen of it, by anybody.
    hatched
        False for an egg that was lost: it has neither sex nor readings, and tells only of its parents. Once a clutch has one, that
        the others hatched is evidence too.
    """

    name: str
    sex: Sex | None = None
    known: Mapping[str, GenotypePrior] = field(default_factory=dict)
    readings: tuple[Reading, ...] = ()
    clutch: str | None = None
    hatched: bool = True
    lines: tuple[LineStatement, ...] = ()

    def __post_init__(self) -> None:
        if self.lines:
            own = {locus: prior for one in self.lines for locus, prior in one.marginals().items()}
            object.__setattr__(self, "known", {**self.known, **own})
        if not self.hatched and (self.sex is not None or self.readings or self.clutch is None):
            raise ValueError(f"{self.name}: an egg that did not hatch has a clutch, and neither a sex nor readings")

    def prior(self, locus: Locus, heterogametic: Sex) -> GenotypePrior:
        """What is known of a founder at a locus before anything is seen."""
        if locus.name in self.known:
            return self.known[locus.name]
        if locus.sex_linked and self.sex is None:
            return GenotypePrior(((Genotype(NORMAL, NORMAL, True), Fraction(1, 2)), (Genotype(NORMAL, NORMAL), Fraction(1, 2))))
        return GenotypePrior.known(Genotype(NORMAL, NORMAL, locus.sex_linked and self.sex is heterogametic))


@dataclass(frozen=True, slots=True)
class Clutch:
    """One clutch: its dam, its candidate sires with their shares, and the chance that each egg drew its own sire.

    A candidate may be the hypothesis that no male took part. `crossover` overrides the catalogue's rate at a sex-linked locus for
    the young of this clutch; phases of `linkages` are those of animals of the collection, by name; `other_loss` is the chance that
    an egg is lost whatever its genotype, used where one was lost.
    """

    name: str
    dam: str
    sires: tuple[str | Parthenogenesis, ...]
    shares: tuple[Probability, ...] = (1,)
    mixed: Probability = 0
    crossover: Mapping[str, float] = field(default_factory=dict)
    linkages: tuple[Linkage, ...] = ()
    other_loss: float = OTHER_LOSS

    @property
    def parents(self) -> tuple[str, ...]:
        """Every animal that may be a parent, the dam first."""
        return (self.dam, *(sire for sire in self.sires if isinstance(sire, str)))

    @property
    def candidates(self) -> tuple[str, ...]:
        """Names of the candidate sires."""
        return tuple(sire if isinstance(sire, str) else sire.name for sire in self.sires)

    def crossover_rate(self, locus: Locus) -> float | None:
        """Crossing-over rate used for a locus, None unless it is sex-linked."""
        return self.crossover.get(locus.name, locus.crossover) if locus.sex_linked else None

    def __post_init__(self) -> None:
        if not self.sires or len(self.sires) != len(self.shares) or abs(float(sum(self.shares)) - 1) > 1e-9:
            raise ValueError(f"{self.name}: every candidate sire needs a share, and the shares must sum to 1")
        if len(set(self.candidates)) != len(self.sires):
            raise ValueError(f"{self.name}: a candidate sire is named twice")
        if not 0 <= self.mixed <= 1:
            raise ValueError(f"{self.name}: mixed must lie between 0 and 1")


@dataclass(frozen=True, eq=False)
class Collection:
    """Animals and clutches of one species."""

    species: Species
    animals: Mapping[str, Animal]
    clutches: Mapping[str, Clutch] = field(default_factory=dict)

    @cached_property
    def named_loci(self) -> frozenset[str]:
        """Loci at which the papers of any animal say something; all are wild type elsewhere."""
        return frozenset(locus for animal in self.animals.values() for locus in animal.known)

    def __post_init__(self) -> None:
        object.__setattr__(self, "animals", MappingProxyType(dict(self.animals)))
        object.__setattr__(self, "clutches", MappingProxyType(dict(self.clutches)))
        for clutch in self.clutches.values():
            if self.species.heterogametic is Sex.FEMALE and len(clutch.parents) <= len(clutch.sires):
                raise UnsupportedInheritanceError(
                    f"clutch {clutch.name}: parthenogenesis is computed for species with XX females only, not for the {self.species.name}"
                )
            for place, name in enumerate(clutch.parents):
                sex = Sex.MALE if place else Sex.FEMALE
                if name not in self.animals:
                    raise ContradictionError(
                        f"clutch {clutch.name}: its parent '{name}' is not in the collection; enter that animal"
                    )
                if self.animals[name].sex is not sex:
                    raise ContradictionError(f"clutch {clutch.name}: its {'dam' if sex is Sex.FEMALE else 'sire'} {name} is not "
                                             f"recorded as {sex.value}; correct the sex or the pairing")  # fmt: skip
        for animal in self.animals.values():
            if animal.clutch is not None and animal.clutch not in self.clutches:
                raise ContradictionError(
                    f"{animal.name}: its clutch '{animal.clutch}' is not in the collection; enter that clutch"
                )

    def parents_first(self) -> tuple[Animal, ...]:
        """Every animal after its possible parents; ContradictionError if an animal would be its own ancestor."""
        done: dict[str, bool] = {}
        order: list[Animal] = []
        for start in self.animals:
            stack = [start]
            while stack:
                name = stack[-1]
                if done.get(name):
                    stack.pop()
                    continue
                animal = self.animals[name]
                clutch = self.clutches[animal.clutch] if animal.clutch is not None else None
                waiting = [p for p in (clutch.parents if clutch else ()) if not done.get(p)]
                if waiting:
                    if name in done:
                        raise ContradictionError(
                            f"{name}: is recorded as its own ancestor; correct the clutches it is linked to"
                        )
                    done[name] = False
                    stack += waiting
                else:
                    done[name] = True
                    order.append(animal)
                    stack.pop()
        return tuple(order)
