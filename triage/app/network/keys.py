"""What opens the gate: a passphrase to type, a code to scan once, and the cookie that stands for either until the app ends."""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable

from triage.app.network.passphrase import is_passphrase, new_passphrase

#: How long the code that is scanned lets in, in minutes.
CODE_MINUTES = 10


class Keys:
    """Made by chance when the app starts, kept nowhere. `code` and `cookie` are too long to be guessed."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self.passphrase = new_passphrase()
        self.code = secrets.token_urlsafe(16)
        self.cookie = secrets.token_urlsafe(32)
        self._code_ends = clock() + CODE_MINUTES * 60
        self._code_used = False

    def is_passphrase(self, typed: str) -> bool:
        """Whether this is the passphrase."""
        return is_passphrase(typed, self.passphrase)

    def is_cookie(self, given: str) -> bool:
        """Whether a client that was let in brought this."""
        return _same(given, self.cookie)

    def takes_code(self, given: str) -> bool:
        """Whether this is the code, not yet used and not too old; it is used with that."""
        if self._code_used or self._clock() >= self._code_ends or not _same(given, self.code):
            return False
        self._code_used = True
        return True


def _same(given: str, ours: str) -> bool:
    return secrets.compare_digest(given.encode("utf-8", "replace"), ours.encode())
