"""Loads what each allele does to the look of a synthetic hatchling, and refuses a bad file.

The file says what is drawn, not what is inherited: modes and sources of genes stand in the species' own file.
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from types import MappingProxyType

from triage.errors import CatalogueError
from triage.species.loader import load_species, usual_species

NORMAL = "normal"
_COMPOUNDS = "compounds"
_AS_ONE = "as one copy"
_KINDS = ("log", "linear")
#: The file of a species' folder that says how its genes are drawn.
LOOKS = "looks.toml"


@dataclass(frozen=True)
class Parameter:
    """One setting of the drawing.

    `kind` "log": value = base * exp(sum of effects); "linear": value = base + sum of effects; then kept within
    low..high. `spread` is the standard deviation between animals, in the space where effects add. The effects of a
    `steady` parameter are equally strong in every carrier.
    """

    name: str
    kind: str
    base: float
    spread: float
    low: float
    high: float
    steady: bool
    meaning: str


@dataclass(frozen=True, eq=False)
class LocusLooks:
    """Effects of every pair of alleles at one locus: (allele, allele) sorted -> parameter name -> effect."""

    name: str
    alleles: tuple[str, ...]  # "normal" first
    effects: Mapping[tuple[str, str], Mapping[str, float]]
    aged: Mapping[tuple[str, str], Mapping[str, float]]


@dataclass(frozen=True, eq=False)
class Looks:
    """The looks of one species; axes of every array built from it are `parameters` and `loci` in this order."""

    species: str
    expression_spread: float
    parameters: tuple[Parameter, ...]
    loci: tuple[LocusLooks, ...]

    def locus(self, name: str) -> LocusLooks:
        """The locus called `name`; CatalogueError lists the known ones."""
        for locus in self.loci:
            if locus.name == name:
                return locus
        known = ", ".join(locus.name for locus in self.loci)
        raise CatalogueError(f"No locus is called '{name}' in the looks of the {self.species}; known: {known}.")


def pair(first: str, second: str) -> tuple[str, str]:
    """Two allele names in the order used as a key."""
    return (first, second) if first <= second else (second, first)


@cache
def looks_of(key: str) -> Looks:
    """The looks shipped with the program for a species, by its key; CatalogueError where it cannot be drawn."""
    source = resources.files("triage.species") / "data" / key / LOOKS
    if not source.is_file():
        raise CatalogueError(f"the looks of {key} are not recorded, so none can be drawn; needed: a file {LOOKS} beside its genes")
    return parse_looks(source.read_text(encoding="utf-8"), place=f"{key}/{LOOKS}")


def usual_looks() -> Looks:
    """The looks of the species that is meant where none is named."""
    return looks_of(load_species(usual_species()).key)


def parse_looks(text: str, place: str) -> Looks:
    """Looks from TOML `text`; `place` names it in error messages."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise CatalogueError(f"{place}: not valid TOML ({error}); correct the file there.") from error
    if data.get("format") != 1:
        raise CatalogueError(f"{place}: format is {data.get('format')!r}; this program reads format 1.")
    species = _text(data, "species", place)
    spread = _number(data.get("expression_spread"), f"{place}: expression_spread")
    parameters = tuple(_parameter(name, entry, place) for name, entry in _table(data, "parameters", place).items())
    names = frozenset(parameter.name for parameter in parameters)
    loci = tuple(_locus(name, entry, names, place) for name, entry in _table(data, "loci", place).items())
    return Looks(species, spread, parameters, loci)


def _parameter(name: str, entry: object, place: str) -> Parameter:
    where = f"{place}: parameters.{name}"
    if not isinstance(entry, dict):
        raise CatalogueError(f"{where}: found {entry!r}; needed a table with kind, base, spread, low, high, meaning.")
    unknown = set(entry) - {"kind", "base", "spread", "low", "high", "steady", "meaning"}
    if unknown:
        raise CatalogueError(f"{where}: unknown key '{sorted(unknown)[0]}'; remove it or correct its spelling.")
    kind = _text(entry, "kind", where)
    if kind not in _KINDS:
        raise CatalogueError(f"{where}: kind is '{kind}'; needed one of {', '.join(_KINDS)}.")
    base, spread, low, high = (_number(entry.get(key), f"{where}.{key}") for key in ("base", "spread", "low", "high"))
    if not low <= base <= high:
        raise CatalogueError(f"{where}: base {base} lies outside low..high ({low}..{high}); widen the range.")
    if kind == "log" and base <= 0:
        raise CatalogueError(f"{where}: base {base} of a log parameter; needed a number above 0.")
    if spread < 0:
        raise CatalogueError(f"{where}: spread {spread} is negative; needed 0 or more.")
    return Parameter(name, kind, base, spread, low, high, entry.get("steady") is True, _text(entry, "meaning", where))


def _locus(name: str, entry: object, parameters: frozenset[str], place: str) -> LocusLooks:
    where = f"{place}: loci.{name}"
    if not isinstance(entry, dict) or not set(entry) - {_COMPOUNDS}:
        raise CatalogueError(f"{where}: no allele found; needed a table per allele with 'one' and 'two'.")
    alleles = [allele for allele in entry if allele != _COMPOUNDS]
    if NORMAL in alleles:
        raise CatalogueError(f"{where}: '{NORMAL}' is the wild type and has no effects; remove its table.")
    effects: dict[tuple[str, str], Mapping[str, float]] = {(NORMAL, NORMAL): MappingProxyType({})}
    aged: dict[tuple[str, str], Mapping[str, float]] = {}
    for allele in alleles:
        table = entry[allele]
        spot = f"{where}.{allele}"
        if not isinstance(table, dict) or not {"one", "two"} <= set(table):
            raise CatalogueError(f"{spot}: needed both 'one' and 'two' (an empty table means no effect).")
        unknown = set(table) - {"one", "two", "aged"}
        if unknown:
            raise CatalogueError(f"{spot}: unknown key '{sorted(unknown)[0]}'; needed one, two or aged.")
        one = _effects(table["one"], parameters, f"{spot}.one")
        two = one if table["two"] == _AS_ONE else _effects(table["two"], parameters, f"{spot}.two")
        later = _effects(table.get("aged", {}), parameters, f"{spot}.aged")
        effects[pair(NORMAL, allele)] = one
        effects[(allele, allele)] = two
        if one:  # a het that cannot be seen does not age visibly either
            aged[pair(NORMAL, allele)] = later
        aged[(allele, allele)] = later
    compounds = entry.get(_COMPOUNDS, {})
    for key, table in compounds.items():
        named = [part.strip() for part in key.split("+")]
        if len(named) != 2 or named[0] == named[1] or not set(named) <= set(alleles):
            raise CatalogueError(f"{where}.compounds: '{key}' is not two different alleles of {', '.join(alleles)}.")
        if pair(*named) in effects:
            raise CatalogueError(f"{where}.compounds: '{key}' is listed twice; keep one.")
        effects[pair(*named)] = _effects(table, parameters, f"{where}.compounds.{key}")
    for first in alleles:
        for second in alleles:
            if pair(first, second) not in effects:
                raise CatalogueError(f"{where}.compounds: no entry for '{first} + {second}'; add one.")
    return LocusLooks(name, (NORMAL, *alleles), MappingProxyType(effects), MappingProxyType(aged))


def _effects(table: object, parameters: frozenset[str], where: str) -> Mapping[str, float]:
    if not isinstance(table, dict):
        raise CatalogueError(f"{where}: found {table!r}; needed a table of parameter = effect.")
    for name in table:
        if name not in parameters:
            raise CatalogueError(f"{where}: unknown parameter '{name}'; known: {', '.join(sorted(parameters))}.")
    return MappingProxyType({name: _number(value, f"{where}.{name}") for name, value in table.items()})


def _table(data: Mapping[str, object], key: str, place: str) -> Mapping[str, object]:
    table = data.get(key)
    if not isinstance(table, dict) or not table:
        raise CatalogueError(f"{place}: [{key}] is missing or empty; add it.")
    return table


def _text(data: Mapping[str, object], key: str, place: str) -> str:
    value = data.get(key)
    if not isinstance(value, str) or not value.strip():
        raise CatalogueError(f"{place}: '{key}' is {value!r}; needed words.")
    return value


def _number(value: object, where: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not -1e6 < value < 1e6:
        raise CatalogueError(f"{where}: found {value!r}; needed a number.")
    return float(value)
