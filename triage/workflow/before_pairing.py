"""What to know of a pairing of the records before it is made: cautions with their chances per egg, by all that is known of both."""

from __future__ import annotations

from triage.errors import TriageError
from triage.genetics.harm import PairingCaution
from triage.genetics.pairings import what_if
from triage.records import Sex
from triage.storage.archive import Archive
from triage.storage.kinds import Pairing
from triage.workflow.book import Book
from triage.workflow.known import Known, known_of
from triage.workflow.recorded import Clutches


def before_pairing(known: Known, dam: str, sire: str) -> tuple[PairingCaution, ...]:
    """Cautions of two animals of the records (ids), hidden hets included at their chances."""
    pair = (known.parent(dam, Sex.FEMALE), known.parent(sire, Sex.MALE))
    return what_if(known.collection.species, [pair])[0].cautions


def cautions_by_sire(archive: Archive, pairing: Pairing) -> dict[str, tuple[PairingCaution, ...]]:
    """Cautions of a kept pairing by each sire's name; where the records cannot be taken together, by what was entered of the two."""
    book = Book.of(archive)
    sires = {book.title(one.animal): one.animal for one in pairing.sires if one.animal}
    species = book.species(pairing.dam)
    try:
        known = known_of(archive, species.name)
        return {name: before_pairing(known, pairing.dam, id) for name, id in sires.items()}
    except TriageError:
        recorded = Clutches(book).recorded
        pairs = [(recorded(pairing.dam, Sex.FEMALE), recorded(id, Sex.MALE)) for id in sires.values()]
        return {name: found.cautions for name, found in zip(sires, what_if(species, pairs), strict=True)}
