"""``triage eye``: how good each observer's eye is by the calls that were settled, and the yes to sort with that."""

from __future__ import annotations

from dataclasses import asdict

import click

from triage.cli.command import answer, as_json, command


@command("eye", "  triage eye\n  triage eye --use\n")
@click.option("--use", is_flag=True, help="sort with what was learnt of your calls from now on ('triage undo' takes it back)")
@as_json
def eye(use: bool, as_json: bool) -> None:
    """Say how often each observer's calls were right, and what was taken for what, by calls that the records settled later."""
    from triage.workflow.book import open_archive
    from triage.workflow.eye import eyes_of, take_eye

    archive = open_archive()
    data = {"eyes": [_as_json(one) for one in eyes_of(archive)], "used": take_eye(archive).content.to_json() if use else None}
    answer(data, _words, as_json=as_json)


def _as_json(one) -> dict:
    from triage.workflow.eye import eye_words

    return {
        "by": one.by,
        "rates": asdict(one.rates),
        "confusions": [
            {"true": x.true.name, "taken_for": x.taken_for.name, "k": x.k, "n": x.n, "rate": asdict(x.rate)}
            for x in one.confusions
        ],
        "settled": [
            {"egg": x.title, "called": x.call.called[0].name, "true": x.call.true.name, "itself": x.itself} for x in one.settled
        ],
        "words": eye_words(one),
    }


def _words(said: dict) -> str:
    from triage.workflow.eye import NONE_SETTLED

    lines = []
    for one in said["eyes"]:
        proved = sum(x["itself"] for x in one["settled"])
        lines += [one["words"][0], *(f"  {line}" for line in one["words"][1:])]
        lines.append(f"  settled by a proving or laboratory of the animal itself: {proved}, by what its parents leave: "
                     f"{len(one['settled']) - proved}")  # fmt: skip
    if said["used"]:
        accuracy, share = (100 * said["used"][name] for name in ("accuracy", "lookalike_share"))
        lines.append(f"Clutches are sorted with {accuracy:.1f} % and {share:.1f} % from now on; 'triage undo' takes that back.")
    return "\n".join(lines) or NONE_SETTLED
