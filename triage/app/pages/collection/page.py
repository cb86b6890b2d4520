"""The collection: what the records together say of every animal, why, how to prove it; every change, and undo."""

from collections import Counter

import streamlit as st

from triage.app.literal import literal, plain
from triage.app.notices import errors_shown
from triage.app.pages.collection.animal import show_chances, show_label, show_outcome_form, show_plan
from triage.app.pages.collection.animal_form import show_animal_form
from triage.app.pages.collection.change_form import show_change_form
from triage.app.pages.collection.rows import animal_rows, last_changes, newest_sha
from triage.app.pages.collection.traits import show_traits
from triage.app.shared import known_in_session, table_picture
from triage.signs import shown
from triage.species import usual_species
from triage.workflow.book import open_archive
from triage.workflow.gene_use import undo_change
from triage.workflow.known import species_in
from triage.workflow.names import described

_SHOWN = 20
state = st.session_state
st.title("Collection")
archive = known = None
with errors_shown():
    archive = open_archive()
    species = species_in(archive) or (usual_species(),)
    of = species[0]
    if len(species) > 1:
        of = st.segmented_control("Species", species, default=of, required=True, key="collection-species")
    known = known_in_session(archive, of)
if known is not None and not known.animals:
    st.info("No animals yet. Enter one here, or sort a clutch and keep it in the records there.", icon=":material/pets:")
elif known is not None:
    pictures = [table_picture(newest_sha(known, id)) for id in known.animals]
    rows = [{"photo": one, **row} if any(pictures) else row for one, row in zip(pictures, animal_rows(known), strict=True)]
    columns = {"photo": st.column_config.ImageColumn(width=64)}
    st.dataframe(plain(rows), hide_index=True, width="stretch", row_height=56, column_config=columns)
    if not known.posterior.exact:
        st.warning("Too much hangs together to be summed at once: some chances are approximate, each gene exact by itself.")
    if known.left_out:
        listed = ", ".join(known.title(id) for id in known.left_out)
        st.warning(literal(f"What was seen of {listed} cannot be true together with the records, and is left out: check the parents."))
    titles = {id: shown(known.title(id)) for id in known.animals}
    twins = Counter(titles.values())
    names = {id: title if twins[title] == 1 else f"{title} ({shown(described(known.book, id))})" for id, title in titles.items()}
    was = state.get("collection-animal")
    if was is not None and was not in names:  # an egg that became an animal when it was sold, or what an undo took out
        state["collection-animal"] = known.book.animal_of_egg.get(was, next(iter(names)))
    chosen = st.selectbox("Animal", list(names), format_func=names.__getitem__, key="collection-animal")
    show_chances(known, chosen)
    show_change_form(archive, known, chosen)
    show_traits(archive, known, chosen)
    show_label(archive, known, chosen)
    show_plan(known, chosen)
    show_outcome_form(archive, known, chosen)
if archive is not None:
    show_animal_form(archive, first=known is not None and not known.animals)
    changes = last_changes(archive.history(), _SHOWN)
    with st.expander("History", key="collection-history"):
        if not changes:
            st.caption("Nothing has been entered yet.")
        for change in changes:
            row = st.container(horizontal=True, vertical_alignment="center", horizontal_alignment="distribute")
            row.markdown(literal(change.words), width="content")
            if row.button(f"Undo change {change.number}", key=f"undo-change-{change.number}", icon=":material/undo:"):
                with errors_shown():
                    undo_change(archive, change.number)
                    st.rerun()
