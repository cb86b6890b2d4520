"""Genes that parents may carry and nobody recorded, and what the keeper takes each for."""

from __future__ import annotations

import streamlit as st

from triage.app.literal import literal
from triage.app.notices import errors_shown
from triage.proving.chances import percent
from triage.species import usual_species
from triage.workflow.book import open_archive
from triage.workflow.known import news_words, species_in
from triage.workflow.suspicions import Decided, Decision, Suspected, Suspicions, decide, sorted_again_words, suspicion_words, suspicions_of

_FOUND, _TOLD = "suspicions", "suspicions-told"
state = st.session_state


def found_of(archive, species: str, below: bool) -> Suspicions:
    """The suspicions, worked out anew only where a change came in since this session looked last."""
    asked = (species, below, max((one.change for one in archive.history()), default=0))
    kept, found = state.get(_FOUND, (None, None))
    if kept != asked:
        with st.spinner("Weighing every parent and every gene over all clutches"):
            found = suspicions_of(archive, species, explain_all=below)
        state[_FOUND] = (asked, found)
    return found


def show(archive, number: int, one: Suspected) -> None:
    """One suspicion: what speaks for and against it, what one more clutch would add, and the ways to take it."""
    with st.container(border=True, key=f"suspicion-{number}"):
        st.markdown(f"**{literal(suspicion_words(one))}**" + ("" if one.alarm else ", below the bar"))
        for clutch in one.clutches:
            for side, words in ((clutch.speaks_for, "for it"), (clutch.speaks_against, "against it")):
                if side:
                    st.markdown(literal(f"{clutch.clutch}, {words}: {', '.join(name for name, _ in side)}"))
        if one.own:
            st.markdown(literal(f"Seen of the parents themselves: {', '.join(name for name, _ in one.own)}"))
        for more in one.one_more:
            st.caption(literal(f"One more clutch of {more.parent} with {more.mate} would settle it: {percent(more.settles)}"))
        for id, name in zip(one.parents, one.names, strict=True):
            _ways(archive, one, id, literal(name), f"{number}-{id}")


def _ways(archive, one: Suspected, parent: str, name: str, key: str) -> None:
    """The three ways to take a suspicion of one parent."""
    words = {
        Decision.POSSIBLE: f"Possible in {name}", Decision.PROVEN: f"Proven in {name}", Decision.MISTAKE: f"A mistake: not {name}",
    }  # fmt: skip
    usual = min(99, max(1, round(100 * one.probability / len(one.parents))))
    with st.container(horizontal=True, vertical_alignment="bottom"):
        st.number_input(f"{name} carries it, chance in %", 1, 99, value=usual, key=f"chance-{key}", width=190)
        for decision, label in words.items():
            args = (archive, parent, one.gene, decision, f"chance-{key}")
            st.button(label, key=f"take-{key}-{decision.value}", on_click=_take, args=args)


def _take(archive, parent: str, gene: str, decision: Decision, chance_at: str) -> None:
    with errors_shown():
        chance = state[chance_at] / 100 if decision is Decision.POSSIBLE else None
        state[_TOLD] = decide(archive, parent, gene, decision, chance=chance)


def show_told(told: Decided) -> None:
    """What was entered, and everything that is another now."""
    st.success(literal(f"Entered: {told.words}. Undo change {told.change} under Collection takes it back."))
    for one in told.sorted_again:
        st.markdown(literal(sorted_again_words(one)))
    if told.news:
        with st.expander(f"Whose chances changed ({len(told.news)})"):
            for news in told.news:
                st.markdown(literal(news_words(news)))


st.title("Suspicions")
told = state.pop(_TOLD, None)
if told is not None:
    show_told(told)
with errors_shown():
    archive = open_archive()
    species = species_in(archive) or (usual_species(),)
    of = species[0]
    if len(species) > 1:
        of = st.segmented_control("Species", species, default=of, required=True, key="suspicions-species")
    below = st.toggle("Those below the bar too", key="suspicions-below", help="Of those above it one in ten at most is expected to be false.")
    found = found_of(archive, of, below)
    listed = found.all if below else found.alarms
    if not listed:
        st.info("No parent is suspected of a gene that nobody recorded. Every clutch that comes in is weighed here.")
    for number, one in enumerate(listed):
        show(archive, number, one)
    if len(found.all) > len(listed):
        st.caption(f"{len(found.all) - len(listed)} more below the bar.")
    for locus, why in found.refused.items():
        st.caption(literal(f"Not computed, {locus}: {why}"))
