"""Everything known of every animal of a collection, updated by everything seen of any of them."""

from triage.genetics.pedigree.calls import chance_of_call, looking, with_look
from triage.genetics.pedigree.collection import Animal, Clutch, Collection
from triage.genetics.pedigree.inference import CollectionPosterior, infer_collection
from triage.genetics.pedigree.influence import Rest, rests_on

__all__ = [
    "Animal",
    "Clutch",
    "Collection",
    "CollectionPosterior",
    "Rest",
    "chance_of_call",
    "infer_collection",
    "looking",
    "rests_on",
    "with_look",
]
