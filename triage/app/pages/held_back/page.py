"""Every hatchling that is held back, of all clutches."""

from collections.abc import Callable
from datetime import datetime
from itertools import groupby

import streamlit as st

from triage.app.notices import errors_shown, literal
from triage.app.shared import journal
from triage.workflow.records import holds_beside, open_archive


def undo(clutch: str, hatchling: str) -> None:
    with errors_shown():
        journal().undo(clutch, hatchling)


def remove(id: str) -> None:
    with errors_shown():
        archive = open_archive()
        with archive.change("hold-back undone") as draft:
            draft.remove(archive.find(id))


def show(key: str, name: str, note: str, since: datetime, take_back: Callable[..., None], *args: str) -> None:
    """One hold-back with the button that undoes it."""
    with st.container(border=True, key=key).container(
        horizontal=True, vertical_alignment="center", horizontal_alignment="distribute"
    ):
        st.markdown(f"**{literal(name)}**  \n{literal(note)}", width="content")
        st.caption(f"since {since.astimezone():%d %B %Y}", width="content")
        st.button(f"Undo the hold-back of {name}", key=f"undo-{key}", on_click=take_back, args=args, icon=":material/undo:")


st.title("Held back")
marks, entered = (), ()
with errors_shown():
    marks = sorted(journal().held(), key=lambda mark: mark.clutch)
with errors_shown():
    entered = holds_beside(open_archive(), marks)
if not marks and not entered:
    st.info("No hatchling is held back. Mark one where its clutch is sorted; the mark is kept on this machine until you undo it.")
for clutch, held in groupby(marks, key=lambda mark: mark.clutch):
    st.subheader(literal(clutch))
    for mark in held:
        show(f"{clutch}-{mark.hatchling}", mark.hatchling, mark.note, mark.at, undo, clutch, mark.hatchling)
if entered:
    st.subheader("In the records")
for hold in entered:
    show(hold.id, hold.name, hold.note, hold.since, remove, hold.id)
