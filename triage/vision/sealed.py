"""JSON files that hold a checksum of their own bytes: no flipped bit of a model's description goes unseen."""

from __future__ import annotations

import hashlib
import json
import re
from pathlib import Path
from typing import Any

_UNSEALED = b"0" * 64
_SEAL = re.compile(rb'\n "seal": "([0-9a-f]{64})"\n}\n\Z')


class BrokenSealError(ValueError):
    """The file is not as it was written."""


def write_sealed(path: Path, fields: dict[str, Any]) -> None:
    """Write the fields and, last, ``seal``: the sha256 of the file as it is with 64 zeros in the seal's place."""
    text = json.dumps({**fields, "seal": _UNSEALED.decode()}, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    data = text.encode()
    path.write_bytes(data[: -len(_UNSEALED) - 4] + hashlib.sha256(data).hexdigest().encode() + data[-4:])


def read_sealed(path: Path) -> dict[str, Any]:
    """The fields without the seal. OSError if the file cannot be read, BrokenSealError if a byte of it is another than was written."""
    data = path.read_bytes()
    seal = _SEAL.search(data)
    if seal is None:
        raise BrokenSealError("it does not end with a seal")
    blank = data[: seal.start(1)] + _UNSEALED + data[seal.end(1) :]
    if hashlib.sha256(blank).hexdigest().encode() != seal[1]:
        raise BrokenSealError("it is not what was written: its seal differs")
    fields = json.loads(data)
    del fields["seal"]
    return fields
