"""Hold-back marks: who is held back, since when and why. A mark is an entry of the records at once, and undoing one takes it out."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from triage.storage.archive import Archive
from triage.storage.kinds import Hold
from triage.workflow.book import Book, now


@dataclass(frozen=True, slots=True)
class Held:
    """One that is held back: the mark's id, of which clutch and what its keeper calls it there, the note, and since when."""

    id: str
    clutch: str
    name: str
    note: str
    since: datetime


def held_back(archive: Archive) -> tuple[Held, ...]:
    """Everybody who is held back, in the order of their marks."""
    book = Book.of(archive)
    found = []
    for entry in book.all("hold"):
        content = entry.content
        clutch, name = content.clutch_name or "", content.label or entry.id
        if content.about is not None:
            of = book.clutch_of(content.about)
            clutch = book.title(of) if of else ""
            about = book[content.about].content
            name = about.label if book[content.about].kind == "egg" else about.name
        found.append(Held(entry.id, clutch, name, content.note or "", datetime.fromisoformat(content.at)))
    return tuple(found)


def hold_back(
    archive: Archive, label: str, *, clutch_name: str, about: str | None = None, note: str = "", who: str = "keeper"
) -> str:
    """Mark a hatchling: by its id where its clutch is in the records, otherwise by the clutch's name and its label. The mark's id."""
    with archive.change(f"{clutch_name} {label} held back".strip(), who=who) as draft:
        if about is not None:
            return draft.add(Hold(about=about, note=note or None, at=now()))
        return draft.add(Hold(clutch_name=clutch_name, label=label, note=note or None, at=now()))


def let_go(archive: Archive, id: str, *, who: str = "keeper") -> None:
    """Take a mark back; the history keeps both."""
    with archive.change("hold-back undone", who=who) as draft:
        draft.remove(archive.find(id))
