"""The records as the workflow takes them: opened, all entries of a moment together, words understood before they are kept."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import cached_property, lru_cache
from typing import Any

from triage.errors import StorageError, TriageError, TriageWarning
from triage.records import CallReading, Sex, Species, VisualCall
from triage.species import parse_call, parse_parent, write_parent
from triage.storage.archive import Archive, Entry
from triage.storage.database import Database, is_there
from triage.storage.folder import data_folder
from triage.storage.kinds import Animal, Call, Evidence, Gene, Laboratory, Outcome, Pairing, Record, Trait
from triage.storage.old_marks import take_over_old_marks
from triage.storage.photo_files import PhotoFiles
from triage.storage.unfinished import Unfinished, new_id
from triage.workflow.clutch import allele_of, parent_from
from triage.workflow.own_genes import species_as_kept, species_named

#: Sexes as records name them; any other word means that it is not known.
SEXES = {"male": Sex.MALE, "female": Sex.FEMALE}


def open_archive(address: str | None = None) -> Archive:
    """The keeper's records: the file in the data folder, or the database that TRIAGE_DATABASE names."""
    archive = Archive(Database(address))
    if not archive.database.read_only:
        take_over_old_marks(archive, data_folder())
    return archive


def keepers_species(name: str | None = None) -> Species:
    """A species (the usual one where none is named) with the genes of the keeper's records; where there are no records none are made,
    and records that cannot be opened are warned of: a sheet is sorted without them."""
    if is_there():
        try:
            return species_named(open_archive(), name)
        except StorageError as error:
            warnings.warn(f"without genes of your own, as the records cannot be opened: {error}", TriageWarning, stacklevel=2)
    return species_as_kept(name, ())


def open_photos() -> PhotoFiles:
    """The keeper's photos, in the data folder."""
    return PhotoFiles()


def open_unfinished() -> Unfinished:
    """Forms that the keeper has begun, in the data folder."""
    return Unfinished()


def now() -> str:
    """This moment as records keep it."""
    return datetime.now(UTC).isoformat(timespec="seconds")


@dataclass(frozen=True, eq=False)
class Book:
    """Every entry as it is at one moment, found by id, by kind and by whom it is about."""

    entries: Mapping[str, Entry]

    @classmethod
    def of(cls, archive: Archive) -> Book:
        return cls({entry.id: entry for entry in archive.all()})

    def __getitem__(self, id: str) -> Entry:
        return self.entries[id]

    @cached_property
    def _by_kind(self) -> dict[str, list[Entry]]:
        found: dict[str, list[Entry]] = {}
        for entry in self.entries.values():
            found.setdefault(entry.kind, []).append(entry)
        return found

    def all(self, kind: str) -> list[Entry]:
        """Entries of a kind in the order of their making."""
        return self._by_kind.get(kind, [])

    @cached_property
    def animal_of_egg(self) -> dict[str, str]:
        """The animal that an egg became, where it is an entry."""
        return {entry.content.egg: entry.id for entry in self.all("animal") if entry.content.egg}

    def is_gone(self, id: str) -> bool:
        """Whether an animal, or the one that an egg became, was sold or is dead."""
        return getattr(self[self.animal_of_egg.get(id, id)].content, "state", None) in ("sold", "dead")

    @cached_property
    def _about(self) -> dict[str, list[Entry]]:
        found: dict[str, list[Entry]] = {}
        for entry in self.entries.values():
            whose = whom(entry)
            if whose is not None:
                found.setdefault(self.animal_of_egg.get(whose, whose), []).append(entry)
        return found

    def about(self, id: str, *kinds: str) -> list[Entry]:
        """What is said of an animal or egg, and of the egg that the animal was, oldest first; of some kinds, or of all."""
        found = self._about.get(self.animal_of_egg.get(id, id), [])
        return [entry for entry in found if not kinds or entry.kind in kinds]

    @cached_property
    def _eggs(self) -> dict[str, list[Entry]]:
        found: dict[str, list[Entry]] = {}
        for entry in self.all("egg"):
            found.setdefault(entry.content.clutch, []).append(entry)
        return found

    def eggs(self, clutch: str) -> list[Entry]:
        """The eggs of a clutch in the order they were entered."""
        return self._eggs.get(clutch, [])

    def clutch_of(self, id: str) -> str | None:
        """The clutch that an animal or egg is from."""
        content = self[id].content
        if isinstance(content, Animal):
            return self[content.egg].content.clutch if content.egg else None
        return content.clutch

    def species_name(self, id: str) -> str | None:
        """The name of the species that an entry is of or about; None where it is of none."""
        entry = self[id]
        if entry.kind not in ("animal", "egg", "clutch", "gene") and (id := whom(entry)) is not None:
            entry = self[id]
        if entry.kind == "egg":
            entry = self[entry.content.clutch]
        if entry.kind == "clutch":
            entry = self[self[entry.content.pairing].content.dam]
        return getattr(entry.content, "species", None)

    def species(self, id: str) -> Species:
        """The species of an animal, egg or clutch, with the keeper's own genes."""
        return self.species_named(self.species_name(id))

    def species_named(self, name: str | None) -> Species:
        """A species (the usual one where none is named) with the keeper's own genes; CatalogueError where one fits no more."""
        if name not in self._species:
            self._species[name] = species_as_kept(name, (entry.content for entry in self.all("gene")))
        return self._species[name]

    @cached_property
    def _species(self) -> dict[str | None, Species]:
        return {}

    def title(self, id: str) -> str:
        """What a keeper calls it: an animal or clutch by its name, an egg by its clutch and label, a pairing by its parents."""
        content = self[id].content
        if self[id].kind == "egg":
            return f"{self[content.clutch].content.name}/{content.label}"
        if self[id].kind == "pairing":
            sires = [self.title(one.animal) if one.animal else one.name or "nobody" for one in content.sires]
            return f"{self.title(content.dam)} with {' or '.join(sires)}"
        return getattr(content, "name", None) or id


def whom(entry: Entry) -> str | None:
    """The animal or egg that an entry is about, None where it is about none."""
    return getattr(entry.content, "about", None) or (getattr(entry.content, "animal", None) if entry.kind in ("plan", "outcome") else None)


def add_entry(archive: Archive, content: Record, *, reason: str = "entered", who: str = "keeper") -> Entry:
    """Keep a new entry; genes and calls are brought to the catalogue's words first."""
    with archive.change(reason, who=who) as draft:
        id = draft.add(in_catalogue_words(archive, content))
    return archive.find(id)


def change_entry(
    archive: Archive, id: str, changed: Mapping[str, Any], *, reason: str = "changed", who: str = "keeper", version: int | None = None
) -> Entry:
    """Change fields of an entry (None empties one); with `version`, only if it is still at that version."""
    entry = archive.find(id)
    if version is not None and entry.version != version:
        raise StorageError(f"{id}: is at version {entry.version}, not {version}; look at it again")
    content = replace(entry.content, **changed)
    if not _leaves_sharing_open(entry.content):  # one kept so before means what it meant then
        content = in_catalogue_words(archive, content, id)
    along: Mapping[str, Record] = {}
    if isinstance(content, Gene):
        from triage.workflow.gene_use import carried_along

        book = Book.of(archive)
        along = carried_along(book, id, content)
    with archive.change(reason, who=who) as draft:
        draft.restore(entry, content)
        for other, words in along.items():
            draft.restore(book[other], words)
    return archive.find(id)


def _leaves_sharing_open(content: Record) -> bool:
    return isinstance(content, Pairing) and content.mixed is None and len(content.sires) > 1


def in_catalogue_words(archive: Archive, content: Record, id: str | None = None) -> Record:
    """Content, new or that of the entry `id`, with genes and calls as the catalogue understands them, and with the species' chance of
    sharing where several sires are named and none is stated; TriageError names what is not understood."""
    if _leaves_sharing_open(content):
        book = Book.of(archive)  # a dam who is not there is refused where the entry is written
        return replace(content, mixed=book.species(content.dam).mixed) if content.dam in book.entries else content
    if isinstance(content, Gene):
        from triage.workflow.gene_use import checked_gene

        return checked_gene(Book.of(archive), content, id)
    if isinstance(content, Trait) and content.photo is not None:
        book = Book.of(archive)
        photo = book.entries.get(content.photo)
        of = photo.content.about if photo is not None and photo.kind == "photo" else None
        if of is not None and book.animal_of_egg.get(of, of) != book.animal_of_egg.get(content.about, content.about):
            raise StorageError(f"trait, field 'photo': is a photo of {book.title(of)}; needed: one of {book.title(content.about)}")
    if isinstance(content, Animal):
        species = species_named(archive, content.species)
        sex = SEXES.get(content.sex, Sex.FEMALE)
        try:
            parent_from(species, content.name, sex, content.statement())
        except TriageError as error:
            raise type(error)(f"{content.name}: {error}") from error
        genes = tidy_genes(species, content.genes, sex) if content.genes else None
        return replace(content, species=species.name, genes=genes)
    if isinstance(content, Call | Evidence | Laboratory | Outcome):
        species = Book.of(archive).species(content.animal if isinstance(content, Outcome) else content.about)
        if isinstance(content, Call):
            calls = parse_call(species, content.call)
            return replace(content, call=key_of(species, calls[0])) if len(calls) == 1 else content
        if isinstance(content, Laboratory):
            return replace(content, gene=allele_of(species, content.gene)[1])
        for words in content.likelihoods if isinstance(content, Evidence) else ():
            parse_call(species, words)
    return content


def tidy_genes(species: Species, words: str, sex: Sex) -> str:
    """Genes in canonical shorthand where that says exactly the same; otherwise as they were typed."""
    typed = parse_parent(species, words, name="animal", sex=sex)
    try:
        written = write_parent(species, typed)
    except TriageError:
        return words
    return written if parse_parent(species, written, name="animal", sex=sex) == typed else words


@lru_cache(maxsize=200_000)
def key_of(species: Species, call: VisualCall) -> str:
    """A call as entries name it: as a keeper writes it, with commas between its looks where that would be read otherwise."""
    return call.name if parse_call(species, call.name) == (call,) else ", ".join(look for _, look in call.looks)


@lru_cache(maxsize=200_000)
def call_named(species: Species, key: str) -> VisualCall:
    """The call that `key_of` named."""
    (call,) = parse_call(species, key)
    return call


def stated_evidence(species: Species, content: Evidence) -> CallReading:
    """Likelihoods by call as somebody stated them."""
    listed = {call: value for words, value in content.likelihoods.items() for call in parse_call(species, words)}
    return CallReading(listed, content.otherwise, "evidence")
