"""Entries by the names that a keeper gave them; identifiers work as well, and nobody has to see one."""

from __future__ import annotations

from collections.abc import Sequence

from triage.errors import StorageError, UnknownNameError
from triage.species.names import nearest
from triage.storage.archive import Archive, Entry
from triage.workflow.book import Book, whom

#: Kinds that have a name of their own.
NAMED = ("animal", "egg", "clutch", "line")


def find_entry(archive: Archive, words: str, kinds: Sequence[str] = NAMED) -> Entry:
    """The entry that words name: an id, an animal's or clutch's name, CLUTCH/EGG, or an unambiguous start of either.

    Raises
    ------
    UnknownNameError
        Nothing goes by that name; the nearest names are given.
    StorageError
        Several do; each is listed with what tells it apart.
    """
    return find_in(Book.of(archive), words, kinds)


def find_in(book: Book, words: str, kinds: Sequence[str] = NAMED) -> Entry:
    """As `find_entry`, in entries that are at hand."""
    wanted = words.strip()
    if wanted in book.entries and book[wanted].kind in kinds:
        return book[wanted]
    titles = {id: book.title(id) for id, entry in book.entries.items() if entry.kind in kinds}
    said = wanted.casefold()
    for fits in (
        lambda title: title == wanted,
        lambda title: title.casefold() == said,
        lambda title: bool(said) and title.casefold().startswith(said),
    ):
        found = [id for id, title in titles.items() if fits(title)]
        found = [id for id in found if not (book[id].kind == "egg" and id in book.animal_of_egg and book.animal_of_egg[id] in found)]
        if len(found) == 1:
            return book[found[0]]
        if found:
            which = "; ".join(f"{titles[id]} ({described(book, id)})" for id in found[:8])
            more = f"; and {len(found) - 8} more" if len(found) > 8 else ""
            raise StorageError(f"'{words}' names {len(found)} entries: {which}{more}; needed: the full name, or the id of one")
    close = nearest(wanted, titles.values())
    hint = f"did you mean {' or '.join(repr(one) for one in close)}?" if close else _known(titles.values(), kinds)
    raise UnknownNameError(f"'{words}': no {' or '.join(kinds)} of that name is in the records; {hint}")


def called(book: Book, id: str) -> str:
    """What an entry is called: by its name, or by whom it is about where it has none."""
    title = book.title(id)
    if title != id:
        return title
    entry = book[id]
    of = whom(entry) or getattr(entry.content, "dam", None) or getattr(entry.content, "clutch", None)
    return f"{entry.kind} of {called(book, of)}" if of else entry.kind


def described(book: Book, id: str) -> str:
    """What tells an entry apart from another of its name."""
    entry = book[id]
    parts = [entry.kind]
    if entry.kind == "animal":
        clutch = book.clutch_of(id)
        parts.append(entry.content.sex if entry.content.sex != "unknown" else "not sexed")
        parts.append(f"from {book.title(clutch)}" if clutch else entry.content.genes or entry.content.origin or "")
    if entry.kind == "clutch":
        pairing = book[entry.content.pairing].content
        parts.append(f"of {book.title(pairing.dam)}")
        parts.append(entry.content.hatched or entry.content.laid or "")
    if entry.kind == "gene":
        parts.append(f"of the {entry.content.species}")
    if entry.kind == "pairing":
        parts.append(f"from {entry.content.begun}" if entry.content.begun else "")
    return ", ".join([*filter(None, parts), id])


def _known(titles, kinds: Sequence[str]) -> str:
    listed = sorted(set(titles))
    if not listed:
        return f"there is no {' or '.join(kinds)} yet"
    return f"known: {', '.join(listed[:8])}" + (f" and {len(listed) - 8} more" if len(listed) > 8 else "")
