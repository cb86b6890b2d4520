"""The hatchlings of a tray as pictures on a light table, and one of them opened over it."""

from __future__ import annotations

from collections.abc import Mapping

import streamlit as st

from triage.app.literal import literal
from triage.app.notices import errors_shown
from triage.app.pages.sort_clutch import markup
from triage.app.pages.sort_clutch.shelf import SortedClutch
from triage.app.shared import drawn_picture, large_picture, photo_reader
from triage.proving.trays import Tray
from triage.signs import shown
from triage.workflow.answers.report import EggReport
from triage.workflow.answers.wording import shown_calls
from triage.workflow.book import open_archive
from triage.workflow.evidence_view import find_clutch_evidence
from triage.workflow.reference_pictures import STAGE, STAGES
from triage.workflow.holds import Held, held_back, hold_back, let_go

#: Label of the hatchling that is open.
_OPEN = "open-hatchling"
#: Two beside each other on a phone; the style sheet makes them wider where there is room.
_TILE_PX = 166
#: Calls that are drawn beside the photo.
_DRAWN = 4


def holds_of(clutch: SortedClutch) -> dict[str, Held]:
    """Hold-back marks of a clutch by label."""
    marks: dict[str, Held] = {}
    with errors_shown():
        marks = {mark.name: mark for mark in held_back(open_archive()) if mark.clutch == clutch.marks}
    return marks


def show_tiles(clutch: SortedClutch, eggs: list[EggReport], marks: Mapping[str, Held]) -> None:
    """A tile for each hatchling, with a button that opens it."""
    with st.container(horizontal=True, gap="small"):
        for egg in eggs:
            with st.container(width=_TILE_PX, key=f"tile-{egg.label}", gap=None):
                picture = (*clutch.thumbnails.get(egg.label, ()), None)[0]
                st.html(markup.tile_html(egg, picture, held=egg.label in marks))
                st.button(f"Open {literal(egg.label)}", key=f"open-{egg.label}", width="stretch", on_click=_open, args=(egg.label,))


def show_open(clutch: SortedClutch) -> None:
    """The hatchling that is open, over the page, until it is closed."""
    if clutch.report.egg(st.session_state.get(_OPEN, "")) is not None:
        _over_the_page(clutch)


def _close() -> None:
    st.session_state.pop(_OPEN, None)


@st.dialog("Hatchling", width="large", on_dismiss=_close)
def _over_the_page(clutch: SortedClutch) -> None:
    """Everything that was found of the open hatchling, with its neighbours a tap away."""
    labels = [egg.label for egg in clutch.report.eggs]
    egg = clutch.report.egg(st.session_state[_OPEN])
    place = labels.index(egg.label)
    with st.container(horizontal=True, horizontal_alignment="distribute"):
        for word, step, icon in (("Previous", -1, "chevron_left"), ("Next", 1, "chevron_right")):
            at = place + step
            st.button(
                word, key=f"go-{word}", icon=f":material/{icon}:", disabled=not 0 <= at < len(labels), on_click=_open,
                args=(labels[at] if 0 <= at < len(labels) else egg.label,),
            )  # fmt: skip
    picture, words = st.columns(2, gap="medium")
    with picture:
        _photos(clutch, egg)
        _drawn(clutch, egg)
    with words:
        _words(clutch, egg)


def _words(clutch: SortedClutch, egg: EggReport) -> None:
    """What was found of it, its label, and its hold-back mark."""
    mark = holds_of(clutch).get(egg.label)
    note = f"You hold this one back, since {mark.since.astimezone():%d %B %Y}" if mark else ""
    st.html(markup.card_html(egg, note))
    if egg.tray is Tray.CHECK_PARENTS and clutch.kept:
        st.page_link("pages/suspicions/page.py", label="What its parents may carry unrecorded", icon=":material/help_center:")
    if clutch.thumbnails.get(egg.label) and len(egg.calls) > 1:
        _evidence(clutch, egg)
    if egg.label_text:
        st.caption("Sale label: no more than the records support")
        st.code(shown(egg.label_text), language=None, wrap_lines=True)
    if mark:
        st.button(
            f"Undo the hold-back of {literal(egg.label)}", key=f"hold-{egg.label}", on_click=_undo, args=(mark.id,),
            icon=":material/undo:",
        )  # fmt: skip
    else:
        said = egg.label_text or (egg.calls[0].call.name if egg.calls else "no possible call")
        st.button(
            f"Hold {literal(egg.label)} back", key=f"hold-{egg.label}", on_click=_hold, args=(clutch, egg.label, said),
            icon=":material/inventory_2:",
        )  # fmt: skip


def _photos(clutch: SortedClutch, egg: EggReport) -> None:
    """Its photos as large as there is room for."""
    photos = next(one.photos for one in clutch.report.sheet.eggs if one.label == egg.label)
    for number, photo in enumerate(photos, 1):
        try:
            picture = large_picture(photo.name, photo.read())
        except (OSError, AttributeError):  # a file that is gone, or a reading whose photo never was kept
            continue
        if picture is not None:
            st.image(picture, width="stretch", alt=f"Photo {number} of hatchling {shown(egg.label)}")


def _drawn(clutch: SortedClutch, egg: EggReport) -> None:
    """Drawn animals of the calls that remain, all lying alike, in a stage to choose."""
    calls = [chance.call.name for chance in shown_calls(egg, at_most=_DRAWN).calls]
    calls = [egg.reads_as.call, *calls][:_DRAWN] if egg.reads_as else calls
    species = clutch.report.sheet.species.name
    with st.spinner("Drawing what remains"):
        stage = st.session_state.get("drawn-stage", STAGE)
        pictures = [(call, picture) for call in calls if (picture := drawn_picture(species, call, stage))]
    if not pictures:
        return
    with st.container(horizontal=True, gap="small"):
        for call, picture in pictures:
            st.image(picture, caption=literal(call), width=136, alt=f"Drawn: {shown(call)}, {stage}")
    st.selectbox("Drawn by this program as a help for the eye, not a photo", STAGES, index=STAGES.index(stage), key="drawn-stage")


def _evidence(clutch: SortedClutch, egg: EggReport) -> None:
    """On request: where in the photo the two likeliest calls, or two others, differ."""
    if not st.toggle("Where in the photo is the evidence?", key=f"evidence-{egg.label}"):
        return
    names = [chance.call.name for chance in egg.calls]
    first = st.selectbox("for", names, index=0, key=f"for-{egg.label}", format_func=shown)
    rest = [name for name in names if name != first]
    second = st.selectbox("against", rest, index=0, key=f"against-{egg.label}", format_func=shown)
    with errors_shown(), st.spinner("Looking at the photo, a part at a time"):
        view = find_clutch_evidence(clutch.report, egg.label, first, second, photo_reader(clutch.report.sheet.species.name))
        read, favoured = st.columns(2)
        read.image(view.cut, caption="what was read")
        favoured.image(view.overlay, caption=literal(view.colours))
        st.caption(literal(f"The photo alone {view.favours}. {view.look_for}"))


def _open(label: str) -> None:
    st.session_state[_OPEN] = label


def _hold(clutch: SortedClutch, label: str, said: str) -> None:
    with errors_shown():
        hold_back(open_archive(), label, clutch_name=clutch.marks, about=clutch.eggs.get(label), note=said)


def _undo(mark: str) -> None:
    with errors_shown():
        let_go(open_archive(), mark)
