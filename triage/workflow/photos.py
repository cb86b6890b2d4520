"""From the photos of a sheet to one reading a hatchling."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from triage.errors import ModelFileError
from triage.genetics.clutch.model import CrossModel
from triage.records import CallReading, Species, VisualCall
from triage.vision.colour import find_grey_card, neutral_by_card
from triage.vision.gate import Gate
from triage.vision.intake import Photo, cut_to, open_photo
from triage.vision.likelihood import mass_above
from triage.vision.quality import Fault, judge
from triage.vision.reader import PhotoReader, PhotoReading, combine
from triage.vision.weights import SHIPPED, read_sidecar
from triage.workflow.sheet import ClutchSheet, PhotoSource

#: Around this many of the calls that fit a photo best, calls that the parents cannot give are weighed too.
_NEIGHBOURS_OF = 2

EggReading = tuple[CallReading | None, tuple[str, ...]]


def load_reader(models_directory: Path | None = None) -> PhotoReader:
    """The photo model with the weights shipped beside the package, or those of another folder."""
    return PhotoReader.load(models_directory)


def gate_of(reader: PhotoReader) -> Gate | None:
    """The gate fitted to a reader's weights, or None where the reader is another than the shipped one."""
    try:
        return Gate.load(reader.sidecar["sha256"])
    except ModelFileError:
        if reader.sidecar["sha256"] == read_sidecar(SHIPPED)["sha256"]:
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


def look_at(photo: Photo, reader: PhotoReader, gate: Gate | None) -> LookedAt:
    """Judge a photo, correct a colour cast by a grey card if one is found, read it, and ask the gate."""
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
    sheet: ClutchSheet,
    model: CrossModel,
    reader: PhotoReader | None,
    progress: Callable[[int, int], None] | None,
) -> list[EggReading]:
    """One reading a hatchling (None without a usable photo) with remarks on its photos.

    Every photo is opened before the first is read, so that a bad file stops the work at once.
    """
    opened = [[open_source(p) for p in egg.photos] for egg in sheet.eggs]
    reader = reader or load_reader()
    gate = gate_of(reader)
    total = sum(map(len, opened))
    done = 0
    results: list[EggReading] = []
    for egg, photos in zip(sheet.eggs, opened, strict=True):
        readings: list[PhotoReading] = []
        remarks: list[str] = []
        for photo in photos:
            if progress is not None:
                progress(done, total)
            looked = look_at(photo, reader, gate)
            remarks += [f"{photo.name}: {words}" for words in looked.remarks]
            if looked.reading is not None:
                readings.append(looked.reading)
            done += 1
        results.append((reading_of(model, egg.called, readings) if readings else None, tuple(remarks)))
    if progress is not None:
        progress(total, total)
    return results


def reading_of(model: CrossModel, called: Sequence[VisualCall], readings: Sequence[PhotoReading]) -> CallReading:
    """One reading of a hatchling's photos over every call that its parents can give, those the keeper called, and neighbours
    of the calls that fit best: so that a photo can also say that no call of this cross fits."""
    first = combine(readings, model.calls)
    shortlist = shortlist_of(model, first, readings[0].calibration.shortlist)
    best = [model.calls[i] for i in np.argsort(-first)[:_NEIGHBOURS_OF]]
    calls = list(dict.fromkeys([*model.calls, *called, *neighbours(model.cross.species, best)]))
    log_likelihoods = combine(readings, calls)
    likelihoods = np.exp(log_likelihoods - log_likelihoods.max())
    listed = dict(zip(calls, map(float, likelihoods), strict=True))
    return CallReading(listed, float(likelihoods.min()), "photo", shortlist)


def shortlist_of(model: CrossModel, log_likelihoods: np.ndarray, limit: float) -> tuple[VisualCall, ...]:
    """Calls of the cross, likeliest first, until those before hold more than `limit`, given photo and parents and nothing else.

    `log_likelihoods` (n_calls,) of the model's calls; what `limit` promises was measured on crosses with one photo.
    """
    weight = model.expected_calls() * np.exp(log_likelihoods - log_likelihoods.max())
    if not weight.any():  # parents that can have no viable young
        return ()
    posterior = weight / weight.sum()
    order = np.argsort(-posterior, kind="stable")
    kept = (mass_above(posterior) <= limit) & (posterior > 0)
    return tuple(model.calls[i] for i in order if kept[i])


def neighbours(species: Species, calls: Sequence[VisualCall]) -> list[VisualCall]:
    """Calls that differ from one of ``calls`` in the look of one locus, any look of the catalogue."""
    found: dict[VisualCall, None] = {}
    for call in calls:
        for locus in species.loci:
            for look in dict.fromkeys(locus.look(g) for g in locus.genotypes()):
                if look != call.look(locus.name):
                    found[species.call_of({**dict(call.looks), locus.name: look})] = None
    return list(found)
