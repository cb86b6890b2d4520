"""Sort a clutch of the records, again and again as photos, sheds and outcomes come in; what was said is kept each time."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from triage.storage.archive import Archive, Entry
from triage.storage.kinds import Sort, SortedEgg
from triage.storage.photo_files import PhotoFiles
from triage.workflow.answers.report import ClutchReport
from triage.workflow.book import Book, now
from triage.workflow.known import known_elsewhere
from triage.workflow.recorded import Clutches, recorded_sheet, with_eye
from triage.workflow.settings import Settings
from triage.workflow.sort import sort_clutch
from triage.workflow.traits import trait_counts

#: Calls below this chance are not worth a line of their own in the records.
_LEAST_CHANCE = 0.01


def sort_recorded(
    archive: Archive,
    clutch: Entry,
    *,
    settings: Settings | None = None,
    files: PhotoFiles | None = None,
    who: str = "keeper",
) -> ClutchReport:
    """Sort a clutch of the records as a sheet is sorted, and keep what was said as of today; `settings` are those of its last sort
    unless given. No photo is read: what was read of each stands in the records."""
    report = look_again(Clutches(Book.of(archive)), clutch.id, settings=settings, files=files)
    with archive.change(f"clutch {clutch.content.name} sorted", who=who) as draft:
        draft.add(sort_entry(clutch.id, report))
    return report


def look_again(
    clutches: Clutches, clutch: str, *, settings: Settings | None = None, files: PhotoFiles | None = None, explain: bool = True
) -> ClutchReport:
    """What sorting a clutch of the records says now, and what else was seen of its young; nothing is kept."""
    sheet, photos = recorded_sheet(clutches, clutch, files, better=known_elsewhere(clutches, clutch))
    bars = clutches.settings(clutch) if settings is None else with_eye(clutches.book, settings)
    report = sort_clutch(sheet, settings=bars, photos=photos, explain=explain)
    counts = tuple(f"Seen, no known gene: {one}" for one in trait_counts(clutches.book, clutch))
    return replace(report, notes=(*report.notes, *counts)) if counts else report


def sort_entry(clutch: str, report: ClutchReport) -> Sort:
    """What was said of a clutch, as it is kept."""
    return Sort(
        clutch=clutch,
        at=now(),
        settings=report.settings.bars,
        eggs=tuple(
            SortedEgg(
                label=egg.label,
                tray=egg.tray.value,
                reasons=egg.reasons or None,
                calls=_likely((c.call.name, c.probability) for c in egg.calls),
                sires=_likely(egg.sires.items()),
                label_text=egg.label_text or None,
                rests_on=egg.rests_on,
            )
            for egg in report.eggs
        ),
        log_evidence=report.log_evidence if report.log_evidence > -1e300 else None,
    )


def _likely(chances: Iterable[tuple[str, float]]) -> dict[str, float] | None:
    return {name: min(1.0, max(0.0, float(p))) for name, p in chances if p >= _LEAST_CHANCE} or None
