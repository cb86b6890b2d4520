"""Everything that may be wrong with records and photos, and how it can be mended."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from triage.errors import StorageError
from triage.storage.archive import Archive
from triage.storage.backup import photos_of
from triage.storage.photo_files import PhotoFiles

_LOST = "to mend changes: put the folder of the records aside; 'triage restore' of a backup makes them anew"
_WRONG = "to mend entries, as all changes are whole: 'triage backup', and 'triage restore' of that with TRIAGE_DATA naming a new folder"


@dataclass(frozen=True)
class Found:
    """What was looked at and is wrong; `ways` say how to mend it, `strangers` lie among the photos and belong to no entry."""

    entries: int
    photos: int
    faults: tuple[str, ...]
    ways: tuple[str, ...]
    strangers: tuple[Path, ...]


def verify(archive: Archive, photos: PhotoFiles) -> Found:
    """Look at every change, every entry and every photo that was ever kept."""
    lost, wrong = archive.damage()
    try:
        wanted = sorted({photo for one in archive.changes() for photo in photos_of(one)})
        entries = archive.count()
    except StorageError:
        wanted, entries = [], 0  # told above
    unreadable = [fault for photo in wanted if (fault := photos.fault(photo))]
    ways = (_LOST,) if lost else (_WRONG,) if wrong else ()
    return Found(entries, len(wanted), (*lost, *wrong, *unreadable), ways, photos.strangers(wanted) if not lost else ())
