"""Everything known of every animal of a collection, updated by everything seen of any of them."""

from triage.genetics.collection.calls import at_most, chance_of_call, likeliest_look, looking, settled_look, with_look
from triage.genetics.collection.grounds import Rest, rests_on
from triage.genetics.collection.inference import CollectionPosterior, infer_collection
from triage.genetics.collection.members import Animal, Clutch, Collection

__all__ = [
    "Animal",
    "Clutch",
    "Collection",
    "CollectionPosterior",
    "Rest",
    "at_most",
    "chance_of_call",
    "infer_collection",
    "likeliest_look",
    "looking",
    "rests_on",
    "settled_look",
    "with_look",
]
