"""From the photos of a sheet to one reading a hatchling."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from triage.genetics.model import CrossModel
from triage.records import CallReading, Species, VisualCall
from triage.vision.intake import open_photo
from triage.vision.quality import judge
from triage.vision.reader import PhotoReader, PhotoReading, combine
from triage.workflow.sheet import ClutchSheet, SheetEgg

#: Around this many of the calls that fit a photo best, calls that the parents cannot give are weighed too.
_NEIGHBOURS_OF = 2

EggReading = tuple[CallReading | None, tuple[str, ...]]


def load_reader(models_directory: Path | None = None) -> PhotoReader:
    """The photo model with the weights shipped beside the package, or those of another folder."""
    return PhotoReader.load(models_directory)


def read_photos(
    sheet: ClutchSheet,
    model: CrossModel,
    reader: PhotoReader | None,
    progress: Callable[[int, int], None] | None,
) -> list[EggReading]:
    """One reading a hatchling (None without a usable photo) with remarks on its photos.

    Every photo is opened before the first is read, so that a bad file stops the work at once.
    """
    opened = [[open_photo(p.source, name=p.name) for p in egg.photos] for egg in sheet.eggs]
    reader = reader or load_reader()
    total = sum(map(len, opened))
    done = 0
    results: list[EggReading] = []
    for egg, photos in zip(sheet.eggs, opened, strict=True):
        readings: list[PhotoReading] = []
        remarks: list[str] = []
        for photo in photos:
            if progress is not None:
                progress(done, total)
            reading = None if any(r.refuses for r in judge(photo)) else reader.read([photo])[0]
            judged = judge(photo, reading)
            remarks += [f"{photo.name}: {r.text}" + (" (not read)" if r.refuses else "") for r in judged]
            if not any(r.refuses for r in judged):
                readings.append(reading)
            done += 1
        results.append(_reading(sheet.species, model, egg, readings, remarks))
    if progress is not None:
        progress(total, total)
    return results


def _reading(
    species: Species, model: CrossModel, egg: SheetEgg, readings: Sequence[PhotoReading], remarks: Sequence[str]
) -> EggReading:
    if not readings:
        return None, tuple(remarks)
    first = combine(readings, model.calls)
    best = [model.calls[i] for i in np.argsort(-first)[:_NEIGHBOURS_OF]]
    calls = list(dict.fromkeys([*model.calls, *egg.called, *neighbours(species, best)]))
    log_likelihoods = combine(readings, calls)
    likelihoods = np.exp(log_likelihoods - log_likelihoods.max())
    reading = CallReading(
        dict(zip(calls, map(float, likelihoods), strict=True)), float(likelihoods.min()), "photo"
    )
    return reading, tuple(remarks)


def neighbours(species: Species, calls: Sequence[VisualCall]) -> list[VisualCall]:
    """Calls that differ from one of ``calls`` in the look of one locus, any look of the catalogue."""
    found: dict[VisualCall, None] = {}
    for call in calls:
        for locus in species.loci:
            for look in dict.fromkeys(locus.look(g) for g in locus.genotypes()):
                if look != call.look(locus.name):
                    found[species.call_of({**dict(call.looks), locus.name: look})] = None
    return list(found)
