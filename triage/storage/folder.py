"""Where the keeper's own records lie."""

from __future__ import annotations

import os
from pathlib import Path

import platformdirs

#: Environment variable that moves the records elsewhere.
FOLDER_VARIABLE = "TRIAGE_DATA"


def data_folder() -> Path:
    """The folder of the keeper's records: ``TRIAGE_DATA`` where it is set, otherwise the system's usual place.

    The folder is not made here; whoever writes into it does that.
    """
    chosen = os.environ.get(FOLDER_VARIABLE, "").strip()
    return Path(chosen).expanduser() if chosen else Path(platformdirs.user_data_dir("triage", appauthor=False))
