"""``triage known`` and ``label``: what the records together say of every animal, and what its label may therefore promise."""

from __future__ import annotations

from pathlib import Path

import click

from triage.cli.command import answer, as_json, command, counted, named, species_option, with_ids, write_new
from triage.cli.output import remark
from triage.errors import StorageError


@command("known", "  triage known\n  triage known Juniper --why clown\n")
@click.argument("name", required=False, help="only this animal or egg")
@click.option("--why", "gene", metavar="GENE", help="what its chances at this gene rest on")
@species_option
@with_ids
@as_json
def known(name: str | None, gene: str | None, species: str, ids: bool, as_json: bool) -> None:
    """Say what the records together say of every animal, and what that rests on."""
    from triage.workflow.book import open_archive
    from triage.workflow.known import known_and_ids

    found, wanted = known_and_ids(open_archive(), [name] if name else [], ("animal", "egg"), species)
    data = {
        "log_evidence": found.posterior.log_evidence,
        "exact": found.posterior.exact,
        "approximate_parts": [{"loci": list(part.loci), "animals": len(part.animals)} for part in found.posterior.parts if not part.exact],
        "animals": [_known(found, id, gene) for id in wanted or found.animals],
        "left_out": [found.title(id) for id in found.left_out],
    }
    for title in data["left_out"]:
        remark(f"{title}: what was seen of it cannot be true with the records and is left out; check it, and the parents")
    answer(data, lambda said: _known_words(said, ids), as_json=as_json)


def _known(known, id: str, gene: str | None) -> dict:
    from triage.species.wording import words_of
    from triage.workflow.known import why
    from triage.workflow.traits import seen_of

    species, loci = known.collection.species, {}
    for locus, table in known.posterior.loci[id].items():
        likely = sorted((one for one in table.items() if one[1] > 0), key=lambda one: -one[1])
        loci[locus] = {words_of(species, locus, g): round(p, 9) for g, p in likely}
    sires = {known.name(sire): p for sire, p in known.posterior.sires.get(id, {}).items()}
    found = {"id": id, "name": known.title(id), "loci": loci, "sires": sires, "seen": list(seen_of(known.book, id))}
    if gene:
        reasons = why(known, id, gene)
        found["why_caveat"] = reasons.caveat
        found["why"] = [
            {"what": what,
             "rests_on": [{"animal": known.title(r.animal), "observer": r.observer, "without": r.without, "log_odds": r.log_odds}
                          for r in rests]}
            for what, rests in reasons.chances
        ]  # fmt: skip
    return found


def _known_words(said: dict, ids: bool) -> str:
    from triage.proving.chances import percent

    lines = []
    for one in said["animals"]:
        chances = [", ".join(f"{what} {percent(p)}" for what, p in table.items() if p >= 0.0005) for table in one["loci"].values()]
        lines.append(f"{named(one['name'], one['id'], ids)}  {'; '.join(chances) or 'nothing but wild type'}")
        lines += [f"  {seen}" for seen in one["seen"]]
        if len(one["sires"]) > 1:
            lines.append("  by " + ", ".join(f"{name} {percent(p)}" for name, p in one["sires"].items()))
        for reason in one.get("why", ()):
            lines.append(f"  {reason['what']} rests on")
            lines += [f"    {r['observer']} of {r['animal']}: {percent(r['without'])} without it" for r in reason["rests_on"]] or [
                "    the records of the parents alone"
            ]
        lines += [f"  {one['why_caveat']}"] if one.get("why_caveat") else []
    if not said["exact"]:
        loci = ", ".join(sorted({locus for part in said["approximate_parts"] for locus in part["loci"]}))
        lines.append(
            f"Too much hangs together to be summed at once at {loci}: these chances are approximate, each locus exact by itself."
        )
    return "\n".join(lines) or "No animals yet. Enter one with 'triage animal add'."


@command("label", "  triage label 2031-4\n  triage label 2031-4 --to cards.pdf\n  triage label --changed\n")
@click.argument("names", metavar="NAME", nargs=-1, help="a clutch, or animals and hatched eggs")
@click.option("--to", type=click.Path(path_type=Path), metavar="FILE",
              help="write hatch cards (PDF, ten to a page, with codes and photos; a work slip where no label holds), and keep what they say")  # fmt: skip
@click.option("--changed", is_flag=True, help="labels written that the records no longer support as they stand")
@species_option
@with_ids
@as_json
def label(names: tuple[str, ...], to: Path | None, changed: bool, species: str, ids: bool, as_json: bool) -> None:
    """Say what sale labels and hatch cards may promise: no more than the records support."""
    from triage.workflow.book import open_archive, open_photos
    from triage.workflow.cards import cards_of, cards_pdf
    from triage.workflow.known import known_and_ids
    from triage.workflow.label import changed_labels, keep_labels, sale_labels

    if not names and not changed:
        raise StorageError("label: nothing named; needed: a clutch ('triage clutch list') or animals, or --changed")
    archive = open_archive()
    found, wanted = known_and_ids(archive, names, ("clutch", "animal", "egg"), species)
    labels = changed_labels(found, wanted or None) if changed else sale_labels(found, wanted)
    if to:
        write_new(to, cards_pdf(cards_of(labels, found.book, open_photos())))
    rows = [
        {"id": one.id, "name": one.name, "text": one.text, "reason": one.reason, "lines": list(one.lines),
         "written": one.written, "changed": one.changed, "buyer": one.buyer}
        for one in labels
    ]  # fmt: skip
    data = {
        "labels": rows,
        "kept": keep_labels(archive, labels) if to else 0,
        "file": to and str(to),
        "only_changed": changed,
    }
    answer(data, lambda said: _label_words(said, ids), as_json=as_json)


def _label_words(said: dict, ids: bool) -> str:
    lines = []
    for one in said["labels"]:
        lines += [named(one["name"], one["id"], ids), f"  {one['text'] or 'no label yet: ' + one['reason']}"]
        lines += [f"  {line}" for line in one["lines"]]
        if one["changed"]:
            lines.append(f"  the label written before says: {one['written']}" + (f" (sold to {one['buyer']})" if one["buyer"] else ""))
    if said["file"]:
        lines.append(f"{counted(len(said['labels']), 'card')} written to {said['file']}; {said['kept']} kept as new labels")
    none = "Every label that was written still holds." if said["only_changed"] else "No egg of this clutch has hatched."
    return "\n".join(lines) or none
