"""Open files that somebody named: regular ones of a bounded size, and nothing else."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from triage.errors import TriageError

_KINDS = (
    (stat.S_ISDIR, "it is a folder"), (stat.S_ISFIFO, "it is a pipe"), (stat.S_ISSOCK, "it is a socket"),
    (stat.S_ISCHR, "it is a device"), (stat.S_ISBLK, "it is a device"),
)  # fmt: skip
# A pipe without a writer would be waited for; Windows has no such flag, and wants the other.
_FLAGS = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOCTTY", 0) | getattr(os, "O_BINARY", 0)


def read_file(path: Path, *, at_most: int, needed: str, name: str | None = None, error: type[TriageError]) -> bytes:
    """The bytes of a regular file, or of one that a link leads to.

    Parameters
    ----------
    at_most
        Largest size that is read, in bytes.
    needed, name, error
        What to say behind the refusal, how the file is called there (its path), and the class of the refusal.
    """
    with open_file(path, at_most=at_most, needed=needed, name=name, error=error) as file:
        data = file.read(at_most + 1)
    if data is not None and len(data) <= at_most:
        return data
    found = "nothing comes from it" if data is None else f"it has over {_size(at_most)}"
    raise error(f"{name or path}: {found}; {needed}")


@contextmanager
def open_file(path: Path, *, at_most: int, needed: str, name: str | None = None, error: type[TriageError]) -> Iterator[IO[bytes]]:
    """As `read_file`, to be read bit by bit."""
    try:
        _refuse_strange(os.stat(path), at_most)  # before it is opened: opening some devices is an act already
        with open(os.open(path, _FLAGS), "rb") as file:
            _refuse_strange(os.fstat(file.fileno()), at_most)  # and what was opened may be another one by now
            yield file
    except (OSError, ValueError) as refused:
        raise error(f"{name or path}: {_words(path, name or '', refused)}; {needed}") from refused


def read_text(path: Path, *, at_most: int, needed: str, name: str | None = None, error: type[TriageError]) -> str:
    """As `read_file`, for text in UTF-8 with or without its mark."""
    try:
        return read_file(path, at_most=at_most, needed=needed, name=name, error=error).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise error(f"{name or path}: not a text file in UTF-8; {needed}") from None


def _refuse_strange(found: os.stat_result, at_most: int) -> None:
    """ValueError, in words, for anything but a regular file of at most this size."""
    if not stat.S_ISREG(found.st_mode):
        raise ValueError(next((words for is_kind, words in _KINDS if is_kind(found.st_mode)), "it is no regular file"))
    if found.st_size > at_most:
        raise ValueError(f"it has {_size(found.st_size)}; up to {_size(at_most)} are read")


def _words(path: Path, named: str, error: OSError | ValueError) -> str:
    if isinstance(error, FileNotFoundError):
        return "it is a link that leads nowhere" if os.path.islink(path) else f"no such file{named and f' at {path}'}"
    return f"it cannot be read ({error.strerror or error})" if isinstance(error, OSError) else str(error)


def _size(n_bytes: int) -> str:
    return f"{n_bytes / 2**20:,.0f} MiB" if n_bytes >= 2**20 else f"{n_bytes:,} bytes"
