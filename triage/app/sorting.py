"""Sorting from the page: run it with a progress bar, keep the answer, find it again after a reload."""

from __future__ import annotations

import streamlit as st

from triage.app import draft
from triage.app.notices import errors_shown
from triage.app.shared import photo_reader, shelf, small_picture
from triage.app.shelf import SortedClutch
from triage.workflow.demo import demo_sheet_path
from triage.workflow.sheet import ClutchSheet, load_sheet, sheet_from_form
from triage.workflow.sort import sort_clutch

DEMO = "demo"
_ADDRESS = "clutch"


def current(state) -> SortedClutch | None:
    """The answer on the page now: this session's, or after a reload the one that the address names."""
    if "sorted" not in state:
        state["sorted"] = None
        key = st.query_params.get(_ADDRESS)
        kept = shelf().get(key) if key else None
        if kept is not None:
            state["sorted"] = kept
            draft.restore(state, kept.entries)
        elif key == DEMO:
            show_demo(state)
        elif key:
            state["gone"] = True
    return state["sorted"]


def show_demo(state) -> None:
    """Fill the form with the demo clutch, to be sorted in this run."""
    with errors_shown():
        path = demo_sheet_path()
        sheet = load_sheet(path, name=path.name)
        draft.fill_from_sheet(state, sheet, "Demo")
        state["waiting"] = sheet


def start_afresh(state) -> None:
    """Empty the form and put the answer away; hold-back marks stay."""
    draft.clear(state)
    state["sorted"] = None
    st.query_params.pop(_ADDRESS, None)


def sort_demo_if_waiting(state) -> None:
    sheet = state.pop("waiting", None)
    if sheet is not None:
        _sort(state, sheet, DEMO)


def sort_entered(state) -> None:
    """Sort what stands in the form."""
    with errors_shown():
        _sort(state, sheet_from_form(draft.clutch_form(state)), draft.fingerprint(state))


def _sort(state, sheet: ClutchSheet, key: str) -> None:
    done = False
    with errors_shown():
        reader = photo_reader() if any(egg.photos for egg in sheet.eggs) else None
        bar = st.progress(0.0, "Sorting")
        try:
            report = sort_clutch(
                sheet,
                settings=draft.settings(state),
                reader=reader,
                progress=lambda n, total: bar.progress(n / total, f"Reading photos: {n} of {total}"),
            )
        finally:
            bar.empty()
        pictures = {egg.label: _pictures(egg) for egg in sheet.eggs}
        clutch = SortedClutch(report, draft.snapshot(state), draft.mark_name(sheet, state["clutch_name"]), pictures, sheet)
        shelf().put(key, clutch)
        state["sorted"] = clutch
        st.query_params[_ADDRESS] = key
        done = True
    if done:
        st.rerun()


def _pictures(egg) -> tuple[bytes, ...]:
    photos = ((p.name, p.data if p.path is None else p.path.read_bytes()) for p in egg.photos)
    return tuple(small for name, data in photos if (small := small_picture(name, data)) is not None)
