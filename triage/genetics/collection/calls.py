"""The call of one animal of a collection, its loci taken together."""

from __future__ import annotations

import math
from dataclasses import replace

from triage.errors import ContradictionError
from triage.genetics.collection.inference import CollectionPosterior, infer_collection
from triage.genetics.collection.members import Animal, Collection
from triage.records import CallReading, VisualCall


def looking(animal: Animal, call: VisualCall) -> Animal:
    """An animal with its look as a fact."""
    return replace(animal, readings=(*animal.readings, CallReading({call: 1.0}, 0.0, "look")))


def with_look(collection: Collection, animal: str, call: VisualCall) -> Collection:
    """The collection with the look of one animal as a fact."""
    animals = {**collection.animals, animal: looking(collection.animals[animal], call)}
    return replace(collection, animals=animals)


def chance_of_call(collection: Collection, posterior: CollectionPosterior, animal: str, call: VisualCall) -> float:
    """P(visual call) of one animal: by how much the probability of all readings shrinks if the call is a fact too."""
    try:
        seen = infer_collection(with_look(collection, animal, call), posterior, regroup=False)
    except ContradictionError:
        return 0.0
    return min(1.0, math.exp(seen.log_evidence - posterior.log_evidence))
