"""Records out to CSV or JSON and back in, without loss.

A spreadsheet runs a cell that begins with =, +, -, @ (or one of them in full width), a tab or a carriage return as a formula. Such
text goes out behind an apostrophe, as does text that begins with one; coming in, the first apostrophe is taken off again. That holds
for identifiers too: an import may have brought them.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from triage.errors import StorageError
from triage.storage.archive import Archive
from triage.storage.kinds import KINDS, Gene, Record, kind_named
from triage.workflow.book import Book
from triage.workflow.gene_use import refuse_lost, tidy_gene

FORMAT = 1
LARGEST_BYTES = 64 * 2**20  # of a file that is read
_MOST_VALUES = 4_000_000  # in it: ten seasons of a large collection have half as many
_DANGEROUS = ("=", "+", "-", "@", "\t", "\r", "\n", "'", "＝", "＋", "－", "＠")
_HEAD = ("id", "kind")
_AS_TEXT = ("text", "date", "moment", "choice", "reference")  # all other fields are JSON in their cell


def guarded(text: str) -> str:
    """Text that no spreadsheet takes for a formula."""
    return f"'{text}" if text.startswith(_DANGEROUS) else text


def unguarded(text: str) -> str:
    """The text that `guarded` was given."""
    return text[1:] if text.startswith("'") else text


def to_csv(archive: Archive, kind: str) -> str:
    """All entries of a kind, a row each; numbers and lists as JSON, text guarded."""
    fields = kind_named(kind).fields()
    file = io.StringIO()
    writer = csv.writer(file, lineterminator="\r\n")
    writer.writerow([*_HEAD, *fields])
    for entry in archive.all(kind):
        content = entry.content.to_json()
        writer.writerow([guarded(entry.id), kind, *(_cell(fields[name].type, content.get(name)) for name in fields)])
    return file.getvalue()


def from_csv(text: str, place: str) -> list[dict[str, Any]]:
    """Rows of `to_csv` as {id, kind, content}; StorageError names the row that is wrong."""
    try:
        rows = list(csv.reader(io.StringIO(text, newline="")))
    except csv.Error as error:
        raise StorageError(f"{place}: cannot be read as a table ({error}); needed: one that 'triage export' wrote") from error
    if not rows or tuple(rows[0][:2]) != _HEAD:
        raise StorageError(
            f"{place}: the first row must begin with {', '.join(_HEAD)}; needed: a table that 'triage export' wrote"
        )
    found = []
    for number, row in enumerate(rows[1:], 2):
        if not any(row):
            continue
        if len(row) != len(rows[0]):
            raise StorageError(f"{place}, row {number}: {len(row)} cells; needed: {len(rows[0])}, as in the first row")
        kind = row[1]
        content = {}
        for name, cell in zip(rows[0][2:], row[2:], strict=True):
            if kind not in KINDS or name not in KINDS[kind].fields():
                raise StorageError(
                    f"{place}, row {number}: '{kind}' has no field '{name}'; needed: a table that 'triage export' wrote"
                )
            if cell != "":
                content[name] = _value(KINDS[kind].fields()[name].type, cell, f"{place}, row {number}, '{name}'")
        found.append({"id": unguarded(row[0]), "kind": kind, "content": content})
    return found


def _cell(type: str, value: Any) -> str:
    if value is None:
        return ""
    if type not in _AS_TEXT:
        return json.dumps(value, ensure_ascii=False)
    return guarded(value)


def _value(type: str, cell: str, where: str) -> Any:
    if type in _AS_TEXT:
        return unguarded(cell)
    try:
        return json.loads(cell)
    except (ValueError, RecursionError) as error:
        raise StorageError(f"{where}: '{cell[:40]}' cannot be read; needed: a number, or a list in brackets") from error


def to_json(archive: Archive, kinds: Sequence[str] = ()) -> dict[str, Any]:
    """Every entry (of some kinds) as JSON values."""
    entries = [entry for entry in archive.all() if not kinds or entry.kind in kinds]
    return {"format": FORMAT, "entries": [{"id": e.id, "kind": e.kind, "content": e.content.to_json()} for e in entries]}


def from_json(text: str, place: str) -> list[dict[str, Any]]:
    """Entries of `to_json` as {id, kind, content}."""
    if text.count(",") > _MOST_VALUES:
        raise StorageError(f"{place}: has over {_MOST_VALUES:,} values; needed: kinds one after another ('triage export --kind')")
    try:
        data = json.loads(text)
        if data["format"] != FORMAT:
            raise StorageError(f"{place}: format {data['format']!r}; this program reads format {FORMAT}")
        return [{"id": str(e["id"]), "kind": str(e["kind"]), "content": dict(e["content"])} for e in data["entries"]]
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise StorageError(f"{place}: not records that 'triage export' wrote ({error!r:.100})") from error


def import_entries(archive: Archive, rows: Sequence[Mapping[str, Any]], *, who: str = "keeper") -> tuple[int, int, int]:
    """Enter rows as one change: new ids are added, known ones brought to the row's content; returns (new, changed, same).

    Rows may come in any order; everything is entered or nothing.
    """
    new = changed = same = 0
    coming = [(str(row["id"]), _content(row)) for row in rows]
    there = {entry.id: entry for entry in archive.all()}
    _refuse_genes(Book(there), coming)
    with archive.change(f"import of {len(coming)} entries", who=who) as draft:
        for id, content in _in_order(coming):
            known = there.get(id)
            if known is not None and known.kind != content.KIND:
                raise StorageError(f"{id}: is of kind {known.kind} in the records, {content.KIND} in the file")
            if known is None:
                draft.add(content, id=_checked_id(id, content.KIND) if id else None)
                new += 1
            elif known.content == content:
                same += 1
            else:
                draft.restore(known, content)
                changed += 1
    return new, changed, same


def _in_order(rows: Sequence[tuple[str, Record]]) -> Iterator[tuple[str, Record]]:
    """Rows as they stand, as the later is the newer, but each behind those it refers to; of one that stands twice the second is refused."""
    place: dict[str, int] = {}
    for number, (id, _) in enumerate(rows):
        if id and place.setdefault(id, number) != number:
            raise StorageError(f"{id}: stands twice in the file; needed: each entry once")
    done: dict[int, bool] = {}  # False while those it refers to are under way
    for first in range(len(rows)):
        under_way = [first]
        while under_way:
            number = under_way[-1]
            id, content = rows[number]
            before = [] if number in done else [place[target] for _, target, _ in content.references() if target in place and target != id]
            if any(done.get(one) is False for one in before):
                raise StorageError(f"{id}: the entries of the file refer to each other in a ring; needed: a file that 'triage export' wrote")
            waiting = [one for one in before if one not in done]
            if waiting:
                done[number] = False
                under_way += reversed(waiting)
                continue
            under_way.pop()
            if not done.get(number):
                done[number] = True
                yield rows[number]


def _checked_id(id: str, kind: str) -> str:
    if not re.fullmatch("[A-Za-z0-9][A-Za-z0-9._-]{0,39}", id):
        raise StorageError(f"{kind} {id[:60]!r}: that is no id; needed: up to 40 letters (a to z), digits, '.', '_' and '-', or none")
    return id


def _refuse_genes(book: Book, rows: Sequence[tuple[str, Record]]) -> None:
    """CatalogueError where a gene that comes in does not fit, StorageError where entries that stay as they are could not be read then."""
    coming = {id or f"row {number}": one for number, (id, one) in enumerate(rows) if isinstance(one, Gene)}
    before = {one.id: one.content for one in book.all("gene")}
    refuse_lost(book, before | coming, sparing={id for id, _ in rows})


def _content(row: Mapping[str, Any]) -> Record:
    try:
        found = kind_named(row["kind"]).from_json(row["content"])
        return tidy_gene(found) if isinstance(found, Gene) else found
    except StorageError as error:
        raise StorageError(f"{row['id'] or 'an entry without id'}: {error}") from error
