"""``triage hatch``: draw synthetic hatchlings of given genes."""

from __future__ import annotations

import argparse
from pathlib import Path

from triage.cli.output import print_answer, print_json, progress_bar
from triage.cli.values import count, seed
from triage.errors import SheetError

NAME = "hatch"
HELP = "draw photos of synthetic hatchlings of given genes, with masks and their truth"
EXAMPLES = """\
examples:
  triage hatch "pastel, enchi" clown --into drawn
  triage hatch "super pastel" --into drawn --copies 8 --seed 7 --stage "after first shed"
  triage hatch --table demo_images/photos.csv --into drawn
"""
FORMAT = 1


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("genes", metavar="GENES", nargs="*", help="genes of one animal in trade shorthand, quoted")
    parser.add_argument("--into", type=Path, required=True, metavar="FOLDER", help="folder for the photos; made if missing")
    parser.add_argument(
        "--table", type=Path, default=None, metavar="CSV", help="read genes, seeds and stages from a table instead"
    )
    parser.add_argument("--copies", type=count, default=1, metavar="N", help="animals to draw of each set of genes (1)")
    parser.add_argument("--seed", type=seed, default=0, metavar="N", help="the first animal's seed (0)")
    parser.add_argument("--stage", default=None, help="stage of life, such as 'in the egg' (drawn by the seed)")
    parser.add_argument("--size", type=count, default=512, metavar="PX", help="side of the square photos in pixels (512)")
    parser.add_argument("--domain", default="training", help="how it is drawn: training or shifted (training)")
    parser.add_argument("--quality", type=count, default=None, metavar="N", help="write JPEG of this quality instead of PNG")
    parser.add_argument("--json", action="store_true", help="print the answer as JSON")


def run(arguments: argparse.Namespace) -> int:
    from triage.workflow.hatch import hatch

    with progress_bar("drawing") as progress:
        photos = hatch(
            _orders(arguments),
            arguments.into,
            size=arguments.size,
            domain=arguments.domain,
            jpeg_quality=arguments.quality,
            progress=progress,
        )
    if arguments.json:
        rows = [{"photo": str(p.photo), "mask": str(p.mask), "label": p.spec.label, "stage": p.stage} for p in photos]
        print_json({"format": FORMAT, "photos": rows})
    else:
        print_answer(lambda console: _print_photos(photos, arguments.into, console))
    return 0


def _orders(arguments: argparse.Namespace):
    from triage.workflow.hatch import STAGES, orders, orders_from_table

    if (arguments.table is None) == (not arguments.genes):
        raise SheetError("GENES or --table: found both or neither; needed: genes in trade shorthand, or a table of them")
    if arguments.table is not None:
        return orders_from_table(arguments.table)
    if arguments.stage is not None and arguments.stage not in STAGES:
        raise SheetError(f"--stage: found '{arguments.stage}'; needed: one of {', '.join(STAGES)}")
    return orders(arguments.genes, copies=arguments.copies, seed=arguments.seed, stage=arguments.stage)


def _print_photos(photos, folder: Path, console) -> None:
    from triage.cli.layout import item, paragraph

    for one in photos:
        item(console, f"{one.photo.name}  ", one.stage, indent=0)
    paragraph(console, f"{len(photos)} photos with masks and truth.csv in {folder}")
