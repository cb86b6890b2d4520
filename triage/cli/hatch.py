"""``triage hatch``: draw synthetic hatchlings of given genes."""

from __future__ import annotations

from pathlib import Path

import click

from triage.cli.command import answer, as_json, command
from triage.cli.output import progress_bar
from triage.errors import SheetError

EXAMPLES = """\
  triage hatch "pastel, enchi" clown --into drawn
  triage hatch "super pastel" --into drawn --copies 8 --seed 7 --stage "after first shed"
  triage hatch --table demo_images/photos.csv --into drawn
"""
_COUNT = click.IntRange(1, 10_000)
_PATH = click.Path(path_type=Path)


@command("hatch", EXAMPLES)
@click.argument("genes", nargs=-1, help="genes of one animal in trade shorthand, quoted")
@click.option("--into", type=_PATH, required=True, metavar="FOLDER", help="folder for the photos; made if missing")
@click.option("--table", type=_PATH, metavar="CSV", help="read genes, seeds and stages from a table instead")
@click.option("--copies", type=_COUNT, default=1, show_default=True, metavar="N", help="animals to draw of each set of genes")
@click.option("--seed", type=click.IntRange(min=0), default=0, show_default=True, metavar="N", help="the first animal's seed")
@click.option("--stage", help="stage of life, such as 'in the egg' (drawn by the seed)")
@click.option("--size", type=_COUNT, default=512, show_default=True, metavar="PX", help="side of the square photos in pixels")
@click.option("--domain", default="training", show_default=True, help="how it is drawn: training or shifted")
@click.option("--quality", type=_COUNT, metavar="N", help="write JPEG of this quality instead of PNG")
@as_json
def hatch(genes, into, table, copies, seed, stage, size, domain, quality, as_json) -> None:
    """Draw photos of synthetic hatchlings of given genes, with masks and their truth."""
    from triage.workflow.draw import STAGES, orders, orders_from_table
    from triage.workflow.draw import hatch as draw

    if (table is None) == (not genes):
        raise SheetError("GENES or --table: found both or neither; needed: genes in trade shorthand, or a table of them")
    if stage is not None and stage not in STAGES:
        raise SheetError(f"--stage: found '{stage}'; needed: one of {', '.join(STAGES)}")
    wanted = orders_from_table(table) if table else orders(genes, copies=copies, seed=seed, stage=stage)
    with progress_bar("drawing") as progress:
        photos = draw(wanted, into, size=size, domain=domain, jpeg_quality=quality, progress=progress)
    rows = [{"photo": str(p.photo), "mask": str(p.mask), "label": p.spec.label, "stage": p.stage} for p in photos]
    lines = [*(f"{one.photo.name}  {one.stage}" for one in photos), f"{len(photos)} photos with masks and truth.csv in {into}"]
    answer({"photos": rows}, lambda _: "\n".join(lines), as_json=as_json)
