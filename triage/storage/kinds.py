"""What may stand in the records: kinds of entries as frozen classes that check themselves, and which entries they refer to.

Contents go to the database as plain JSON values (`to_json`), so that every change can be kept as it was and taken anywhere.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from functools import cache
from types import MappingProxyType
from typing import Any, ClassVar, Self

from triage.errors import StorageError
from triage.records import Mode, Range

ANYTHING = ("animal", "egg")  # what a photo, reading, call, mark or note can be about
CHANCE = Range(0, 1)
_SUMMED = Range(0, 1 + 1e-9)  # sums of chances may come out a rounding above 1
#: Prices and costs, in whatever money the keeper counts in.
MONEY = Range(0, 1e9)
#: First and last year of a date: whatever lies outside was mistyped.
YEARS = Range(1900, 2199)
_ANY = Range(-1e300, 1e300)
_NUMBERS = ("number", "whole", "numbers", "table", "date", "dates")
_NO_CHARACTER = re.compile("[\ud800-\udfff]")  # halves of one, as bytes that are not UTF-8 come in
_LIKELIHOOD = Range(0, 1e300)


@dataclass(frozen=True, slots=True)
class Field:
    """One field of a kind.

    Attributes
    ----------
    type
        "text", "digits" (hexadecimal), "date", "moment" (with time zone), "number", "whole", "flag", "choice", "reference"; several:
        "texts", "dates", "numbers", "table" (text to number); "record", "records": structured values of the class `of`.
    choices
        Accepted words, or the kinds that a reference may point to.
    range
        What its numbers may be.
    length
        How many there must be; any number where it is 0.
    genes
        Whether its texts (of a table: its names) are gene words.
    """

    type: str
    required: bool = False
    choices: tuple[str, ...] = ()
    range: Range = _ANY
    of: type[Record] | None = None
    length: int = 0
    genes: bool = False


def _field(type: str, required: bool = False, **more: Any) -> Any:
    wanted = Field(type, required, **more)
    default = {} if required else {"default": None}
    return dataclasses.field(metadata={"field": wanted}, **default)


def _text(required: bool = False, *, genes: bool = False) -> Any:
    return _field("text", required, genes=genes)


def _number(low: float, high: float = 1e300, *, required: bool = False, above: bool = False) -> Any:
    return _field("number", required, range=Range(low, high, above))


def _choice(*words: str, required: bool = False) -> Any:
    return _field("choice", required, choices=words)


def _reference(*kinds: str, required: bool = True) -> Any:
    return _field("reference", required, choices=kinds)


def _at() -> Any:
    return _field("moment", True)


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """A structured value whose fields check themselves; StorageError says which is wrong, and what it needs."""

    KIND: ClassVar[str] = ""

    def __post_init__(self) -> None:
        for name, field in self.fields().items():
            value = getattr(self, name)
            if isinstance(value, str) and not value.strip() and field.type != "choice":
                value = None
            if value is None:
                if field.required:
                    raise StorageError(f"{self._where()}: field '{name}' is missing; needed: {needed_words(field)}")
                object.__setattr__(self, name, None)
                continue
            object.__setattr__(self, name, _checked(f"{self._where()}, field '{name}'", field, value))
        self._check()

    def _check(self) -> None:
        """What must hold between fields; for a class to say."""

    @classmethod
    def range(cls, name: str) -> Range:
        """What the numbers of a field may be, for whoever reads them elsewhere."""
        return cls.fields()[name].range

    @classmethod
    def _where(cls) -> str:
        return cls.KIND or cls.__name__.lower()

    @classmethod
    @cache
    def fields(cls) -> Mapping[str, Field]:
        """Every field by name, in order."""
        return MappingProxyType({one.name: one.metadata["field"] for one in dataclasses.fields(cls)})

    @classmethod
    def from_json(cls, content: Any) -> Self:
        """The value that `to_json` wrote; StorageError names what does not fit."""
        if not isinstance(content, Mapping):
            raise StorageError(f"{cls._where()} is {_shown(content)}; needed: names with values")
        for name in content:
            if name not in cls.fields():
                raise StorageError(f"{cls._where()}: unknown field '{name}'; needed: {', '.join(cls.fields())}")
        return cls(**{name: content.get(name) for name in cls.fields()})

    @classmethod
    def salvaged(cls, content: Any) -> tuple[Self, tuple[str, ...]]:
        """The value without numbers and dates that can be done without and never were possible, and what was wrong with each.

        StorageError where it cannot be read without them either.
        """
        wrong: list[str] = []
        return cls.from_json(_possible(cls, content, wrong)), tuple(wrong)

    def to_json(self) -> dict[str, Any]:
        """Plain JSON values, empty fields left out."""
        return {name: _plain(value) for name in self.fields() if (value := getattr(self, name)) is not None}

    def respelt(self, change: Callable[[str], str]) -> Self:
        """The same with every text of gene words as `change` makes it."""
        given = ((name, field, getattr(self, name)) for name, field in self.fields().items())
        return dataclasses.replace(self, **{name: _respelt(field, value, change) for name, field, value in given if value is not None})

    def references(self) -> Iterator[tuple[str, str, tuple[str, ...]]]:
        """(field, id referred to, kinds allowed there) of everything it points to."""
        for name, field in self.fields().items():
            value = getattr(self, name)
            if value is None:
                continue
            if field.type == "reference":
                yield name, value, field.choices
            elif field.of is not None:
                for number, one in enumerate(value if isinstance(value, tuple) else (value,)):
                    yield from ((f"{name}.{number}.{inner}", target, kinds) for inner, target, kinds in one.references())


@dataclass(frozen=True, slots=True, kw_only=True)
class Statement(Record):
    """How an animal is known: by its genes in trade shorthand, by its own parents and look, or by its look alone; and a chance of
    hets that nobody recorded. All empty: a plain animal."""

    genes: str | None = _text(genes=True)
    offspring_of: Descent | None = dataclasses.field(default=None, metadata={"field": Field("record")})
    looks: str | None = _text(genes=True)
    background: float | None = _number(0, 0.5)
    unknown_hets: Mapping[str, float] | None = _field("table", range=CHANCE, genes=True)

    def _check(self) -> None:
        if self.genes is not None and (self.offspring_of is not None or self.looks is not None):
            raise StorageError(f"{self._where()}: 'genes' beside 'offspring_of' or 'looks'; needed: genes, or what descent and look say")
        if self.background is not None and (self.looks is None or self.offspring_of is not None):
            raise StorageError(f"{self._where()}: 'background' without 'looks' alone; needed: 'looks' and neither genes nor parents")

    def statement(self) -> Statement:
        """The same without what else is said of the animal."""
        return Statement(**self.stated())

    def stated(self) -> dict[str, Any]:
        """The fields of a statement alone."""
        return {name: getattr(self, name) for name in Statement.fields()}


@dataclass(frozen=True, slots=True, kw_only=True)
class Descent(Record):
    """The parents that an animal is known by, where they are no entries."""

    dam: Statement = _field("record", True, of=Statement)  # noqa: RUF009
    sire: Statement = _field("record", True, of=Statement)  # noqa: RUF009


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate(Record):
    """One that may have sired a clutch: an animal, a male that nobody recorded, or nobody at all; with its share as it was stated,
    or the days it was with the dam."""

    animal: str | None = _reference("animal", required=False)
    unrecorded: bool | None = _field("flag")
    parthenogenesis: bool | None = _field("flag")
    name: str | None = _text()
    background: float | None = _number(0, 0.1)
    kept_heterozygosity: float | None = _number(0, 1)
    share: float | None = _number(0, 1)
    paired: tuple[str, ...] | None = _field("dates")


@dataclass(frozen=True, slots=True, kw_only=True)
class Linked(Record):
    """Two loci on one chromosome: recombination by sex of the parent, and the phase of parents by their ids where it is known."""

    genes: tuple[str, ...] = _field("texts", True, length=2, genes=True)
    female: float = _number(0, 0.5, required=True)
    male: float = _number(0, 0.5, required=True)
    coupling: tuple[str, ...] | None = _field("texts")
    repulsion: tuple[str, ...] | None = _field("texts")


@dataclass(frozen=True, slots=True, kw_only=True)
class Bars(Record):
    """The settings that a clutch was sorted with; `eye` is the id of the entry that accuracy and share of look-alikes are from."""

    label_threshold: float = _number(0, 1, required=True)
    hold_chance: float = _number(0, 1, required=True)
    hold_genes: tuple[str, ...] | None = _field("texts")
    keeper_accuracy: float = _number(0, 1, required=True)
    lookalike_share: float = _number(0, 1, required=True)
    misfit_ratio: float = _number(0, required=True)
    eye: str | None = _text()


@dataclass(frozen=True, slots=True, kw_only=True)
class SortedEgg(Record):
    """What was said of one hatchling: its tray with reasons, its likelier calls, its sires, and the label that was shown."""

    label: str = _text(True)
    tray: str = _text(True)
    reasons: tuple[str, ...] | None = _field("texts")
    calls: Mapping[str, float] | None = _field("table", range=_SUMMED)
    sires: Mapping[str, float] | None = _field("table", range=_SUMMED)
    label_text: str | None = _text()
    rests_on: tuple[str, ...] | None = _field("texts")


@dataclass(frozen=True, slots=True, kw_only=True)
class Line(Record):
    KIND: ClassVar[str] = "line"
    name: str = _text(True)
    note: str | None = _text()


@dataclass(frozen=True, slots=True, kw_only=True)
class Gene(Record):
    """A gene of the keeper's own: fields as of `triage.species.own.OwnGene`."""

    KIND: ClassVar[str] = "gene"
    name: str = _text(True)
    species: str = _text(True)
    mode: str = _choice(*(mode.value for mode in Mode), required=True)
    series: str | None = _text(genes=True)
    one_copy: str | None = _text()
    two_copies: str | None = _text()
    synonyms: tuple[str, ...] | None = _field("texts")
    note: str | None = _text()


@dataclass(frozen=True, slots=True, kw_only=True)
class Animal(Statement):
    """One from an `egg` here is known by its clutch and by what was seen of it; any other by its statement."""

    KIND: ClassVar[str] = "animal"
    name: str = _text(True)
    species: str = _text(True)
    sex: str = _choice("male", "female", "unknown", required=True)
    hatched: str | None = _field("date")
    weight_g: float | None = _number(0, 1e5, above=True)
    origin: str | None = _text()
    egg: str | None = _reference("egg", required=False)
    line: str | None = _reference("line", required=False)
    state: str | None = _choice("kept", "sold", "dead")
    buyer: str | None = _text()


@dataclass(frozen=True, slots=True, kw_only=True)
class Pairing(Record):
    KIND: ClassVar[str] = "pairing"
    dam: str = _reference("animal")
    sires: tuple[Candidate, ...] = _field("records", True, of=Candidate)
    mixed: float | None = _number(0, 1)
    begun: str | None = _field("date")
    ended: str | None = _field("date")

    @property
    def parents(self) -> tuple[str, ...]:
        """Ids of the dam and of those sires that are animals."""
        return (self.dam, *(one.animal for one in self.sires if one.animal))

    def _check(self) -> None:
        for one in self.sires:
            ways = [name for name in ("animal", "unrecorded", "parthenogenesis") if getattr(one, name)]
            if len(ways) != 1:
                raise StorageError(f"pairing, field 'sires': one is {' and '.join(ways) or 'none of the three'}; needed: each either an "
                                   "animal, or unrecorded, or parthenogenesis")  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Clutch(Record):
    KIND: ClassVar[str] = "clutch"
    name: str = _text(True)
    pairing: str = _reference("pairing")
    laid: str | None = _field("date")
    hatched: str | None = _field("date")
    crossover: Mapping[str, float] | None = _field("table", range=Range(0, 0.5), genes=True)
    linked: tuple[Linked, ...] | None = _field("records", of=Linked)
    other_loss: float | None = _number(0, 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Egg(Record):
    KIND: ClassVar[str] = "egg"
    clutch: str = _reference("clutch")
    label: str = _text(True)
    state: str = _choice("laid", "slug", "dead", "hatched", required=True)
    sex: str | None = _choice("male", "female")


@dataclass(frozen=True, slots=True, kw_only=True)
class Photo(Record):
    """A picture: `sha256` of the copy that is kept, `source_sha256` of the file as it was taken."""

    KIND: ClassVar[str] = "photo"
    about: str = _reference(*ANYTHING)
    sha256: str = _field("digits", True, length=64)
    source_sha256: str = _field("digits", True, length=64)
    name: str = _text(True)
    added: str = _at()
    stage: str | None = _text()
    crop: tuple[float, ...] | None = _field("numbers", range=CHANCE, length=4)
    remarks: tuple[str, ...] | None = _field("texts")


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading(Record):
    """What the photo model made of one photo: fields as of `triage.records.PhotoEvidence`, calls by name."""

    KIND: ClassVar[str] = "reading"
    about: str = _reference(*ANYTHING)
    photo: str | None = _reference("photo", required=False)
    at: str = _at()
    log_likelihoods: Mapping[str, float] = _field("table", True, genes=True)
    floor: float = _number(0, 0.999999, required=True)
    exponent: float = _number(0, 1, required=True)
    shortlist: float = _number(0, 1, required=True)
    weights: str | None = _text()
    shot: str | None = _field("digits", length=25)


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence(Record):
    """Likelihoods by call as somebody stated them."""

    KIND: ClassVar[str] = "evidence"
    about: str = _reference(*ANYTHING)
    at: str = _at()
    likelihoods: Mapping[str, float] = _field("table", True, range=_LIKELIHOOD, genes=True)
    otherwise: float = _number(0, required=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class Call(Record):
    """What somebody called an animal, in their own words."""

    KIND: ClassVar[str] = "call"
    about: str = _reference(*ANYTHING)
    call: str = _text(True, genes=True)
    by: str = _text(True)
    at: str = _at()
    stage: str | None = _choice("in the egg", "at hatch", "after first shed", "later")


@dataclass(frozen=True, slots=True, kw_only=True)
class Sort(Record):
    """What was said of a clutch on one day, and with which settings."""

    KIND: ClassVar[str] = "sort"
    clutch: str = _reference("clutch")
    at: str = _at()
    settings: Bars = _field("record", True, of=Bars)  # noqa: RUF009
    eggs: tuple[SortedEgg, ...] = _field("records", True, of=SortedEgg)
    log_evidence: float | None = _number(-1e300)


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold(Record):
    """A hold-back mark; of a clutch that is not in the records yet by the clutch's name and the label."""

    KIND: ClassVar[str] = "hold"
    about: str | None = _reference(*ANYTHING, required=False)
    clutch_name: str | None = _text()
    label: str | None = _text()
    note: str | None = _text()
    at: str = _at()


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan(Record):
    KIND: ClassVar[str] = "plan"
    animal: str = _reference(*ANYTHING)
    mate: str = _text(True)
    question: str = _text(True)
    prior: Mapping[str, float] = _field("table", True, range=_SUMMED)
    at: str = _at()


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome(Record):
    """What a proving breeding showed: likelihoods by gene words of one locus."""

    KIND: ClassVar[str] = "outcome"
    plan: str | None = _reference("plan", required=False)
    animal: str = _reference(*ANYTHING)
    clutch: str | None = _reference("clutch", required=False)
    says: Mapping[str, float] = _field("table", True, range=_LIKELIHOOD, genes=True)
    by: str | None = _text()
    note: str | None = _text()
    at: str = _at()


@dataclass(frozen=True, slots=True, kw_only=True)
class Laboratory(Record):
    """A laboratory's count of copies of one gene, with its error rates."""

    KIND: ClassVar[str] = "laboratory"
    about: str = _reference(*ANYTHING)
    gene: str = _text(True, genes=True)
    copies: int = _field("whole", True, range=Range(0, 2))
    false_positive: float | None = _number(0, 1)
    false_negative: float | None = _number(0, 1)
    at: str = _at()


@dataclass(frozen=True, slots=True, kw_only=True)
class Label(Record):
    KIND: ClassVar[str] = "label"
    about: str = _reference(*ANYTHING)
    text: str = _text(True)
    rests_on: tuple[str, ...] | None = _field("texts")
    at: str = _at()


@dataclass(frozen=True, slots=True, kw_only=True)
class Note(Record):
    KIND: ClassVar[str] = "note"
    about: str = _reference(*ANYTHING)
    text: str = _text(True)
    at: str = _at()


@dataclass(frozen=True, slots=True, kw_only=True)
class Trait(Record):
    """What was seen of an animal one day and is no known gene, in the keeper's words; nothing is computed from it."""

    KIND: ClassVar[str] = "trait"
    about: str = _reference(*ANYTHING)
    words: str = _text(True)
    seen: str = _field("date", True)
    photo: str | None = _reference("photo", required=False)
    note: str | None = _text()


@dataclass(frozen=True, slots=True, kw_only=True)
class Eye(Record):
    """The keeper's yes to rates of an observer's calls, learnt from `calls` that were settled otherwise: sorting takes them."""

    KIND: ClassVar[str] = "eye"
    by: str = _text(True)
    accuracy: float = _field("number", True, range=Range(0.001, 0.999))
    lookalike_share: float = _number(0, 1, required=True)
    calls: int = _field("whole", True, range=Range(0, 10**7))
    at: str = _at()


KINDS: Mapping[str, type[Record]] = MappingProxyType({
    kind.KIND: kind
    for kind in (Line, Animal, Pairing, Clutch, Egg, Photo, Reading, Evidence, Call, Trait, Sort, Hold, Plan, Outcome, Laboratory,
                 Label, Note, Gene, Eye)
})  # fmt: skip


def kind_named(name: str) -> type[Record]:
    """The class of a kind; StorageError lists the known ones."""
    if name not in KINDS:
        raise StorageError(f"'{name}' is no kind of entry; needed: one of {', '.join(KINDS)}")
    return KINDS[name]


def needed_words(field: Field) -> str:
    """What a field takes, in words."""
    return {
        "choice": f"one of {', '.join(field.choices)}",
        "reference": f"{' or '.join(field.choices)}, by name",
        "digits": f"{field.length} hexadecimal digits",
        "date": f"a date such as 2031-06-02, from {YEARS.low} to {YEARS.high}",
        "dates": f"dates such as 2031-06-02, from {YEARS.low} to {YEARS.high}",
        "moment": "a time with its zone, such as 2031-06-02T18:04:11+00:00",
        "number": field.range.words,
        "whole": f"a whole number from {field.range.low:g} to {field.range.high:g}",
        "flag": "true or false",
        "numbers": f"{field.length} numbers, each {field.range.words}",
        "table": f"names with numbers, each {field.range.words}",
        "texts": f"{field.length} texts" if field.length else "a list of texts",
        "record": "names with values",
        "records": "a list of names with values",
    }.get(field.type, "text")


def is_right(field: Field, value: Any) -> bool:
    """Whether a value is one that the field takes."""
    try:
        _checked("", field, value)
    except StorageError:
        return False
    return True


def _possible(of: type[Record], content: Any, wrong: list[str]) -> Any:
    if not isinstance(content, Mapping):
        return content
    kept = {}
    for name, value in content.items():
        field = of.fields().get(name)
        if field is not None and field.of is not None and isinstance(value, list):
            parts = [_possible(field.of, one, wrong) for one in value]
            gone = {name for old, new in zip(value, parts, strict=True) if isinstance(old, Mapping) for name in old.keys() - new.keys()}
            # shares stand together: one of them alone says nothing
            value = [{n: v for n, v in one.items() if n not in gone} if isinstance(one, Mapping) else one for one in parts]
        if field is None or field.required or field.type not in _NUMBERS or value is None or is_right(field, value):
            kept[name] = value
        else:
            wrong.append(f"field '{name}' is {_shown(value)}; needed: {needed_words(field)}")
    return kept


def _checked(where: str, field: Field, value: Any) -> Any:
    """The value as the class holds it; StorageError where it is not what the field takes."""
    if field.type in ("record", "records"):
        of = field.of or Descent
        if field.type == "records" and (not isinstance(value, list | tuple) or not value):
            raise StorageError(f"{where} is {_shown(value)}; needed: {needed_words(field)}")
        try:
            found = tuple(one if isinstance(one, of) else of.from_json(one) for one in (value if field.type == "records" else [value]))
        except StorageError as error:
            raise StorageError(f"{where}: {error}") from error
        return found if field.type == "records" else found[0]
    found = _READ[field.type](field, value)
    if found is None or (field.length and len(found) != field.length):
        raise StorageError(f"{where} is {_shown(value)}; needed: {needed_words(field)}")
    return found


def _as_text(field: Field, value: Any) -> str | None:
    return value if isinstance(value, str) and not _NO_CHARACTER.search(value) else None


def _as_digits(field: Field, value: Any) -> str | None:
    return value if isinstance(value, str) and re.fullmatch("[0-9a-f]+", value) else None


def _as_choice(field: Field, value: Any) -> str | None:
    return value if value in field.choices else None


def _as_date(field: Field, value: Any) -> str | None:
    try:
        day = date.fromisoformat(value) if isinstance(value, str) else None
    except ValueError:
        return None
    return day.isoformat() if day and YEARS.holds(day.year) else None


def _as_moment(field: Field, value: Any) -> str | None:
    try:
        moment = datetime.fromisoformat(value) if isinstance(value, str) else None
        moment = moment.astimezone(UTC) if moment and moment.tzinfo else None  # in one zone, so that texts sort as times do
    except (ValueError, OverflowError):
        return None
    return moment.isoformat() if moment and YEARS.holds(moment.year) else None


def _as_number(field: Field, value: Any) -> float | None:
    return value if field.range.holds(value) else None


def _as_whole(field: Field, value: Any) -> int | None:
    return int(value) if field.range.holds(value) and int(value) == value else None


def _as_flag(field: Field, value: Any) -> bool | None:
    return value if isinstance(value, bool) else None


def _as_table(field: Field, value: Any) -> Mapping[str, float] | None:
    if not isinstance(value, Mapping) or not value or not all(_as_text(field, k) and field.range.holds(v) for k, v in value.items()):
        return None
    return MappingProxyType(dict(value))


def _several(one: Any) -> Any:
    def read(field: Field, value: Any) -> tuple | None:
        if not isinstance(value, list | tuple):
            return None
        found = tuple(one(field, part) for part in value)
        return None if None in found else found

    return read


_READ = {
    "text": _as_text, "reference": _as_text, "digits": _as_digits, "choice": _as_choice, "date": _as_date,
    "moment": _as_moment, "number": _as_number,
    "whole": _as_whole, "flag": _as_flag, "table": _as_table, "texts": _several(_as_text), "dates": _several(_as_date),
    "numbers": _several(_as_number),
}  # fmt: skip


def _respelt(field: Field, value: Any, change: Callable[[str], str]) -> Any:
    if isinstance(value, Record):
        return value.respelt(change)
    if field.type == "records":
        return tuple(one.respelt(change) for one in value)
    if not field.genes:
        return value
    if isinstance(value, Mapping):
        return {change(name): number for name, number in value.items()}
    return change(value) if isinstance(value, str) else tuple(change(one) for one in value)


def _plain(value: Any) -> Any:
    if isinstance(value, Record):
        return value.to_json()
    if isinstance(value, Mapping):
        return dict(value)
    return [_plain(one) for one in value] if isinstance(value, tuple) else value


def _shown(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."
