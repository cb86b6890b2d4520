"""``triage today``: what there is to do."""

from __future__ import annotations

from datetime import date, datetime
from itertools import groupby

import click

from triage.cli.command import answer, as_json, command, named, with_ids


@command("today", "  triage today\n  triage today --on 2031-06-01\n")
@click.option("--on", "day", type=click.DateTime(["%Y-%m-%d"]), metavar="DAY", help="another day than this one, such as 2031-06-01")
@with_ids
@as_json
def today(day: datetime | None, ids: bool, as_json: bool) -> None:
    """Say what there is to do: clutches due, eggs to call, animals to look at again, those held back."""
    from triage.workflow.book import Book, open_archive
    from triage.workflow.today import tasks

    found = tasks(Book.of(open_archive()), day.date() if day else date.today())
    rows = [{"group": one.group, "id": one.about, "name": one.name, "words": one.words, "since": one.since and one.since.isoformat()}
            for one in found]  # fmt: skip
    answer({"tasks": rows}, lambda said: _today_words(said["tasks"], ids), as_json=as_json)


def _today_words(rows: list[dict], ids: bool) -> str:
    from triage.workflow.today import NOTHING

    lines = []
    for group, of_group in groupby(rows, key=lambda row: row["group"]):
        lines += [group.capitalize(), *(f"  {named(row['name'], row['id'], ids)}: {row['words']}".rstrip(": ") for row in of_group)]
    return "\n".join(lines) or NOTHING
