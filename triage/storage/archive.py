"""The records of seasons: entries that are never overwritten, because every change to them is kept.

A change is one act of a person, with time and reason, and may touch several entries; it happens whole or not at all. Undoing
is another change. The state of an entry is its newest revision, and every change carries a hash over itself and the one
before, so that tampering and damage show.
"""

from __future__ import annotations

import hashlib
import json
import secrets
import warnings
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import BigInteger, Connection, cast, delete, func, insert, select, update
from sqlalchemy.exc import IntegrityError

from triage.errors import StorageError, TriageWarning
from triage.storage.database import Database
from triage.storage.kinds import Record, kind_named
from triage.storage.newest import Newest
from triage.storage.schema import change, record, reference, revision
from triage.storage.upgrade import upgraded

FIRST_HASH = "0" * 64
LARGEST_ENTRY, LARGEST_CHANGE = 4 * 2**20, 64 * 2**20  # characters of content as it is kept, so that a backup's can be bounded
_MOST_IN_A_CHANGE = 1_000_000
_REACHED = "'triage history {}' and 'triage undo' reach it"
_LETTERS = "23456789abcdefghjkmnpqrstvwxyz"  # without those that are taken for one another
_MADE = func.min(cast(revision.c.change_id, BigInteger) * _MOST_IN_A_CHANGE + revision.c.place).label("made")
#: Every entry as it is, in the order of their making.
_IN_ORDER = (
    select(record, _MADE)
    .join(revision, revision.c.record_id == record.c.id)
    .group_by(record.c.id, record.c.kind, record.c.version, record.c.content)
    .order_by("made")
)


class StaleEntryError(StorageError):
    """An entry was changed by somebody else since it was read."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry as it is, or was at some version."""

    id: str
    kind: str
    version: int
    content: Any  # of the kind's class


@dataclass(frozen=True, slots=True)
class Revision:
    """What one change made of one entry; `content` None where it was removed."""

    change: int
    at: datetime
    who: str
    reason: str
    record_id: str
    kind: str
    version: int
    content: Mapping[str, Any] | None


@dataclass(frozen=True, slots=True)
class Change:
    """One act, with everything it changed."""

    id: int
    at: str
    who: str
    reason: str
    previous: str
    hash: str
    revisions: tuple[tuple[str, str, int, str | None], ...]  # (id, kind, version, content as JSON or None)


def hash_of(
    previous: str, at: str, who: str, reason: str, revisions: Iterable[tuple[str, str, int, str | None]]
) -> str:
    """SHA-256 of a change, hexadecimal."""
    whole = json.dumps(
        [previous, at, who, reason, [list(one) for one in revisions]], ensure_ascii=True, separators=(",", ":")
    )
    return hashlib.sha256(whole.encode()).hexdigest()


def as_json(content: Mapping[str, Any]) -> str:
    """Content as it is kept: one text for one content."""
    return json.dumps(content, ensure_ascii=True, sort_keys=True, separators=(",", ":"), allow_nan=False)


def new_id(kind: str) -> str:
    """A fresh id, short enough to be read out: the kind and ten letters and digits."""
    return f"{kind}-{''.join(secrets.choice(_LETTERS) for _ in range(10))}"


@dataclass
class Draft:
    """Entries to be written together; nothing is written before the change ends well."""

    _connection: Connection
    _revisions: list[tuple[str, str, int, str | None]] = field(default_factory=list)

    def add(self, content: Record, *, id: str | None = None) -> str:
        """A new entry; returns its id. StorageError if it refers to nothing."""
        id = id or new_id(content.KIND)
        if self._newest(id) is not None:
            raise StorageError(f"{id}: is there already; needed: a new id")
        self._write(id, self._next_version(id), content, new=True)
        return id

    def put(self, entry: Entry, **changed: Any) -> Entry:
        """The entry with some fields changed (None empties one).

        StaleEntryError if it is no longer at the version that `entry` was read at.
        """
        self._expect(entry)
        content = replace(entry.content, **changed)
        self._write(entry.id, entry.version + 1, content, new=False)
        return Entry(entry.id, entry.kind, entry.version + 1, content)

    def restore(self, entry: Entry, content: Record) -> None:
        """Give an entry another content as a whole."""
        self._expect(entry)
        self._write(entry.id, entry.version + 1, content, new=False)

    def remove(self, entry: Entry) -> None:
        """Take an entry out; it stays in the history. StorageError if others refer to it."""
        self._expect(entry)
        pointing = (
            self._connection.execute(select(reference.c.record_id).where(reference.c.target == entry.id))
            .scalars()
            .first()
        )
        if pointing is not None:
            raise StorageError(f"{entry.id}: {pointing} refers to it; remove that first")
        self._connection.execute(delete(reference).where(reference.c.record_id == entry.id))
        self._connection.execute(delete(record).where(record.c.id == entry.id))
        self._revisions.append((entry.id, entry.kind, entry.version + 1, None))

    def _expect(self, entry: Entry) -> None:
        version = self._newest(entry.id)
        if version is None:
            raise StaleEntryError(f"{entry.id}: was removed meanwhile; look at it again")
        if version != entry.version:
            raise StaleEntryError(
                f"{entry.id}: was changed meanwhile (version {version}, not {entry.version}); look at it again"
            )

    def _newest(self, id: str) -> int | None:
        return self._connection.execute(select(record.c.version).where(record.c.id == id)).scalar()

    def _next_version(self, id: str) -> int:
        newest = self._connection.execute(
            select(func.max(revision.c.version)).where(revision.c.record_id == id)
        ).scalar()
        return (newest or 0) + 1

    def _write(self, id: str, version: int, content: Record, *, new: bool) -> None:
        kind, plain = content.KIND, content.to_json()
        text = as_json(plain)
        json.dumps(plain, ensure_ascii=False).encode()  # fails where a text holds what is no character
        if len(text) > LARGEST_ENTRY:
            raise StorageError(f"{kind}: has {len(text):,} characters; needed: up to {LARGEST_ENTRY:,}")
        row = {"kind": kind, "version": version, "content": text}
        self._connection.execute(
            insert(record).values(id=id, **row) if new else update(record).where(record.c.id == id).values(row)
        )
        self._connection.execute(delete(reference).where(reference.c.record_id == id))
        for name, target, kinds in content.references():
            there = self._connection.execute(select(record.c.kind).where(record.c.id == target)).scalar()
            if there not in kinds:
                found = "nothing" if there is None else f"an entry of kind {there}"
                raise StorageError(
                    f"{kind}, field '{name}': '{target}' is {found}; needed: {' or '.join(kinds)}"
                )
            self._connection.execute(insert(reference).values(record_id=id, field=name, target=target))
        self._revisions.append((id, kind, version, text))


class Archive:
    """All entries of one database."""

    def __init__(self, database: Database | None = None) -> None:
        self.database = database or Database()
        self._newest = Newest(self.database.file, read_only=self.database.read_only)

    @contextmanager
    def change(self, reason: str, *, who: str = "keeper", at: datetime | None = None) -> Iterator[Draft]:
        """Write entries together: all of them, or, if anything raises, none."""
        newest = None
        with self.database.writing() as connection:
            draft = Draft(connection)
            yield draft
            if sum(len(content or "") for *_, content in draft._revisions) > LARGEST_CHANGE:
                raise StorageError(f"more than {LARGEST_CHANGE:,} characters at once; needed: kinds of entries one after another")
            if draft._revisions:
                moment = (at or datetime.now(UTC)).astimezone(UTC).isoformat()
                appended = _append(connection, moment, who, reason, draft._revisions)
                newest = appended if self._holds_noted(connection) else None
        if newest is not None:
            self._newest.note(newest)

    def _holds_noted(self, connection: Connection) -> bool:
        """Whether the change that was noted as the newest is still there: what is lost stays noted until it is back."""
        noted = self._newest.noted()
        return not noted or connection.execute(select(change.c.id).where(change.c.hash == noted)).first() is not None

    def find(self, id: str) -> Entry:
        """The entry with this id; StorageError if there is none."""
        with self.database.reading() as connection:
            row = connection.execute(select(record).where(record.c.id == id)).first()
        if row is None:
            raise StorageError(
                f"{id}: no such entry; 'triage animal list' and 'triage clutch list' name those that are there"
            )
        entry, wrong = _readable(row)
        if entry is None:
            raise StorageError(f"{wrong}; {_REACHED.format(id)}")
        return entry

    def all(self, kind: str | None = None, **where: Any) -> tuple[Entry, ...]:
        """Entries of a kind, or of all, whose fields have these values, in the order of their making.

        What an older version or damage left in them that cannot be is left out and warned of by name: a number or date that can be
        done without, or else the entry and all that refers to it.
        """
        wanted = _IN_ORDER
        if kind is not None:
            kind_named(kind)
            wanted = wanted.where(record.c.kind == kind)
        with self.database.reading() as connection:
            rows = connection.execute(wanted).all()
        found, lost = [], set()
        for row in rows:
            entry, wrong = _readable(row)
            if wrong:
                left_out = "that is" if entry is not None else "it and all that refers to it are"
                warnings.warn(f"{wrong}; {left_out} left out, {_REACHED.format(row.id)}", TriageWarning, stacklevel=2)
            if entry is None:
                lost.add(row.id)
            else:
                found.append(entry)
        while lost and (more := {one.id for one in found if any(target in lost for _, target, _ in one.content.references())}):
            lost |= more
            found = [one for one in found if one.id not in more]
        return tuple(one for one in found if all(getattr(one.content, name) == value for name, value in where.items()))

    def count(self) -> int:
        """How many entries there are."""
        with self.database.reading() as connection:
            return connection.execute(select(func.count()).select_from(record)).scalar() or 0

    def history(self, id: str | None = None) -> tuple[Revision, ...]:
        """Every revision, of one entry or of all, oldest first."""
        wanted = (
            select(revision, change.c.at, change.c.who, change.c.reason)
            .join(change)
            .order_by(change.c.id, revision.c.place)
        )
        if id is not None:
            wanted = wanted.where(revision.c.record_id == id)
        with self.database.reading() as connection:
            rows = connection.execute(wanted).all()
        return tuple(
            Revision(row.change_id, _moment(row.at), row.who, row.reason, row.record_id, row.kind, row.version,
                     None if row.content is None else _plain(row.content) or {"damaged": row.content})
            for row in rows
        )  # fmt: skip

    def undo(self, change_id: int, *, who: str = "keeper", at: datetime | None = None) -> None:
        """Put back what a change changed, by another change.

        StorageError if there is no such change, or something it touched is no longer as it left it: then undo the later change first.
        What a change to the form of the records changed stays: what was before has no form today.
        """
        with self.change(f"undo of change {change_id}", who=who, at=at) as draft:
            connection = draft._connection
            touched = connection.execute(
                select(revision).where(revision.c.change_id == change_id).order_by(revision.c.place.desc())
            ).all()
            if not touched:
                raise StorageError(f"change {change_id}: there is none; 'triage history' lists them")
            for row in touched:
                newest = draft._next_version(row.record_id) - 1
                now = connection.execute(
                    select(revision.c.content).where(
                        revision.c.record_id == row.record_id, revision.c.version == newest
                    )
                ).scalar()
                if now != row.content:  # a later change that was undone in its turn does not stand in the way
                    raise StorageError(
                        f"{row.record_id}: was changed again after change {change_id}; undo the later change first"
                    )
                before = connection.execute(
                    select(revision.c.kind, revision.c.content).where(
                        revision.c.record_id == row.record_id, revision.c.version == row.version - 1
                    )
                ).first()
                if (before is None or before.content is None) and row.content is not None:
                    draft.remove(Entry(row.record_id, row.kind, newest, None))
                    continue
                plain = _plain(before.content)
                if plain is None:
                    raise StorageError(f"{row.record_id}: what it was before change {change_id} is damaged; enter anew what is to be there")
                content = upgraded({row.record_id: (before.kind, plain)}).get(row.record_id)
                if content is None or (before.content != row.content == as_json(content.to_json())):
                    raise StorageError(
                        f"change {change_id}: {row.record_id} was kept in an older form before it, which only the history holds now; "
                        "enter anew what is to be different"
                    )
                if row.content is None:
                    draft.add(content, id=row.record_id)
                else:
                    draft.restore(Entry(row.record_id, row.kind, newest, None), content)

    def changes(self) -> Iterator[Change]:
        """Every change from the first on, as one consistent view; StorageError where the rows themselves are damaged."""
        with self.database.reading() as connection:
            rows = connection.execute(select(revision).order_by(revision.c.change_id, revision.c.place)).all()
            heads = connection.execute(select(change).order_by(change.c.id)).all()
        by_change: dict[int, list[tuple[str, str, int, str | None]]] = {}
        for row in rows:
            of_change = by_change.setdefault(row.change_id, [])
            one = (row.record_id, row.kind, row.version, row.content)
            if row.place != len(of_change) or not all(map(isinstance, one, (str, str, int, str | None))):
                raise StorageError(f"change {row.change_id}: what it made of {row.record_id!r} is damaged")
            of_change.append(one)
        for head in heads:
            told = (head.at, head.who, head.reason, head.previous, head.hash)
            if not isinstance(head.id, int) or not all(isinstance(words, str) for words in told):
                raise StorageError(f"change {head.id}: is damaged")
            yield Change(head.id, *told, tuple(by_change.pop(head.id, ())))
        if by_change:
            raise StorageError(f"change {min(by_change, key=str)}: is missing, though what it made is there")

    def replay(self, changes: Iterable[Change]) -> int:
        """Write changes of another archive behind those of this one, which must be the first of them or none; returns how many.

        StorageError where a chain is broken, or where this archive holds other changes; one that holds more is left as it is.
        """
        count, previous, newest = 0, FIRST_HASH, None
        with self.database.writing() as connection:
            there = connection.execute(select(change.c.hash).order_by(change.c.id)).scalars().all()
            new = not there
            versions: dict[str, int] = {}
            for number, one in enumerate(changes):
                in_order = all(version > versions.get(id, 0) for id, _, version, _ in one.revisions)
                if not in_order or not follows(one, previous):
                    raise StorageError(
                        f"change {one.id} of the backup does not follow from the one before; the backup is damaged: use another"
                    )
                previous = one.hash
                versions.update((id, version) for id, _, version, _ in one.revisions)
                if number < len(there):
                    if there[number] != one.hash:
                        raise StorageError(
                            f"{self.database.name}: holds records already, and others than the backup; needed: an empty database to "
                            "restore into, such as one in a new folder (TRIAGE_DATA)"
                        )
                    continue
                _append(connection, one.at, one.who, one.reason, one.revisions)
                count += 1
            if count:
                try:
                    if not _make_entries(connection):
                        bring_up_to_date(connection)
                except IntegrityError as error:
                    raise StorageError("the entries of the backup do not fit together; the backup is damaged: use another") from error
                newest = connection.execute(select(change.c.hash).order_by(change.c.id.desc()).limit(1)).scalar()
                newest = newest if new or self._holds_noted(connection) else None
        if newest is not None:
            self._newest.note(newest)
        return count

    def faults(self) -> tuple[str, ...]:
        """Everything that `damage` finds."""
        return tuple(sorted(one for found in self.damage() for one in found))

    def damage(self) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """What is wrong with the database and the chain of changes, and where entries and references are not what the changes made.

        Both are empty if all is well. The second can be made anew from the changes, the first only from a backup.
        """
        lost, wrong = list(self.database.damage()), []
        try:
            self._compare(lost, wrong)
        except StorageError as error:
            lost.append(str(error))
        return tuple(dict.fromkeys(lost)), tuple(wrong)

    def _compare(self, lost: list[str], wrong: list[str]) -> None:
        previous, noted = FIRST_HASH, self._newest.noted()
        expected: dict[str, tuple[str, int, str]] = {}
        for one in self.changes():
            if not follows(one, previous):
                lost.append(f"change {one.id}: was altered after it was written, or the one before is missing")
            previous = one.hash
            noted = None if noted == one.hash else noted
            for id, kind, version, content in one.revisions:
                if content is None:
                    expected.pop(id, None)
                else:
                    expected[id] = (kind, version, content)
        if noted:
            lost.append(f"change {noted[:12]} was made and is there no more, nor is what came with it or later; where a backup that holds "
                        f"it brings it back, well; otherwise enter it anew and remove {self._newest.file}")  # fmt: skip
        if noted == "":
            wrong.append(f"{self._newest.file}: is damaged; it only tells of the newest change, and the next one makes it anew")
        with self.database.reading() as connection:
            rows = connection.execute(select(record)).all()
            pointed = {
                tuple(row)
                for row in connection.execute(select(reference.c.record_id, reference.c.field, reference.c.target))
            }
        actual = {row.id: (row.kind, row.version, row.content) for row in rows}
        wrong += [f"{id}: is missing, though no change removed it" for id in expected.keys() - actual.keys()]
        wrong += [f"{id}: is there, though no change made it" for id in actual.keys() - expected.keys()]
        wrong += [
            f"{id}: differs from its last change"
            for id in expected.keys() & actual.keys()
            if expected[id] != actual[id]
        ]
        wanted = set()
        for id, (kind, _, content) in expected.items():
            try:
                references = tuple(_content(id, kind, content).references())
            except StorageError as error:
                lost.append(str(error))
                continue
            for name, target, kinds in references:
                wanted.add((id, name, target))
                if target not in expected or expected[target][0] not in kinds:
                    lost.append(f"{id}: field '{name}' refers to {target}, which is not there")
        wrong += [
            f"{id}: reference '{name}' to {target} is not what the entry says" for id, name, target in wanted ^ pointed
        ]


def follows(one: Change, previous: str) -> bool:
    """Whether a change is whole and comes right behind the change of that hash."""
    return one.previous == previous and hash_of(previous, one.at, one.who, one.reason, one.revisions) == one.hash


def _make_entries(connection: Connection) -> bool:
    """The entries as the changes made them, with their references; whether all are of today's form, so that nothing is left to be done."""
    newest = select(revision.c.record_id, func.max(revision.c.version).label("version")).group_by(revision.c.record_id).subquery()
    made = select(revision.c.record_id, revision.c.kind, revision.c.version, revision.c.content).join(
        newest, (newest.c.record_id == revision.c.record_id) & (newest.c.version == revision.c.version)
    )
    connection.execute(delete(reference))
    connection.execute(delete(record))
    connection.execute(insert(record).from_select(["id", "kind", "version", "content"], made.where(revision.c.content.is_not(None))))
    of_today = True
    kinds = {row.id: row.kind for row in connection.execute(select(record.c.id, record.c.kind))}
    for row in connection.execute(select(record)):  # one by one: a backup may be larger than the memory
        try:
            content = _content(row.id, row.kind, row.content)
        except StorageError:
            of_today = False
            continue
        of_today &= as_json(content.to_json()) == row.content
        pointing = []
        for name, to, allowed in content.references():
            if kinds.get(to) not in allowed:
                raise StorageError(f"{row.id}: field '{name}' refers to {to[:60]!r}, which is not there or none of {' or '.join(allowed)}")
            pointing.append({"record_id": row.id, "field": name, "target": to})
        if pointing:
            connection.execute(insert(reference), pointing)
    return of_today


def _append(
    connection: Connection, at: str, who: str, reason: str, revisions: Iterable[tuple[str, str, int, str | None]]
) -> str:
    """Write a change behind all others; returns its hash."""
    revisions = list(revisions)
    last = connection.execute(select(change.c.hash).order_by(change.c.id.desc()).limit(1)).scalar() or FIRST_HASH
    row = {"at": at, "who": who, "reason": reason, "previous": last, "hash": hash_of(last, at, who, reason, revisions)}
    number = connection.execute(insert(change).values(row)).inserted_primary_key[0]
    connection.execute(
        insert(revision),
        [{"change_id": number, "place": place, "record_id": id, "kind": kind, "version": version, "content": content}
         for place, (id, kind, version, content) in enumerate(revisions)],
    )  # fmt: skip
    return row["hash"]


def bring_up_to_date(connection: Connection) -> None:
    """Entries of an older form as they are written today, by one change that says so; and every reference anew.

    Nothing is written where all are as they should be. The history keeps what was.
    """
    rows = connection.execute(_IN_ORDER).all()
    plain = {row.id: (row.kind, content) for row in rows if (content := _plain(row.content)) is not None}
    unread = {row.id for row in rows} - plain.keys()  # they stay as they are, and are told of whenever they are read
    today = upgraded(plain, unread)
    revisions: list[tuple[str, str, int, str | None]] = []
    connection.execute(delete(reference))
    for row in rows:
        if row.id not in today and row.id not in unread:
            connection.execute(delete(record).where(record.c.id == row.id))
            revisions.append((row.id, row.kind, row.version + 1, None))
    there = {row.id: row for row in rows}
    for id, content in today.items():
        text, old = as_json(content.to_json()), there.get(id)
        if old is not None and (old.kind, old.content) == (content.KIND, text):
            continue
        version = 1 if old is None else old.version + 1
        values = {"kind": content.KIND, "version": version, "content": text}
        connection.execute(
            insert(record).values(id=id, **values) if old is None else update(record).where(record.c.id == id).values(values)
        )
        revisions.append((id, content.KIND, version, text))
    pointing = [{"record_id": id, "field": name, "target": to} for id, one in today.items() for name, to, _ in one.references()]
    if pointing:
        connection.execute(insert(reference), pointing)
    if revisions:
        _append(connection, datetime.now(UTC).isoformat(), "the program", "records brought to the form of this version", revisions)


def _content(id: str, kind: str, text: str) -> Record:
    try:
        return kind_named(kind).from_json(json.loads(text))
    except (StorageError, ValueError, RecursionError) as error:
        raise StorageError(f"{id}: cannot be read ({error}); restore a backup") from error


def _readable(row: Any) -> tuple[Entry | None, str]:
    """An entry without what cannot be in it, None where nothing can be made of it; and what was wrong, empty where nothing was."""
    try:
        return Entry(row.id, row.kind, row.version, _content(row.id, row.kind, row.content)), ""
    except StorageError:
        plain = _plain(row.content) or {}
    name = plain.get("name") or plain.get("label")
    called = f"{row.kind} {name} ({row.id})" if isinstance(name, str) else row.id
    try:
        content, wrong = kind_named(row.kind).salvaged(plain)
    except (StorageError, RecursionError) as error:
        return None, f"{called}: cannot be read ({error})"
    return Entry(row.id, row.kind, row.version, content), f"{called}: {'; '.join(wrong)}"


def _plain(text: str) -> dict[str, Any] | None:
    """Content as JSON values; None where it is damaged."""
    try:
        found = json.loads(text)
    except (ValueError, RecursionError):
        return None
    return found if isinstance(found, dict) else None


def _moment(text: str) -> datetime:
    """The time of a change; the first there is where it is damaged."""
    try:
        return datetime.fromisoformat(text).astimezone(UTC)
    except (ValueError, OverflowError):
        return datetime(1, 1, 2, tzinfo=UTC)
