"""``triage label``: sale labels and hatch cards."""

from __future__ import annotations

import argparse
from pathlib import Path

from triage.cli.command import RecordCommand, counted, write_new
from triage.errors import StorageError


def _label_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("id", metavar="ID", nargs="*", help="a clutch, or animals and hatched eggs")
    parser.add_argument(
        "--to", metavar="FILE", help="write hatch cards (PDF, several to a page, with codes), and keep what they say"
    )
    parser.add_argument("--changed", action="store_true", help="labels written that the records no longer support as they stand")
    parser.add_argument("--species", default="ball python", metavar="NAME", help="the species (ball python)")


def _label(arguments: argparse.Namespace) -> dict:
    from triage.workflow.cards import cards_of, cards_pdf
    from triage.workflow.known import known_of
    from triage.workflow.label import changed_labels, ids_of, keep_labels, sale_labels
    from triage.workflow.records import open_archive

    archive = open_archive()
    if not arguments.id and not arguments.changed:
        raise StorageError("label: nothing named; needed: the id of a clutch ('triage clutch list') or of animals, or --changed")
    known = known_of(archive, arguments.species)
    ids = ids_of(archive, known, arguments.id)
    labels = changed_labels(known, ids or None) if arguments.changed else sale_labels(known, ids)
    if arguments.to:
        write_new(Path(arguments.to), cards_pdf(cards_of(labels)))
    return {
        "labels": [
            {"id": one.id, "name": one.name, "text": one.text, "reason": one.reason, "lines": list(one.lines),
             "written": one.written, "changed": one.changed, "buyer": one.buyer}
            for one in labels
        ],
        "kept": keep_labels(archive, labels) if arguments.to else 0,
        "file": arguments.to,
        "only_changed": arguments.changed,
    }  # fmt: skip


_NONE = {True: "Every label that was written still holds.", False: "No egg of this clutch has hatched."}


def _label_words(answer: dict) -> str:
    lines = []
    for one in answer["labels"]:
        said = [one["text"] or f"no label yet: {one['reason']}", *one["lines"]]
        if one["changed"]:
            said.append(f"the label written before says: {one['written']}" + (f" (sold to {one['buyer']})" if one["buyer"] else ""))
        lines.append(f"{one['name']}  ({one['id']})\n  " + "\n  ".join(said))
    if answer["file"]:
        lines.append(f"{counted(len(answer['labels']), 'card')} written to {answer['file']}; {answer['kept']} kept as new labels")
    return "\n".join(lines) or _NONE[answer["only_changed"]]


label = RecordCommand(
    "label",
    "sale labels and hatch cards: no more than the records support",
    "examples:\n  triage label ID\n  triage label ID --to cards.pdf\n  triage label --changed\n",
    _label_arguments,
    _label,
    _label_words,
)
