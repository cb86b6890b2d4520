"""Every hatchling that is held back, of all clutches."""

from itertools import groupby

import streamlit as st

from triage.app.notices import errors_shown, literal
from triage.app.shared import journal


def undo(clutch: str, hatchling: str) -> None:
    with errors_shown():
        journal().undo(clutch, hatchling)


st.title("Held back")
marks = ()
with errors_shown():
    marks = sorted(journal().held(), key=lambda mark: mark.clutch)
if not marks:
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
