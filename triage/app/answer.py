"""A sorted clutch on the page: trays, cards, hold-back marks, parents, luck and cautions."""

from __future__ import annotations

from collections.abc import Mapping

import streamlit as st

from triage.app import markup
from triage.app.notices import errors_shown
from triage.app.shared import journal, photo_reader
from triage.app.shelf import SortedClutch
from triage.proving.trays import Tray
from triage.storage.marks import HoldMark
from triage.workflow.answers.report import EggReport
from triage.workflow.answers.wording import in_tray
from triage.workflow.evidence import find_clutch_evidence
from triage.workflow.keep import keep_sheet
from triage.workflow.records import open_archive, open_photos, take_over_marks

_CARDS_IN_A_ROW = 2


def show_answer(clutch: SortedClutch) -> None:
    """Everything that was found of a clutch."""
    report = clutch.report
    st.html(markup.summary_html(report))
    marks: dict[str, HoldMark] = {}
    with errors_shown():
        marks = {mark.hatchling: mark for mark in journal().held(clutch.marks)}
    for tray in Tray:
        eggs = in_tray(report, tray)
        if eggs:
            st.html(markup.tray_head_html(tray, len(eggs)))
            _cards(clutch, eggs, marks)
    parents, rest = st.columns(2, gap="large")
    with parents:
        st.subheader("What the clutch says of the parents")
        if report.parents:
            st.html(markup.parents_html(report.parents))
        else:
            st.caption("Nothing: the readings contradict the records.")
    with rest:
        st.subheader("Luck")
        st.html(markup.list_html([report.luck] if report.luck else ["Nothing can be said of it."]))
    if clutch.sheet is not None:
        _keep(clutch)
    if report.notes:
        with st.expander("Keep in mind", expanded=True, key="notes"):
            st.html(markup.list_html(report.notes))


def _keep(clutch: SortedClutch) -> None:
    """Keep the whole clutch in the records under a name."""
    with st.form("keep-clutch", border=True):
        st.subheader("Keep it in the records")
        name = st.text_input("Name of the clutch", value=clutch.sheet.name, key="keep-name")
        hatched = st.date_input("Hatched", value=None, key="keep-hatched")
        wanted = st.form_submit_button("Keep this clutch", icon=":material/save:")
    if wanted:
        with errors_shown(), st.spinner("Keeping"):
            day = hatched.isoformat() if hatched else None
            archive = open_archive()
            kept = keep_sheet(archive, open_photos(), clutch.sheet, name=name.strip() or None, hatched=day)
            take_over_marks(archive, journal(), kept={clutch.marks: kept.clutch})
            st.success(f"{len(kept.eggs)} eggs and {kept.photos} photos kept; they stand under Collection.")


def _cards(clutch: SortedClutch, eggs: list[EggReport], marks: Mapping[str, HoldMark]) -> None:
    for start in range(0, len(eggs), _CARDS_IN_A_ROW):
        for column, egg in zip(st.columns(_CARDS_IN_A_ROW), eggs[start : start + _CARDS_IN_A_ROW], strict=False):
            with column, st.container(border=True, key=f"card-{egg.label}"):
                _card(clutch, egg, marks.get(egg.label))


def _card(clutch: SortedClutch, egg: EggReport, mark: HoldMark | None) -> None:
    note = f"You hold this one back, since {mark.at.astimezone():%d %B %Y}" if mark else ""
    st.html(markup.card_html(egg, clutch.thumbnails.get(egg.label, ()), note))
    if clutch.sheet is not None and clutch.thumbnails.get(egg.label) and len(egg.calls) > 1:
        _evidence(clutch, egg)
    if egg.label_text:
        st.caption("Sale label: no more than the records support")
        st.code(egg.label_text, language=None, wrap_lines=True)
    if mark:
        st.button(
            f"Undo the hold-back of {egg.label}", key=f"hold-{egg.label}", on_click=_undo, args=(clutch.marks, egg.label),
            icon=":material/undo:",
        )  # fmt: skip
    else:
        said = egg.label_text or (egg.calls[0].call.name if egg.calls else "no possible call")
        st.button(
            f"Hold {egg.label} back", key=f"hold-{egg.label}", on_click=_hold, args=(clutch.marks, egg.label, said),
            icon=":material/inventory_2:",
        )  # fmt: skip


def _evidence(clutch: SortedClutch, egg: EggReport) -> None:
    """On request: where in the photo the two likeliest calls, or two others, differ."""
    if not st.toggle("Where in the photo is the evidence?", key=f"evidence-{egg.label}"):
        return
    names = [chance.call.name for chance in egg.calls]
    first = st.selectbox("for", names, index=0, key=f"for-{egg.label}")
    rest = [name for name in names if name != first]
    second = st.selectbox("against", rest, index=0, key=f"against-{egg.label}")
    with errors_shown(), st.spinner("Looking at the photo, a part at a time"):
        view = find_clutch_evidence(clutch.sheet, clutch.report, egg.label, first, second, photo_reader())
        read, shown = st.columns(2)
        read.image(view.cut, caption="what was read")
        shown.image(view.overlay, caption=f"orange speaks for {view.call}, violet against it")
        favoured, other = (view.call, view.other) if view.difference > 0 else (view.other, view.call)
        st.caption(f"The photo alone favours {favoured} over {other} by {abs(view.difference):.1f} nats. {view.look_for}")


def _hold(marks: str, label: str, said: str) -> None:
    with errors_shown():
        journal().hold(marks, label, note=said)


def _undo(marks: str, label: str) -> None:
    with errors_shown():
        journal().undo(marks, label)
