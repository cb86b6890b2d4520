"""From the photos of a clutch to what each says of the calls that its parents can give."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache

from triage.errors import ModelFileError, PhotoError
from triage.genetics.clutch.model import CrossModel
from triage.records import PhotoEvidence, Species, VisualCall
from triage.species.hiding import shown
from triage.species.looks_alike import neighbours
from triage.species.shipped import ReaderFiles, reader_files
from triage.vision.colour import find_grey_card, neutral_by_card
from triage.vision.gate import Gate
from triage.vision.intake import Photo, cut_to, open_photo
from triage.vision.quality import Fault, judge
from triage.vision.reader import PhotoReader, PhotoReading
from triage.vision.weights import SHIPPED, read_sidecar
from triage.workflow.clutch import PhotoSource, ReadPhoto, SheetEgg

#: Around this many of the calls that fit a photo best, calls that the parents cannot give are weighed too.
_NEIGHBOURS_OF = 2


def load_reader(species: Species) -> PhotoReader | None:
    """The photo model of a species with the weights that come with the program; None where the species has none yet."""
    names = reader_files(species.key)
    return None if names is None else _loaded(names)


@cache
def _loaded(names: ReaderFiles) -> PhotoReader:
    """Loaded once a process: a reader is never changed."""
    return PhotoReader.load(names=names)


def gate_of(reader: PhotoReader) -> Gate | None:
    """The gate fitted to a reader's weights, or None where the reader is another than the shipped one."""
    return _gate(reader.sidecar["sha256"], reader_files(reader.vocabulary.species))


@cache
def _gate(reader_sha256: str, names: ReaderFiles | None) -> Gate | None:
    try:
        return Gate.load(reader_sha256, names=names)
    except ModelFileError:
        if reader_sha256 == read_sidecar(SHIPPED, names)["sha256"]:
            raise
        return None


def open_source(source: PhotoSource) -> Photo:
    """Open a photo and cut it to the frame that the keeper drew, if any."""
    photo = open_photo(source.source, name=source.name)
    return photo if source.crop is None else cut_to(photo, source.crop)


@dataclass(frozen=True, slots=True)
class LookedAt:
    """One photo after judging and reading: the photo as it was read (colours corrected, say), its reading unless it was
    refused, and remarks in plain words."""

    photo: Photo
    reading: PhotoReading | None
    remarks: tuple[str, ...]


def look_at(photo: Photo, reader: PhotoReader | None, gate: Gate | None) -> LookedAt:
    """Judge a photo, correct a colour cast by a grey card if one is found, read it, and ask the gate; nothing without a reader."""
    if reader is None:
        return LookedAt(photo, None, ())
    judged = judge(photo)
    if any(remark.fault is Fault.CAST for remark in judged):
        card = find_grey_card(photo)
        if card is not None:
            photo = neutral_by_card(photo, card)
            judged = judge(photo)
    words = list(photo.remarks)
    reading = None
    if not any(remark.refuses for remark in judged):
        reading = reader.read([photo])[0]
        judged = (*judge(photo, reading), *(gate.judge(photo, reading) if gate is not None else ()))
        if any(remark.refuses for remark in judged):
            reading = None
    words += [remark.text + (" (not read)" if remark.refuses else "") for remark in judged]
    return LookedAt(photo, reading, tuple(words))


def read_photos(
    eggs: Sequence[SheetEgg],
    model: CrossModel,
    reader: PhotoReader | None,
    progress: Callable[[int, int], None] | None = None,
) -> list[tuple[ReadPhoto, ...]]:
    """The photos of each egg as read, in order. One that cannot be opened or read says why; its egg goes by the other photos, or by
    the keeper's call. Without a reader every photo is a record of what was seen, unread."""
    gate = gate_of(reader) if reader is not None else None
    total, done = sum(len(egg.photos) for egg in eggs), 0
    found: list[tuple[ReadPhoto, ...]] = []
    for egg in eggs:
        read = []
        for source in egg.photos:
            if progress is not None:
                progress(done, total)
            read.append(_read_one(source, egg.called, model, reader, gate))
            done += 1
        found.append(tuple(read))
    if progress is not None:
        progress(total, total)
    return found


def _read_one(
    source: PhotoSource, called: Sequence[VisualCall], model: CrossModel, reader: PhotoReader | None, gate: Gate | None
) -> ReadPhoto:
    try:
        photo = open_source(source)
    except (PhotoError, OSError) as error:
        return ReadPhoto(source, None, (f"not read: {error}",))
    looked = look_at(photo, reader, gate)
    return ReadPhoto(source, *said_by_photo(model, called, reader, looked.reading, looked.remarks))


def said_by_photo(
    model: CrossModel, called: Sequence[VisualCall], reader: PhotoReader | None, reading: PhotoReading | None, remarks: tuple[str, ...]
) -> tuple[PhotoEvidence | None, tuple[str, ...]]:
    """What a photo that was looked at says of the calls of a cross, if anything, and all remarks on it."""
    if reader is None:
        return None, (*remarks, unread_words(model.species))
    if reading is None:
        return None, remarks
    words = reader.unlearnt(model.calls)
    unlearnt = (f"the photo model never learnt {', '.join(words)}: it says nothing for or against",) if words else ()
    return evidence_of(model, called, reader, reading), (*remarks, *unlearnt)


def unread_words(species: Species) -> str:
    """Said of a photo of a species that has no photo model."""
    return f"kept as a record of what was seen: no photo model reads the {species.name} yet"


def evidence_of(model: CrossModel, called: Sequence[VisualCall], reader: PhotoReader, reading: PhotoReading) -> PhotoEvidence:
    """What one photo says of every call that the parents can give, those the keeper called, and neighbours of the calls that fit it
    best: so that a photo can also say that no call of this cross fits.

    Calls that the model sees alike for want of a look it never learnt count as one of the best. Of such looks only the cross's own
    are listed: a gene in the catalogue moves nothing until a parent carries it.
    """
    first = reading.evidence(model.calls, model.species).log_likelihoods
    likeliest = sorted(model.calls, key=first.__getitem__, reverse=True)
    seen = {call: reading.vocabulary.projected(shown(model.species, call)) for call in likeliest}
    best = list(dict.fromkeys(seen.values()))[:_NEIGHBOURS_OF]
    own = set(reader.unlearnt(model.calls))

    def may_be(locus: str, look: str) -> bool:
        return not look or own.issuperset(reader.unlearnt([VisualCall(((locus, look),))]))

    around = neighbours(model.species, [call for call in likeliest if seen[call] in best], may_be)
    return reading.evidence(list(dict.fromkeys([*model.calls, *called, *around])), model.species)
