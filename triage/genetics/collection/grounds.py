"""What a probability rests on: each reading is left out in turn, and what would have been said without it is compared."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from triage.errors import ContradictionError
from triage.genetics.collection.inference import CollectionPosterior, infer_collection
from triage.genetics.collection.members import Collection
from triage.records import Genotype

LEAST = 1e-12  # nearer to 0 or 1 than this is certain
_NEAREST, _NEAREST_OF_WIDE = 200, 24  # readings left out in turn; half a second each where a family is too wide to be exact


@dataclass(frozen=True, slots=True)
class Rest:
    """One reading that a probability rests on.

    `log_odds` is how far the reading moved the log odds of the genotype (certainty counts as odds of 1e12);
    `without` the probability if it had not been seen.
    """

    animal: str
    observer: str
    without: float
    log_odds: float


@dataclass(frozen=True, slots=True)
class Grounds:
    """What the chances of an animal at a locus rest on.

    `by_genotype` has the readings that moved each chance, strongest first; `tried` of the family's `readings` were left out in
    turn, nearest relatives first.
    """

    by_genotype: Mapping[Genotype, tuple[Rest, ...]]
    tried: int
    readings: int


def rests_on(
    collection: Collection,
    posterior: CollectionPosterior,
    animal: str,
    locus: str,
    *,
    most: int = 5,
    nearest: int | None = None,
) -> Grounds:
    """The readings that moved the chances of an animal at a locus most; readings of other families cannot."""
    if nearest is None:
        exact = all(part.exact for part in posterior.parts if animal in part.animals and locus in part.loci)
        nearest = _NEAREST if exact else _NEAREST_OF_WIDE
    readings = [
        (name, number)
        for name in _by_kinship(collection, animal, _family(collection, posterior, animal, locus))
        for number in range(len(collection.animals[name].readings))
    ]
    now = {genotype: posterior.chance(animal, locus, genotype) for genotype in posterior.loci[animal].get(locus, {})}
    found: dict[Genotype, list[Rest]] = {genotype: [] for genotype in now}
    for name, number in readings[:nearest]:
        rest = collection.animals[name].readings
        changed = replace(collection.animals[name], readings=rest[:number] + rest[number + 1 :])
        other = replace(collection, animals={**collection.animals, name: changed})
        try:
            left = infer_collection(other, posterior, regroup=False)
        except ContradictionError:
            continue
        for genotype, p in now.items():
            without = left.chance(animal, locus, genotype)
            moved = log_odds(p) - log_odds(without)
            if abs(moved) > (1e-9 if posterior.exact else 1e-4):
                found[genotype].append(Rest(name, rest[number].observer, without, moved))
    strongest = {
        genotype: tuple(sorted(rests, key=lambda one: -abs(one.log_odds))[:most]) for genotype, rests in found.items()
    }
    return Grounds(strongest, min(nearest, len(readings)), len(readings))


def _family(collection: Collection, posterior: CollectionPosterior, animal: str, locus: str) -> set[str]:
    """Everybody whose readings may bear on an animal at a locus."""
    family = {
        name for part in posterior.parts if animal in part.animals and locus in part.loci for name in part.animals
    }
    family |= {animal}
    for name in tuple(family):  # certain relatives are in no part, and yet may be so by what was seen
        clutch = collection.animals[name].clutch
        if clutch is not None:
            family.update(collection.clutches[clutch].parents)
    return family


def _by_kinship(collection: Collection, animal: str, family: set[str]) -> list[str]:
    """A family by the number of steps from parent to young or back, nearest first; who is not linked comes last, by name."""
    near: dict[str, list[str]] = {name: [] for name in collection.animals}
    for one in collection.animals.values():
        clutch = collection.clutches[one.clutch] if one.clutch is not None else None
        for parent in clutch.parents if clutch is not None else ():
            near[one.name].append(parent)
            near[parent].append(one.name)
    order, seen = [animal], {animal}
    for name in order:  # it grows as it is walked
        fresh = [other for other in near[name] if other not in seen]
        order += fresh
        seen.update(fresh)
    return [*(name for name in order if name in family), *sorted(family.difference(order))]


def log_odds(p: float) -> float:
    """Log of p / (1 - p), finite for what is certain."""
    p = min(max(p, LEAST), 1 - LEAST)
    return math.log(p) - math.log1p(-p)
