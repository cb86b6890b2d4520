"""What was seen of animals and is no known gene: said with its day in the keeper's words, counted in a clutch, never computed."""

from __future__ import annotations

from collections import Counter

from triage.workflow.book import Book


def seen_of(book: Book, id: str) -> tuple[str, ...]:
    """Traits of an animal or egg, and of the egg that the animal was, as labels and cards say them; the first seen first."""
    found = sorted((one.content for one in book.about(id, "trait")), key=lambda one: one.seen)
    return tuple(f"seen {one.seen}, no known gene: {one.words}" for one in found)


def trait_counts(book: Book, clutch: str) -> tuple[str, ...]:
    """How many of a clutch's hatchlings, and of its eggs that did not hatch, each trait was seen of; words that differ in case are one."""
    words: dict[str, str] = {}
    hatched, lost = Counter(), Counter()
    eggs = book.eggs(clutch)
    for egg in eggs:
        said = [" ".join(one.content.words.split()) for one in book.about(egg.id, "trait")]
        for one in said:
            words.setdefault(one.casefold(), one)
        (hatched if egg.content.state == "hatched" else lost).update({one.casefold() for one in said})
    total = sum(egg.content.state == "hatched" for egg in eggs)
    found = []
    for key, said in words.items():
        parts = [f"{hatched[key]} of {total} hatchling{'' if total == 1 else 's'}"]
        if lost[key]:
            parts.append(f"{lost[key]} egg{'' if lost[key] == 1 else 's'} that did not hatch")
        found.append(f"{said}: {', and '.join(parts)}")
    return tuple(found)
