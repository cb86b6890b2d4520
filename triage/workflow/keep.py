"""A clutch into the records: its parents, its eggs, what was seen of them and how they were sorted."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Callable
from dataclasses import dataclass

from triage.errors import StorageError
from triage.genetics.clutch.model import compile_cross
from triage.records import Cross, GenotypeReading, Parent, Reading, Species
from triage.storage.archive import Archive, Draft, Entry
from triage.storage.photo_files import PhotoFiles
from triage.vision.intake import Photo, open_photo
from triage.workflow.answers.report import ClutchReport
from triage.workflow.answers.wording import genes_of
from triage.workflow.known import says_of
from triage.workflow.records import now, parent_of, reading_content, species_of
from triage.workflow.settings import Settings
from triage.workflow.sheet import ClutchSheet, PhotoSource
from triage.workflow.sort import read_sheet_photos, sort_clutch

#: Calls below this chance are not worth a line of their own in the records.
_LEAST_CHANCE = 0.01


@dataclass(frozen=True, slots=True)
class KeptClutch:
    """What was entered: the clutch, its eggs by label, its parents by name, and how many photos were kept."""

    clutch: str
    eggs: dict[str, str]
    parents: dict[str, str]
    photos: int
    report: ClutchReport


def keep_sheet(
    archive: Archive,
    photos: PhotoFiles,
    sheet: ClutchSheet,
    *,
    name: str | None = None,
    laid: str | None = None,
    hatched: str | None = None,
    who: str = "keeper",
    settings: Settings | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> KeptClutch:
    """Sort the clutch of a sheet and keep everything as one change.

    Parents that are in the records by name are used; the others are entered with the genes of the sheet. StorageError if a
    clutch of that name is there already, or a laboratory result has no gene words.
    """
    name = name or sheet.name
    if archive.all("clutch", name=name):
        raise StorageError(f"clutch '{name}' is in the records already; give this one another name with --name")
    told = _told(sheet)
    read = read_sheet_photos(sheet, compile_cross(sheet.cross), progress=progress)
    report = sort_clutch(sheet, settings=settings or Settings(), photos=read)
    seen = [(egg.label, egg.evidence) for egg in sheet.eggs if egg.evidence is not None]
    seen += [(egg.label, reading) for egg, (reading, _) in zip(sheet.eggs, read, strict=True) if reading is not None]
    pictures = [
        (egg.label, source.name, sha256_of_source(source), open_photo(source.source, name=source.name))
        for egg in sheet.eggs
        for source in egg.photos
    ]
    kept_photos = [(label, file, taken, photos.add(clean_jpeg(photo))) for label, file, taken, photo in pictures]
    known = {entry["name"]: entry.id for entry in archive.all("animal", species=sheet.species.name)}
    at = now()
    with archive.change(f"clutch {name} entered", who=who) as draft:
        parents = {}
        for parent in (sheet.cross.dam, *sheet.cross.sires):
            if isinstance(parent, Parent):
                parents[parent.name] = known.get(parent.name) or draft.add(
                    "animal",
                    {
                        "name": parent.name,
                        "species": sheet.species.name,
                        "sex": parent.sex.value,
                        "genes": genes_of(sheet.cross, parent),
                        "state": "kept",
                    },
                )
        sires = [
            {"animal": parents[sire.name], "share": float(share)}
            for sire, share in zip(sheet.cross.sires, sheet.cross.shares, strict=True)
            if isinstance(sire, Parent)
        ]
        if not sires:
            raise StorageError(f"clutch '{name}': no sire is an animal; needed: at least one to enter a pairing")
        pairing = draft.add(
            "pairing", {"dam": parents[sheet.cross.dam.name], "sires": sires, "mixed": float(sheet.cross.mixed)}
        )
        clutch = draft.add("clutch", {"name": name, "pairing": pairing, "laid": laid, "hatched": hatched})
        eggs = {}
        for egg in sheet.eggs:
            eggs[egg.label] = draft.add(
                "egg",
                {
                    "clutch": clutch,
                    "label": egg.label,
                    "state": "hatched" if egg.hatched else "dead",
                    "sex": egg.sex.value if egg.sex else None,
                },
            )
        for label, file, taken, sha256 in kept_photos:
            draft.add(
                "photo", {"about": eggs[label], "sha256": sha256, "source_sha256": taken, "name": file, "added": at}
            )
        for egg in report.eggs:
            _keep_answer(draft, eggs[egg.label], egg, at)
        for whose, readings in told.items():
            for reading in readings:
                _keep_told(draft, sheet.species, eggs.get(whose) or parents[whose], reading, at)
        for label, reading in seen:
            draft.add("reading", reading_content(eggs[label], reading, at))
        for egg in sheet.eggs:
            for call in egg.called[:1]:
                draft.add(
                    "call", {"about": eggs[egg.label], "call": call.name, "by": "keeper", "at": at, "stage": "at hatch"}
                )
    return KeptClutch(clutch, eggs, parents, len(kept_photos), report)


def _told(sheet: ClutchSheet) -> dict[str, tuple[Reading, ...]]:
    """What laboratories say of its hatchlings, and whatever is said of its parents, by label or name. StorageError if it has no words."""
    found: dict[str, tuple[Reading, ...]] = {egg.label: egg.laboratory for egg in sheet.eggs if egg.laboratory}
    for name, readings in sheet.parent_readings.items():
        if name in found:
            raise StorageError(f"{sheet.name}: '{name}' names a parent and an egg; rename one of them in the sheet")
        found[name] = readings
    for readings in found.values():
        for reading in readings:
            if isinstance(reading, GenotypeReading):
                says_of(sheet.species, reading)
    return found


def _keep_told(draft: Draft, species: Species, id: str, reading: Reading, at: str) -> None:
    if isinstance(reading, GenotypeReading):
        draft.add("outcome", {"animal": id, "says": says_of(species, reading), "by": reading.observer, "at": at})
        return
    draft.add("reading", reading_content(id, reading, at))


def _keep_answer(draft: Draft, egg: str, answer, at: str) -> None:
    if answer.calls:
        best = answer.calls[0]
        by = "sorting (" + ", ".join(answer.rests_on) + ")"
        draft.add(
            "call",
            {
                "about": egg,
                "call": best.call.name,
                "by": by,
                "at": at,
                "stage": "at hatch",
                "probability": round(float(best.probability), 6),
            },
        )
    draft.add("tray", {"about": egg, "tray": answer.tray.value, "reasons": list(answer.reasons), "at": at})
    if answer.label_text:
        draft.add("label", {"about": egg, "text": answer.label_text, "rests_on": list(answer.rests_on), "at": at})


def sha256_of_source(source: PhotoSource) -> str:
    """Checksum of a photo's file as it was taken, by which it is known again."""
    data = source.data if source.data is not None else source.path.read_bytes()
    return hashlib.sha256(data).hexdigest()


def clean_jpeg(photo: Photo) -> bytes:
    """A photo's pixels as a JPEG without a single tag: phones write the place into theirs."""
    file = io.BytesIO()
    photo.to_image().save(file, "JPEG", quality=92)
    return file.getvalue()


def cross_of(archive: Archive, clutch: Entry) -> Cross:
    """The cross a clutch is from, as the engine takes it: parents by the genes in the records."""
    pairing = archive.find(clutch["pairing"])
    dam = archive.find(pairing["dam"])
    species = species_of(archive, dam.id)
    sires = [archive.find(one["animal"]) for one in pairing["sires"]]
    return Cross(
        species,
        parent_of(species, dam.content),
        tuple(parent_of(species, sire.content) for sire in sires),
        tuple(one["share"] for one in pairing["sires"]),
        pairing.get("mixed", 0.0),
    )
