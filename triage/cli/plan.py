"""``triage plan``: how to prove an animal, and whether it pays."""

from __future__ import annotations

import argparse

from triage.cli.command import RecordCommand, percent_words
from triage.errors import StorageError


def _plan_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("id", metavar="ID", help="the animal or hatched egg to be proved")
    parser.add_argument(
        "--gene", action="append", default=[], metavar="GENE", help="a gene in question; may be given several times"
    )
    parser.add_argument("--mate", metavar="NAME", help="plan with this mate instead of the best")
    parser.add_argument("--sex", choices=("male", "female"), help="its sex, if the records do not say")
    parser.add_argument("--species", default="ball python", metavar="NAME", help="the species (ball python)")
    parser.add_argument(
        "--price",
        action="append",
        default=[],
        metavar="LABEL=MONEY",
        help="your own price: 'het clown=300', '66%% het clown=120', 'plain=60'",
    )
    parser.add_argument("--of", metavar="ANSWER", help="the answer that the prices turn on, such as 'het clown'")
    parser.add_argument(
        "--keeping", type=float, default=0.0, metavar="MONEY", help="what a year of keeping it costs you"
    )
    parser.add_argument(
        "--breeding", type=float, default=0.0, metavar="MONEY", help="what a season of breeding costs on top"
    )
    parser.add_argument("--death", type=float, default=0.0, metavar="P", help="chance that it dies in a year")
    parser.add_argument("--keep", action="store_true", help="keep the plan in the records, for the outcome to refer to")


def _plan(arguments: argparse.Namespace) -> dict:
    from datetime import date

    from triage.cli.entries import EntryCommand
    from triage.proving.plans.worth import Costs
    from triage.records import Sex
    from triage.workflow.known import known_of
    from triage.workflow.prove import keep_plan, plan_for, prices_from, worth_of
    from triage.workflow.records import open_archive

    archive = open_archive()
    known = known_of(archive, arguments.species)
    today = date.today()
    answer = plan_for(
        known,
        arguments.id,
        genes=tuple(arguments.gene),
        mate=arguments.mate,
        sex=Sex(arguments.sex) if arguments.sex else None,
        today=today,
    )
    plan = answer.plan
    found = {
        "animal": known.name(arguments.id),
        "open": {words: p for words, p in answer.held.answers.items()},
        "mates": [
            {
                "mate": r.mate.name,
                "bits_per_egg": r.bits_per_egg,
                "bits_per_year": r.bits_per_year,
                "settled_in_one_season": r.p_one_season_settles,
                "refusal": r.refusal,
            }
            for r in answer.ranked
        ],
        "mate": plan.mate.name,
        "settled_in_one_season": {f"{level:.2f}": p for level, p in plan.p_one_season_settles.items()},
        "eggs": {
            f"{one.level:.2f}": {"half": one.quantile(0.5), "nine_in_ten": one.quantile(0.9), "beyond": one.beyond}
            for one in plan.eggs
        },
        "seasons": {
            f"{one.level:.2f}": {"half": one.quantile(0.5), "nine_in_ten": one.quantile(0.9), "beyond": one.beyond}
            for one in plan.seasons
        },
        "young_to_show": [
            {"answer": one.answer, "level": one.level, "young": one.n_young} for one in plan.young_needed
        ],
        "stop": [
            {"telling": list(one.telling), "level": one.level, "run": one.needed, "answer": one.answer}
            for one in plan.stopping
        ],
        "outcomes": [
            {"seen": dict(one.seen), "probability": one.probability, "says": dict(one.answers)}
            for one in plan.outcomes[:8]
        ],
        "outcome_eggs": plan.outcome_eggs,
        "earliest": None
        if plan.earliest is None
        else {
            "paired": plan.earliest.paired.isoformat(),
            "hatched": plan.earliest.hatched.isoformat(),
            "seen": plan.earliest.first_shed.isoformat(),
            "waits_for": plan.earliest.waits_for,
        },
        "worth": [],
        "chart": [],
        "kept": keep_plan(archive, arguments.id, answer) if arguments.keep else None,
    }
    if arguments.price:
        words = {}
        for text in arguments.price:
            label, money = EntryCommand._pair(text, "--price")
            try:
                words[label] = float(money)
            except ValueError as error:
                raise StorageError(f"--price {text}: '{money}' is no number; needed: LABEL=MONEY") from error
        of = arguments.of or next(iter(answer.held.answers))
        years = 1.0 if plan.earliest is None else max(0.1, plan.earliest.years_from(today))
        costs = Costs(arguments.keeping, arguments.breeding, arguments.death, 0.0, years)
        decision = worth_of(answer, prices_from(words, of, words.pop("plain", 0.0)), costs)
        found["worth"] = list(decision.words())
        found["of"] = of
        found["chart"] = [
            {"chance": p, "today": now, "label": label, "holding": holding} for p, now, label, holding in decision.chart
        ]
    return found


def _plan_words(answer: dict) -> str:
    lines = [
        f"{answer['animal']}: open is " + ", ".join(f"{words} {percent_words(p)}" for words, p in answer["open"].items()),
        "",
        "Mates by what a year teaches:",
    ]
    for r in answer["mates"][:10]:
        lines.append(
            f"  {r['mate']}: "
            + (
                r["refusal"]
                or f"{r['bits_per_egg']:.3f} bits an egg, {r['bits_per_year']:.2f} a year; settles it in one "
                f"season: {percent_words(r['settled_in_one_season'])}"
            )
        )
    lines += ["", f"With {answer['mate']}:"]
    for level, one in answer["eggs"].items():
        seasons = answer["seasons"][level]
        lines.append(
            f"  settled at {100 * float(level):.0f} %: half of the time within {_count(one['half'], 'eggs')}, nine times in ten within "
            f"{_count(one['nine_in_ten'], 'eggs')}; {_count(seasons['half'], 'seasons')} and {_count(seasons['nine_in_ten'], 'seasons')}; "
            f"in one season {percent_words(answer['settled_in_one_season'][level])}"
        )
    telling = " or ".join(answer["stop"][0]["telling"]) or "nothing"
    runs = [
        f"{one['run']} young that tell nothing: {one['answer']} at {100 * one['level']:.0f} %"
        for one in answer["stop"]
        if one["run"]
    ]
    lines.append("  stop when settled; each of these excludes something at once: " + "; ".join([telling, *runs]))
    lines.append(f"  of {answer['outcome_eggs']} eggs:")
    for one in answer["outcomes"][:5]:
        seen = ", ".join(f"{n} {what}" for what, n in one["seen"].items()) or "nothing that tells"
        lines.append(
            f"    {seen} ({percent_words(one['probability'])}) would say "
            + ", ".join(f"{w} {percent_words(p)}" for w, p in one["says"].items())
        )
    if answer["earliest"]:
        e = answer["earliest"]
        lines.append(f"  first pairing {e['paired']} at the earliest ({e['waits_for']}), seen by {e['seen']}")
    lines += [f"  {sentence}" for sentence in answer["worth"]]
    lines += _chart_words(answer["of"], answer["chart"]) if answer["chart"] else []
    lines += [f"  kept as {answer['kept']}; name it with 'triage outcome add --plan {answer['kept']} ...'"] if answer["kept"] else []
    lines.append(
        "Ages and weights for breeding are rules of thumb (common practice, no source): a veterinarian knows the animal before you."
    )
    return "\n".join(lines)


def _chart_words(of: str, chart: list[dict], width: int = 40) -> list[str]:
    """Holding against today's price by the chance of an answer, as rows of bars."""
    rows = chart[3::4]
    least = min(0.0, *(row["holding"] for row in rows))
    most = max(*(row["holding"] for row in rows), rows[0]["today"], least + 1e-9)
    mark = round((rows[0]["today"] - least) / (most - least) * width)
    lines = [f"  what holding brings on average, by the chance of {of} (| is today's price, {rows[0]['today']:,.0f}):"]
    for row in rows:
        bar = "=" * round((row["holding"] - least) / (most - least) * width)
        line = bar.ljust(width + 1)
        lines.append(f"    {100 * row['chance']:3.0f} %  {line[:mark]}|{line[mark + 1 :]} {row['holding']:,.0f}")
    return lines


def _count(n: int | None, what: str) -> str:
    return f"more {what} than were counted" if n is None else f"{n} {what.removesuffix('s') if n == 1 else what}"


plan = RecordCommand(
    "plan",
    "plan how to prove an animal: mates, eggs, seasons, when to stop, what it is worth",
    "examples:\n  triage plan ID --gene clown\n  triage plan ID --price 'het clown=300' --price '66% het clown=120' "
    "--price plain=60 --of 'het clown' --keeping 40\n",
    _plan_arguments,
    _plan,
    _plan_words,
)
