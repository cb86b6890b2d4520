"""``triage plan``: how to prove an animal, and whether it pays."""

from __future__ import annotations

from datetime import date

import click

from triage.cli.command import answer, as_json, command, counted, named_number, number_in
from triage.cli.output import progress_bar
from triage.records import Range
from triage.storage.kinds import MONEY

EXAMPLES = """\
  triage plan
  triage plan 2031-4/A4 --gene clown
  triage plan 2031-4/A4 --price 'het clown=300' --price '66% het clown=120' --price plain=60 --of 'het clown' --keeping 40
"""


@command("plan", EXAMPLES)
@click.argument("name", required=False, help="the animal or hatched egg to be proved; all that are held back where none is named")
@click.option("--gene", "genes", multiple=True, metavar="GENE", help="a gene in question; may be given several times")
@click.option("--mate", metavar="NAME", help="plan with this mate instead of the best")
@click.option("--sex", type=click.Choice(["male", "female"]), help="its sex, if the records do not say")
@click.option("--price", "prices", multiple=True, metavar="LABEL=MONEY",
              help="your own price: 'het clown=300', '66% het clown=120', 'plain=60'")  # fmt: skip
@click.option("--of", metavar="ANSWER",
              help="the answer that the prices turn on, such as 'het clown' (the first with a price, or the likeliest)")  # fmt: skip
@click.option("--keeping", type=number_in(MONEY), default=0.0, metavar="MONEY", help="what a year of keeping it costs you")
@click.option("--breeding", type=number_in(MONEY), default=0.0, metavar="MONEY", help="what a season of breeding costs on top")
@click.option("--death", type=number_in(Range(0, 0.999)), default=0.0, metavar="P", help="chance that it dies in a year")
@click.option("--keep", is_flag=True, help="keep the plan in the records, for the outcome to refer to")
@as_json
def plan(name, genes, mate, sex, prices, of, keeping, breeding, death, keep, as_json) -> None:
    """Plan how to prove an animal: mates, eggs, seasons, when to stop, what it is worth; or which to prove first."""
    from triage.proving.harm_words import caution_lines, caution_words
    from triage.proving.plans.worth import likeliest_answer
    from triage.records import Sex
    from triage.workflow.book import open_archive
    from triage.workflow.known import known_and_ids
    from triage.workflow.prove import keep_plan, plan_for
    from triage.workflow.prove_first import prove_first

    archive, today = open_archive(), date.today()
    money = dict(named_number(text, "--price", MONEY) for text in prices)
    if name is None:
        if genes or mate or sex or of or keep:
            raise click.UsageError("--gene, --mate, --sex, --of and --keep are of one animal; name it")
        with progress_bar("planning") as progress:
            rows = prove_first(archive, today=today, prices=money, costs=(keeping, breeding, death), progress=progress)
        answer({"held": _held_json(rows)}, lambda _: _held_words(rows), as_json=as_json)
        return
    known, (id,) = known_and_ids(archive, [name], ("animal", "egg"))
    found = plan_for(known, id, genes=genes, mate=mate, sex=Sex(sex) if sex else None, today=today)
    data = {"animal": known.title(id), **_plan_json(found), "worth": [], "chart": []}
    short = {mate: [caution_words(one) for one in cautions] for mate, cautions in found.cautions.items()}
    full = caution_lines(found.cautions[found.plan.mate.name])
    data["kept"] = keep_plan(archive, id, found) if keep else None
    if prices:
        turns_on = of or next((label for label in money if label in found.held.answers), likeliest_answer(found.held))
        data |= _worth_json(found, money, turns_on, (keeping, breeding, death), today)
    answer(data, lambda data: _words({**data, "warned": short, "cautions": full}), as_json=as_json)


def _plan_json(found) -> dict:
    from triage.proving.harm_words import cautions_json

    plan = found.plan
    earliest = plan.earliest and {
        "paired": plan.earliest.paired.isoformat(),
        "hatched": plan.earliest.hatched.isoformat(),
        "seen": plan.earliest.first_shed.isoformat(),
        "waits_for": plan.earliest.waits_for,
    }
    return {
        "open": dict(found.held.answers),
        "mates": [
            {"mate": r.mate.name, "settled_in_one_season": r.p_one_season_settles, "refusal": r.refusal,
             "cautions": cautions_json(found.cautions[r.mate.name])}
            for r in found.ranked
        ],
        "mate": plan.mate.name,
        "settled_in_one_season": {f"{level:.2f}": p for level, p in plan.p_one_season_settles.items()},
        "eggs": _until_json(plan.eggs),
        "seasons": _until_json(plan.seasons),
        "young_to_show": [{"answer": one.answer, "level": one.level, "young": one.n_young} for one in plan.young_needed],
        "stop": [{"telling": list(one.telling), "level": one.level, "run": one.needed, "answer": one.answer} for one in plan.stopping],
        "outcomes": [{"seen": dict(one.seen), "probability": one.probability, "says": dict(one.answers)} for one in plan.outcomes[:8]],
        "outcome_eggs": plan.outcome_eggs,
        "earliest": earliest,
    }  # fmt: skip


def _until_json(until) -> dict:
    return {f"{one.level:.2f}": {"half": one.quantile(0.5), "nine_in_ten": one.quantile(0.9), "beyond": one.beyond} for one in until}


def _worth_json(found, money: dict[str, float], of: str, costs: tuple[float, float, float], today: date) -> dict:
    from triage.proving.plans.worth import Costs
    from triage.workflow.prove import labels_to_price, prices_from, worth_of

    years = found.years_until_first_result(today)
    decision = worth_of(found, prices_from(money, of), Costs(*costs, years_until_first_result=years))
    labels = [{"label": one.words, "chance": one.chance} for one in labels_to_price(found, of)]
    chart = [{"chance": p, "today": now, "label": label, "holding": holding} for p, now, label, holding in decision.chart]
    return {"worth": list(decision.words()), "of": of, "labels": labels, "chart": chart}


def _words(said: dict) -> str:
    from triage.proving.chances import percent

    def chances(table: dict[str, float]) -> str:
        return ", ".join(f"{words} {percent(p)}" for words, p in table.items())

    lines = [f"{said['animal']}: open is {chances(said['open'])}", ""]
    lines += ["Mates, the one that teaches most first; in brackets the chance that one season settles it:"]
    for r in said["mates"][:10]:
        lines.append(f"  {r['mate']}: {r['refusal']}" if r["refusal"] else f"  {r['mate']} ({percent(r['settled_in_one_season'])})")
        lines += [f"    caution: {one}" for one in said["warned"][r["mate"]]]
    lines += ["", f"With {said['mate']}:", *(f"  caution: {line}" for line in said["cautions"])]
    for level, eggs in said["eggs"].items():
        seasons = said["seasons"][level]
        lines.append(
            f"  settled at {percent(float(level))}: half of the time within {_count(eggs['half'], 'egg')}, nine times in ten within "
            f"{_count(eggs['nine_in_ten'], 'egg')}; {_count(seasons['half'], 'season')} and {_count(seasons['nine_in_ten'], 'season')}; "
            f"in one season {percent(said['settled_in_one_season'][level])}"
        )
    telling = " or ".join(said["stop"][0]["telling"]) or "nothing"
    runs = [f"{one['run']} young that tell nothing: {one['answer']} at {percent(one['level'])}" for one in said["stop"] if one["run"]]
    lines.append("  stop when settled; each of these excludes something at once: " + "; ".join([telling, *runs]))
    lines.append(f"  of {said['outcome_eggs']} eggs:")
    for one in said["outcomes"][:5]:
        seen = ", ".join(f"{n} {what}" for what, n in one["seen"].items()) or "nothing that tells"
        lines.append(f"    {seen} ({percent(one['probability'])}) would say {chances(one['says'])}")
    if said["earliest"]:
        e = said["earliest"]
        lines.append(f"  first pairing {e['paired']} at the earliest ({e['waits_for']}), seen by {e['seen']}")
    if said["worth"]:
        lines.append("  it may be sold as: " + "; ".join(f"{one['label']} ({percent(one['chance'])})" for one in said["labels"]))
    lines += [f"  {sentence}" for sentence in said["worth"]]
    lines += _chart_words(said["of"], said["chart"]) if said["chart"] else []
    if said["kept"]:
        lines.append(f"  kept as {said['kept']}; name it with 'triage outcome add --plan {said['kept']} ...'")
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


def _held_json(rows) -> list[dict]:
    from triage.proving.harm_words import cautions_json

    return [
        {
            "animal": one.title, "sex": one.sex.value, "mate": one.mate, "settled_in_one_season": one.p_one_season_settles,
            "eggs": one.eggs, "seen": one.seen.isoformat() if one.seen else None, "gain": one.worth.gain if one.worth else None,
            "cautions": cautions_json(one.cautions), "refusal": one.refusal,
        }
        for one in rows
    ]  # fmt: skip


def _held_words(rows) -> str:
    from triage.proving.chances import percent
    from triage.proving.harm_words import caution_words

    lines = ["Held back, the one to prove first on top:"] if rows else ["Nobody is held back."]
    for one in rows:
        if one.refusal:
            lines.append(f"  {one.title}, {one.sex.value}: {one.refusal}")
            continue
        worth = f", holding it gains {one.worth.gain:,.0f}" if one.worth else ""
        seen = f", seen by {one.seen} at the earliest" if one.seen else ""
        lines.append(
            f"  {one.title}, {one.sex.value}, with {one.mate}: settled in one season {percent(one.p_one_season_settles)}, "
            f"half of the time within {_count(one.eggs, 'egg')}{seen}{worth}"
        )
        lines += [f"    caution: {caution_words(caution)}" for caution in one.cautions]
    return "\n".join(lines)


def _count(n: int | None, what: str) -> str:
    return f"more {what}s than were counted" if n is None else counted(n, what)
