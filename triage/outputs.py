"""Files and folders that the program writes: whole or not at all, and for their owner alone, whatever the umask."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO

from triage.errors import TriageError

try:
    import fcntl
except ImportError:  # Windows, which lets nobody remove a file that another program has open
    fcntl = None

_PART = ".part"
_LONGEST = 50  # of the name in the part's name: file systems take no more than 255 bytes
_ONCE_NAMED = ("tmp", ".")  # how parts begin that older versions left, and today's


@contextmanager
def written_whole(path: Path, *, error: type[TriageError], over: bool = False) -> Iterator[IO[bytes]]:
    """A file to write to; it stands under its name, on the disk, once the block has ended well, and otherwise nothing does.

    Parameters
    ----------
    error
        The class of the refusal, where the file cannot be written.
    over
        Whether a file of this name is replaced; without it that is refused.
    """
    part = None
    try:
        if not over and os.path.lexists(path):
            raise error(f"{path}: exists already and is not overwritten; name another file")
        clear_parts_of(path)
        file, part = _begun(path)
        with file:
            yield file
            file.flush()
            os.fsync(file.fileno())
            if fcntl is None:
                file.close()  # Windows moves no open file
            os.replace(part, path)  # before its lock goes with the closing
        part = None
        _settle(path.parent)
    except OSError as refused:
        raise error(f"{path}: cannot be written ({refused.strerror or refused}); make room or name another folder") from refused
    except ValueError as refused:
        if part is not None:
            raise
        raise error(f"{path!s}: cannot be written ({refused}); name another file") from refused
    finally:
        if part is not None:
            with suppress(OSError):
                os.unlink(part)


def private_folder(path: Path) -> None:
    """Make a folder that its owner alone can enter, and those above it as usual; one that is there stays as it is. OSError."""
    if not path.is_dir():
        path.parent.mkdir(parents=True, exist_ok=True)
        with suppress(FileExistsError):
            path.mkdir(mode=0o700)
            path.chmod(0o700)


def make_private(*paths: Path) -> None:
    """Take from others what they may do with files and folders of ours."""
    for path in paths:
        with suppress(OSError):
            found = os.lstat(path)
            if hasattr(os, "getuid") and found.st_uid == os.getuid() and found.st_mode & 0o077:
                os.chmod(path, found.st_mode & 0o700)


def clear_parts_of(path: Path) -> None:
    """Remove what programs that were ended left half written of one file."""
    clear_parts(path.parent, _start_of(path))


def _start_of(path: Path) -> str:
    return f".{path.name[:_LONGEST]}."


def clear_parts(folder: Path, *starts: str) -> None:
    """Remove what programs that were ended left half written: parts whose names begin so (any), and that nobody holds."""
    with suppress(OSError), os.scandir(folder) as there:
        for one in there:
            if one.name.endswith(_PART) and one.name.startswith(starts or _ONCE_NAMED) and one.is_file(follow_symlinks=False):
                with suppress(OSError):
                    _remove_unheld(one.path)


def _remove_unheld(part: str) -> None:
    handle = os.open(part, os.O_RDWR | getattr(os, "O_CLOEXEC", 0))
    try:
        if fcntl is not None:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)  # OSError while its writer lives
            os.unlink(part)
    finally:
        os.close(handle)
    if fcntl is None:
        os.unlink(part)


def _begun(path: Path) -> tuple[IO[bytes], str]:
    """A new part of a file, held by this program."""
    while True:
        handle, part = tempfile.mkstemp(_PART, _start_of(path), path.parent)  # of mode 0600
        if fcntl is None:
            return os.fdopen(handle, "wb"), part
        fcntl.flock(handle, fcntl.LOCK_EX)
        if os.fstat(handle).st_nlink:  # otherwise somebody cleared it before it was held
            return os.fdopen(handle, "wb"), part
        os.close(handle)


def _settle(folder: Path) -> None:
    """Bring a folder's names to the disk, where the system can."""
    with suppress(OSError, AttributeError):
        handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
