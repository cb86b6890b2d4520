"""Every hatchling that is held back, of all clutches."""

from itertools import groupby

import streamlit as st

from triage.app.literal import literal
from triage.app.notices import errors_shown
from triage.workflow.book import open_archive
from triage.workflow.holds import Held, held_back, let_go


def undo(id: str) -> None:
    with errors_shown():
        let_go(open_archive(), id)


def show(mark: Held) -> None:
    """One hold-back with the button that undoes it."""
    row = st.container(border=True, key=mark.id)
    with row.container(horizontal=True, vertical_alignment="center", horizontal_alignment="distribute"):
        st.markdown(f"**{literal(mark.name)}**  \n{literal(mark.note)}", width="content")
        st.caption(f"since {mark.since.astimezone():%d %B %Y}", width="content")
        st.button(
            f"Undo the hold-back of {literal(mark.name)}", key=f"undo-{mark.id}", on_click=undo, args=(mark.id,), icon=":material/undo:"
        )


st.title("Held back")
marks: tuple[Held, ...] = ()
with errors_shown():
    marks = held_back(open_archive())
    if not marks:
        st.info("No hatchling is held back. Mark one where its clutch is sorted; the mark is in the records until you undo it.")
for clutch, held in groupby(sorted(marks, key=lambda mark: mark.clutch), key=lambda mark: mark.clutch):
    st.subheader(literal(clutch or "From no clutch here"))
    for mark in held:
        show(mark)
