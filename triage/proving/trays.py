"""Where a hatchling ends up after triage, as a pure function of what is known of it."""

from __future__ import annotations

from enum import StrEnum


class Tray(StrEnum):
    """The four trays."""

    LABEL = "label"
    LOOK_AGAIN = "look again"
    HOLD_BACK = "hold back"
    CHECK_PARENTS = "check parents"
