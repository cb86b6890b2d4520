"""What was seen of an animal and is no known gene: listed with its day, entered, taken back."""

from __future__ import annotations

import streamlit as st

from triage.app.literal import literal
from triage.app.notices import errors_shown
from triage.signs import shown
from triage.storage.archive import Archive
from triage.storage.kinds import Trait
from triage.workflow.book import add_entry
from triage.workflow.gene_use import remove_entry
from triage.workflow.known import Known


def show_traits(archive: Archive, known: Known, id: str) -> None:
    """The traits of an animal or hatched egg, and a form for another."""
    traits = sorted(known.book.about(id, "trait"), key=lambda one: one.content.seen)
    title = "Traits that are no known gene" + (f" ({len(traits)})" if traits else "")
    with st.expander(title, key="collection-traits"):
        st.caption("A paradox patch, a kink, a scar, the look of a line: they stand on label and card in your words, and change no chance.")
        photos = {photo.id: shown(photo.content.name) for photo in known.book.about(id, "photo")}
        for entry in traits:
            at = f" (photo {photos[entry.content.photo]})" if entry.content.photo in photos else ""
            row = st.container(horizontal=True, vertical_alignment="center", horizontal_alignment="distribute")
            row.markdown(literal(f"{entry.content.seen}: {entry.content.words}{at}"), width="content")
            if row.button("Take back", key=f"trait-back-{entry.id}", icon=":material/undo:"):
                with errors_shown():
                    remove_entry(archive, entry.id)
                    st.rerun()
        with st.form("trait", border=False, clear_on_submit=True):
            words = st.text_input("What you see", key="trait-words", placeholder="kinked tail")
            day = st.date_input("Seen on", value="today", key="trait-seen")
            photo = None
            if photos:
                named = {"format_func": photos.__getitem__, "placeholder": "none", "key": "trait-photo"}
                photo = st.selectbox("In the photo", list(photos), index=None, **named)
            if st.form_submit_button("Keep the trait", icon=":material/save:", key="trait-keep"):
                with errors_shown():
                    add_entry(archive, Trait(about=id, words=words.strip(), seen=day.isoformat(), photo=photo))
                    st.rerun()
