"""Every hatchling that is held back, of all clutches."""

from itertools import groupby

import streamlit as st

from triage.app.notices import errors_shown, literal
from triage.app.shared import journal
from triage.workflow.keeping.entries import holds_beside, open_archive


def undo(clutch: str, hatchling: str) -> None:
    with errors_shown():
        journal().undo(clutch, hatchling)


def remove(id: str) -> None:
    with errors_shown():
        archive = open_archive()
        with archive.change("hold-back undone") as draft:
            draft.remove(archive.find(id))


st.title("Held back")
marks, entered, archive = (), (), None
with errors_shown():
    marks = sorted(journal().held(), key=lambda mark: mark.clutch)
with errors_shown():
    archive = open_archive()
    entered = holds_beside(archive, marks)
if not marks and not entered:
    st.info("No hatchling is held back. Mark one where its clutch is sorted; the mark is kept on this machine until you undo it.")
for clutch, held in groupby(marks, key=lambda mark: mark.clutch):
    st.subheader(literal(clutch))
    for mark in held:
        box = st.container(border=True, key=f"mark-{clutch}-{mark.hatchling}")
        with box.container(horizontal=True, vertical_alignment="center", horizontal_alignment="distribute"):
            st.markdown(f"**{literal(mark.hatchling)}**  \n{literal(mark.note)}", width="content")
            st.caption(f"since {mark.at.astimezone():%d %B %Y}", width="content")
            st.button(
                f"Undo the hold-back of {mark.hatchling}", key=f"undo-{clutch}-{mark.hatchling}",
                on_click=undo, args=(clutch, mark.hatchling), icon=":material/undo:",
            )  # fmt: skip
if entered:
    st.subheader("In the records")
for hold in entered:
    box = st.container(border=True, key=f"hold-{hold.id}")
    with box.container(horizontal=True, vertical_alignment="center", horizontal_alignment="distribute"):
        st.markdown(f"**{literal(hold.name)}**  \n{literal(hold.note)}", width="content")
        st.caption(f"since {hold.since.astimezone():%d %B %Y}", width="content")
        st.button(
            f"Undo the hold-back of {hold.name}", key=f"remove-{hold.id}", on_click=remove, args=(hold.id,), icon=":material/undo:"
        )
