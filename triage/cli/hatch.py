"""``triage hatch``: draw synthetic hatchlings."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from triage.cli.output import progress_bar
from triage.errors import SheetError

NAME = "hatch"
HELP = "draw synthetic hatchlings of given genes, with masks and the truth"
EXAMPLES = """\
examples:
  triage hatch --into clutch "pastel" "pastel clown" --copies 3 --seed 7
  triage hatch --into drawn --table orders.csv --size 256
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("genes", nargs="*", metavar="GENES", help="genes of one animal in trade shorthand")
    parser.add_argument("--table", type=Path, metavar="CSV", help="take label, genes, animal_seed, photo_seed, stage from here")
    parser.add_argument("--into", type=Path, required=True, metavar="FOLDER", help="folder for photos, masks and truth.csv")
    parser.add_argument("--copies", type=int, default=1, metavar="N", help="animals for each set of genes (1)")
    parser.add_argument("--seed", type=int, default=0, metavar="N", help="first seed; the same seed draws the same photo (0)")
    parser.add_argument("--stage", metavar="STAGE", help="in the egg, just hatched, before shed, after first shed, three months")
    parser.add_argument("--size", type=int, default=512, metavar="PIXELS", help="side of the photos (512)")
    parser.add_argument("--quality", type=int, metavar="N", help="write JPEG of this quality instead of PNG")
    parser.add_argument("--domain", default="training", metavar="NAME", help="training, or shifted (another renderer)")
    parser.add_argument("--json", action="store_true", help="print the list of photos as JSON")


def run(arguments: argparse.Namespace) -> int:
    from triage.workflow import hatch

    if bool(arguments.genes) == bool(arguments.table):
        raise SheetError("hatch: give genes or --table, one of the two; for example: triage hatch --into drawn 'pastel clown'")
    if arguments.table:
        wanted = hatch.orders_from_table(arguments.table)
    else:
        wanted = hatch.orders(arguments.genes, copies=arguments.copies, seed=arguments.seed, stage=arguments.stage)
    with progress_bar("drawing") as progress:
        drawn = hatch.hatch(
            wanted,
            arguments.into,
            size=arguments.size,
            domain=arguments.domain,
            jpeg_quality=arguments.quality,
            progress=progress,
        )
    if arguments.json:
        rows = [{"photo": str(d.photo), "mask": str(d.mask), "stage": d.stage} for d in drawn]
        print(json.dumps({"format": 1, "photos": rows}, indent=2))
    else:
        for order, d in zip(wanted, drawn, strict=True):
            print(f"{d.photo}  {order.genes}, {d.stage}")
    return 0
