"""Enter and change single entries: words are understood, or refused, before they are kept."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from triage.errors import StorageError, TriageError
from triage.records import CallReading, Parent, Sex, Species
from triage.species import load_species, parse_call, parse_parent, write_parent
from triage.storage.archive import Archive, Entry
from triage.storage.database import Database
from triage.storage.marks import HoldJournal, HoldMark
from triage.storage.photo_files import PhotoFiles

#: Sexes as records name them; any other word means that it is not known.
SEXES = {"male": Sex.MALE, "female": Sex.FEMALE}


def open_archive(address: str | None = None) -> Archive:
    """The keeper's records: the file in the data folder, or the database that TRIAGE_DATABASE names."""
    return Archive(Database(address))


def open_photos() -> PhotoFiles:
    """The keeper's photos, in the data folder."""
    return PhotoFiles()


def now() -> str:
    """This moment as records keep it."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def add_entry(
    archive: Archive, kind: str, content: Mapping[str, Any], *, reason: str = "entered", who: str = "keeper"
) -> Entry:
    """Keep a new entry; genes and calls are brought to the catalogue's words first."""
    with archive.change(reason, who=who) as draft:
        id = draft.add(kind, in_catalogue_words(archive, kind, content))
    return archive.find(id)


def change_entry(
    archive: Archive,
    id: str,
    changed: Mapping[str, Any],
    *,
    reason: str = "changed",
    who: str = "keeper",
    version: int | None = None,
) -> Entry:
    """Change fields of an entry (None empties one); with `version`, only if it is still at that version."""
    entry = archive.find(id)
    if version is not None and entry.version != version:
        raise StorageError(f"{id}: is at version {entry.version}, not {version}; look at it again")
    whole = in_catalogue_words(archive, entry.kind, {**entry.content, **changed})
    with archive.change(reason, who=who) as draft:
        return draft.put(entry, **{name: whole.get(name) for name in {*entry.content, *whole}})


def in_catalogue_words(archive: Archive, kind: str, content: Mapping[str, Any]) -> dict[str, Any]:
    """Content with genes and calls as the catalogue writes them; TriageError names what is not understood."""
    kept = dict(content)
    if kind == "animal" and kept.get("species"):
        species = load_species(kept["species"])
        kept["species"] = species.name
        if kept.get("genes"):
            kept["genes"] = write_parent(species, parent_of(species, kept))
    if kind == "call" and kept.get("call"):
        kept["call"] = parse_call(species_of(archive, kept.get("about", "")), kept["call"])[0].name
    return kept


def parent_of(species: Species, content: Mapping[str, Any]) -> Parent:
    """An animal's own genes as the engine takes them. An animal of unknown sex passes as a female."""
    name = content.get("name", "animal")
    try:
        return parse_parent(
            species, content.get("genes", ""), name=name, sex=SEXES.get(content.get("sex"), Sex.FEMALE)
        )
    except TriageError as error:
        raise type(error)(f"{name}: {error}") from error


def title_of(find: Callable[[str], Entry], id: str) -> str:
    """The name of an animal, or of an egg with its clutch before its label."""
    entry = find(id)
    return entry["name"] if entry.kind == "animal" else f"{find(entry['clutch'])['name']} {entry['label']}"


def whom(entry: Entry) -> str | None:
    """The animal or egg that an entry is about, None where it is about none."""
    return entry.get("about") or entry.get("animal")


def reading_content(about: str, reading: CallReading, at: str, **more: Any) -> dict[str, Any]:
    """A reading of calls as an entry keeps it."""
    return {
        "about": about,
        "observer": reading.observer,
        "at": at,
        "likelihoods": {call.name: value for call, value in reading.likelihoods.items()},
        "otherwise": reading.otherwise,
        **more,
    }


def species_of(archive: Archive, about: str) -> Species:
    """The species of an animal, or of an egg by its clutch."""
    entry = archive.find(about)
    if entry.kind == "egg":
        entry = archive.find(archive.find(archive.find(entry["clutch"])["pairing"])["dam"])
    return load_species(entry["species"])


@dataclass(frozen=True, slots=True)
class Hold:
    """A hold-back of the records: whose, the note, and since when."""

    id: str
    name: str
    note: str
    since: datetime


def holds_beside(archive: Archive, marks: Sequence[HoldMark]) -> tuple[Hold, ...]:
    """Hold-backs in the records that are no marks of the app's journal, oldest first."""
    shown = {(mark.clutch, mark.hatchling, mark.at.isoformat()) for mark in marks}
    found = []
    for entry in archive.all("hold"):
        if (entry.get("clutch_name"), entry.get("label"), entry["at"]) in shown:
            continue
        name = " ".join(filter(None, (entry.get("clutch_name"), entry.get("label"))))
        if "about" in entry.content:
            name = title_of(archive.find, entry["about"])
        found.append(Hold(entry.id, name or entry.id, entry.get("note", ""), datetime.fromisoformat(entry["at"])))
    return tuple(sorted(found, key=lambda one: one.since))


def take_over_marks(
    archive: Archive, journal: HoldJournal, *, kept: Mapping[str, str] | None = None, who: str = "keeper"
) -> int:
    """Enter the hold-back marks of the app's journal into the records, each once; returns how many were new.

    The journal stays as it is. A mark keeps its time, its clutch by name and its label, and refers to the egg where the records have
    a clutch of that name with that label. With `kept` (id of a clutch in the records by the name its marks were set under), only
    marks of these clutches are entered.
    """
    known = {(entry.get("clutch_name"), entry.get("label"), entry["at"]) for entry in archive.all("hold")}
    new = [
        mark
        for mark in journal.held()
        if (mark.clutch, mark.hatchling, mark.at.isoformat()) not in known and (kept is None or mark.clutch in kept)
    ]
    if not new:
        return 0
    clutches = {entry["name"]: entry.id for entry in archive.all("clutch")} | dict(kept or {})
    eggs = {(entry["clutch"], entry["label"]): entry.id for entry in archive.all("egg")}
    with archive.change(f"{len(new)} hold-back marks taken over from the app", who=who) as draft:
        for mark in new:
            draft.add("hold", {"about": eggs.get((clutches.get(mark.clutch, ""), mark.hatchling)), "clutch_name": mark.clutch,
                               "label": mark.hatchling, "note": mark.note, "at": mark.at.isoformat()})  # fmt: skip
    return len(new)
