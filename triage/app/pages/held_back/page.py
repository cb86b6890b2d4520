"""Every hatchling that is held back, of all clutches."""

from datetime import date
from itertools import groupby

import streamlit as st

from triage.app.literal import literal, plain
from triage.app.notices import errors_shown
from triage.proving.harm_words import caution_words
from triage.workflow.book import open_archive
from triage.workflow.holds import Held, held_back, let_go
from triage.workflow.prove_first import prove_first


def undo(id: str) -> None:
    with errors_shown():
        let_go(open_archive(), id)


def show(mark: Held) -> None:
    """One hold-back with the button that undoes it."""
    row = st.container(border=True, key=mark.id)
    with row.container(horizontal=True, vertical_alignment="center", horizontal_alignment="distribute"):
        st.markdown(f"**{literal(mark.name)}**  \n{literal(mark.note)}", width="content")
        st.caption(f"since {mark.since.astimezone():%d %B %Y}", width="content")
        st.button(
            f"Undo the hold-back of {literal(mark.name)}", key=f"undo-{mark.id}", on_click=undo, args=(mark.id,), icon=":material/undo:"
        )


def show_first() -> None:
    """Which to prove first and with whom, a row for each."""
    with errors_shown():
        bar = st.progress(0.0, "Planning")
        planned = prove_first(open_archive(), today=date.today(), progress=lambda n, of: bar.progress(n / of, f"Planned: {n} of {of}"))
        bar.empty()
        rows = [
            {"animal": one.title, "sex": one.sex.value, "with": one.mate or "",
             "settled in one season": round(one.p_one_season_settles, 2), "eggs, half of the time": one.eggs,
             "seen at the earliest": str(one.seen or "hatch date not known"),
             "cautions": "; ".join(map(caution_words, one.cautions)) or one.refusal}
            for one in planned
        ]  # fmt: skip
        chance = st.column_config.ProgressColumn(format="percent", min_value=0.0, max_value=1.0)
        st.dataframe(plain(rows), hide_index=True, width="stretch", column_config={"settled in one season": chance})


st.title("Held back")
marks: tuple[Held, ...] = ()
with errors_shown():
    marks = held_back(open_archive())
    if not marks:
        st.info("No hatchling is held back. Mark one where its clutch is sorted; the mark is in the records until you undo it.")
for clutch, held in groupby(sorted(marks, key=lambda mark: mark.clutch), key=lambda mark: mark.clutch):
    st.subheader(literal(clutch or "From no clutch here"))
    for mark in held:
        show(mark)
if marks and st.toggle("Which to prove first?", key="held-first"):
    show_first()
