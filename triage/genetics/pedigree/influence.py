"""What a probability rests on: each reading is left out in turn, and what would have been said without it is compared."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from triage.errors import ContradictionError
from triage.genetics.pedigree.collection import Collection
from triage.genetics.pedigree.inference import CollectionPosterior, infer_collection
from triage.records import Genotype

_LEAST = 1e-12  # nearer to 0 or 1 than this is certain


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


def rests_on(
    collection: Collection,
    posterior: CollectionPosterior,
    animal: str,
    locus: str,
    genotype: Genotype,
    *,
    most: int = 5,
) -> tuple[Rest, ...]:
    """The readings that moved P(genotype) of an animal most, strongest first; readings of other families cannot."""
    family = {
        name for part in posterior.parts if animal in part.animals and locus in part.loci for name in part.animals
    }
    family |= {animal}
    for clutch in collection.clutches.values():  # certain relatives are in no part, and yet may be so by what was seen
        if any(collection.animals[name].clutch == clutch.name for name in family):
            family |= {clutch.dam, *clutch.sires}
    now = posterior.chance(animal, locus, genotype)
    found = []
    for name in sorted(family):
        for number, reading in enumerate(collection.animals[name].readings):
            rest = collection.animals[name].readings
            changed = replace(collection.animals[name], readings=rest[:number] + rest[number + 1 :])
            other = Collection(
                collection.species, {**collection.animals, name: changed}, collection.clutches, collection.crossover
            )
            try:
                without = infer_collection(other, posterior).chance(animal, locus, genotype)
            except ContradictionError:
                continue
            moved = _log_odds(now) - _log_odds(without)
            if abs(moved) > 1e-9:
                found.append(Rest(name, reading.observer, without, moved))
    return tuple(sorted(found, key=lambda one: -abs(one.log_odds))[:most])


def _log_odds(p: float) -> float:
    p = min(max(p, _LEAST), 1 - _LEAST)
    return math.log(p) - math.log1p(-p)
