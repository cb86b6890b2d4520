"""Four short words that let a client in: made by chance, typed on a phone in any case and with anything between them."""

from __future__ import annotations

import re
import secrets
from functools import cache

from xkcdpass import xkcd_password

N_WORDS = 4


@cache
def words() -> tuple[str, ...]:
    """1,295 English words of three to five plain letters, none the beginning of another: four are over 41 bits, run together too.

    >>> len(words())
    1295
    """
    return tuple(sorted(xkcd_password.generate_wordlist("eff-short", min_length=3, max_length=5, valid_chars="[a-z]")))


def new_passphrase() -> str:
    """Words by chance, with spaces between."""
    return " ".join(secrets.choice(words()) for _ in range(N_WORDS))


def is_passphrase(typed: str, passphrase: str) -> bool:
    """Whether this was typed, in a time that does not say how much of it was right.

    >>> is_passphrase("Acid-Fern, mug stole ", "acid fern mug stole"), is_passphrase("acid", "acid fern mug stole")
    (True, False)
    """
    return secrets.compare_digest(_letters(typed), _letters(passphrase))


def _letters(text: str) -> bytes:
    return re.sub(r"[\s,.-]", "", text).lower().encode("utf-8", "replace")
