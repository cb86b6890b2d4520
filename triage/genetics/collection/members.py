"""A collection as plain values: animals, and the clutches they are from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from triage.errors import ContradictionError
from triage.records import NORMAL, Genotype, GenotypePrior, Locus, Probability, Reading, Sex, Species


@dataclass(frozen=True, slots=True)
class Animal:
    """One animal. `known` is what its papers say by locus, for an animal from no clutch here (a founder); loci that are not
    named are wild type. `readings` are what has been seen of it, by anybody."""

    name: str
    sex: Sex | None = None
    known: Mapping[str, GenotypePrior] = field(default_factory=dict)
    readings: tuple[Reading, ...] = ()
    clutch: str | None = None

    def prior(self, locus: Locus, heterogametic: Sex) -> GenotypePrior:
        """What is known of a founder at a locus before anything is seen."""
        if locus.name in self.known:
            return self.known[locus.name]
        return GenotypePrior.known(Genotype(NORMAL, NORMAL, locus.sex_linked and self.sex is heterogametic))


@dataclass(frozen=True, slots=True)
class Clutch:
    """One clutch: its dam, its candidate sires with their shares, and the chance that each egg drew its own sire."""

    name: str
    dam: str
    sires: tuple[str, ...]
    shares: tuple[Probability, ...] = (1,)
    mixed: Probability = 0

    def __post_init__(self) -> None:
        if not self.sires or len(self.sires) != len(self.shares) or abs(float(sum(self.shares)) - 1) > 1e-9:
            raise ValueError(f"{self.name}: every candidate sire needs a share, and the shares must sum to 1")
        if len(set(self.sires)) != len(self.sires):
            raise ValueError(f"{self.name}: a candidate sire is named twice")
        if not 0 <= self.mixed <= 1:
            raise ValueError(f"{self.name}: mixed must lie between 0 and 1")


@dataclass(frozen=True, eq=False)
class Collection:
    """Animals and clutches of one species; `crossover` overrides the catalogue's rate at a sex-linked locus."""

    species: Species
    animals: Mapping[str, Animal]
    clutches: Mapping[str, Clutch] = field(default_factory=dict)
    crossover: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        object.__setattr__(self, "animals", MappingProxyType(dict(self.animals)))
        object.__setattr__(self, "clutches", MappingProxyType(dict(self.clutches)))
        for clutch in self.clutches.values():
            for name, sex in ((clutch.dam, Sex.FEMALE), *((sire, Sex.MALE) for sire in clutch.sires)):
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
                waiting = [p for p in ((clutch.dam, *clutch.sires) if clutch else ()) if not done.get(p)]
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

    def crossover_rate(self, locus: Locus) -> float | None:
        """Crossing-over rate used for a locus, None unless it is sex-linked."""
        return self.crossover.get(locus.name, locus.crossover) if locus.sex_linked else None
