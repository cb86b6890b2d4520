"""A proving or a laboratory has spoken: keep it, and say whose chances and whose labels it changed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from triage.errors import TriageError
from triage.records import Genotype
from triage.storage.archive import Archive, Entry
from triage.workflow.known import Known, News, known_of, news, outcome_reading, words_of
from triage.workflow.label import LabelWriter, SaleLabel, changed_labels
from triage.workflow.records import add_entry, species_of


@dataclass(frozen=True, eq=False)
class Told:
    """An outcome as it was kept, what is known after it, and what it changed."""

    entry: Entry
    known: Known
    news: tuple[News, ...]
    labels: tuple[SaleLabel, ...]


def enter_outcome(
    archive: Archive, content: Mapping[str, Any], *, reason: str = "entered", before: Known | None = None
) -> Told:
    """Keep an outcome. One that nothing could be true with is taken back: ContradictionError says what it clashes with."""
    species = species_of(archive, content["animal"])
    outcome_reading(species, content["says"])  # refused before anything is kept
    before = known_of(archive, species.name, before)
    supported_before = LabelWriter(before).posterior
    entry = add_entry(archive, "outcome", content, reason=reason)
    try:
        after = known_of(archive, species.name, before)
    except TriageError:
        archive.undo(archive.history(entry.id)[-1].change)
        raise
    changed = news(before, after)
    writer = LabelWriter(after, supported_before)
    moved = dict.fromkeys([*(one.id for one in changed), *writer.moved()])
    return Told(entry, after, changed, changed_labels(after, moved, writer=writer))


def possible_outcomes(known: Known, id: str, locus: str) -> dict[str, Genotype]:
    """What breeding or a laboratory could settle an animal to be at a locus, in gene words, likeliest first."""
    table = known.posterior.loci.get(id, {}).get(locus, {})
    likely = sorted((one for one in table.items() if one[1] > 0), key=lambda one: -one[1])
    return {words_of(known.collection.species, locus, genotype): genotype for genotype, _ in likely}
