"""What there is to do today, and which written labels no longer hold."""

from datetime import date
from itertools import groupby

import streamlit as st

from triage.app.literal import literal
from triage.app.notices import errors_shown
from triage.app.shared import known_in_session
from triage.workflow.book import Book, open_archive
from triage.workflow.known import species_in
from triage.workflow.label import changed_labels
from triage.workflow.today import NOTHING, Task, tasks

SORT_PAGE = "pages/sort_clutch/page.py"


def show(task: Task) -> None:
    """One thing to do, with the way to it."""
    with st.container(border=True), st.container(horizontal=True, vertical_alignment="center", horizontal_alignment="distribute"):
        st.markdown(f"**{literal(task.name)}**  \n{literal(task.words)}", width="content")
        if task.clutch:
            st.page_link(SORT_PAGE, label="Open its clutch", query_params={"clutch": task.clutch}, icon=":material/egg:")


def show_labels(archive) -> None:
    """Labels written before that the records no longer support; worked out last, because all of the records have to be weighed."""
    with st.spinner("Weighing the records: do the labels that were written still hold?"):
        for species in species_in(archive):
            for label in changed_labels(known_in_session(archive, species)):
                sold = f" It was sold to {label.buyer}." if label.buyer else ""
                now = f"now: {label.text}" if label.text else f"no label now: {label.reason}"
                st.warning(literal(f"{label.name}: the label says {label.written}; {now}.{sold}"), icon=":material/sell:")


st.title("Today")
found: tuple[Task, ...] = ()
book = Book({})
with errors_shown():
    archive = open_archive()
    book = Book.of(archive)
    found = tasks(book, date.today())
    if not book.entries:
        st.info("The records are empty. Sort a clutch and keep it, or look at the demo clutch first.")
        st.page_link(SORT_PAGE, label="Show the demo clutch", query_params={"clutch": "demo"}, icon=":material/egg:")
    elif not found:
        st.info(NOTHING)
for group, of_group in groupby(found, key=lambda task: task.group):
    of_group = list(of_group)
    st.subheader(f"{group.capitalize()} ({len(of_group)})")
    for task in of_group:
        show(task)
if book.all("label"):
    with errors_shown():
        show_labels(archive)
