"""Signs that a screen obeys instead of showing them."""

from __future__ import annotations

import json
import unicodedata

#: Controls, marks of direction and what has no width, lone surrogates, separators of lines and paragraphs.
_OBEYED = frozenset({"Cc", "Cf", "Cs", "Zl", "Zp"})
#: Joiners, which some scripts are written with.
_JOINERS = "\u200c\u200d"


def shown(text: str, keep: str = "") -> str:
    r"""Text that says which signs it holds where a screen would obey them; those in ``keep`` stay.

    >>> print(shown("A1\x1b[2J\u202e\n"))
    A1\x1b[2J<U+202E>\x0a
    """
    return text if text.isprintable() else "".join(_shown(sign) if _obeyed(sign, keep) else sign for sign in text)


def escaped_json(text: str) -> str:
    r"""JSON in which the same signs stand as escapes; line feeds are between values and stay.

    >>> print(escaped_json('{"name": "A1\u202e"}'))
    {"name": "A1\u202e"}
    """
    return text if text.isprintable() else "".join(json.dumps(sign)[1:-1] if _obeyed(sign, "\n") else sign for sign in text)


def _obeyed(sign: str, keep: str) -> bool:
    return unicodedata.category(sign) in _OBEYED and sign not in _JOINERS and sign not in keep


def _shown(sign: str) -> str:
    code = ord(sign)
    return f"\\x{code:02x}" if code < 0x100 else f"<U+{code:04X}>"
