"""A sorted clutch on the page: trays, cards, hold-back marks, parents, luck and cautions."""

from __future__ import annotations

from collections.abc import Mapping

import streamlit as st

from triage.app.literal import literal
from triage.app.notices import errors_shown
from triage.app.pages.sort_clutch import markup, sorting
from triage.app.pages.sort_clutch.shelf import SortedClutch
from triage.app.shared import photo_reader
from triage.proving.trays import Tray
from triage.signs import shown
from triage.workflow.answers.report import EggReport
from triage.workflow.answers.wording import clutch_name, in_tray
from triage.workflow.book import open_archive, open_photos
from triage.workflow.evidence_view import find_clutch_evidence
from triage.workflow.holds import Held, held_back, hold_back, let_go
from triage.workflow.keep import keep_clutch
from triage.workflow.sheet import FORM

_CARDS_IN_A_ROW = 2


def show_answer(clutch: SortedClutch) -> None:
    """Everything that was found of a clutch."""
    report = clutch.report
    st.html(markup.summary_html(report))
    marks: dict[str, Held] = {}
    with errors_shown():
        marks = {mark.name: mark for mark in held_back(open_archive()) if mark.clutch == clutch.marks}
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
    _keep(clutch)
    if report.notes:
        with st.expander("Keep in mind", expanded=True, key="notes"):
            st.html(markup.list_html(report.notes))


def _keep(clutch: SortedClutch) -> None:
    """Keep the whole clutch in the records under a name."""
    told = st.session_state.pop("kept-told", None)
    if told:
        st.success(literal(told))
    if clutch.kept is not None:
        st.caption("This clutch is in the records. Sort it again above whenever photos, sheds or outcomes have come in.")
        return
    with st.form("keep-clutch", border=True):
        st.subheader("Keep it in the records")
        typed = clutch.entries.get("clutch_name", "").strip()
        usual = typed or (clutch.report.sheet.name if clutch.report.sheet.name != FORM else clutch_name(clutch.report.cross))
        name = st.text_input("Name of the clutch", value=usual, key="keep-name")
        laid, hatched = (column.date_input(word, value=None, key=f"keep-{word.lower()}")
                         for column, word in zip(st.columns(2), ("Laid", "Hatched"), strict=True))  # fmt: skip
        again = st.checkbox("It is another clutch, even if the same eggs are in the records", key="keep-again")
        wanted = st.form_submit_button("Keep this clutch", icon=":material/save:")
    if wanted:
        with errors_shown(), st.spinner("Keeping"):
            days = {word: day.isoformat() if day else None for word, day in (("laid", laid), ("hatched", hatched))}
            kept = keep_clutch(open_archive(), open_photos(), clutch.report, name=name.strip() or usual, again=again,
                               marked_as=clutch.marks, **days)  # fmt: skip
            told = f"{len(kept.eggs)} eggs and {kept.photos} photos kept; they stand under Collection."
            st.session_state["kept-told"] = " ".join((told, *(f"{remark}." for remark in kept.remarks)))
            sorting.now_kept(st.session_state, clutch, kept, name.strip() or usual)
            st.rerun()


def _cards(clutch: SortedClutch, eggs: list[EggReport], marks: Mapping[str, Held]) -> None:
    for start in range(0, len(eggs), _CARDS_IN_A_ROW):
        for column, egg in zip(st.columns(_CARDS_IN_A_ROW), eggs[start : start + _CARDS_IN_A_ROW], strict=False):
            with column, st.container(border=True, key=f"card-{egg.label}"):
                _card(clutch, egg, marks.get(egg.label))


def _card(clutch: SortedClutch, egg: EggReport, mark: Held | None) -> None:
    note = f"You hold this one back, since {mark.since.astimezone():%d %B %Y}" if mark else ""
    st.html(markup.card_html(egg, clutch.thumbnails.get(egg.label, ()), note))
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


def _hold(clutch: SortedClutch, label: str, said: str) -> None:
    with errors_shown():
        hold_back(open_archive(), label, clutch_name=clutch.marks, about=clutch.eggs.get(label), note=said)


def _undo(mark: str) -> None:
    with errors_shown():
        let_go(open_archive(), mark)
