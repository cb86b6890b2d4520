"""Sorting from the page: run it with a progress bar, keep the answer, find it again after a reload."""

from __future__ import annotations

from dataclasses import replace

import streamlit as st

from triage.app.notices import errors_shown
from triage.app.pages.sort_clutch import draft, unfinished
from triage.app.pages.sort_clutch.shelf import SortedClutch
from triage.app.shared import photo_reader, shelf, small_picture
from triage.errors import TriageError
from triage.signs import shown
from triage.workflow.book import Book, keepers_species, open_archive, open_photos
from triage.workflow.clutch import ClutchSheet
from triage.workflow.demo import demo_sheet_path
from triage.workflow.eye import keepers_settings
from triage.workflow.keep import KeptClutch
from triage.workflow.recorded import Clutches
from triage.workflow.sheet import load_sheet, sheet_from_form
from triage.workflow.sort import sort_clutch
from triage.workflow.sort_again import look_again, sort_recorded

DEMO = "demo"
_ADDRESS = "clutch"
_SHOWN = "sorted-key"


def current(state) -> SortedClutch | None:
    """The answer on the page now: this session's, or after a reload or a link the one that the address names."""
    key = st.query_params.get(_ADDRESS)
    if "sorted" not in state or (key and key != state.get(_SHOWN)):
        state["sorted"], state[_SHOWN] = None, key
        found = (shelf().get(key) or _recorded(key)) if key else None
        if found is not None:
            state["sorted"] = found
            if not unfinished.taken_up(state):  # what was typed since is newer
                draft.restore(state, found.entries)
                unfinished.as_filled(state)
        elif key == DEMO:
            show_demo(state)
        elif key and key == draft.fingerprint(state):  # a restart: the form was taken up, and is sorted again
            state["sort-again"] = True
        elif key:
            state["gone"] = True
    return state["sorted"]


def show_demo(state) -> None:
    """Fill the form with the demo clutch, to be sorted in this run."""
    with errors_shown():
        path = demo_sheet_path()
        sheet = load_sheet(path, name=path.name)
        draft.fill_from_sheet(state, sheet, "Demo")
        unfinished.as_filled(state)
        state["waiting"] = sheet


def start_afresh(state) -> None:
    """Empty the form and put the answer away; hold-back marks stay."""
    unfinished.keep(state)
    draft.clear(state)
    unfinished.as_filled(state)
    state["sorted"] = None
    st.query_params.pop(_ADDRESS, None)


def sort_what_waits(state) -> None:
    """The demo clutch, or after a restart the form that was sorted before."""
    if state.pop("sort-again", False):
        sort_entered(state)
    sheet = state.pop("waiting", None)
    if sheet is not None:
        _sort(state, sheet, DEMO)


def sort_entered(state) -> None:
    """Sort what stands in the form."""
    with errors_shown():
        _sort(state, sheet_from_form(draft.clutch_form(state), keepers_species), draft.fingerprint(state))


def clutches_in_records() -> dict[str, str]:
    """Names of the clutches in the records by id, the newest first."""
    found: dict[str, str] = {}
    with errors_shown():
        found = {entry.id: shown(entry.content.name) for entry in reversed(open_archive().all("clutch"))}
    return found


def sort_kept(state, clutch: str) -> None:
    """Sort a clutch of the records as it stands, and keep what was said today."""
    done = False
    with errors_shown():
        archive = open_archive()
        report = sort_recorded(archive, archive.find(clutch), settings=draft.chosen_settings(state), files=open_photos())
        _show(state, _as_kept(Book.of(archive), report, clutch, draft.snapshot(state)), clutch)
        done = True
    if done:
        st.rerun()


def now_kept(state, clutch: SortedClutch, kept: KeptClutch, name: str) -> None:
    """The answer on the page is in the records from now on."""
    unfinished.done(state)
    _show(state, replace(clutch, kept=kept.clutch, eggs=kept.eggs, marks=name), kept.clutch)


def _recorded(key: str) -> SortedClutch | None:
    """A clutch of the records that the address names, as sorting it says now."""
    try:
        book = Book.of(open_archive())
        if key not in book.entries or book[key].kind != "clutch":
            return None
        return _as_kept(book, look_again(Clutches(book), key, files=open_photos()), key, {})
    except TriageError:
        return None


def _as_kept(book: Book, report, clutch: str, entries) -> SortedClutch:
    eggs = {egg.content.label: egg.id for egg in book.eggs(clutch)}
    return SortedClutch(report, entries, book.title(clutch), _all_pictures(report.sheet), eggs, clutch)


def _sort(state, sheet: ClutchSheet, key: str) -> None:
    done = False
    with errors_shown():
        reader = photo_reader(sheet.species.name) if any(egg.photos for egg in sheet.eggs) else None
        bar = st.progress(0.0, "Sorting")
        try:
            report = sort_clutch(
                sheet,
                settings=keepers_settings(draft.settings(state)),
                reader=reader,
                progress=lambda n, total: bar.progress(n / total, f"Reading photos: {n} of {total}"),
            )
        finally:
            bar.empty()
        marks = draft.mark_name(sheet, state["clutch_name"])
        _show(state, SortedClutch(report, draft.snapshot(state), marks, _all_pictures(sheet)), key)
        done = True
    if done:
        st.rerun()


def _show(state, clutch: SortedClutch, key: str) -> None:
    shelf().put(key, clutch)
    state["sorted"], state[_SHOWN] = clutch, key
    st.query_params[_ADDRESS] = key


def _all_pictures(sheet: ClutchSheet) -> dict[str, tuple[bytes, ...]]:
    return {egg.label: _pictures(egg) for egg in sheet.eggs}


def _pictures(egg) -> tuple[bytes, ...]:
    found = []
    for photo in egg.photos:
        try:
            small = small_picture(photo.name, photo.read())
        except (OSError, AttributeError):  # a file that is gone, or a reading whose photo never was kept
            continue
        found += [small] if small is not None else []
    return tuple(found)
