"""A proving or a laboratory has spoken: keep it, and say whose chances and whose labels it changed."""

from __future__ import annotations

from dataclasses import dataclass

from triage.errors import ContradictionError, TriageError
from triage.genetics.readings import proving_reading
from triage.species.wording import chances_in_words
from triage.storage.archive import Archive, Entry
from triage.storage.kinds import Laboratory, Outcome
from triage.workflow.book import Book, add_entry
from triage.workflow.known import Known, News, known_of, news
from triage.workflow.label import LabelWriter, SaleLabel, changed_labels


@dataclass(frozen=True, eq=False)
class Told:
    """An outcome as it was kept, what is known after it, and what it changed."""

    entry: Entry
    known: Known
    news: tuple[News, ...]
    labels: tuple[SaleLabel, ...]


def enter_outcome(
    archive: Archive, content: Outcome | Laboratory, *, reason: str = "entered", before: Known | None = None
) -> Told:
    """Keep an outcome. One that nothing could be true with is taken back: ContradictionError says what it clashes with."""
    about = content.animal if isinstance(content, Outcome) else content.about
    species = Book.of(archive).species(about)
    if isinstance(content, Outcome):
        proving_reading(species, content.says)  # refused before anything is kept
    before = known_of(archive, species.name, before)
    supported_before = LabelWriter(before).posterior
    entry = add_entry(archive, content, reason=reason)
    try:
        after = known_of(archive, species.name, before)
        if after.left_out != before.left_out:
            raise ContradictionError(f"{after.title(about)}: what it says cannot be true with the records; check it, and the parents")
    except TriageError:
        archive.undo(archive.history(entry.id)[-1].change)
        raise
    changed = news(before, after)
    writer = LabelWriter(after, supported_before)
    moved = dict.fromkeys(id for id in [*(one.id for one in changed), *writer.moved()] if id in after.animals)
    return Told(entry, after, changed, changed_labels(after, moved, writer=writer))


def possible_outcomes(known: Known, id: str, locus: str) -> list[str]:
    """What breeding or a laboratory could settle an animal to be at a locus, in gene words, likeliest first."""
    table = known.posterior.loci.get(id, {}).get(locus, {})
    return [words for words, p in chances_in_words(known.collection.species, locus, table).items() if p > 1e-9]
