"""Take values out of parsed TOML tables, refusing by file and entry whatever is missing or of the wrong kind."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NoReturn

from triage.errors import CatalogueError
from triage.records import Range

_MISSING = object()


class Table:
    """One TOML table with the place it stands at; ``finish`` refuses keys nobody asked for."""

    def __init__(self, values: Mapping[str, Any], place: str) -> None:
        self._values = values
        self._asked: set[str] = set()
        self.place = place

    def refuse(self, found: str, needed: str) -> NoReturn:
        raise CatalogueError(f"{self.place}: {found}; needed: {needed}")

    def _get(self, key: str, kind: type | tuple[type, ...], needed: str, default: Any) -> Any:
        self._asked.add(key)
        value = self._values.get(key, _MISSING)
        if value is _MISSING:
            if default is _MISSING:
                self.refuse(f"'{key}' is missing", needed)
            return default
        if not isinstance(value, kind) or (isinstance(value, bool) and kind is not bool):
            self.refuse(f"'{key}' is {value!r}", needed)
        return value

    def text(self, key: str, default: Any = _MISSING) -> Any:
        value = self._get(key, str, f"text for '{key}'", default)
        if isinstance(value, str) and default is _MISSING and not value.strip():
            self.refuse(f"'{key}' is empty", f"text for '{key}'")
        return value

    def flag(self, key: str, default: bool) -> bool:
        return self._get(key, bool, f"true or false for '{key}'", default)

    def number(self, key: str, low: float, high: float, default: Any = _MISSING) -> Any:
        allowed = Range(low, high)
        needed = f"{allowed.words} for '{key}'"
        value = self._get(key, (int, float), needed, default)
        if value is default:
            return value
        if not allowed.holds(value):
            self.refuse(f"'{key}' is {value!r}", needed)
        return float(value)

    def texts(self, key: str) -> tuple[str, ...]:
        values = self._get(key, list, f"a list of texts for '{key}'", [])
        if not all(isinstance(v, str) and v.strip() for v in values):
            self.refuse(f"'{key}' is {values!r}", f"a list of texts for '{key}'")
        return tuple(values)

    def one_of(self, key: str, choices: Sequence[str], default: Any = _MISSING) -> Any:
        value = self.text(key, default)
        if value is not default and value not in choices:
            self.refuse(f"'{key}' is {value!r}", "one of " + ", ".join(choices))
        return value

    def table(self, key: str, default: Any = _MISSING) -> Table:
        return Table(self._get(key, dict, f"a table [{key}]", default), f"{self.place}, {key}")

    def names(self) -> tuple[str, ...]:
        return tuple(self._values)

    def tables(self, key: str) -> list[Table]:
        values = self._get(key, list, f"a list of tables for '{key}'", [])
        if not all(isinstance(v, dict) for v in values):
            self.refuse(f"'{key}' is {values!r}", f"a list of tables for '{key}'")
        return [Table(v, f"{self.place}, {key} {v.get('name', v.get('key', i + 1))!s}") for i, v in enumerate(values)]

    def finish(self) -> None:
        unknown = sorted(set(self._values) - self._asked)
        if unknown:
            self.refuse(f"unknown key '{unknown[0]}'", "one of " + ", ".join(sorted(self._asked)))
