"""Drawn pictures of looks, for the eye to compare an animal with: plain light, a grey board, the stage that is asked for."""

from __future__ import annotations

import io

from triage.errors import CatalogueError, SheetError, UnknownNameError
from triage.hatchery import STAGES
from triage.species import load_species
from triage.workflow.draw import drawn

__all__ = ["STAGES", "STAGE", "drawn_look"]

STAGE = STAGES[1]  # just hatched
_SEED, _SIDE_PX = 41, 256


def drawn_look(species: str, call: str, stage: str = STAGE) -> bytes | None:
    """A square JPEG of an animal that shows `call`; None where the species or the call cannot be drawn.

    The same animal lies the same way for every call, so that only what the genes do differs.
    """
    try:
        picture = drawn(load_species(species), call, seed=_SEED, size=_SIDE_PX, stage=stage, domain="clean")
    except (SheetError, CatalogueError, UnknownNameError):
        return None
    file = io.BytesIO()
    picture.save(file, "JPEG", quality=88)
    return file.getvalue()
