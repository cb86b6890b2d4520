"""The main page: enter a clutch, sort it, read the trays."""

import streamlit as st

from triage.app.pages.sort_clutch import draft, sorting, unfinished
from triage.app.pages.sort_clutch.answer import show_answer
from triage.app.pages.sort_clutch.entry import entry_form

state = st.session_state
draft.start(state)
unfinished.take_up(state)
clutch = sorting.current(state)

st.title("Sort a clutch")
if clutch is None:
    st.write(
        "Enter the parents, drop in photos or say what you see, and each hatchling is sorted into a tray with its reasons. "
        "Nothing leaves this machine."
    )
if state.pop("gone", False):
    st.info("The server was started anew since this clutch was sorted. Enter it again; hold-back marks are kept.")
with st.container(horizontal=True):
    st.button("Show the demo clutch", key="demo", on_click=sorting.show_demo, args=(state,), icon=":material/egg:")
    st.button("Start afresh", key="afresh", on_click=sorting.start_afresh, args=(state,), type="tertiary",
              help="What was entered stays under Unfinished until the clutch is kept or thrown away.")  # fmt: skip
with st.container(key="entry-notices"):  # always there: what moves down while somebody types loses what was typed last
    unfinished.keep(state)
    unfinished.show_others(state)

kept = sorting.clutches_in_records()
if kept:
    with st.expander("A clutch of the records", key="kept-clutches"), st.container(horizontal=True, vertical_alignment="bottom"):
        chosen = st.selectbox("Clutch", list(kept), format_func=kept.__getitem__, key="kept-clutch")
        if st.button("Sort it as it stands", key="sort-kept", icon=":material/refresh:"):
            sorting.sort_kept(state, chosen)

# A key for either state: an open form folds away by itself once there is an answer to read.
with st.expander("The clutch", expanded=clutch is None, key="entry_open" if clutch is None else "entry_folded"):
    entry_form(state)
    ready = bool(state["egg_rows"])
    pressed = st.button("Sort this clutch", key="sort", type="primary", disabled=not ready)
    if not ready:
        st.caption("Needed: at least one hatchling.")

if pressed:
    sorting.sort_entered(state)
sorting.sort_what_waits(state)
if clutch is not None:
    show_answer(clutch)
