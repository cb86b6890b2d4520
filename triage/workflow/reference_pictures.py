"""Drawn pictures of looks, for the eye to compare an animal with: plain light, a grey board, the stage that is asked for."""

from __future__ import annotations

import io

from triage.errors import SheetError, UnknownNameError
from triage.hatchery import STAGES
from triage.species import load_species, usual_species

__all__ = ["STAGES", "STAGE", "drawn_look"]

STAGE = STAGES[1]  # just hatched
_SEED, _SIDE_PX = 41, 256


def drawn_look(species: str, call: str, stage: str = STAGE) -> bytes | None:
    """A square JPEG of an animal that shows `call`; None where the species or the call cannot be drawn.

    The same animal lies the same way for every call, so that only what the genes do differs.
    """
    if load_species(species).key != load_species(usual_species()).key:
        return None
    from PIL import Image

    from triage.hatchery import render
    from triage.workflow.draw import genotype_of

    try:
        genotype = genotype_of(load_species(usual_species()), call, call)
        photos = render([genotype], [_SEED], [_SEED], size=_SIDE_PX, stage=stage, domain="clean")
    except (SheetError, UnknownNameError):
        return None
    pixels = (photos.images[0].permute(1, 2, 0) * 255).round().byte().numpy()
    file = io.BytesIO()
    Image.fromarray(pixels).save(file, "JPEG", quality=88)
    return file.getvalue()
