"""Where in a hatchling's photo the evidence for one call over another lies."""

from __future__ import annotations

import io
from dataclasses import dataclass

from PIL import Image

from triage.errors import PhotoError, SheetError
from triage.records import Species, VisualCall
from triage.species import parse_call
from triage.species.looks_alike import pair_between, seen_as
from triage.vision.evidence import find_evidence, overlay
from triage.vision.reader import PhotoReader
from triage.workflow.answers.report import ClutchReport
from triage.workflow.photos import gate_of, load_reader, look_at, open_source, unread_words


@dataclass(frozen=True, slots=True)
class EvidenceView:
    """What a photo shows for `call` over `other`.

    Attributes
    ----------
    difference
        log P(photo | call) - log P(photo | other) in nats, each part as far as it is trusted, before it is tempered; above 0
        the photo favours `call`.
    cut, overlay
        PNG pictures: what was read, and the same in grey with the evidence on it (orange for, violet against).
    look_for
        What the catalogue says to look for between these two calls; empty where it names no such pair.
    """

    label: str
    photo: str
    call: str
    other: str
    difference: float
    cut: bytes
    overlay: bytes
    look_for: str

    @property
    def favours(self) -> str:
        """What the photo alone does, in words."""
        favoured, other = (self.call, self.other) if self.difference > 0 else (self.other, self.call)
        return f"favours {favoured} over {other} by {abs(self.difference):.1f} nats"

    @property
    def colours(self) -> str:
        """What the colours of the overlay mean."""
        return f"orange speaks for {self.call}, violet against it"


def find_clutch_evidence(
    report: ClutchReport,
    label: str,
    call: str | None = None,
    other: str | None = None,
    reader: PhotoReader | None = None,
) -> EvidenceView:
    """Evidence in a hatchling's first readable photo for `call` over `other`: its two likeliest calls unless named.

    SheetError if there is no such hatchling, no readable photo, or nothing to tell apart.
    """
    sheet = report.sheet
    egg, answer = next((egg for egg in sheet.eggs if egg.label == label), None), report.egg(label)
    if egg is None or answer is None:
        known = ", ".join(one.label for one in report.eggs)
        raise SheetError(f"{sheet.name}: no hatchling '{label}'; needed: one of {known}")
    if not egg.photos:
        raise SheetError(f"{egg.place}: hatchling {label} has no photo; needed: a photo of it in the sheet")
    first = _named(sheet.species, call) if call else _likeliest(answer.calls, ())
    second = _named(sheet.species, other) if other else _likeliest(answer.calls, (first,) if first else ())
    if first is None or second is None:
        raise SheetError(f"{egg.place}: hatchling {label} has only one possible call; needed: two calls to compare")
    if seen_as(sheet.species, first) == seen_as(sheet.species, second):
        raise SheetError(
            f"{first.name} and {second.name} look the same in every photo; needed: two calls that differ in looks"
        )
    reader = reader or load_reader(sheet.species)
    if reader is None:
        raise SheetError(f"{egg.place}: {unread_words(sheet.species)}; needed: a species whose photos are read")
    gate = gate_of(reader)
    remarks: list[str] = []
    for source in egg.photos:
        try:
            looked = look_at(open_source(source), reader, gate)
        except (PhotoError, OSError) as error:
            remarks.append(str(error))
            continue
        if looked.reading is not None:
            found = find_evidence(reader, looked.photo, looked.reading, first, second)
            pair = pair_between(sheet.species, first, second)
            return EvidenceView(label, source.name, first.name, second.name, found.difference, _png(Image.fromarray(found.cut)),
                                _png(overlay(found)), pair.look_for if pair else "")  # fmt: skip
        remarks += looked.remarks
    raise SheetError(f"{egg.place}: no photo of hatchling {label} can be read ({'; '.join(remarks)})")


def _named(species: Species, words: str) -> VisualCall:
    return parse_call(species, words)[0]


def _likeliest(calls, without: tuple[VisualCall, ...]) -> VisualCall | None:
    return next((chance.call for chance in calls if chance.call not in without), None)


def _png(picture: Image.Image) -> bytes:
    file = io.BytesIO()
    picture.save(file, "PNG")
    return file.getvalue()
