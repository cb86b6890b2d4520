"""``triage suspicions``: genes that parents may carry and nobody recorded, and what the keeper takes one for."""

from __future__ import annotations

from dataclasses import asdict

import click

from triage.cli.command import answer, as_json, chance, command, number_in, species_option
from triage.errors import StorageError
from triage.records import Range

EXAMPLES = """\
  triage suspicions
  triage suspicions Juniper --below --eggs 6
  triage suspicions Juniper --gene "yellow belly" --as proven
  triage suspicions Juniper --gene "yellow belly" --as possible --chance 50%
"""


@command("suspicions", EXAMPLES)
@click.argument("name", required=False, help="only this parent")
@click.option("--below", is_flag=True, help="those below the bar too")
@click.option(
    "--eggs", type=number_in(Range(1, 100)), metavar="N", help="eggs of the one more clutch (the species' clutch sizes)"
)
@click.option("--background", type=number_in(Range(0, 0.1, True)), metavar="P",
              help="frequency of every gene in an animal nobody recorded (0.025)")  # fmt: skip
@click.option("--gene", metavar="GENE", help="the gene that is decided about, with --as")
@click.option(
    "--as", "decision", type=click.Choice(["proven", "possible", "mistake"]), help="take the suspicion for this, and enter it"
)
@click.option("--chance", type=chance, metavar="P", help="the chance that goes with --as possible")
@species_option
@as_json
def suspicions(name, below, eggs, background, gene, decision, chance, species, as_json) -> None:
    """Say which parents may carry a gene that nobody recorded, and take a suspicion as proven, possible or a mistake."""
    from triage.genetics.clutch.alternatives import BACKGROUND
    from triage.workflow.book import open_archive
    from triage.workflow.names import find_entry
    from triage.workflow.suspicions import Decision, decide, suspicions_of

    archive = open_archive()
    entry = find_entry(archive, name, ("animal",)) if name else None
    if decision or gene or chance is not None:
        if not (decision and gene and entry):
            raise StorageError("suspicions: a decision names too little; needed: the parent, --gene and --as")
        data = asdict(decide(archive, entry.id, gene, Decision(decision), chance=chance))
        answer(data, _decided_words, as_json=as_json)
        return
    species = entry.content.species if entry else species
    n_eggs = None if eggs is None else int(eggs)
    found = suspicions_of(
        archive, species, background=background or BACKGROUND, eggs=n_eggs, name=entry and entry.id, explain_all=below
    )
    shown = found.all if below else found.alarms
    data = {
        "tested": found.tested,
        "refused": dict(found.refused),
        "below": len(found.all) - len(found.alarms),
        "all_shown": below,
        "suspicions": [_as_json(one) for one in shown],
    }
    answer(data, _words, as_json=as_json)


def _as_json(one) -> dict:
    from triage.workflow.suspicions import suspicion_words

    return {**asdict(one), "bayes_factor": min(one.bayes_factor, 1e300), "words": suspicion_words(one)}


def _words(said: dict) -> str:
    from triage.proving.chances import percent

    lines = []
    for one in said["suspicions"]:
        lines.append(one["words"] + ("" if one["alarm"] else " (below the bar)"))
        for clutch in one["clutches"]:
            for side, word in (("speaks_for", "for it"), ("speaks_against", "against it")):
                if clutch[side]:
                    lines.append(
                        f"  {clutch['clutch']}, {word}: {', '.join(f'{who} ({step:+.1f})' for who, step in clutch[side])}"
                    )
        if one["own"]:
            lines.append(f"  seen of the parents themselves: {', '.join(f'{who} ({step:+.1f})' for who, step in one['own'])}")
        lines += [
            f"  one more clutch of {more['parent']} with {more['mate']} would settle it: {percent(more['settles'])}"
            for more in one["one_more"]
        ]
    lines = lines or ["No parent is suspected of a gene that nobody recorded."]
    if said["suspicions"]:
        lines.append("Numbers in brackets: how far a hatchling moved the log odds.")
    if said["below"] and not said["all_shown"]:
        lines.append(f"{said['below']} more below the bar: --below.")
    lines += [f"not computed, {locus}: {why}" for locus, why in said["refused"].items()]
    return "\n".join(lines)


def _decided_words(said: dict) -> str:
    from triage.workflow.known import News, news_words
    from triage.workflow.suspicions import SortedAgain, sorted_again_words

    lines = [f"entered: {said['words']} (triage undo {said['change']} takes it back)"]
    lines += [f"  {news_words(News(**one))}" for one in said["news"]]
    lines += [f"  {sorted_again_words(SortedAgain(**one))}" for one in said["sorted_again"]]
    return "\n".join(lines)
