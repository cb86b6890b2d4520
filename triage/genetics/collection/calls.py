"""The call of one animal of a collection, its loci taken together."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from triage.errors import ContradictionError
from triage.genetics.collection.inference import CollectionPosterior, infer_collection
from triage.genetics.collection.members import Animal, Collection
from triage.genetics.readings import look_readings
from triage.records import VisualCall
from triage.species.hiding import shown, unseen_loci


def looking(collection: Collection, animal: str, call: VisualCall) -> Animal:
    """An animal with its look as a fact, as far as such a look shows."""
    loci = collection.named_loci | {locus for locus, _ in call.looks}
    own = collection.animals[animal]
    return replace(own, readings=(*own.readings, *look_readings(collection.species, call, sorted(loci))))


def with_look(collection: Collection, animal: str, call: VisualCall) -> Collection:
    """The collection with the look of one animal as a fact."""
    animals = {**collection.animals, animal: looking(collection, animal, call)}
    return replace(collection, animals=animals)


def chance_of_call(collection: Collection, posterior: CollectionPosterior, animal: str, call: VisualCall) -> float:
    """P(visual call) of one animal, as far as such a look shows: by how much the probability of all readings shrinks if it is a fact."""
    try:
        seen = infer_collection(with_look(collection, animal, call), posterior, regroup=False)
    except ContradictionError:
        return 0.0
    return min(1.0, math.exp(seen.log_evidence - posterior.log_evidence))


def likeliest_look(collection: Collection, posterior: CollectionPosterior, animal: str) -> VisualCall:
    """The likeliest look of an animal at each locus by itself, without what it hides."""
    looks = {name: max(chances, key=chances.__getitem__) for name, chances in _looks(collection, posterior, animal)}
    return shown(collection.species, collection.species.call_of(looks))


def _looks(
    collection: Collection, posterior: CollectionPosterior, animal: str
) -> Iterator[tuple[str, dict[str, float]]]:
    """P(look word) by locus."""
    for name, table in posterior.loci[animal].items():
        chances: dict[str, float] = {}
        for genotype, p in table.items():
            word = collection.species.locus(name).look(genotype)
            chances[word] = chances.get(word, 0.0) + p
        yield name, chances


def settled_look(collection: Collection, posterior: CollectionPosterior, animal: str, at_least: float) -> VisualCall | None:
    """The look of an animal where it is known with this chance at least (a lower bound: doubts by locus add up), else None."""
    looks, doubt = {}, 0.0
    for name, chances in _looks(collection, posterior, animal):
        looks[name] = max(chances, key=chances.__getitem__)
        doubt += 1 - chances[looks[name]]
    return collection.species.call_of(looks) if 1 - doubt >= at_least else None


def at_most(collection: Collection, posterior: CollectionPosterior, animal: str, call: VisualCall) -> float:
    """An upper bound of P(visual call) of one animal: the least likely of its looks, locus by locus."""
    least = 1.0
    for name in {*posterior.loci[animal], *(locus for locus, _ in call.looks)} - unseen_loci(collection.species, call):
        locus, table = collection.species.locus(name), posterior.loci[animal].get(name)
        if table is None:
            return 0.0  # it can only be wild type there
        least = min(least, sum(p for genotype, p in table.items() if locus.look(genotype) == call.look(name)))
    return least
