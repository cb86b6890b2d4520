"""Where the demo clutch lies."""

from __future__ import annotations

from pathlib import Path

from triage.errors import SheetError
from triage.species.shipped import shipped_folder

FOLDER = shipped_folder("demo_images")
SHEET = "clutch.yaml"


def demo_sheet_path() -> Path:
    """The sheet of the demo clutch; SheetError where it is missing."""
    path = FOLDER / SHEET
    if not path.is_file():
        raise SheetError(f"the demo clutch is not at {path}; install the program again")
    return path
