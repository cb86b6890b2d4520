"""Commands for the records as a whole: read, label, export, import, backup, restore, verify, history, undo, completion."""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from triage.cli.output import print_json, progress_bar
from triage.errors import StorageError


@dataclass(frozen=True)
class RecordCommand:
    """A command with its arguments and what it does."""

    NAME: str
    HELP: str
    EXAMPLES: str
    arguments: Callable[[argparse.ArgumentParser], None]
    act: Callable[[argparse.Namespace], dict]
    say: Callable[[dict], str]

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        self.arguments(parser)
        parser.add_argument("--json", action="store_true", help="print the answer as JSON")

    def run(self, arguments: argparse.Namespace) -> int:
        answer = self.act(arguments)
        if arguments.json:
            print_json({"format": 1, **answer})
        else:
            print(self.say(answer))
        return 1 if answer.get("faults") else 0


def counted(n: int, word: str) -> str:
    """A number with its word.

    >>> counted(1, "change"), counted(7, "photo")
    ('1 change', '7 photos')
    """
    return f"{n} {word}" if n == 1 else f"{n} {word}s"


def _read_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "folder",
        metavar="FOLDER",
        help="a season: a folder for each clutch, named after it, with photos named after their eggs (a4.jpg, A4-2.jpg)",
    )
    parser.add_argument("--clutch", metavar="ID", help="FOLDER holds the photos of this clutch alone")
    parser.add_argument(
        "--table", metavar="FILE", help="CSV with the columns photo, clutch and egg, for photos named otherwise"
    )
    parser.add_argument("--workers", type=int, metavar="N", help="worker processes (half of the cores)")


def _read(arguments: argparse.Namespace) -> dict:
    from triage.workflow.keeping.entries import open_archive, open_photos
    from triage.workflow.keeping.season import read_folder

    archive = open_archive()
    with progress_bar("reading photos") as progress:
        done = read_folder(
            archive,
            open_photos(),
            Path(arguments.folder),
            archive.find(arguments.clutch) if arguments.clutch else None,
            table=Path(arguments.table) if arguments.table else None,
            workers=arguments.workers,
            progress=progress,
        )
    return {
        "read": list(done.read),
        "unread": dict(done.unread),
        "known": list(done.known),
        "unmatched": dict(done.unmatched),
    }


def _read_words(answer: dict) -> str:
    lines = [
        f"{len(answer['read'])} read, {len(answer['known'])} known already, {len(answer['unread'])} not read, "
        f"{len(answer['unmatched'])} nobody's"
    ]
    lines += [f"  {name}: {why}" for name, why in answer["unread"].items()]
    lines += [f"  {name}: {why}" for name, why in answer["unmatched"].items()]
    return "\n".join(lines)


def _label_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("id", metavar="ID", nargs="*", help="a clutch, or animals and hatched eggs")
    parser.add_argument(
        "--to", metavar="FILE", help="write hatch cards (PDF, several to a page, with codes), and keep what they say"
    )
    parser.add_argument("--changed", action="store_true", help="labels written that the records no longer support as they stand")
    parser.add_argument("--species", default="ball python", metavar="NAME", help="the species (ball python)")


def _label(arguments: argparse.Namespace) -> dict:
    from triage.workflow.keeping.cards import cards_of, cards_pdf
    from triage.workflow.keeping.collection import known_of
    from triage.workflow.keeping.entries import open_archive
    from triage.workflow.keeping.labels import changed_labels, ids_of, keep_labels, sale_labels

    archive = open_archive()
    if not arguments.id and not arguments.changed:
        raise StorageError("label: nothing named; needed: the id of a clutch ('triage clutch list') or of animals, or --changed")
    known = known_of(archive, arguments.species)
    ids = ids_of(archive, known, arguments.id)
    labels = changed_labels(archive, known, ids or None) if arguments.changed else sale_labels(archive, known, ids)
    if arguments.to:
        _write(Path(arguments.to), cards_pdf(cards_of(labels)))
    return {
        "labels": [
            {"id": one.id, "name": one.name, "text": one.text, "reason": one.reason, "lines": list(one.lines),
             "written": one.written, "changed": one.changed, "buyer": one.buyer}
            for one in labels
        ],
        "kept": keep_labels(archive, labels) if arguments.to else 0,
        "file": arguments.to,
    }  # fmt: skip


def _label_words(answer: dict) -> str:
    lines = []
    for one in answer["labels"]:
        said = [one["text"] or f"no label yet: {one['reason']}", *one["lines"]]
        if one["changed"]:
            said.append(f"the label written before says: {one['written']}" + (f" (sold to {one['buyer']})" if one["buyer"] else ""))
        lines.append(f"{one['name']}  ({one['id']})\n  " + "\n  ".join(said))
    if answer["file"]:
        lines.append(f"{counted(len(answer['labels']), 'card')} written to {answer['file']}; {answer['kept']} kept as new labels")
    return "\n".join(lines) or "No such label."


def _export_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", metavar="FILE", help="where to: .json for everything, .csv for one kind")
    parser.add_argument("--kind", metavar="KIND", help="the kind of entry, for CSV: animal, egg ...")


def _export(arguments: argparse.Namespace) -> dict:
    from triage.workflow.keeping.entries import open_archive
    from triage.workflow.keeping.exchange import to_csv, to_json

    path, archive = Path(arguments.file), open_archive()
    if path.suffix.lower() == ".csv":
        if not arguments.kind:
            raise StorageError(f"{path}: a table holds one kind of entry; needed: --kind, for example --kind animal")
        text = to_csv(archive, arguments.kind)
        count = len(archive.all(arguments.kind))
    elif path.suffix.lower() == ".json":
        data = to_json(archive, (arguments.kind,) if arguments.kind else ())
        text, count = json.dumps(data, indent=1, ensure_ascii=False) + "\n", len(data["entries"])
    else:
        raise StorageError(f"{path}: ends in '{path.suffix}'; needed: a name that ends in .json or .csv")
    _write(path, text.encode("utf-8"))
    return {"file": str(path), "entries": count}


def _import_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", metavar="FILE", help="a .json or .csv that 'triage export' wrote")


def _import(arguments: argparse.Namespace) -> dict:
    from triage.workflow.keeping.entries import open_archive
    from triage.workflow.keeping.exchange import from_csv, from_json, import_entries

    path = Path(arguments.file)
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise StorageError(
            f"{path}: cannot be read as text ({error}); needed: a file that 'triage export' wrote"
        ) from error
    rows = from_csv(text, path.name) if path.suffix.lower() == ".csv" else from_json(text, path.name)
    new, changed, same = import_entries(open_archive(), rows)
    return {"new": new, "changed": changed, "same": same}


def _backup(arguments: argparse.Namespace) -> dict:
    from triage.storage.backup import back_up
    from triage.workflow.keeping.entries import open_archive, open_photos

    with progress_bar("photos") as progress:
        manifest = back_up(open_archive(), open_photos(), Path(arguments.file), progress)
    return {"file": arguments.file, "changes": manifest["changes"], "photos": manifest["photos"]}


def _restore(arguments: argparse.Namespace) -> dict:
    from triage.storage.backup import restore
    from triage.workflow.keeping.entries import open_archive, open_photos

    manifest = restore(Path(arguments.file), open_archive(), open_photos())
    return {"file": arguments.file, "changes": manifest["changes"], "photos": manifest["photos"]}


def _verify(_: argparse.Namespace) -> dict:
    from triage.workflow.keeping.entries import open_archive, open_photos

    archive, photos = open_archive(), open_photos()
    wanted = sorted({entry["sha256"] for entry in archive.all("photo")})
    return {
        "entries": len(archive.all()),
        "photos": len(wanted),
        "faults": [*archive.faults(), *photos.faults(iter(wanted))],
    }


def _verify_words(answer: dict) -> str:
    lines = [
        f"{answer['entries']} entries and {answer['photos']} photos looked at: "
        + (f"{len(answer['faults'])} faults" if answer["faults"] else "all is well")
    ]
    return "\n".join([*lines, *(f"  {fault}" for fault in answer["faults"])])


def _known_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("id", metavar="ID", nargs="?", help="only this animal or egg")
    parser.add_argument("--why", metavar="LOCUS", help="what its chances at this locus rest on")
    parser.add_argument("--species", default="ball python", metavar="NAME", help="the species (ball python)")


def _known(arguments: argparse.Namespace) -> dict:
    from triage.workflow.keeping.collection import known_of, why, words_of
    from triage.workflow.keeping.entries import open_archive

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
            ", ".join(f"{what} {_percent(p)}" for what, p in table.items() if p >= 0.0005)
            for table in one["loci"].values()
        ]
        lines.append(f"{one['name']}  ({one['id']})  " + ("; ".join(parts) or "nothing but wild type"))
        if len(one["sires"]) > 1:
            lines.append("  by " + ", ".join(f"{name} {_percent(p)}" for name, p in one["sires"].items()))
        for reason in one.get("why", ()):
            lines.append(f"  {reason['what']} rests on")
            for rest in reason["rests_on"] or [{}]:
                lines.append(
                    f"    {rest['observer']} of {rest['animal']}: {_percent(rest['without'])} without it"
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


def _percent(p: float) -> str:
    return "proven" if p > 1 - 1e-9 else "over 99 %" if p > 0.99 else f"{100 * p:.0f} %" if p >= 0.01 else "under 1 %"


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
    from triage.proving.worth import Costs
    from triage.records import Sex
    from triage.workflow.keeping.collection import known_of
    from triage.workflow.keeping.entries import open_archive
    from triage.workflow.keeping.plans import keep_plan, plan_for, prices_from, worth_of

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


def _plan_words(answer: dict) -> str:
    lines = [
        f"{answer['animal']}: open is " + ", ".join(f"{words} {_percent(p)}" for words, p in answer["open"].items()),
        "",
        "Mates by what a year teaches:",
    ]
    for r in answer["mates"][:10]:
        lines.append(
            f"  {r['mate']}: "
            + (
                r["refusal"]
                or f"{r['bits_per_egg']:.3f} bits an egg, {r['bits_per_year']:.2f} a year; settles it in one "
                f"season: {_percent(r['settled_in_one_season'])}"
            )
        )
    lines += ["", f"With {answer['mate']}:"]
    for level, one in answer["eggs"].items():
        seasons = answer["seasons"][level]
        lines.append(
            f"  settled at {100 * float(level):.0f} %: half of the time within {_count(one['half'], 'eggs')}, nine times in ten within "
            f"{_count(one['nine_in_ten'], 'eggs')}; {_count(seasons['half'], 'seasons')} and {_count(seasons['nine_in_ten'], 'seasons')}; "
            f"in one season {_percent(answer['settled_in_one_season'][level])}"
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
            f"    {seen} ({_percent(one['probability'])}) would say "
            + ", ".join(f"{w} {_percent(p)}" for w, p in one["says"].items())
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


def _count(n: int | None, what: str) -> str:
    return f"more {what} than were counted" if n is None else f"{n} {what.removesuffix('s') if n == 1 else what}"


def _history(arguments: argparse.Namespace) -> dict:
    from triage.cli.entries import revision_json
    from triage.workflow.keeping.entries import open_archive

    found = open_archive().history(arguments.id)
    return {"revisions": [revision_json(one) for one in found[-arguments.last :]]}


def _history_words(answer: dict) -> str:
    lines = [
        f"change {one['change']}, {one['at'][:16]}, {one['who']}: {one['reason']} - {one['id']} "
        + ("removed" if one["content"] is None else f"version {one['version']}")
        for one in answer["revisions"]
    ]
    return "\n".join(lines) or "Nothing has been entered yet."


def _undo(arguments: argparse.Namespace) -> dict:
    from triage.workflow.keeping.entries import open_archive

    archive = open_archive()
    number = arguments.change
    if number is None:
        found = archive.history()
        if not found:
            raise StorageError("nothing has been entered yet, so nothing can be undone")
        number = found[-1].change
    archive.undo(number)
    return {"undone": number}


def _completion(arguments: argparse.Namespace) -> dict:
    from triage.cli.main import build_parser

    top = next(action for action in build_parser()._actions if isinstance(action, argparse._SubParsersAction))
    words = {name: _words_of(parser) for name, parser in top.choices.items()}
    return {"shell": arguments.shell, "script": _SCRIPTS[arguments.shell](words)}


def _words_of(parser: argparse.ArgumentParser) -> list[str]:
    found = []
    for action in parser._actions:
        found += [option for option in action.option_strings if option.startswith("--")]
        if isinstance(action, argparse._SubParsersAction):
            found += list(action.choices)
    return found


def _bash(words: dict[str, list[str]]) -> str:
    cases = "\n".join(f"    {name}) words='{' '.join(options)}' ;;" for name, options in words.items())
    return (
        '_triage() {\n  local words\n  if [ "$COMP_CWORD" = 1 ]; then words=\'' + " ".join(words) + "'; else\n"
        '  case "${COMP_WORDS[1]}" in\n' + cases + "\n  esac; fi\n"
        '  COMPREPLY=($(compgen -W "$words" -- "${COMP_WORDS[COMP_CWORD]}"))\n}\ncomplete -o default -F _triage triage'
    )


def _zsh(words: dict[str, list[str]]) -> str:
    return "autoload -U +X bashcompinit && bashcompinit\n" + _bash(words)


def _fish(words: dict[str, list[str]]) -> str:
    lines = [f"complete -c triage -n __fish_use_subcommand -a '{' '.join(words)}'"]
    for name, options in words.items():
        for option in options:
            how = f"-l {option[2:]}" if option.startswith("--") else f"-a {option}"
            lines.append(f"complete -c triage -n '__fish_seen_subcommand_from {name}' {how}")
    return "\n".join(lines)


_SCRIPTS = {"bash": _bash, "zsh": _zsh, "fish": _fish}


def _write(path: Path, data: bytes) -> None:
    if path.exists():
        raise StorageError(f"{path}: exists already and is not overwritten; name another file")
    try:
        path.write_bytes(data)
    except OSError as error:
        raise StorageError(f"{path}: cannot be written ({error.strerror}); name another folder") from error


def _file(what: str) -> Callable[[argparse.ArgumentParser], None]:
    return lambda parser: parser.add_argument("file", metavar="FILE", help=what) and None


def _history_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("id", metavar="ID", nargs="?", help="only this entry")
    parser.add_argument("--last", type=int, default=50, metavar="N", help="the newest N (50)")


read = RecordCommand(
    "read",
    "read a season's folder of photos into the records, and go on where it stopped",
    "examples:\n  triage read photos-2031 --workers 4\n  triage read photos-2031/2031-4 --clutch ID\n",
    _read_arguments,
    _read,
    _read_words,
)
label = RecordCommand(
    "label",
    "sale labels and hatch cards: no more than the records support",
    "examples:\n  triage label ID\n  triage label ID --to cards.pdf\n  triage label --changed\n",
    _label_arguments,
    _label,
    _label_words,
)
export = RecordCommand(
    "export",
    "write the records to JSON, or one kind of entry to a table",
    "examples:\n  triage export all.json\n  triage export animals.csv --kind animal\n",
    _export_arguments,
    _export,
    lambda a: f"{a['entries']} entries written to {a['file']}",
)
import_ = RecordCommand(
    "import",
    "enter what 'triage export' wrote, all of it or nothing",
    "examples:\n  triage import animals.csv\n",
    _import_arguments,
    _import,
    lambda a: f"{a['new']} new, {a['changed']} changed, {a['same']} as they were",
)
backup = RecordCommand(
    "backup",
    "write everything, with its history and photos, to one file",
    "examples:\n  triage backup 2031-08-01.triage.zip\n",
    _file("the file to write"),
    _backup,
    lambda a: f"{a['file']}: {counted(a['changes'], 'change')} and {counted(a['photos'], 'photo')}",
)
restore = RecordCommand(
    "restore",
    "fill empty records from a backup",
    "examples:\n  triage restore 2031-08-01.triage.zip\n",
    _file("a file that 'triage backup' wrote"),
    _restore,
    lambda a: f"{counted(a['changes'], 'change')} and {counted(a['photos'], 'photo')} restored",
)
verify = RecordCommand(
    "verify",
    "look for damage: altered changes, broken references, flipped bits in photos",
    "examples:\n  triage verify\n",
    lambda parser: None,
    _verify,
    _verify_words,
)
history = RecordCommand(
    "history",
    "every change to the records, with time and reason",
    "examples:\n  triage history --last 10\n",
    _history_arguments,
    _history,
    _history_words,
)
undo = RecordCommand(
    "undo",
    "undo the last change to the records, or a named one",
    "examples:\n  triage undo\n  triage undo 41\n",
    lambda parser: (
        parser.add_argument("change", metavar="N", type=int, nargs="?", help="number of the change (the last)") and None
    ),
    _undo,
    lambda a: f"change {a['undone']} undone; 'triage undo' again brings it back",
)
known = RecordCommand(
    "known",
    "what the records together say of every animal, and what that rests on",
    "examples:\n  triage known\n  triage known ID --why clown\n",
    _known_arguments,
    _known,
    _known_words,
)
plan = RecordCommand(
    "plan",
    "plan how to prove an animal: mates, eggs, seasons, when to stop, what it is worth",
    "examples:\n  triage plan ID --gene clown\n  triage plan ID --price 'het clown=300' --price '66% het clown=120' "
    "--price plain=60 --of 'het clown' --keeping 40\n",
    _plan_arguments,
    _plan,
    _plan_words,
)
completion = RecordCommand(
    "completion",
    "print a script that completes this program's words in a shell",
    "examples:\n  triage completion bash >> ~/.bashrc\n",
    lambda parser: parser.add_argument("shell", choices=sorted(_SCRIPTS), help="the shell") and None,
    _completion,
    lambda a: a["script"],
)
