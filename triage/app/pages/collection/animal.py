"""One animal of the collection: its chances and why, its sale label, how to prove it, and what a proving said."""

from __future__ import annotations

from datetime import date

import streamlit as st

from triage.app.literal import literal, plain
from triage.app.notices import errors_shown
from triage.app.pages.collection.rows import chance_rows, settled_rows, worth_rows
from triage.errors import TriageError
from triage.proving.chances import percent
from triage.proving.harm_words import caution_lines, caution_words
from triage.proving.plans.worth import Costs, likeliest_answer
from triage.records import Sex
from triage.signs import shown
from triage.storage.archive import Archive
from triage.storage.kinds import Outcome
from triage.workflow.book import now, open_photos
from triage.workflow.cards import cards_of, cards_pdf
from triage.workflow.known import Known, news_words, why
from triage.workflow.label import LabelWriter, SaleLabel, keep_labels, sale_labels, sell
from triage.workflow.outcomes import enter_outcome, possible_outcomes
from triage.workflow.prove import PlanAnswer, labels_to_price, plan_for, prices_from, worth_of


def show_chances(known: Known, id: str) -> None:
    """A row for each genotype that is possible, and on request what the chances of a gene rest on."""
    rows = chance_rows(known, id)
    if not rows:
        st.caption("Nothing but wild type, as far as the records say.")
        return
    bar = st.column_config.ProgressColumn("chance", format="percent", min_value=0.0, max_value=1.0)
    st.dataframe(plain(rows), hide_index=True, width="stretch", column_config={"chance": bar})
    genes = list(dict.fromkeys(row["gene"] for row in rows))
    locus = st.selectbox(
        "What do its chances rest on?", genes, index=None, placeholder="Choose a gene", key="collection-gene", format_func=shown
    )
    if locus is None:
        return
    with errors_shown(), st.spinner("Leaving out one reading after another"):
        reasons = why(known, id, locus)
        for what, rests in reasons.chances:
            said = [f"{r.observer} of {known.name(r.animal)} ({percent(r.without)} without it)" for r in rests]
            st.markdown(f"**{literal(what)}**: " + literal("; ".join(said) or "the records of the parents alone"))
        if reasons.caveat:
            st.caption(literal(reasons.caveat))


def show_label(archive: Archive, known: Known, id: str) -> None:
    """The sale label as the records support it now, as text and as a card."""
    with st.expander("Sale label", key="collection-label"), errors_shown():
        species, supported = st.session_state.get("supported", ("", None))  # of when the page was last drawn
        of = known.collection.species.name
        writer = LabelWriter(known, supported if species == of else None)
        (label,) = sale_labels(known, [id], writer=writer)
        st.session_state["supported"] = (of, writer.posterior)
        if not label.text:
            st.caption(literal(f"No label yet: {label.reason}."))
            slip = cards_pdf(cards_of([label], known.book, open_photos()))
            name = f"{label.name} work slip.pdf"
            st.download_button("Work slip (PDF)", slip, name, "application/pdf", icon=":material/print:", key="collection-slip")
            return
        st.code("\n".join(map(shown, (label.text, *label.lines))), language=None, wrap_lines=True)
        if label.changed:
            sold = f" It was sold to {label.buyer}." if label.buyer else ""
            st.warning(literal(f"The label written before says: {label.written}.{sold}"))
        card = cards_pdf(cards_of([label], known.book, open_photos()))
        left, right = st.columns(2)
        name = f"{label.name}.pdf"
        left.download_button("Hatch card (PDF)", card, name, "application/pdf", icon=":material/print:", key="collection-card")
        if right.button("Keep as written", disabled=not label.is_new, icon=":material/save:", key="collection-keep-label",
                        help="The records then hold what was promised, and when."):  # fmt: skip
            keep_labels(archive, [label])
            st.rerun()
        if getattr(known.book[id].content, "state", None) != "sold":
            _show_sale(archive, known, label)


def _show_sale(archive: Archive, known: Known, label: SaleLabel) -> None:
    with st.form("sold", border=False):
        why = "So that you can tell them what a later proving says. It stays on this machine."
        buyer = st.text_input("Sold to", key="collection-buyer", help=why)
        if st.form_submit_button("Mark as sold", icon=":material/sell:"):
            sell(archive, known, label, buyer.strip())
            st.rerun()


def show_outcome_form(archive: Archive, known: Known, id: str) -> None:
    """What a proving or a laboratory said of the animal; afterwards, whose chances and labels it changed."""
    told = st.session_state.pop("collection-told", None)
    for line in told or ():
        st.success(literal(line))
    open_loci = [locus for locus in known.posterior.loci[id] if len(possible_outcomes(known, id, locus)) > 1]
    if not open_loci:
        return
    with st.expander("A proving or a laboratory has settled something", key="collection-outcome"):
        st.caption(
            "The young of a proving are entered like any clutch, and count by themselves. This is for what is certain: a visual young "
            "of a visual mate, or a laboratory's result."
        )
        locus = st.selectbox("Gene", open_loci, key="outcome-gene", format_func=shown)
        with st.form("outcome", border=False):
            said = st.radio("It is", possible_outcomes(known, id, locus), key="outcome-what", format_func=literal)
            by = st.radio("Says who", ["proving", "laboratory"], horizontal=True, key="outcome-by")
            if st.form_submit_button("Keep", icon=":material/save:"):
                with errors_shown():
                    _keep_outcome(archive, known, id, said, by)


def _keep_outcome(archive: Archive, known: Known, id: str, said: str, by: str) -> None:
    content = Outcome(animal=id, says={said: 1.0}, by=by, at=now())
    told = enter_outcome(archive, content, reason=f"{by} of {known.title(id)}", before=known)
    lines = [f"{known.title(id)}: {said} kept"]
    lines += [news_words(one) for one in told.news]
    lines += [f"label of {one.name} says: {one.written}; the records now support: {one.whole or one.reason}" for one in told.labels]
    st.session_state["collection-told"] = lines
    st.rerun()


def show_plan(known: Known, id: str) -> None:
    """How to prove it: mates ranked, and how many eggs the best one takes."""
    with st.expander("How to prove it", key="collection-plan"):
        sex = known.collection.animals[id].sex
        if sex is None:
            sex = Sex(st.radio("Its sex is not recorded; plan for", [one.value for one in Sex], horizontal=True, key="collection-sex"))
        try:
            answer = plan_for(known, id, sex=sex)
        except TriageError as refusal:
            st.caption(literal(str(refusal)))
            return
        st.dataframe(
            plain([{"mate": r.mate.name, "settled in one season": r.p_one_season_settles,
                    "cautions": "; ".join(map(caution_words, answer.cautions[r.mate.name]))}
                   for r in answer.ranked if not r.refusal]),
            hide_index=True, width="stretch",
            column_config={"settled in one season": st.column_config.ProgressColumn(format="percent", min_value=0.0, max_value=1.0)},
        )  # fmt: skip
        for line in caution_lines(answer.cautions[answer.plan.mate.name]):
            st.warning(literal(f"With {answer.plan.mate.name}: {line}"))
        st.caption(literal(f"With {answer.plan.mate.name}: chance of being settled within so many eggs"))
        st.line_chart(settled_rows(answer.plan), x="eggs", y="settled")
        st.caption("Ages and weights for breeding are rules of thumb; ask a reptile veterinarian before you breed an animal.")
        _show_worth(answer)


def _show_worth(answer: PlanAnswer) -> None:
    """Selling today against holding back, with the keeper's own prices and costs."""
    st.markdown("**Does it pay?** Your own prices and costs, in your own money.")
    answers = list(answer.held.answers)
    of = st.selectbox(
        "The prices turn on", answers, index=answers.index(likeliest_answer(answer.held)), key="worth-of", format_func=shown
    )
    with st.form("worth", border=False):
        asked = {one.words: f"{one.words} (comes to that: {percent(one.chance)})" for one in labels_to_price(answer, of)}
        given = {
            words: st.number_input(literal(text), min_value=0.0, value=None, step=10.0, placeholder="no price", key=f"worth-{words}")
            for words, text in (asked | {"plain": "nothing promised"}).items()
        }
        first, second, third = st.columns(3)
        keeping = first.number_input("keeping it, a year", min_value=0.0, step=10.0, key="worth-keeping")
        breeding = second.number_input("breeding it, a season", min_value=0.0, step=10.0, key="worth-breeding")
        death = third.number_input("chance it dies in a year, %", min_value=0.0, max_value=99.0, step=1.0, key="worth-death")
        if not st.form_submit_button("Weigh it", icon=":material/balance:"):
            return
    if None in given.values():
        st.warning("Each label needs its price, nothing promised too.")
        return
    years = answer.years_until_first_result(date.today())
    with errors_shown():
        decision = worth_of(answer, prices_from(given, of), Costs(keeping, breeding, death / 100, 0.0, years))
        for sentence in decision.words():
            st.markdown(literal(sentence))
        st.line_chart(worth_rows(decision), x="chance", y=["holding", "selling today"], x_label=f"chance of {shown(of)}", y_label="money")
