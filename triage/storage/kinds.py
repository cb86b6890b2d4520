"""What may stand in the records: kinds of entries, their fields, and which entries they refer to.

Contents are plain JSON values, so that every change can be kept as it was and taken to any database.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from triage.errors import StorageError

ANYTHING = ("animal", "egg")  # what a photo, reading, call, mark or note can be about


@dataclass(frozen=True, slots=True)
class Field:
    """One field of a kind.

    Attributes
    ----------
    type
        "text", "date", "moment" (with time zone), "number", "choice", "shares" (a list of {animal, share}), "table" (a mapping of
        text to numbers), "texts", or "reference".
    choices
        Accepted words, or the kinds that a reference may point to.
    """

    type: str
    required: bool = False
    choices: tuple[str, ...] = ()


def _reference(*kinds: str, required: bool = True) -> Field:
    return Field("reference", required, kinds)


KINDS: Mapping[str, Mapping[str, Field]] = {
    "line": {"name": Field("text", True), "note": Field("text")},
    "animal": {
        "name": Field("text", True), "species": Field("text", True), "sex": Field("choice", True, ("male", "female", "unknown")),
        "genes": Field("text"), "hatched": Field("date"), "weight_g": Field("number"), "origin": Field("text"),
        "egg": _reference("egg", required=False), "line": _reference("line", required=False),
        "state": Field("choice", False, ("kept", "sold", "dead")), "buyer": Field("text"),
    },
    "pairing": {
        "dam": _reference("animal"), "sires": Field("shares", True), "mixed": Field("number"), "from": Field("date"),
        "to": Field("date"),
    },
    "clutch": {"name": Field("text", True), "pairing": _reference("pairing"), "laid": Field("date"), "hatched": Field("date")},
    "egg": {
        "clutch": _reference("clutch"), "label": Field("text", True),
        "state": Field("choice", True, ("laid", "slug", "dead", "hatched")), "sex": Field("choice", False, ("male", "female")),
    },
    "photo": {
        "about": _reference(*ANYTHING), "sha256": Field("text", True), "source_sha256": Field("text", True),
        "name": Field("text", True), "added": Field("moment", True), "stage": Field("text"),
    },
    "reading": {
        "about": _reference(*ANYTHING), "observer": Field("text", True), "at": Field("moment", True),
        "photo": _reference("photo", required=False), "likelihoods": Field("table", True), "otherwise": Field("number", True),
    },
    "call": {
        "about": _reference(*ANYTHING), "call": Field("text", True), "by": Field("text", True), "at": Field("moment", True),
        "stage": Field("choice", False, ("in the egg", "at hatch", "after first shed", "later")), "probability": Field("number"),
    },
    "tray": {"about": _reference(*ANYTHING), "tray": Field("text", True), "reasons": Field("texts"), "at": Field("moment", True)},
    "hold": {"about": _reference(*ANYTHING, required=False), "clutch_name": Field("text"), "label": Field("text"),
             "note": Field("text"), "at": Field("moment", True)},
    "plan": {
        "animal": _reference(*ANYTHING), "mate": Field("text", True), "question": Field("text", True),
        "prior": Field("table", True), "at": Field("moment", True),
    },
    "outcome": {
        "plan": _reference("plan", required=False), "animal": _reference(*ANYTHING), "clutch": _reference("clutch", required=False),
        "says": Field("table", True), "by": Field("text"), "note": Field("text"), "at": Field("moment", True),
    },
    "label": {"about": _reference(*ANYTHING), "text": Field("text", True), "rests_on": Field("texts"), "at": Field("moment", True)},
    "note": {"about": _reference(*ANYTHING), "text": Field("text", True), "at": Field("moment", True)},
}  # fmt: skip


def check(kind: str, content: Mapping[str, Any]) -> dict[str, Any]:
    """The content with empty fields left out; StorageError says which field is wrong, and what it needs."""
    if kind not in KINDS:
        raise StorageError(f"'{kind}' is no kind of entry; needed: one of {', '.join(KINDS)}")
    fields = KINDS[kind]
    kept = {name: value for name, value in content.items() if value is not None and value != ""}
    for name, value in kept.items():
        if name not in fields:
            raise StorageError(f"{kind}: unknown field '{name}'; needed: {', '.join(fields)}")
        _check_value(f"{kind}, field '{name}'", fields[name], value)
    for name, wanted in fields.items():
        if wanted.required and name not in kept:
            raise StorageError(f"{kind}: field '{name}' is missing; needed: {needed_words(wanted)}")
    return kept


def _check_value(where: str, field: Field, value: Any) -> None:
    fine = {
        "text": lambda: isinstance(value, str),
        "reference": lambda: isinstance(value, str),
        "choice": lambda: value in field.choices,
        "number": lambda: isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e300,
        "date": lambda: isinstance(value, str) and bool(date.fromisoformat(value)),
        "moment": lambda: isinstance(value, str) and datetime.fromisoformat(value).tzinfo is not None,
        "texts": lambda: isinstance(value, list) and all(isinstance(one, str) for one in value),
        "table": lambda: isinstance(value, dict) and all(isinstance(k, str) and _number(v) for k, v in value.items()),
        "shares": lambda: isinstance(value, list) and bool(value) and all(
            isinstance(one, dict) and set(one) == {"animal", "share"} and isinstance(one["animal"], str) and _number(one["share"])
            for one in value
        ),
    }[field.type]  # fmt: skip
    try:
        good = fine()
    except ValueError:
        good = False
    if not good:
        raise StorageError(f"{where} is {value!r}; needed: {needed_words(field)}")


def _number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def needed_words(field: Field) -> str:
    """What a field takes, in words."""
    return {
        "choice": f"one of {', '.join(field.choices)}",
        "reference": f"the id of an entry of kind {' or '.join(field.choices)}",
        "date": "a date such as 2031-06-02",
        "moment": "a time with its zone, such as 2031-06-02T18:04:11+00:00",
        "number": "a number",
        "shares": "a list of {animal, share}",
        "table": "names with numbers",
        "texts": "a list of texts",
    }.get(field.type, "text")


def references(kind: str, content: Mapping[str, Any]) -> Iterator[tuple[str, str, tuple[str, ...]]]:
    """(field, id referred to, kinds allowed there) of everything an entry points to."""
    for name, field in KINDS[kind].items():
        if field.type == "reference" and name in content:
            yield name, content[name], field.choices
        elif field.type == "shares":
            for number, one in enumerate(content.get(name, [])):
                yield f"{name}.{number}", one["animal"], ("animal",)
