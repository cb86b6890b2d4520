"""Commands for single entries of the records: one for each kind, made from the fields of its kind, with the same verbs."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from datetime import date
from typing import Any

import click

from triage.cli.command import InOrder, SpeciesOption, answer, as_json, named, named_number, verbatim, with_ids
from triage.cli.output import print_answer, print_json, print_lines
from triage.errors import StorageError
from triage.storage.kinds import KINDS, Candidate, Field, needed_words

#: What a field is where nothing is said; the species is then the usual one, and a moment this one.
DEFAULTS = {("call", "by"): "keeper", ("trait", "seen"): lambda: date.today().isoformat()}
#: What a field means, where its name does not say it.
MEANING = {("pairing", "mixed"): "chance that several sires share the clutch; the species' own where several are named and none is given"}
_SEVERAL = ("texts", "dates", "table", "records")


def entry_command(name: str, kind: str, help: str, examples: str) -> click.Group:
    """A command such as ``triage animal`` with a verb for each thing that can be done with an entry."""
    group = InOrder(name, help=help, short_help=help.rstrip("."), epilog=verbatim(examples), no_args_is_help=False)
    which = click.argument("which", metavar="NAME", help="its name, or its id")

    def verb(name: str, said: str, *, why: str | None = None, params: Iterable[click.Option] = (), ids: bool = True):
        def make(function):
            function = as_json(with_ids(function) if ids else function)
            if why:
                function = click.option("--reason", default=why, show_default=True, help="why, for the history")(function)
            return group.command(name, help=said, short_help=said.rstrip("."), params=list(params))(function)

        return make

    @verb("add", f"Enter an entry of kind {kind}.", why="entered", params=_options(kind, adding=True))
    def add(reason: str, ids: bool, as_json: bool, **typed) -> None:
        from triage.workflow.book import Book, add_entry, now, open_archive

        archive = open_archive()
        content = _content(Book.of(archive), kind, typed)
        moments = (name for name, field in _fields(kind).items() if field.type == "moment")
        made = KINDS[kind].from_json({**dict.fromkeys(moments, now()), **content})
        if kind in ("outcome", "laboratory"):
            _tell(archive, made, reason, ids, as_json)
        else:
            _show(archive, add_entry(archive, made, reason=reason), "kept:", ids, as_json)

    @verb("list", "List those that are there.")
    @click.option("--where", metavar="FIELD=VALUE", multiple=True, help="only those with this value; may be given several times")
    def list_(where: tuple[str, ...], ids: bool, as_json: bool) -> None:
        from triage.workflow.book import Book, open_archive

        archive = open_archive()
        book = Book.of(archive)
        found = archive.all(kind, **dict(_condition(book, kind, text) for text in where))
        if as_json:
            print_json({"format": 1, "entries": [_entry_json(book, entry) for entry in found]})
        elif not found:
            print_lines(f"None yet. Enter one with 'triage {group.name} add'.")
        else:
            _print_table(book, kind, found, ids)

    @verb("show", "Show one.")
    @which
    def show(which: str, ids: bool, as_json: bool) -> None:
        archive, entry = _found(which, kind)
        _show(archive, entry, "", ids, as_json)

    @verb("change", "Change fields of one; '' empties a field.", why="changed", params=_options(kind, adding=False))
    @click.option("--version", type=click.IntRange(min=1), metavar="N", help="refuse unless it is still at this version")
    @which
    def change(which: str, version: int | None, reason: str, ids: bool, as_json: bool, **typed) -> None:
        from triage.workflow.book import Book, change_entry

        archive, entry = _found(which, kind)
        content = _content(Book.of(archive), kind, typed)
        _show(archive, change_entry(archive, entry.id, content, reason=reason, version=version), "changed:", ids, as_json)

    @verb("remove", "Take one out; it stays in the history.", why="removed", ids=False)
    @which
    def remove(which: str, reason: str, as_json: bool) -> None:
        from triage.workflow.book import Book
        from triage.workflow.gene_use import remove_entry
        from triage.workflow.names import called

        archive, entry = _found(which, kind)
        title = called(Book.of(archive), entry.id)
        remove_entry(archive, entry.id, reason=reason)
        answer({"removed": entry.id}, lambda _: f"{title} removed; 'triage undo' brings it back.", as_json=as_json)

    @verb("history", "Every change of one, oldest first.")
    @which
    def history(which: str, ids: bool, as_json: bool) -> None:
        archive, entry = _found(which, kind)
        print_history(archive, archive.history(entry.id), ids, as_json, contents=True)

    return group


def _fields(kind: str) -> dict[str, Field]:
    """The fields of a kind, the name first."""
    return dict(sorted(KINDS[kind].fields().items(), key=lambda one: one[0] != "name"))


def _options(kind: str, *, adding: bool) -> list[click.Option]:
    found = []
    for name, field in _fields(kind).items():
        stamped = adding and field.type == "moment"
        more = {"multiple": field.type in _SEVERAL, "metavar": field.type.upper(), "help": _needed(field) + (" (now)" if stamped else "")}
        made = click.Option
        if adding and (kind, name) in DEFAULTS:
            default = DEFAULTS[kind, name]
            more |= {"default": default, "show_default": "today" if callable(default) else True}
        elif (kind, name) in MEANING:
            more["help"] = f"{MEANING[kind, name]} ({more['help']})"
            more["required"] = False
        elif adding and name == "species":
            made, more = SpeciesOption, {**more, "show_default": True}
        else:
            more["required"] = adding and field.required and not stamped
        found.append(made([_option(name), name], **more))
    return found


def _needed(field: Field) -> str:
    """What a field's option takes, in words."""
    once = ", once for each" if field.type in _SEVERAL else ""
    if field.of is Candidate:
        return "a sire and its share as NAME=SHARE, or NAME alone, or JSON such as '{\"unrecorded\": true}'" + once
    if field.type in ("record", "records"):
        return f"JSON text{once}: {', '.join(field.of.fields()) if field.of else needed_words(field)}"
    return f"NAME=NUMBER{once}" if field.type == "table" else needed_words(field) + once


def _option(name: str) -> str:
    return f"--{name.replace('_', '-')}"


def _found(which: str, kind: str) -> tuple[Any, Any]:
    """The archive, and the entry of a kind in it that goes by a name."""
    from triage.workflow.book import open_archive
    from triage.workflow.names import find_entry

    archive = open_archive()
    return archive, find_entry(archive, which, (kind,))


def _content(book, kind: str, typed: Mapping[str, Any]) -> dict[str, Any]:
    """Fields that were given, as plain values; '' stands for an empty one."""
    fields = _fields(kind)
    return {name: _value(book, fields[name], _option(name), given) for name, given in typed.items() if given not in (None, ())}


def _value(book, field: Field, option: str, given: Any) -> Any:
    from triage.workflow.names import find_in

    if given in ("", ("",)):
        return None
    try:
        match field.type:
            case "number":
                return float(given)
            case "whole":
                return int(given)
            case "flag" | "numbers":
                return json.loads(given)
            case "table":
                return dict(named_number(one, option, field.range) for one in given)
            case "reference":
                return find_in(book, given, field.choices).id
            case "record":
                return _structured(book, field, given)
            case "records":
                return [_structured(book, field, one) for one in given]
    except (ValueError, RecursionError) as error:
        shown = given if isinstance(given, str) else " ".join(given)
        raise StorageError(f"{option} {shown[:200]}: cannot be read; needed: {needed_words(field)}") from error
    return given if isinstance(given, str) else list(given)


def _structured(book, field: Field, text: str) -> Any:
    """A structured value from JSON, a candidate sire from its name and share too; names in it become ids."""
    from triage.workflow.names import find_in

    if field.of is Candidate and not text.lstrip().startswith("{"):
        name, sign, share = text.rpartition("=")
        value = {"animal": name, "share": float(share)} if sign else {"animal": text}
    else:
        value = json.loads(text)
    inner = field.of.fields() if field.of else {}
    for name, one in inner.items():
        if one.type == "reference" and isinstance(value, dict) and isinstance(value.get(name), str):
            value[name] = find_in(book, value[name], one.choices).id
    return value


def _condition(book, kind: str, text: str) -> tuple[str, Any]:
    """Field and value of FIELD=VALUE."""
    typed, sign, value = text.partition("=")
    name, fields = typed.strip().lstrip("-").replace("-", "_"), _fields(kind)
    if not sign or name not in fields or fields[name].type in _SEVERAL:
        single = ", ".join(name for name, field in fields.items() if field.type not in _SEVERAL)
        raise StorageError(f"--where {text}: names no field with its value; needed: FIELD=VALUE with one of {single}")
    return name, _value(book, fields[name], f"--where {typed}", value)


def in_words(book, value: Any, ids: bool) -> str:
    """A plain value with names in place of identifiers."""
    from triage.workflow.names import called

    if isinstance(value, Mapping):
        return ", ".join(name if one is True else f"{name} {in_words(book, one, ids)}" for name, one in value.items())
    if isinstance(value, list | tuple):
        return "; ".join(in_words(book, one, ids) for one in value)
    return named(called(book, value), value, ids) if isinstance(value, str) and value in book.entries else str(value)


def _entry_json(book, entry) -> dict:
    from triage.workflow.names import called

    name, content = called(book, entry.id), entry.content.to_json()
    return {"id": entry.id, "name": name, "kind": entry.kind, "version": entry.version, "content": content}


def _show(archive, entry, lead: str, ids: bool, as_json: bool) -> None:
    from triage.workflow.book import Book
    from triage.workflow.names import called

    book = Book.of(archive)
    data, notes = _pairing_notes(archive, entry) if entry.kind == "pairing" else ({}, ())
    seen = _seen(book, entry)

    def say(_: dict) -> str:
        lines = [f"{lead} {named(called(book, entry.id), entry.id, ids)} (version {entry.version})".strip()]
        lines += [f"  {one}" for one in seen]
        fields = (f"  {name}: {in_words(book, value, ids)}" for name, value in entry.content.to_json().items())
        return "\n".join([*lines, *fields, *notes])

    answer(_entry_json(book, entry) | ({"seen": list(seen)} if seen else {}) | data, say, as_json=as_json)


def _pairing_notes(archive, entry) -> tuple[dict, list[str]]:
    """What to know before a pairing is made, as JSON and as lines: cautions with each sire, and how often clutches are shared."""
    from triage.proving.harm_words import caution_lines, cautions_json
    from triage.species.sharing import published_text
    from triage.workflow.before_pairing import cautions_by_sire
    from triage.workflow.book import Book

    found = cautions_by_sire(archive, entry.content)
    lines = [f"  caution, with {sire}: {line}" for sire, cautions in found.items() for line in caution_lines(cautions)]
    several = len(entry.content.sires) > 1
    sharing = published_text(Book.of(archive).species(entry.content.dam)) if several else ""
    lines += [f"  {sharing}"] if sharing else []
    return {"cautions": {sire: cautions_json(cautions) for sire, cautions in found.items()}, "sharing": sharing}, lines


def _seen(book, entry) -> tuple[str, ...]:
    """What was seen of an animal or egg, or how often among the young of a clutch, that is no known gene."""
    from triage.workflow.traits import seen_of, trait_counts

    return trait_counts(book, entry.id) if entry.kind == "clutch" else seen_of(book, entry.id) if entry.kind in ("animal", "egg") else ()


def _print_table(book, kind: str, entries, ids: bool) -> None:
    from rich.table import Column, Table

    from triage.cli.layout import Text

    contents = {entry.id: entry.content.to_json() for entry in entries}
    used = [name for name in _fields(kind) if any(name in content for content in contents.values())]
    table = Table(*(Column(name, overflow="fold") for name in [*used, *(["id"] if ids else [])]), box=None)
    for id, content in contents.items():
        table.add_row(*(Text(in_words(book, content.get(name, ""), False)) for name in used), *([id] if ids else []))
    print_answer(lambda console: console.print(table))


def _tell(archive, content, reason: str, ids: bool, as_json: bool) -> None:
    """Keep an outcome and say whose chances and labels it changed."""
    from triage.workflow.book import Book
    from triage.workflow.known import news_words
    from triage.workflow.names import called
    from triage.workflow.outcomes import enter_outcome

    told = enter_outcome(archive, content, reason=reason)
    book = Book.of(archive)
    news = [{"id": n.id, "name": n.name, "what": n.what, "before": n.before, "after": n.after, "buyer": n.buyer} for n in told.news]
    labels = [{"id": one.id, "name": one.name, "written": one.written, "text": one.text, "reason": one.reason, "buyer": one.buyer}
              for one in told.labels]  # fmt: skip
    lines = [f"kept: {named(called(book, told.entry.id), told.entry.id, ids)}"]
    lines += [f"  {news_words(one)}" for one in told.news] or ["  it changes nobody's chances"]
    lines += [
        f"  label of {one.name}: says '{one.written}'; the records now support '{one.whole or one.reason}'" for one in told.labels
    ]
    lines += ["Write these anew with 'triage label --changed --to FILE'."] if labels else []
    answer({**_entry_json(book, told.entry), "news": news, "labels": labels}, lambda _: "\n".join(lines), as_json=as_json)


def print_history(archive, revisions, ids: bool, as_json: bool, *, contents: bool) -> None:
    """Print changes, oldest first; with `contents`, what each made of its entry."""
    from triage.workflow.book import Book
    from triage.workflow.names import called

    book = Book.of(archive)

    def say(_: dict) -> str:
        lines = []
        for one in revisions:
            name = called(book, one.record_id) if one.record_id in book.entries else f"an entry of kind {one.kind}"
            made = "removed" if one.content is None else f"version {one.version}"
            lines.append(f"change {one.change}, {one.at.astimezone():%Y-%m-%d %H:%M}, {one.who}: {one.reason} - "
                         f"{named(name, one.record_id, ids)}, {made}")  # fmt: skip
            if contents and one.content is not None:
                lines.append(f"  {in_words(book, one.content, ids)}")
        return "\n".join(lines) or "Nothing has been entered yet."

    found = [{"change": one.change, "at": one.at.isoformat(), "who": one.who, "reason": one.reason, "id": one.record_id, "kind": one.kind,
              "version": one.version, "content": one.content and dict(one.content)} for one in revisions]  # fmt: skip
    answer({"revisions": found}, say, as_json=as_json)


animal = entry_command("animal", "animal", "Keep the animals of the collection.", """\
  triage animal add --name Juniper --species "ball python" --sex female --genes "pastel, 66% het clown"
  triage animal change Juniper --weight-g 1520
  triage animal list --where state=kept
""")  # fmt: skip
pair = entry_command("pair", "pairing", "Keep pairings with their candidate sires.", """\
  triage pair add --dam Juniper --sires Basil=0.8 --sires Thyme=0.2 --mixed 0.1 --begun 2031-01-10
""")  # fmt: skip
clutch = entry_command("clutch", "clutch", "Keep clutches: enter, list, show, change; 'triage keep' enters a whole sheet.", """\
  triage clutch add --name 2031-5 --pairing ID --laid 2031-06-02
  triage clutch list
""")  # fmt: skip
egg = entry_command("egg", "egg", "Keep the eggs of a clutch: laid, slug, dead, hatched.", """\
  triage egg add --clutch 2031-5 --label A1 --state laid
  triage egg change 2031-5/A1 --state hatched --sex female
""")  # fmt: skip
call = entry_command("call", "call", "Keep what an animal was called, when and by whom.", """\
  triage call add --about 2031-5/A1 --call "pastel enchi" --by keeper --stage "after first shed"
""")  # fmt: skip
hold = entry_command("hold", "hold", "Mark animals that are held back.", """\
  triage hold add --about 2031-5/A1 --note "clown worth proving"
""")  # fmt: skip
outcome = entry_command("outcome", "outcome", "Keep what a proving breeding said, and learn whose chances it changes.", """\
  triage outcome add --animal 2031-5/A1 --says "het clown=1" --note "two visual clowns in seven eggs"
""")  # fmt: skip
laboratory = entry_command("laboratory", "laboratory", "Keep what a laboratory counted, and learn whose chances it changes.", """\
  triage laboratory add --about 2031-5/A1 --gene clown --copies 1 --false-positive 0.01 --false-negative 0.02
""")  # fmt: skip
note = entry_command("note", "note", "Keep a note on an animal or an egg.", """\
  triage note add --about 2031-5/A1 --text "first meal taken"
""")  # fmt: skip
gene = entry_command("gene", "gene", "Keep genes of your own beside those of the catalogue.", """\
  triage gene add --name dusk --mode "incomplete dominant" --one-copy "a smoky veil" --two-copies "black all over"
  triage gene add --name ember --mode recessive --series "fire series"
  triage gene change dusk --synonyms "night veil"
""")  # fmt: skip
trait = entry_command("trait", "trait", "Keep what was seen of an animal and is no known gene: a patch, a kink, a scar.", """\
  triage trait add --about 2031-5/A1 --words "kinked tail" --seen 2031-08-03
  triage trait list --where words="kinked tail"
""")  # fmt: skip
