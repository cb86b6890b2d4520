"""Where the demo clutch lies."""

from __future__ import annotations

from pathlib import Path

from triage.errors import SheetError

FOLDER = Path(__file__).resolve().parents[2] / "demo_images"
SHEET = "clutch.yaml"


def demo_sheet_path() -> Path:
    """The sheet of the demo clutch, which lies beside the package in a checkout.

    Raises
    ------
    SheetError
        The package was installed without its checkout.
    """
    path = FOLDER / SHEET
    if not path.is_file():
        raise SheetError(
            f"the demo clutch is not at {path}; needed: a clone of the repository, installed with 'pip install -e .'"
        )
    return path
