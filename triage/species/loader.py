"""Read the species files into frozen records; a bad file is refused with file, entry and what was needed."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cache
from graphlib import CycleError, TopologicalSorter
from importlib import resources
from pathlib import Path

from triage.errors import CatalogueError, ShorthandError, UnknownNameError
from triage.records import (
    MIXED,
    NORMAL,
    About,
    Allele,
    Appearance,
    Caution,
    Combination,
    Compound,
    Evidence,
    Grade,
    Hiding,
    Locus,
    Lookalike,
    Mode,
    PublishedShare,
    SecondReading,
    Sex,
    Species,
    Together,
    UnnamedLine,
    VisualCall,
)
from triage.species.names import normalise
from triage.species.tables import Table

_DATA = resources.files("triage.species") / "data"
#: The file of a species' folder that makes it one.
GENES = "genes.toml"
_MODES = tuple(m.value for m in Mode)
_GRADES = tuple(g.value for g in Grade)
_SECOND = tuple(s.value for s in SecondReading)
_ABOUT = tuple(a.value for a in About)
_EVERYTHING = "everything"
_SUPPORTS = (
    "mode",
    "look",
    "allelism",
    "sex_determination",
    "incubation",
    "sex_linkage",
    "viability",
    "welfare",
    "name",
    "clutch_size",
    "paternity",
    "fertility",
    "hiding",
)


@dataclass(frozen=True, slots=True)
class Source:
    """One entry of sources.toml."""

    key: str
    citation: str
    read: str
    doi: str = ""
    link: str = ""


@cache
def load_sources() -> Mapping[str, Source]:
    """Every source the catalogue cites, by key."""
    root = Table(_parse((_DATA / "sources.toml").read_text("utf-8"), "sources.toml"), "sources.toml")
    found: dict[str, Source] = {}
    for entry in root.tables("source"):
        source = Source(
            key=entry.text("key"),
            citation=entry.text("citation"),
            read=entry.one_of("read", ("paper", "abstract", "second_hand", "not_read", "practice")),
            doi=entry.text("doi", ""),
            link=entry.text("link", ""),
        )
        entry.finish()
        if source.key in found:
            entry.refuse(f"key '{source.key}' stands twice", "a key used once")
        found[source.key] = source
    root.finish()
    return found


def species_names() -> tuple[str, ...]:
    """Names of the species the catalogue holds."""
    return tuple(sorted(name for name, _ in _species_files().values()))


def usual_species() -> str:
    """Name of the species that is meant where none is named: the one whose file says ``usual = true``."""
    return _species_files()[_usual_key()][0]


def load_species(name: str) -> Species:
    """The catalogue entry of a species by its common or scientific name, or a synonym.

    Raises
    ------
    UnknownNameError
        No species goes by that name; the known ones are listed.
    """
    wanted = normalise(name)
    for key, (_, names) in _species_files().items():
        if wanted in names:
            return _shipped(key)
    known = ", ".join(species_names())
    raise UnknownNameError(f"species '{name}' is not in the catalogue; known: {known}")


@cache
def _usual_key() -> str:
    usual = [key for key in sorted(_species_files()) if _head_of(key).flag("usual", False)]
    if len(usual) != 1:
        raise CatalogueError(f"usual = true stands in {len(usual)} species files ({', '.join(usual) or 'none'}); needed: in one")
    return usual[0]


def _head_of(key: str) -> Table:
    place = f"{key}/{GENES}"
    return Table(_parse((_DATA / key / GENES).read_text("utf-8"), place), place).table("species")


@cache
def _shipped(key: str) -> Species:
    return load_species_file(_DATA / key / GENES)


@cache
def _species_files() -> Mapping[str, tuple[str, tuple[str, ...]]]:
    """Key, which is the name of its folder -> (common name, every accepted name)."""
    found: dict[str, tuple[str, tuple[str, ...]]] = {}
    for folder in _DATA.iterdir():
        if (folder / GENES).is_file():
            table = _head_of(folder.name)
            names = [table.text("name"), table.text("scientific_name"), *table.texts("synonyms")]
            found[folder.name] = (names[0], tuple(normalise(n) for n in names))
    return found


def load_species_file(path: Path) -> Species:
    """Read one species file.

    Raises
    ------
    CatalogueError
        The file is not TOML, misses a value, has an unknown key, or contradicts itself; names file and entry.
    """
    place = f"{path.parent.name}/{GENES}" if path.name == GENES else path.name
    root = Table(_parse(_read(path), place), place)
    if root.number("format", 1, 1) != 1:
        root.refuse("unknown format", "format = 1")
    head = root.table("species")
    key = path.parent.name if path.name == GENES else path.name.removesuffix(".toml")
    cautions = tuple(_caution(t) for t in root.tables("caution"))
    caution_keys = {c.key for c in cautions}
    loci = tuple(_locus(t, caution_keys) for t in root.tables("locus"))
    if not loci:
        root.refuse("no [[locus]]", "at least one locus")
    _refuse_repeated_names(loci, place)
    published = [_published_share(t) for t in head.tables("shared")]
    bare = Species(
        key=key,
        name=head.text("name"),
        scientific_name=head.text("scientific_name"),
        heterogametic=Sex(head.one_of("heterogametic", ("female", "male"))),
        loci=loci,
        cautions=cautions,
        general_cautions=_known_cautions(head, "general_cautions", caution_keys),
        synonyms=head.texts("synonyms"),
        mixed=head.number("mixed", 0, 1, MIXED),
        published_shares=tuple(share for share, _ in published),
        together=tuple(_together(t, loci, caution_keys) for t in root.tables("together")),
        clutch_size=_clutch_size(head),
        incubation_days=_incubation_days(head),
        evidence=(*_evidence(head), *(fact for _, fact in published)),
    )
    head.flag("usual", False)
    head.finish()
    combinations = tuple(_combination(t) for t in root.tables("combination"))
    appearances = tuple(_appearance(t, bare) for t in root.tables("appearance"))
    groups = _groups(root, bare)
    hidings = tuple(_hiding(t, bare, appearances, groups) for t in root.tables("hiding"))
    _refuse_hiding_loops(hidings, place)
    unnamed_lines = tuple(_unnamed_line(t, bare) for t in root.tables("unnamed_line"))
    species = replace(bare, combinations=combinations, appearances=appearances, hidings=hidings, unnamed_lines=unnamed_lines)
    _refuse_shared_lines(species, place)
    _refuse_repeated_phrases(species, place)
    lookalikes = tuple(_lookalike(t, species) for t in root.tables("lookalike"))
    root.finish()
    species = replace(species, lookalikes=lookalikes)
    _check_combinations(species, place)
    return species


def _read(path: Path) -> str:
    try:
        return path.read_text("utf-8")
    except FileNotFoundError as error:
        raise CatalogueError(f"{path.name}: no such file; needed: a species file") from error
    except UnicodeDecodeError as error:
        raise CatalogueError(f"{path.name}: not UTF-8 text ({error.reason}); needed: a TOML file in UTF-8") from error


def _parse(text: str, place: str) -> dict:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise CatalogueError(f"{place}: not valid TOML ({error}); needed: a TOML file") from error


def _evidence(table: Table) -> tuple[Evidence, ...]:
    found = []
    for entry in table.tables("evidence"):
        found.append(
            Evidence(
                source=_source(entry),
                supports=entry.one_of("supports", _SUPPORTS),
                grade=Grade(entry.one_of("grade", _GRADES)),
                place=entry.text("place", ""),
                note=entry.text("note", ""),
                **_second_reading(entry),
            )
        )
        entry.finish()
    return tuple(found)


def _source(entry: Table) -> str:
    source, known = entry.text("source"), load_sources()
    if source not in known:
        entry.refuse(f"source '{source}' is unknown", "a key of sources.toml: " + ", ".join(sorted(known)))
    return source


def _second_reading(entry: Table) -> dict[str, SecondReading | int | None]:
    second = entry.one_of("second", _SECOND, None)
    sure = entry.number("sure", 0, 100, None)
    return {"second": None if second is None else SecondReading(second), "sure": None if sure is None else int(sure)}


def _published_share(table: Table) -> tuple[PublishedShare, Evidence]:
    """A figure, and the same as a fact with its source."""
    share = PublishedShare(table.text("of"), table.text("words"), table.number("share", 0, 1), _source(table))
    fact = Evidence(share.source, "paternity", Grade.PEER_REVIEWED, note=f"{share.of}: {share.words}", **_second_reading(table))
    table.finish()
    return share, fact


def _together(table: Table, loci: tuple[Locus, ...], cautions: set[str]) -> Together:
    genes, known = table.texts("genes"), [name for locus in loci for name in locus.allele_names]
    if len(set(genes)) < 2:
        table.refuse(f"genes {list(genes)}", "two different genes or more")
    for gene in genes:
        if gene not in known:
            table.refuse(f"gene '{gene}' is unknown", "names of alleles of this file")
    caution = table.text("caution")
    if caution not in cautions:
        table.refuse(f"caution '{caution}' is unknown", "one of " + ", ".join(sorted(cautions)))
    together = Together(genes=genes, caution=caution, evidence=_evidence(table))
    table.finish()
    if not together.evidence:
        table.refuse("no evidence", "an [[together.evidence]] entry with the source of the caution")
    return together


def _caution(table: Table) -> Caution:
    about = About(table.one_of("about", _ABOUT, About.ANIMAL.value))
    caution = Caution(key=table.text("key"), text=table.text("text"), source=_source(table), about=about)
    table.finish()
    return caution


def _known_cautions(table: Table, key: str, known: set[str]) -> tuple[str, ...]:
    keys = table.texts(key)
    for one in keys:
        if one not in known:
            table.refuse(f"caution '{one}' is unknown", "one of " + ", ".join(sorted(known)))
    return keys


def _clutch_size(table: Table) -> tuple[float, int, int] | None:
    mean = table.number("clutch_mean", 1, 200, None)
    smallest, largest = table.number("clutch_smallest", 1, 200, None), table.number("clutch_largest", 1, 200, None)
    if mean is None:
        return None
    if smallest is None or largest is None or not smallest <= mean <= largest:
        table.refuse("clutch_mean without a range that holds it", "clutch_smallest <= clutch_mean <= clutch_largest")
    return (mean, int(smallest), int(largest))


def _incubation_days(table: Table) -> tuple[int, int] | None:
    shortest, longest = table.number("incubation_shortest", 1, 400, None), table.number("incubation_longest", 1, 400, None)
    if shortest is None and longest is None:
        return None
    if shortest is None or longest is None or shortest > longest:
        table.refuse("a duration of incubation that is no range", "incubation_shortest <= incubation_longest, in days")
    return (int(shortest), int(longest))


def _locus(table: Table, cautions: set[str]) -> Locus:
    name = table.text("name")
    alleles = tuple(_allele(t, cautions) for t in table.tables("allele"))
    if not alleles:
        table.refuse("no [[locus.allele]]", "at least one mutant allele")
    sex_linked = table.flag("sex_linked", False)
    crossover = table.number("crossover", 0, 0.5, None)
    if sex_linked != (crossover is not None):
        table.refuse("sex_linked and crossover disagree", "both or neither")
    names = [a.name for a in alleles]
    compounds = tuple(_compound(t, names, cautions) for t in table.tables("compound"))
    for pair in {c.alleles for c in compounds}:
        if sum(c.alleles == pair for c in compounds) > 1:
            table.refuse(f"two compounds of {' and '.join(sorted(pair, key=names.index))}", "one entry for each pair")
    locus = Locus(
        name=name,
        alleles=alleles,
        compounds=compounds,
        crossover=crossover,
        notes=table.text("notes", ""),
        evidence=_evidence(table),
    )
    table.finish()
    looks = [look for look in (locus.look(g) for g in locus.genotypes()) if look]
    one_copy_as_two = {a.name for a in alleles if a.mode is Mode.DOMINANT}
    for look in looks:
        if looks.count(look) > 1 and look not in one_copy_as_two:
            table.refuse(f"two genotypes share the look '{look}'", "a name of its own for each look")
    return locus


def _allele(table: Table, cautions: set[str]) -> Allele:
    name = table.text("name")
    if name == NORMAL or normalise(name) != name.lower():
        table.refuse(f"name '{name}'", "a trade name with single spaces and no hyphens, not 'normal'")
    mode = Mode(table.one_of("mode", _MODES))
    one_copy = table.text("visible_het", None) if mode is Mode.RECESSIVE else name
    two_copies = f"super {name}" if mode is Mode.INCOMPLETE_DOMINANT else name
    allele = Allele(
        name=name,
        mode=mode,
        one_copy_name=one_copy,
        two_copies_name=two_copies,
        look_for=table.text("look_for"),
        two_copies_look_for=table.text("two_copies_look_for", ""),
        synonyms=table.texts("synonyms"),
        two_copies_synonyms=table.texts("two_copies_synonyms"),
        subtle=table.flag("subtle", False),
        one_name=table.flag("one_name", False),
        two_copies_hatch_rate=table.number("two_copies_hatch_rate", 0, 1, 1.0),
        cautions=_known_cautions(table, "cautions", cautions),
        two_copies_cautions=_known_cautions(table, "two_copies_cautions", cautions),
        notes=table.text("notes", ""),
        evidence=_evidence(table),
    )
    table.finish()
    if not any(e.supports == "mode" for e in allele.evidence):
        table.refuse("no evidence that supports its mode", 'an [[...evidence]] entry with supports = "mode"')
    return allele


def _compound(table: Table, names: list[str], cautions: set[str]) -> Compound:
    pair = table.texts("alleles")
    if len(set(pair)) != 2 or any(a not in names for a in pair):
        table.refuse(f"alleles {list(pair)}", "two different alleles of this locus: " + ", ".join(names))
    ordered = sorted(pair, key=names.index)
    compound = Compound(
        alleles=frozenset(pair),
        name=" ".join(ordered),
        look_for=table.text("look_for", ""),
        synonyms=table.texts("synonyms"),
        hatch_rate=table.number("hatch_rate", 0, 1, 1.0),
        cautions=_known_cautions(table, "cautions", cautions),
    )
    table.finish()
    return compound


def _combination(table: Table) -> Combination:
    combination = Combination(name=normalise(table.text("name")), genes=table.text("genes"), evidence=_evidence(table))
    table.finish()
    return combination


def _appearance(table: Table, species: Species) -> Appearance:
    locus_name = table.text("locus")
    if not species.has_locus(locus_name):
        table.refuse(f"locus '{locus_name}' is unknown", "one of " + ", ".join(x.name for x in species.loci))
    locus = species.locus(locus_name)
    known = {locus.look(g) for g in locus.genotypes()} - {""}
    looks = frozenset(table.texts("looks"))
    if not looks or looks - known:
        table.refuse(f"looks {sorted(looks - known)}", "looks of this locus: " + ", ".join(sorted(known)))
    appearance = Appearance(
        name=table.text("name"),
        locus=locus_name,
        looks=looks,
        synonyms=table.texts("synonyms"),
    )
    table.finish()
    return appearance


def _groups(root: Table, species: Species) -> Mapping[str, tuple[str, ...]]:
    """Names that stand for several loci, of the table [groups]."""
    table = root.table("groups", {})
    found = {name: table.texts(name) for name in table.names()}
    for name, loci in found.items():
        unknown = [locus for locus in loci if not species.has_locus(locus)]
        if unknown or species.has_locus(name) or name == _EVERYTHING:
            table.refuse(f"group '{name}' of {list(loci)}", "a name of its own for loci of this species")
    table.finish()
    return found


def _hiding(table: Table, species: Species, appearances: tuple[Appearance, ...], groups: Mapping[str, tuple[str, ...]]) -> Hiding:
    locus_name = table.text("locus")
    if not species.has_locus(locus_name):
        table.refuse(f"locus '{locus_name}' is unknown", "one of " + ", ".join(species.locus_names))
    locus = species.locus(locus_name)
    known = {locus.look(g) for g in locus.genotypes()} - {""}
    words = {a.name: a.looks for a in appearances if a.locus == locus_name} | {look: {look} for look in known}
    named, hides = table.texts("looks"), table.texts("hides")
    strange = [word for word in named if word not in words]
    if not named or strange:
        table.refuse(f"looks {strange or list(named)}", "looks or appearances of this locus: " + ", ".join(sorted(words)))
    loci = {name for word in hides for name in groups.get(word, (word,))}
    strange = sorted(name for name in loci if name != _EVERYTHING and not species.has_locus(name))
    if not hides or strange or locus_name in loci:
        found = f"hides {strange or list(hides)}" + (", which is its own locus" if locus_name in loci else "")
        table.refuse(found, f"other loci, groups of them ({', '.join(groups) or 'none'}), or '{_EVERYTHING}'")
    hiding = Hiding(
        locus=locus_name,
        looks=frozenset(look for word in named for look in words[word]),
        hides=None if _EVERYTHING in loci else frozenset(loci),
        missed=table.number("missed", 0, 1),
        says=table.text("says"),
        evidence=_evidence(table),
    )
    table.finish()
    return hiding


def _refuse_hiding_loops(hidings: tuple[Hiding, ...], place: str) -> None:
    """Of two looks that hide one another nobody could say what is seen; what hides everything spares those before it."""
    hidden = {
        i: {j for j, other in enumerate(hidings) if (j > i if one.hides is None else other.locus in one.hides)}
        for i, one in enumerate(hidings)
    }
    try:
        tuple(TopologicalSorter(hidden).static_order())
    except CycleError as error:
        names = " hides ".join(" or ".join(sorted(hidings[i].looks)[:2]) for i in dict.fromkeys(reversed(error.args[1])))
        raise CatalogueError(f"{place}, hiding: {names} hides the first again; needed: looks that do not hide one another") from error


def _unnamed_line(table: Table, species: Species) -> UnnamedLine:
    word = normalise(table.text("word"))
    lines: list[tuple[str, str, Fraction]] = []
    for entry in table.tables("line"):
        name = entry.text("locus")
        if not species.has_locus(name):
            entry.refuse(f"'{word}': locus '{name}' is unknown", "a locus of this species")
        locus = species.locus(name)
        allele = entry.text("allele", locus.allele_names[0] if len(locus.alleles) == 1 else None)
        weight = entry.number("weight", 0, 1e6, 1.0)
        if name in [line for line, _, _ in lines]:
            entry.refuse(f"'{word}' names '{name}' twice", "each line once")
        if locus.sex_linked:
            entry.refuse(f"'{word}': '{name}' is sex-linked, and unnamed lines of a sex-linked locus are not computed", "autosomal loci")
        if allele not in locus.allele_names:
            entry.refuse(f"'{word}': which allele of '{name}' is not said", "allele = one of " + ", ".join(locus.allele_names))
        if locus.allele(allele).mode is not Mode.RECESSIVE or not weight:
            found = f"'{word}': {allele} is {locus.allele(allele).mode}, of weight {weight:g}"
            entry.refuse(found, "a recessive allele of a weight above 0")
        lines.append((name, allele, Fraction(str(weight))))
        entry.finish()
    if len(lines) < 2:
        table.refuse(f"'{word}' has {len(lines)} line{'s' * (len(lines) != 1)}", "at least two loci that the word may mean")
    total = sum(weight for _, _, weight in lines)
    found = UnnamedLine(word, tuple((n, a, w / total) for n, a, w in lines), table.texts("synonyms"), _evidence(table))
    table.finish()
    return found


def _refuse_shared_lines(species: Species, place: str) -> None:
    owners: dict[str, str] = {}
    for one in species.unnamed_lines:
        for locus in one.loci:
            if locus in owners:
                raise CatalogueError(
                    f"{place}, unnamed line {one.word}: '{locus}' is one of '{owners[locus]}' already; needed: one word for each locus"
                )
            owners[locus] = one.word


def _lookalike(table: Table, species: Species) -> Lookalike:
    from triage.species.shorthand import parse_call

    def call(key: str) -> VisualCall:
        try:
            found = parse_call(species, table.text(key))
        except (UnknownNameError, ShorthandError) as error:
            table.refuse(f"'{key}': {error}", "one visual call in trade shorthand")
        if len(found) != 1:
            table.refuse(f"'{key}' means {len(found)} visual calls", "one visual call in trade shorthand")
        return found[0]

    lookalike = Lookalike(
        first=call("first"),
        second=call("second"),
        look_for=table.text("look_for"),
        photo_can_tell=table.flag("photo_can_tell", True),
        breeding_only=table.flag("breeding_only", False),
    )
    table.finish()
    if lookalike.first == lookalike.second:
        table.refuse(f"both calls are '{lookalike.first}'", "two different calls")
    if lookalike.breeding_only and lookalike.photo_can_tell:
        table.refuse("breeding_only beside a photo that can tell", "photo_can_tell = false, or no breeding_only")
    return lookalike


def refuse_clashes(species: Species, place: str) -> None:
    """CatalogueError where a name or a phrase means two things."""
    _refuse_repeated_names(species.loci, place)
    _refuse_repeated_phrases(species, place)


def _refuse_repeated_names(loci: tuple[Locus, ...], place: str) -> None:
    owners: dict[str, str] = {}
    seen: set[str] = set()
    for locus in loci:
        if normalise(locus.name) in seen:
            raise CatalogueError(f"{place}, locus {locus.name}: stands twice; needed: one entry for each locus")
        seen.add(normalise(locus.name))
        here = f"{place}, locus {locus.name}"
        for allele in locus.alleles:
            named = (allele.name, allele.two_copies_name, *allele.synonyms, *allele.two_copies_synonyms)
            for word in {normalise(n) for n in named}:
                if word in owners:
                    raise CatalogueError(
                        f"{here}: '{word}' already belongs to {owners[word]}; needed: a name used once"
                    )
                owners[word] = f"{locus.name}.{allele.name}"


def _refuse_repeated_phrases(species: Species, place: str) -> None:
    """No phrase may mean two things to the shorthand parser, nor hide one of its own words."""
    from triage.species.shorthand import reserved_words

    owners = dict.fromkeys(reserved_words(), "the words of trade shorthand")

    def claim(phrase: str, owner: str, *, shared_with: str = "") -> None:
        word = normalise(phrase)
        known = owners.setdefault(word, owner)
        if known not in (owner, shared_with):
            raise CatalogueError(f"{place}, {owner}: '{word}' already belongs to {known}; needed: a name used once")

    for locus in species.loci:
        for allele in locus.alleles:
            for phrase in (allele.name, *allele.synonyms):
                claim(phrase, f"allele {allele.name}")
            for phrase in allele.two_copies_synonyms:
                claim(phrase, f"look {allele.two_copies_name}")
        for compound in locus.compounds:
            for phrase in compound.synonyms:
                claim(phrase, f"compound {compound.name}")
    for combination in species.combinations:
        claim(combination.name, f"combination {combination.name}")
    for one in species.unnamed_lines:
        for phrase in (one.word, *one.synonyms):
            claim(phrase, f"unnamed line {one.word}")
    for appearance in species.appearances:
        # An appearance of one single look is that look, and may go by its name.
        only = next(iter(appearance.looks)) if len(appearance.looks) == 1 else ""
        for phrase in (appearance.name, *appearance.synonyms):
            claim(phrase, f"appearance {appearance.name}", shared_with=f"look {only}")
    one_name = {normalise(a.name) for locus in species.loci for a in locus.alleles if a.one_name}
    for phrase, owner in owners.items():
        several = _spelled_by(phrase.split(), owners.keys() - {phrase})
        if several and phrase not in (*reserved_words(), *one_name):
            raise CatalogueError(
                f"{place}, {owner}: '{phrase}' also reads as several names side by side; needed: a name that does not, "
                "or one_name = true in the allele that is meant by it"
            )
        if phrase in one_name and not several:
            raise CatalogueError(f"{place}, {owner}: 'one_name' of '{phrase}', which reads as one name already; needed: no one_name")


def _spelled_by(words: list[str], phrases: set[str]) -> bool:
    """Whether the words are nothing but phrases in a row."""
    return not words or any(
        " ".join(words[:n]) in phrases and _spelled_by(words[n:], phrases) for n in range(1, len(words) + 1)
    )


def _check_combinations(species: Species, place: str) -> None:
    from triage.species.shorthand import parse_parent

    for combination in species.combinations:
        try:
            parse_parent(species, combination.name, name=combination.name, sex=Sex.FEMALE)
        except (UnknownNameError, ShorthandError) as error:
            raise CatalogueError(
                f"{place}, combination {combination.name}: {error}; needed: genes of this species in trade shorthand"
            ) from error
