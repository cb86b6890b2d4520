"""Compare names as keepers type them: case, spaces, hyphens and small typing errors do not matter."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable


def normalise(text: str) -> str:
    """Lower case, single spaces; hyphens and underscores count as spaces."""
    return " ".join(re.sub(r"[\s_\-]+", " ", text.lower()).split())


def nearest(word: str, known: Iterable[str], n: int = 3) -> list[str]:
    """Up to ``n`` known names that look most like ``word``, nearest first."""
    return difflib.get_close_matches(normalise(word), list(known), n=n, cutoff=0.6)
