"""Forms that are being filled in, each in a folder of its own beside the records, until they are kept or thrown away."""

from __future__ import annotations

import hashlib
import json
import re
import secrets
import shutil
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from triage.errors import StorageError
from triage.files import read_file
from triage.outputs import private_folder, written_whole
from triage.storage.folder import data_folder

FOLDER = "unfinished"
_FORM, _FORMAT, _LARGEST_FORM = "form.json", 1, 2**22
_LARGEST_FILE = 128 * 2**20
_AGAIN = "enter it again"

#: Files of each row: name and bytes.
Files = Mapping[int, Sequence[tuple[str, bytes]]]


@dataclass(frozen=True)
class Form:
    """One form: plain values by field, the files of its rows, when it was kept last and by which `writer`."""

    id: str
    writer: str
    kept: datetime
    values: Mapping[str, Any]
    files: Files


def new_id() -> str:
    """A name for a form, or for a writer."""
    return secrets.token_hex(8)


class Unfinished:
    """The folder of unfinished forms."""

    def __init__(self, folder: Path | None = None) -> None:
        self.folder = data_folder() / FOLDER if folder is None else folder

    def keep(self, id: str, writer: str, values: Mapping[str, Any], files: Files, *, after: datetime | None = None) -> bool:
        """Keep a form under an id from `new_id`. False, and nothing is written, where it is another's by now: kept last by another
        writer than this one, and not as it was when this one took it over (its `kept` then is `after`)."""
        place, last = self._place(id), self._last(id)
        if last is not None and last.writer != writer and last.kept != after:
            return False
        named: dict[str, list[list[str]]] = {}
        try:
            for folder in (self.folder, place):
                private_folder(folder)
        except OSError as error:
            raise StorageError(f"{place}: cannot be written ({error.strerror}); make room or name another folder") from error
        wanted = {_FORM}
        for row, own in files.items():
            for name, data in own:
                sha256 = hashlib.sha256(data).hexdigest()
                wanted.add(sha256)
                named.setdefault(str(row), []).append([name, sha256])
                if not (place / sha256).is_file():
                    with written_whole(place / sha256, error=StorageError, over=True) as file:
                        file.write(data)
        form = {"format": _FORMAT, "writer": writer, "kept": datetime.now(UTC).isoformat(), "values": dict(values), "files": named}
        with written_whole(place / _FORM, error=StorageError, over=True) as file:
            file.write(json.dumps(form).encode())
        for other in place.iterdir():  # photos that were taken out of the form
            if other.name not in wanted and not other.name.startswith("."):
                with suppress(OSError):
                    other.unlink()
        return True

    def read(self, id: str) -> Form:
        """A form with its files; StorageError where it is missing or damaged."""
        form, named = self._form(id)
        try:
            return replace(form, files={int(row): tuple((name, self._file(id, sha256)) for name, sha256 in own) for row, own in named.items()})
        except (TypeError, ValueError, AttributeError) as error:
            raise _damaged(id, error) from error

    def all(self) -> tuple[Form, ...]:
        """Every form that can be read, without its files, the newest first."""
        places = self.folder.iterdir() if self.folder.is_dir() else ()
        found = [form for place in places if (form := self._last(place.name)) is not None]
        return tuple(sorted(found, key=lambda form: form.kept, reverse=True))

    def remove(self, id: str) -> None:
        """Throw a form away; one that is not there is no mistake."""
        shutil.rmtree(self._place(id), ignore_errors=True)

    def _place(self, id: str) -> Path:
        if not re.fullmatch("[0-9a-f]{16}", id):
            raise StorageError(f"unfinished form {id[:40]!r}: that is no name of one; {_AGAIN}")
        return self.folder / id

    def _form(self, id: str) -> tuple[Form, Mapping[str, Any]]:
        """A form without its files, and what those are called, by row; StorageError where it is missing or damaged."""
        name = f"unfinished form {id}"
        data = read_file(self._place(id) / _FORM, at_most=_LARGEST_FORM, needed=_AGAIN, name=name, error=StorageError)
        try:
            form = json.loads(data)
            if not isinstance(form, dict) or form.get("format") != _FORMAT:
                raise ValueError(f"not of format {_FORMAT}")
            return Form(id, form["writer"], datetime.fromisoformat(form["kept"]), form["values"], {}), form["files"]
        except (KeyError, TypeError, ValueError, RecursionError) as error:
            raise _damaged(id, error) from error

    def _file(self, id: str, sha256: str) -> bytes:
        if not re.fullmatch("[0-9a-f]{64}", sha256):
            raise ValueError(f"{sha256[:64]!r} is no checksum")
        data = read_file(self._place(id) / sha256, at_most=_LARGEST_FILE, needed=_AGAIN, name=f"a photo of {id}", error=StorageError)
        if hashlib.sha256(data).hexdigest() != sha256:
            raise ValueError("a photo is not what it was")
        return data

    def _last(self, id: str) -> Form | None:
        """The form as it was kept last, without its files; None where it is not there or damaged."""
        try:
            return self._form(id)[0]
        except StorageError:
            return None


def _damaged(id: str, error: Exception) -> StorageError:
    return StorageError(f"unfinished form {id}: damaged ({error}); {_AGAIN}")
