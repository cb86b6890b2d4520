"""Read values out of a YAML document, refusing by file and line whatever is missing or of the wrong kind."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from typing import NoReturn

import yaml

from triage.errors import SheetError
from triage.records import Range
from triage.species.names import nearest
from triage.storage.kinds import Field, is_right, needed_words

#: A clutch sheet is a page of text; anything larger is some other file.
MOST_BYTES = 1_000_000
#: How deep a sheet nests, and how many values it holds where each is counted as often as an alias (*) brings it in.
_DEEPEST, _MOST_VALUES = 50, 200_000
_LONGEST_TEXT = 10_000
_DATE, _TEXT = Field("date"), Field("text")


def read_document(text: str, place: str) -> Node:
    """The root mapping of a YAML document.

    Raises
    ------
    SheetError
        The text is not YAML, is empty, or is not a mapping at the top.
    """
    if len(text) > MOST_BYTES:
        raise SheetError(f"{place}: {len(text):,} characters; needed: a clutch sheet of at most {MOST_BYTES:,}")
    try:
        node = yaml.compose(text, Loader=_BoundedLoader)
    except yaml.YAMLError as error:
        mark = getattr(error, "problem_mark", None)
        where = f"{place}, line {mark.line + 1}" if mark else place
        problem = getattr(error, "problem", None) or getattr(error, "reason", None) or "not readable"
        raise SheetError(f"{where}: not valid YAML ({problem}); needed: a clutch sheet, see README.md") from error
    except (ValueError, OverflowError):  # a number of a character that there is none of
        raise SheetError(f"{place}: not valid YAML (an escape that is no character); needed: a clutch sheet, see README.md") from None
    if node is None:
        raise SheetError(f"{place}: the sheet is empty; needed: species, dam, sires and eggs, see README.md")
    return Node(node, place, "the sheet")


class _BoundedLoader(yaml.SafeLoader):
    """Composes a document that stays within its bounds however often its parts stand for one another."""

    def __init__(self, stream: str) -> None:
        super().__init__(stream)
        self._depth = 0
        self._sizes: dict[yaml.Node, int] = {}

    def compose_node(self, parent: yaml.Node | None, index: object) -> yaml.Node:
        mark, is_alias = self.peek_event().start_mark, self.check_event(yaml.AliasEvent)
        if self._depth == _DEEPEST:
            raise yaml.MarkedYAMLError(problem=f"nested more than {_DEEPEST} deep", problem_mark=mark)
        self._depth += 1
        node = super().compose_node(parent, index)
        self._depth -= 1
        if is_alias and node not in self._sizes:
            raise yaml.MarkedYAMLError(problem="an alias within what it stands for", problem_mark=mark)
        if not is_alias:
            inside = (node.value,) if isinstance(node, yaml.ScalarNode) else node.value
            parts = [one for part in inside for one in (part if isinstance(part, tuple) else (part,)) if isinstance(one, yaml.Node)]
            self._sizes[node] = 1 + sum(self._sizes[one] for one in parts)
            if self._sizes[node] > _MOST_VALUES:
                raise yaml.MarkedYAMLError(problem=f"over {_MOST_VALUES:,} values", problem_mark=mark)
            if isinstance(node, yaml.ScalarNode) and not is_right(_TEXT, node.value):
                raise yaml.MarkedYAMLError(problem="half of a character", problem_mark=mark)
        return node


class Node:
    """One node of the document with the place it stands at."""

    def __init__(self, node: yaml.Node, file: str, what: str) -> None:
        self._node = node
        self._file = file
        self.what = what
        self._asked: set[str] = set()
        self._children: dict[str, yaml.Node] | None = None

    @property
    def place(self) -> str:
        return f"{self._file}, line {self._node.start_mark.line + 1}"

    def refuse(self, found: str, needed: str) -> NoReturn:
        raise SheetError(f"{self.place}: {found}; needed: {needed}")

    @property
    def is_mapping(self) -> bool:
        return isinstance(self._node, yaml.MappingNode)

    def _mapping(self) -> dict[str, yaml.Node]:
        if self._children is None:
            if not isinstance(self._node, yaml.MappingNode):
                self.refuse(f"{self.what} is {self._kind()}", f"'key: value' lines for {self.what}")
            children: dict[str, yaml.Node] = {}
            for key, value in self._node.value:
                name = key.value if isinstance(key, yaml.ScalarNode) else None
                if name is None:
                    self.refuse(f"{self.what} has a key that is no word", "plain words as keys")
                if name in children:
                    line = key.start_mark.line + 1
                    raise SheetError(f"{self._file}, line {line}: '{name}' stands twice in {self.what}; needed: once")
                children[name] = value
            self._children = children
        return self._children

    def _kind(self) -> str:
        if isinstance(self._node, yaml.SequenceNode):
            return "a list"
        if isinstance(self._node, yaml.MappingNode):
            return "a table"
        return "empty" if self._node.value == "" else f"'{self._node.value[:60]}'"

    def names(self) -> list[str]:
        return list(self._mapping())

    def has(self, key: str) -> bool:
        return key in self._mapping()

    def child(self, key: str, needed: str) -> Node:
        self._asked.add(key)
        node = self._mapping().get(key)
        if node is None:
            self.refuse(f"{self.what} has no '{key}'", needed)
        return Node(node, self._file, f"'{key}' of {self.what}")

    def optional(self, key: str) -> Node | None:
        self._asked.add(key)
        node = self._mapping().get(key)
        if node is None or (isinstance(node, yaml.ScalarNode) and node.tag.endswith(":null")):
            return None
        return Node(node, self._file, f"'{key}' of {self.what}")

    def items(self) -> Iterator[Node]:
        if not isinstance(self._node, yaml.SequenceNode):
            self.refuse(f"{self.what} is {self._kind()}", f"a list ('- ...' lines) for {self.what}")
        for i, node in enumerate(self._node.value):
            yield Node(node, self._file, f"entry {i + 1} of {self.what}")

    def text(self, needed: str) -> str:
        if not isinstance(self._node, yaml.ScalarNode) or not self._node.value.strip():
            self.refuse(f"{self.what} is {self._kind()}", needed)
        if len(self._node.value) > _LONGEST_TEXT:
            self.refuse(f"{self.what} has {len(self._node.value):,} characters", f"at most {_LONGEST_TEXT:,}")
        return self._node.value.strip()

    def number(self, allowed: Range) -> float:
        text = self.text(allowed.words)
        try:
            value = float(text)
        except ValueError:
            self.refuse(f"{self.what} is '{text[:60]}'", allowed.words)
        if not allowed.holds(value):
            self.refuse(f"{self.what} is {text[:60]}", allowed.words)
        return value

    def day(self) -> date:
        needed = needed_words(_DATE)
        text = self.text(needed)
        if not is_right(_DATE, text):
            self.refuse(f"{self.what} is '{text}'", needed)
        return date.fromisoformat(text)

    def flag(self) -> bool:
        return self.one_of(["true", "false"]) == "true"

    def whole(self, allowed: Range) -> int:
        value = self.number(allowed)
        if value != int(value):
            self.refuse(f"{self.what} is {value:g}", needed_words(Field("whole", range=allowed)))
        return int(value)

    def one_of(self, choices: Sequence[str]) -> str:
        text = self.text("one of " + ", ".join(choices)).lower()
        if text not in choices:
            self.refuse(f"{self.what} is '{text}'", "one of " + ", ".join(choices))
        return text

    def finish(self) -> None:
        """Refuse keys nobody asked for, with the nearest known one."""
        for key in self._mapping():
            if key not in self._asked:
                close = nearest(key, self._asked, 1)
                hint = f"did you mean '{close[0]}'? " if close else ""
                self.refuse(f"{self.what} has an unknown key '{key}'", f"{hint}known keys: {', '.join(sorted(self._asked))}")
