"""Drawn pictures of what a gene does: one copy, two copies, beside the wild type, through the first weeks."""

from __future__ import annotations

import streamlit as st

from triage.app.literal import literal
from triage.app.shared import drawn_picture
from triage.signs import shown
from triage.species.explain import LOOKS_WILD, Explanation
from triage.workflow.reference_pictures import STAGES

#: In the egg, just hatched, after the first shed.
_STAGES = (STAGES[0], STAGES[1], STAGES[3])
_WILD = "normal"


def looks_of(found: Explanation) -> list[str]:
    """The looks worth a picture, the wild type first: of a gene those of one copy and of two, otherwise the thing itself."""
    names = [found.one_copy, found.two_copies] if found.kind == "gene" else [found.name]
    return list(dict.fromkeys((_WILD, *(name for name in names if name and name != LOOKS_WILD))))


def show_pictures(species: str, found: Explanation) -> None:
    """A row for each look that can be drawn; nothing where only the wild type can."""
    with st.spinner("Drawing"):
        rows = {look: [drawn_picture(species, look, stage) for stage in _STAGES] for look in looks_of(found)}
    rows = {look: pictures for look, pictures in rows.items() if all(pictures)}
    if not set(rows) - {_WILD}:
        return
    for look, pictures in rows.items():
        with st.container(horizontal=True, gap="small"):
            for stage, picture in zip(_STAGES, pictures, strict=True):
                st.image(picture, caption=literal(f"{look}, {stage}"), width=108, alt=f"Drawn: {shown(look)}, {stage}")
    st.caption("Drawn by this program as a help for the eye: the same animal each time, in plain light.")
