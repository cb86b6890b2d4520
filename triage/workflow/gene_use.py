"""A gene of the keeper's own and the entries that name it: no change to it leaves words that nobody understands."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace

from triage.errors import CatalogueError, StorageError, TriageError
from triage.genetics.readings import proving_reading
from triage.records import Sex, Species
from triage.species import load_species, parse_call
from triage.species.names import normalise
from triage.species.own import locus_of_series, mentions
from triage.species.shorthand import known_words
from triage.storage.archive import Archive, Entry
from triage.storage.kinds import Call, Clutch, Evidence, Gene, Laboratory, Outcome, Reading, Record, Statement
from triage.workflow.book import SEXES, Book, call_named
from triage.workflow.clutch import allele_of, parent_from
from triage.workflow.names import called
from triage.workflow.own_genes import own_gene, species_with

_LISTED = 4


def checked_gene(book: Book, content: Gene, id: str | None = None) -> Gene:
    """A new gene, or a gene `id` as it would be, in the catalogue's words; CatalogueError where it does not fit, StorageError where
    entries could not be read with it."""
    content = tidy_gene(content)
    others = {one: gene for one, gene in _genes(book).items() if one != id}
    refuse_lost(book, others | {id or "": content}, sparing=_carried(book, id, content) if id is not None else ())
    return content


def tidy_gene(content: Gene) -> Gene:
    """A gene with its names, its species and its series as the catalogue writes them."""
    species = load_species(content.species)
    synonyms = tuple(dict.fromkeys(map(normalise, content.synonyms or ())))
    content = replace(content, name=normalise(content.name), species=species.name, synonyms=synonyms or None)
    series = locus_of_series(species, content.series) if content.series else None
    return content if series is None else replace(content, series=series.name)


def carried_along(book: Book, id: str, content: Gene) -> dict[str, Record]:
    """Entries whose words follow a gene that is renamed because it does not fit the catalogue any more, by id."""
    old = book[id].content
    gone, known = own_gene(old).names, _known(book, old.species)
    return {one: book[one].content.respelt(lambda text: _renamed(text, gone, known, content.name)) for one in _carried(book, id, content)}


def refuse_lost(book: Book, after: Mapping[str, Gene], *, sparing: Collection[str] = ()) -> None:
    """What may not become of the genes of the records, `after` by id.

    Raises
    ------
    CatalogueError
        One that changes, or one that fitted, does not fit.
    StorageError
        Entries, but for those spared, say what is then not understood.
    """
    before = _genes(book)
    changed = [id for id in (*before, *(id for id in after if id not in before)) if after.get(id) != before.get(id)]
    for name in dict.fromkeys(gene.species for id in changed for gene in (before.get(id), after.get(id)) if gene is not None):
        fitted, _ = _fitting(name, before)
        fits, refusals = _fitting(name, after)
        unfit = next((id for id in (*changed, *fitted) if id in refusals), None)
        if unfit is not None:
            raise refusals[unfit]
        for id in changed:
            if id in before and before[id].species == name:
                _refuse_lost_words(book, id, species_with(name, fits.values()), sparing)


def _fitting(name: str, genes: Mapping[str, Gene]) -> tuple[dict[str, Gene], dict[str, CatalogueError]]:
    """The genes of a species that fit the catalogue and one another, and why each other one does not."""
    waiting = {id: one for id, one in genes.items() if one.species == name}
    try:
        species_with(name, waiting.values())
        return waiting, {}
    except CatalogueError as error:
        refusals = dict.fromkeys(waiting, error)
    fits: dict[str, Gene] = {}
    while True:
        before = len(fits)
        for id, one in list(waiting.items()):
            try:
                species_with(name, [*fits.values(), one])
            except CatalogueError as error:
                if normalise(one.series or "") not in (normalise(other.name) for other in waiting.values()):
                    refusals[id] = error  # one whose series waits itself is told of as all together are
                continue
            fits[id] = waiting.pop(id)
        if len(fits) == before:
            return fits, {id: refusals[id] for id in waiting}


def _refuse_lost_words(book: Book, id: str, species: Species, sparing: Collection[str]) -> None:
    lost, refusal = [], None
    for one in naming(book, id):
        try:
            if one.id not in sparing:
                _understand(species, one.content)
        except TriageError as error:
            lost.append(one)
            refusal = refusal or error
    if lost:
        listed = ", ".join(dict.fromkeys(called(book, one.id) for one in lost[:_LISTED]))
        more = f" and {len(lost) - _LISTED} more" if len(lost) > _LISTED else ""
        raise StorageError(
            f"your own gene {book.title(id)}: {listed}{more} could not be read any more ({refusal}); needed: other words there first"
        )


def naming(book: Book, id: str) -> list[Entry]:
    """Entries that name a gene of the records, itself left out."""
    gene = book[id].content
    names, known = own_gene(gene).names, _known(book, gene.species)
    found = []
    for entry in book.entries.values():
        said: list[str] = []
        if entry.id != id and book.species_name(entry.id) == gene.species:
            entry.content.respelt(lambda text, said=said: said.append(text) or text)
        if any(mentions(text, names, known) for text in said):
            found.append(entry)
    return found


def remove_entry(archive: Archive, id: str, *, reason: str = "removed", who: str = "keeper") -> None:
    """Take an entry out; StorageError where others refer to it, or name the gene that it is."""
    entry = archive.find(id)
    if entry.kind == "gene":
        book = Book.of(archive)
        refuse_lost(book, {one: gene for one, gene in _genes(book).items() if one != id})
    with archive.change(reason, who=who) as draft:
        draft.remove(entry)


def undo_change(archive: Archive, change: int, *, who: str = "keeper") -> None:
    """Undo a change; StorageError as of `Archive.undo`, and where what it leaves would name a gene that is there no more."""
    touched = [one for one in archive.history() if one.change == change]
    if any(one.kind == "gene" for one in touched):
        book, before = Book.of(archive), {}
        for one in touched:
            if one.kind == "gene":
                earlier = [old for old in archive.history(one.record_id) if old.version == one.version - 1]
                before[one.record_id] = Gene.from_json(earlier[0].content) if earlier and earlier[0].content is not None else None
        after = {id: gene for id, gene in (_genes(book) | before).items() if gene is not None}
        refuse_lost(book, after, sparing={one.record_id for one in touched})
    archive.undo(change, who=who)


def _genes(book: Book) -> dict[str, Gene]:
    return {entry.id: entry.content for entry in book.all("gene")}


def _known(book: Book, species: str) -> set[str]:
    """Every phrase that gene words of a species may hold."""
    own = (name for one in _genes(book).values() if one.species == species for name in own_gene(one).names)
    return {*known_words(load_species(species)), *own}


def _carried(book: Book, id: str, content: Gene) -> list[str]:
    """Entries that a new name is carried to: those that say the old one, where that fits the catalogue no more."""
    old = book[id].content
    if (old.name, old.species) == (content.name, old.species) or id in _fitting(old.species, _genes(book))[0]:
        return []
    return [entry.id for entry in naming(book, id)]


def _renamed(text: str, gone: Collection[str], known: Collection[str], name: str) -> str:
    for start, end in reversed(mentions(text, gone, known)):
        text = text[:start] + name + text[end:]
    return text


def _understand(species: Species, content: Record) -> None:
    """TriageError where gene words of an entry say nothing to a species."""
    match content:
        case Statement():
            parent_from(species, content.name, SEXES.get(content.sex, Sex.FEMALE), content.statement())
        case Call():
            parse_call(species, content.call)
        case Evidence():
            for words in content.likelihoods:
                parse_call(species, words)
        case Reading():
            for words in content.log_likelihoods:
                call_named(species, words)
        case Laboratory():
            allele_of(species, content.gene)
        case Outcome():
            proving_reading(species, content.says)
        case Clutch():
            named = [name for one in content.linked or () for name in one.genes] + [*(content.crossover or ())]
            strange = next((name for name in named if not species.has_locus(name)), None)
            if strange is not None:
                raise StorageError(f"'{strange}' is no locus")
