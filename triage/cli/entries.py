"""Commands for single entries of the records: one for each kind, with the same verbs."""

from __future__ import annotations

import argparse
from dataclasses import dataclass

from triage.cli.output import print_answer, print_json

#: What a field is where nothing is said.
DEFAULTS = {("animal", "species"): "ball python", ("call", "by"): "keeper"}
VERBS = ("add", "list", "show", "change", "remove", "history")


@dataclass(frozen=True)
class EntryCommand:
    """A command such as ``triage animal``, made from the fields of its kind."""

    NAME: str
    kind: str
    HELP: str
    EXAMPLES: str
    #: Fields that the program fills with this moment.
    stamped: tuple[str, ...] = ()

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        verbs = parser.add_subparsers(
            dest="verb", metavar="VERB", required=True, help="what to do: " + ", ".join(VERBS)
        )
        words = f"an entry of kind {self.kind}"
        adding = verbs.add_parser("add", help=f"enter {words}", description=f"Enter {words}.")
        self._fields(adding, required=True)
        adding.add_argument("--reason", default="entered", help="why, for the history")
        listing = verbs.add_parser("list", help="list those that are there", description="List those that are there.")
        listing.add_argument(
            "--where", metavar="FIELD=VALUE", action="append", default=[], help="only those with this value"
        )
        showing = verbs.add_parser("show", help="show one", description="Show one.")
        showing.add_argument("id", metavar="ID", help="its id")
        changing = verbs.add_parser(
            "change", help="change fields of one", description="Change fields of one; '' empties a field."
        )
        changing.add_argument("id", metavar="ID", help="its id")
        self._fields(changing, required=False)
        changing.add_argument("--version", type=int, metavar="N", help="refuse unless it is still at this version")
        changing.add_argument("--reason", default="changed", help="why, for the history")
        removing = verbs.add_parser("remove", help="take one out; it stays in the history", description="Take one out.")
        removing.add_argument("id", metavar="ID", help="its id")
        removing.add_argument("--reason", default="removed", help="why, for the history")
        history = verbs.add_parser(
            "history", help="every change of one, oldest first", description="Every change of one."
        )
        history.add_argument("id", metavar="ID", help="its id")
        if self.kind == "hold":
            taking = verbs.add_parser("take-over", help="enter the marks set in the app, each once", description="Enter the app's marks.")
            taking.add_argument("--json", action="store_true", help="print the answer as JSON")
        for one in (adding, listing, showing, changing, removing, history):
            one.add_argument("--json", action="store_true", help="print the answer as JSON")

    def _fields(self, parser: argparse.ArgumentParser, *, required: bool) -> None:
        from triage.storage.kinds import KINDS, needed_words

        for name, field in KINDS[self.kind].items():
            usual = DEFAULTS.get((self.kind, name)) if required else None
            needed = required and field.required and name not in self.stamped and usual is None
            what = (
                "sire's id and share as ID=SHARE, once for each sire" if field.type == "shares" else needed_words(field)
            )
            what = "name and number as NAME=NUMBER, once for each" if field.type == "table" else what
            several = field.type in ("shares", "table", "texts")
            option = (
                {"action": "append"}
                if several
                else {"choices": field.choices}
                if field.type == "choice" and required
                else {}
            )
            if usual is not None:
                option["default"] = usual
                what += f" ({usual})"
            if "choices" not in option:
                option["metavar"] = field.type.upper()
            parser.add_argument(
                f"--{name.replace('_', '-')}", dest=f"field_{name}", required=needed, help=what, **option
            )

    def run(self, arguments: argparse.Namespace) -> int:
        from triage.workflow.records import add_entry, change_entry, now, open_archive

        archive = open_archive()
        verb = arguments.verb
        if verb == "take-over":
            return self._take_over(archive, arguments)
        if verb == "add":
            content = self._content(arguments)
            content |= {name: now() for name in self.stamped if name not in content}
            if self.kind == "outcome":
                return self._add_outcome(archive, content, arguments)
            return self._show(add_entry(archive, self.kind, content, reason=arguments.reason), arguments, "kept as")
        if verb == "list":
            where = dict(self._pair(text, "--where") for text in arguments.where)
            return self._list(archive.all(self.kind, **where), arguments)
        entry = archive.find(arguments.id)
        if verb == "show":
            return self._show(entry, arguments, "")
        if verb == "change":
            content = self._content(arguments, emptied=True)
            changed = change_entry(archive, entry.id, content, reason=arguments.reason, version=arguments.version)
            return self._show(changed, arguments, "changed:")
        if verb == "remove":
            with archive.change(arguments.reason) as draft:
                draft.remove(entry)
            if arguments.json:
                print_json({"format": 1, "removed": entry.id})
            else:
                print(f"{entry.id} removed; 'triage undo' brings it back.")
            return 0
        return self._history(archive.history(entry.id), arguments)

    def _take_over(self, archive, arguments: argparse.Namespace) -> int:
        from triage.storage.marks import HoldJournal
        from triage.workflow.records import take_over_marks

        count = take_over_marks(archive, HoldJournal())
        if arguments.json:
            print_json({"format": 1, "new": count})
        else:
            print(f"{count} marks entered; the app's journal stays as it is.")
        return 0

    def _add_outcome(self, archive, content: dict, arguments: argparse.Namespace) -> int:
        """Keep an outcome and say whose chances it changed."""
        from triage.workflow.known import news_words
        from triage.workflow.outcomes import enter_outcome

        told = enter_outcome(archive, content, reason=arguments.reason)
        entry, found, labels = told.entry, told.news, told.labels
        if arguments.json:
            print_json({"format": 1, "id": entry.id, "kind": entry.kind, "version": entry.version, "content": dict(entry.content),
                        "news": [{"id": n.id, "name": n.name, "what": n.what, "before": n.before, "after": n.after, "buyer": n.buyer}
                                 for n in found],
                        "labels": [{"id": one.id, "name": one.name, "written": one.written, "text": one.text, "reason": one.reason,
                                    "buyer": one.buyer} for one in labels]})  # fmt: skip
            return 0
        print(f"kept as {entry.id}")
        print("\n".join(f"  {news_words(one)}" for one in found) or "  it changes nobody's chances")
        for one in labels:
            print(f"  label of {one.name}: says '{one.written}'; the records now support '{one.text or one.reason}'")
        if labels:
            print("Write these anew with 'triage label --changed --to FILE'.")
        return 0

    def _content(self, arguments: argparse.Namespace, *, emptied: bool = False) -> dict:
        from triage.errors import StorageError
        from triage.storage.kinds import KINDS

        content = {}
        for name, field in KINDS[self.kind].items():
            value = getattr(arguments, f"field_{name}", None)
            if value is None:
                continue
            option = f"--{name.replace('_', '-')}"
            try:
                if value == "" and emptied:
                    value = None
                elif field.type == "number":
                    value = float(value)
                elif field.type == "shares":
                    value = [
                        {"animal": id, "share": float(share)}
                        for id, share in (self._pair(one, option) for one in value)
                    ]
                elif field.type == "table":
                    value = {key: float(number) for key, number in (self._pair(one, option) for one in value)}
            except ValueError as error:
                raise StorageError(f"{option} {value}: no number in it; needed: a number such as 0.5") from error
            content[name] = value
        return content

    @staticmethod
    def _pair(text: str, option: str) -> tuple[str, str]:
        from triage.errors import StorageError

        name, sign, value = text.rpartition("=") if option != "--where" else text.partition("=")
        if not sign or not name:
            raise StorageError(f"{option} {text}: has no '='; needed: NAME=VALUE")
        return name, value

    def _show(self, entry, arguments: argparse.Namespace, lead: str) -> int:
        if arguments.json:
            print_json(
                {
                    "format": 1,
                    "id": entry.id,
                    "kind": entry.kind,
                    "version": entry.version,
                    "content": dict(entry.content),
                }
            )
            return 0
        print(f"{lead} {entry.id}".strip() + f" (version {entry.version})")
        for name, value in entry.content.items():
            print(f"  {name}: {value}")
        return 0

    def _list(self, entries, arguments: argparse.Namespace) -> int:
        from rich.table import Table

        from triage.storage.kinds import KINDS

        if arguments.json:
            print_json(
                {
                    "format": 1,
                    "entries": [{"id": e.id, "version": e.version, "content": dict(e.content)} for e in entries],
                }
            )
            return 0
        if not entries:
            print(f"None yet. Enter one with 'triage {self.NAME} add'.")
            return 0
        used = [name for name in KINDS[self.kind] if any(name in entry.content for entry in entries)]
        table = Table("id", *used, box=None)
        for entry in entries:
            table.add_row(entry.id, *(str(entry.get(name, "")) for name in used))
        print_answer(lambda console: console.print(table))
        return 0

    def _history(self, revisions, arguments: argparse.Namespace) -> int:
        if arguments.json:
            print_json({"format": 1, "revisions": [revision_json(one) for one in revisions]})
            return 0
        for one in revisions:
            print(f"change {one.change}, {one.at.astimezone():%Y-%m-%d %H:%M}, {one.who}: {one.reason}")
            print(f"  version {one.version}: {'removed' if one.content is None else dict(one.content)}")
        return 0


def revision_json(one) -> dict:
    """A revision as JSON values."""
    return {"change": one.change, "at": one.at.isoformat(), "who": one.who, "reason": one.reason, "id": one.record_id, "kind": one.kind,
            "version": one.version, "content": None if one.content is None else dict(one.content)}  # fmt: skip


animal = EntryCommand("animal", "animal", "keep the animals of the collection", """\
examples:
  triage animal add --name Juniper --species "ball python" --sex female --genes "pastel, 66% het clown"
  triage animal change ID --weight-g 1520
  triage animal list --where state=kept
""")  # fmt: skip
pair = EntryCommand("pair", "pairing", "keep pairings with their candidate sires", """\
examples:
  triage pair add --dam ID --sires ID=0.8 --sires ID=0.2 --mixed 0.1 --from 2031-01-10
""")  # fmt: skip
egg = EntryCommand("egg", "egg", "keep the eggs of a clutch: laid, slug, dead, hatched", """\
examples:
  triage egg add --clutch ID --label A1 --state laid
  triage egg change ID --state hatched --sex female
""")  # fmt: skip
call = EntryCommand("call", "call", "keep what an animal was called, when and by whom", """\
examples:
  triage call add --about ID --call "pastel enchi" --by keeper --stage "after first shed"
""", ("at",))  # fmt: skip
hold = EntryCommand("hold", "hold", "mark animals that are held back", """\
examples:
  triage hold add --about ID --note "clown worth proving"
""", ("at",))  # fmt: skip
outcome = EntryCommand("outcome", "outcome", "keep what a proving breeding or a laboratory said", """\
examples:
  triage outcome add --animal ID --says "het clown=1" --note "two visual clowns in seven eggs"
""", ("at",))  # fmt: skip
note = EntryCommand("note", "note", "keep a note on an animal or an egg", """\
examples:
  triage note add --about ID --text "first meal taken"
""", ("at",))  # fmt: skip
