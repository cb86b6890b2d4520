"""``triage known``: what the records together say of every animal."""

from __future__ import annotations

import argparse

from triage.cli.command import RecordCommand, percent_words
from triage.errors import StorageError


def _known_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("id", metavar="ID", nargs="?", help="only this animal or egg")
    parser.add_argument("--why", metavar="LOCUS", help="what its chances at this locus rest on")
    parser.add_argument("--species", default="ball python", metavar="NAME", help="the species (ball python)")


def _known(arguments: argparse.Namespace) -> dict:
    from triage.workflow.known import known_of, why, words_of
    from triage.workflow.records import open_archive

    known = known_of(open_archive(), arguments.species)
    ids = [arguments.id] if arguments.id else list(known.collection.animals)
    if arguments.id and arguments.id not in known.collection.animals:
        raise StorageError(
            f"{arguments.id}: is no animal or hatched egg of the {arguments.species}; 'triage known' lists them"
        )
    shown = []
    for id in ids:
        loci = {
            locus: {
                words_of(known.collection.species, locus, g): round(p, 9)
                for g, p in sorted(table.items(), key=lambda one: -one[1])
                if p > 0
            }
            for locus, table in known.posterior.loci[id].items()
        }
        one = {
            "id": id,
            "name": known.name(id),
            "loci": loci,
            "sires": {known.name(s): p for s, p in known.posterior.sires.get(id, {}).items()},
        }
        if arguments.why:
            reasons = why(known, id, arguments.why)
            one["why_caveat"] = reasons.caveat
            one["why"] = [
                {
                    "what": what,
                    "rests_on": [
                        {
                            "animal": known.name(r.animal),
                            "observer": r.observer,
                            "without": r.without,
                            "log_odds": r.log_odds,
                        }
                        for r in rests
                    ],
                }
                for what, rests in reasons.chances
            ]
        shown.append(one)
    rough = [
        {"loci": list(part.loci), "animals": len(part.animals)} for part in known.posterior.parts if not part.exact
    ]
    return {
        "log_evidence": known.posterior.log_evidence,
        "exact": known.posterior.exact,
        "approximate_parts": rough,
        "animals": shown,
    }


def _known_words(answer: dict) -> str:
    lines = []
    for one in answer["animals"]:
        parts = [
            ", ".join(f"{what} {percent_words(p)}" for what, p in table.items() if p >= 0.0005)
            for table in one["loci"].values()
        ]
        lines.append(f"{one['name']}  ({one['id']})  " + ("; ".join(parts) or "nothing but wild type"))
        if len(one["sires"]) > 1:
            lines.append("  by " + ", ".join(f"{name} {percent_words(p)}" for name, p in one["sires"].items()))
        for reason in one.get("why", ()):
            lines.append(f"  {reason['what']} rests on")
            for rest in reason["rests_on"] or [{}]:
                lines.append(
                    f"    {rest['observer']} of {rest['animal']}: {percent_words(rest['without'])} without it"
                    if rest
                    else "    the records of the parents alone"
                )
        if one.get("why_caveat"):
            lines.append(f"  {one['why_caveat']}")
    if not answer["exact"]:
        loci = ", ".join(sorted({locus for part in answer["approximate_parts"] for locus in part["loci"]}))
        lines.append(
            f"Too much hangs together to be summed at once at {loci}: these chances are approximate, each locus exact by itself."
        )
    return "\n".join(lines) or "No animals yet. Enter one with 'triage animal add'."


known = RecordCommand(
    "known",
    "what the records together say of every animal, and what that rests on",
    "examples:\n  triage known\n  triage known ID --why clown\n",
    _known_arguments,
    _known,
    _known_words,
)
