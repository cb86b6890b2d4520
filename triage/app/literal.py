"""Names as they are, wherever the page shows them: in Markdown, in HTML; in tables; fields that read no markup take ``signs.shown``."""

from __future__ import annotations

import html
import re
from collections.abc import Mapping, Sequence

from triage.signs import shown

_SIGNS = re.compile(r"([!-/:-@\[-`{-~])")
#: Streamlit looks for links, arrows, icons and emoji once more when Markdown has been read and its escapes are gone.
_FOUND_LATER = re.compile(r"(?<=[:@])(?=\S)|(?<=www)(?=\.)|(?<=[-<>~])(?=[-=>])", re.IGNORECASE)
#: Streamlit takes an attribute that holds the end of a tag or a comment out of HTML, however it was escaped.
_TAKEN_OUT = re.compile(r"(?<=<)(?=/)|(?<=[-!\]])(?=>)")
#: Has no width; parts what would be found or taken out.
_JOINER = "\u2060"


def literal(text: str) -> str:
    r"""Text for Markdown, in which every sign stands for itself: what a field's label, a caption or a notice says.

    >>> print(literal("a*b: 5 %"))
    a\*b\: 5 \%
    """
    return _SIGNS.sub(r"\\\1", _FOUND_LATER.sub(_JOINER, shown(text)))


def plain(rows: Sequence[Mapping[str, object]]) -> list[dict[str, object]]:
    """Rows of a table, whose cells read no markup: only what a screen would obey is shown."""
    return [{column: shown(value) if isinstance(value, str) else value for column, value in row.items()} for row in rows]


def escape(text: str) -> str:
    """Text for HTML; a number stays on one line with its percent sign."""
    return html.escape(_TAKEN_OUT.sub(_JOINER, shown(text))).replace(" %", "&nbsp;%")
