"""A sorted clutch on the page: trays, parents, luck and cautions."""

from __future__ import annotations

import streamlit as st

from triage.app.literal import literal
from triage.app.notices import errors_shown
from triage.app.pages.sort_clutch import light_table, markup, sorting
from triage.app.pages.sort_clutch.shelf import SortedClutch
from triage.proving.trays import Tray
from triage.workflow.answers.wording import clutch_name, in_tray
from triage.workflow.book import open_archive, open_photos
from triage.workflow.keep import keep_clutch
from triage.workflow.sheet import FORM


def show_answer(clutch: SortedClutch) -> None:
    """Everything that was found of a clutch."""
    report = clutch.report
    st.html(markup.summary_html(report))
    marks = light_table.holds_of(clutch)
    for tray in Tray:
        eggs = in_tray(report, tray)
        if eggs:
            st.html(markup.tray_head_html(tray, len(eggs)))
            light_table.show_tiles(clutch, eggs, marks)
    light_table.show_open(clutch)
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
