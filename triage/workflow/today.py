"""What there is to do today: clutches due, eggs to call, animals to look at again, those held back."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta

from triage.proving.trays import Tray
from triage.storage.kinds import Clutch
from triage.workflow.book import Book

DUE, TO_CALL, AGAIN, PARENTS, HELD = "clutches to hatch", "eggs to call", "look again", "check parents", "held back"
NOTHING = "Nothing to do: no clutch is due, every egg is called, nobody is held back."
#: The order in which they are shown.
GROUPS = (DUE, TO_CALL, AGAIN, PARENTS, HELD)


@dataclass(frozen=True, slots=True)
class Task:
    """One thing to do: of which of `GROUPS`, about which entry, what its keeper calls that, and why in words. `since` is the day from
    which it is to be done, None where it has none; `clutch` is the clutch to open for it, empty where there is none."""

    group: str
    about: str
    name: str
    words: str
    since: date | None = None
    clutch: str = ""


def tasks(book: Book, today: date) -> tuple[Task, ...]:
    """Everything to do, in the order of `GROUPS`, what waits longest first."""
    found = [*_due(book, today), *_of_eggs(book), *_held(book)]
    return tuple(sorted(found, key=lambda task: (GROUPS.index(task.group), task.since or date.max, task.name)))


def due_words(laid: date, days: tuple[int, int], today: date) -> str:
    """When a clutch is due, seen from a day: ``due in 12 to 25 days (2 to 15 June 2031)``.

    >>> due_words(date(2031, 4, 1), (52, 65), date(2031, 6, 10))
    'overdue for 5 days: the usual time ended on 5 June 2031'
    """
    first, last = (laid + timedelta(days=n) for n in days)
    if today > last:
        n_days = (today - last).days
        return f"overdue for {n_days} day{'s' * (n_days != 1)}: the usual time ended on {_day(last)}"
    if today >= first:
        return f"due now, until {_day(last)}"
    return f"due in {(first - today).days} to {(last - today).days} days ({_day(first)} to {_day(last)})"


def _day(day: date) -> str:
    return f"{day.day} {day:%B %Y}"


def _due(book: Book, today: date) -> Iterator[Task]:
    for entry in book.all("clutch"):
        content: Clutch = entry.content
        if content.hatched or not any(egg.content.state == "laid" for egg in book.eggs(entry.id)):
            continue
        days = book.species(entry.id).incubation_days
        if not content.laid:
            yield Task(DUE, entry.id, content.name, "no day of laying is entered, so nobody knows when", clutch=entry.id)
        elif days:
            laid = date.fromisoformat(content.laid)
            yield Task(DUE, entry.id, content.name, due_words(laid, days, today), laid + timedelta(days=days[0]), entry.id)


def _of_eggs(book: Book) -> Iterator[Task]:
    sorted_on: dict[str, tuple[date, dict[str, tuple[str, str]]]] = {}
    for entry in book.all("sort"):  # the newest is the last
        said = {egg.label: (egg.tray, (egg.reasons or ("",))[0]) for egg in entry.content.eggs}
        sorted_on[entry.content.clutch] = (date.fromisoformat(entry.content.at[:10]), said)
    for egg in book.all("egg"):
        clutch = egg.content.clutch
        if egg.content.state != "hatched" or book.is_gone(egg.id):
            continue
        day, said = sorted_on.get(clutch, (None, {}))
        tray, reason = said.get(egg.content.label, ("", ""))
        if not book.about(egg.id, "call", "photo", "evidence"):
            hatched = book[clutch].content.hatched
            since = date.fromisoformat(hatched) if hatched else None
            yield Task(TO_CALL, egg.id, book.title(egg.id), "hatched, neither called nor photographed", since, clutch)
        elif tray in (Tray.LOOK_AGAIN.value, Tray.CHECK_PARENTS.value):
            yield Task(AGAIN if tray == Tray.LOOK_AGAIN.value else PARENTS, egg.id, book.title(egg.id), reason, day, clutch)


def _held(book: Book) -> Iterator[Task]:
    for entry in book.all("hold"):
        content = entry.content
        about = content.about or ""
        name = book.title(about) if about else f"{content.clutch_name} {content.label}"
        yield Task(HELD, about or entry.id, name, content.note or "", date.fromisoformat(content.at[:10]), about and book.clutch_of(about) or "")
