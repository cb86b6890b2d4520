"""The collection: what the records together say of every animal, why, how to prove it; every change, and undo."""

import streamlit as st

from triage.app.collection import animal_rows, chance_rows, settled_rows
from triage.app.notices import errors_shown, literal
from triage.errors import StorageError
from triage.records import Sex
from triage.workflow.keeping.collection import known_of, why
from triage.workflow.keeping.entries import open_archive
from triage.workflow.keeping.plans import plan_for

state = st.session_state
st.title("Collection")
archive = known = None
with errors_shown():
    archive = open_archive()
    species = sorted({entry["species"] for entry in archive.all("animal")}) or ["ball python"]
    of = species[0]
    if len(species) > 1:
        of = st.segmented_control("Species", species, default=of, required=True, key="collection-species")
    last = state.get("known")  # what was known when the page was last drawn: only what changed since is computed
    known = known_of(archive, of, last if last is not None and last.collection.species.name == of else None)
    state["known"] = known
if known is not None and not known.collection.animals:
    st.info(
        "No animals yet. Sort a clutch and keep it in the records there, or enter animals with *triage animal add*.",
        icon=":material/pets:",
    )
elif known is not None:
    st.dataframe(animal_rows(known), hide_index=True, width="stretch")
    if not known.posterior.exact:
        st.warning("Too much hangs together to be summed at once: some chances are approximate, each gene exact by itself.")
    names = {id: f"{known.name(id)} ({id})" for id in known.collection.animals}
    chosen = st.selectbox("Animal", list(names), format_func=names.__getitem__, key="collection-animal")
    rows = chance_rows(known, chosen)
    if not rows:
        st.caption("Nothing but wild type, as far as the records say.")
    else:
        bar = st.column_config.ProgressColumn("chance", format="percent", min_value=0.0, max_value=1.0)
        st.dataframe(rows, hide_index=True, width="stretch", column_config={"chance": bar})
        genes = list(dict.fromkeys(row["gene"] for row in rows))
        locus = st.selectbox("What do its chances rest on?", genes, index=None, placeholder="Choose a gene", key="collection-gene")
        with errors_shown(), st.spinner("Leaving out one reading after another"):
            reasons = why(known, chosen, locus) if locus is not None else None
        for what, rests in reasons.chances if reasons is not None else ():
            said = [f"{r.observer} of {known.name(r.animal)} ({100 * r.without:.0f} % without it)" for r in rests]
            st.markdown(f"**{literal(what)}**: " + literal("; ".join(said) or "the records of the parents alone"))
        if reasons is not None and reasons.caveat:
            st.caption(reasons.caveat)
    with st.expander("How to prove it", key="collection-plan"):
        sex = known.collection.animals[chosen].sex
        if sex is None:
            sex = Sex(st.radio("Its sex is not recorded; plan for", [one.value for one in Sex], horizontal=True, key="collection-sex"))
        try:
            answer = plan_for(known, chosen, sex=sex)
        except StorageError as refusal:
            st.caption(literal(str(refusal)))
        else:
            st.dataframe(
                [{"mate": r.mate.name, "bits a year": round(r.bits_per_year, 2), "settled in one season": r.p_one_season_settles}
                 for r in answer.ranked if not r.refusal],
                hide_index=True, width="stretch",
                column_config={"settled in one season": st.column_config.ProgressColumn(format="percent", min_value=0.0, max_value=1.0)},
            )  # fmt: skip
            st.caption(literal(f"With {answer.plan.mate.name}: chance of being settled within so many eggs"))
            st.line_chart(settled_rows(answer.plan), x="eggs", y="settled")
            st.caption("Ages and weights for breeding are rules of thumb; ask a reptile veterinarian before you breed an animal.")
if archive is not None:
    changes = archive.history()
    with st.expander("History", key="collection-history"):
        if not changes:
            st.caption("Nothing has been entered yet.")
        for one in list(changes)[:-21:-1]:
            did = "removed" if one.content is None else f"version {one.version}"
            when = f"change {one.change}, {one.at.astimezone():%d %B %Y %H:%M}: {one.reason}"
            st.markdown(literal(when) + f"  \n`{one.record_id}` {did}")
        if changes and st.button(f"Undo change {changes[-1].change}", key="collection-undo", icon=":material/undo:"):
            with errors_shown():
                archive.undo(changes[-1].change)
                st.rerun()
