"""Trade shorthand for genes, in and out.

``parse_parent`` reads what a keeper knows of a breeding animal (``pastel, 66% het clown``), ``parse_call`` what is seen
of a hatchling (``pastel enchi``), and ``write_parent`` writes a parent back in catalogue order. Case, commas and
order do not matter. A gene named alone means one copy of a dominant or incomplete-dominant gene and two of a recessive.
"""

from __future__ import annotations

import itertools
import re
from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache

from triage.errors import ShorthandError, UnknownNameError
from triage.records import (
    NORMAL,
    Allele,
    Appearance,
    Combination,
    Genotype,
    GenotypePrior,
    LineStatement,
    Locus,
    Mode,
    Parent,
    Probability,
    Sex,
    Species,
    UnnamedLine,
    VisualCall,
)
from triage.species.names import nearest, normalise

#: The trade's rounded percentages that stand for exact thirds.
_THIRDS = {66: Fraction(2, 3), 33: Fraction(1, 3)}
_WILD_WORDS = ("normal", "wild type", "wild")
_MODIFIERS = {
    "het": "het",
    "heterozygous": "het",
    "super": "super",
    "homozygous": "homozygous",
    "visual": "visual",
    "possible": "possible",
    "poss": "possible",
    "male maker": "male maker",
    "female maker": "female maker",
}
_PERCENT = re.compile(r"(\d+)%")
#: A percentage as it is understood: by itself, whole, without a sign.
_WHOLE_PERCENT = re.compile(r"(?<![^\s,;/_])(?<![-+−–—][ _])\d{1,3}[ _]?%(?!%)")
#: More than anybody writes of one animal.
_LONGEST = 2000
_ON_FIRST, _ON_SECOND = "on first", "on second"


@dataclass(frozen=True, slots=True)
class _Statement:
    """One claim about one allele: ``copies`` (None: as its mode says when named alone), how sure, on which chromosome.

    Where the word may mean several loci, ``line`` says which, and ``allele`` is the word.
    """

    allele: str
    words: str
    copies: int | None
    probability: Fraction = Fraction(1)
    phase: str | None = None
    line: UnnamedLine | None = None

    @property
    def certain(self) -> bool:
        return self.probability == 1


@dataclass(frozen=True, slots=True)
class _Phrases:
    """What each known phrase of a species means, and the longest phrase in words."""

    meanings: Mapping[str, Allele | tuple[Allele, int] | Combination | Appearance | UnnamedLine | str]
    longest: int


@lru_cache(maxsize=16)
def _phrases(species: Species) -> _Phrases:
    meanings: dict[str, Allele | tuple[Allele, int] | Combination | Appearance | UnnamedLine | str] = {}
    for word, meaning in _MODIFIERS.items():
        meanings[word] = meaning
    for word in _WILD_WORDS:
        meanings[word] = NORMAL
    for appearance in species.appearances:
        for word in (appearance.name, *appearance.synonyms):
            meanings[normalise(word)] = appearance
    for combination in species.combinations:
        meanings[combination.name] = combination
    for line in species.unnamed_lines:
        for word in (line.word, *line.synonyms):
            meanings[normalise(word)] = line
    for locus in species.loci:
        for compound in locus.compounds:
            for word in compound.synonyms:
                meanings[normalise(word)] = Combination(normalise(word), " ".join(sorted(compound.alleles, key=locus.order)))
        for allele in locus.alleles:
            for word in (allele.name, *allele.synonyms):
                meanings[normalise(word)] = allele
            for word in allele.two_copies_synonyms:
                meanings[normalise(word)] = (allele, 2)
    return _Phrases(meanings, max(len(p.split()) for p in meanings))


def reserved_words() -> tuple[str, ...]:
    """Words that the parser itself uses and no gene may be called by."""
    return (*_MODIFIERS, *_WILD_WORDS)


def known_words(species: Species) -> tuple[str, ...]:
    """Every phrase the parser understands for a species, sorted."""
    return tuple(sorted(_phrases(species).meanings))


def parse_parent(species: Species, text: str, *, name: str, sex: Sex, origin: str | None = None) -> Parent:
    """What a keeper's shorthand says of a breeding animal.

    Parameters
    ----------
    text
        Shorthand such as ``pastel, 66% het clown``; empty or ``normal`` means wild type at every locus.
    name, sex
        Name and sex of the animal; the sex decides what a sex-linked gene can lie on.
    origin
        Where the animal comes from: a word for a line nobody named means one line for all of an origin.

    Raises
    ------
    UnknownNameError
        A word is unknown; the nearest known ones are given.
    ShorthandError
        Words that do not fit together: three alleles of one series, a gene both visual and het, a phase where there
        is none, an appearance that names no alleles.
    """
    text = _plain(text)
    by_locus: dict[str, list[_Statement]] = defaultdict(list)
    bare: list[_Statement] = []
    for statement in _statements(species, text, calls=False):
        if isinstance(statement, Appearance):
            example = _example_genes(species, statement)
            raise ShorthandError(
                f"'{statement.name}' in '{text}' does not say which alleles {name} carries; "
                f"needed: the alleles by name, for example '{example}'"
            )
        if statement.line is not None:
            bare.append(statement)
        else:
            by_locus[species.locus_of(statement.allele).name].append(statement)
    loci = {
        locus.name: _prior(locus, by_locus[locus.name], text, locus.sex_linked and sex is species.heterogametic)
        for locus in species.loci
        if locus.name in by_locus
    }
    lines = []
    for statement, left in _open_lines(bare, by_locus, text):
        given = {locus: {locus: _prior(species.locus(locus), [_of_line(statement, allele)], text, False)} for locus, allele, _ in left}
        total = sum(p for _, _, p in left)
        chances = [(n, p / total) for n, _, p in left] if origin is None else [(n, p) for n, _, p in statement.line.lines]
        lines.append(LineStatement(statement.line.word, tuple(chances), given, tuple(given), origin))
    return Parent(name, sex, loci, tuple(lines))


def _open_lines(
    bare: list[_Statement], named: Mapping[str, list[_Statement]], text: str
) -> Iterator[tuple[_Statement, list[tuple[str, str, Probability]]]]:
    """Each statement whose line is not named, with the lines it may mean: those that the same text does not name."""
    for one, other in itertools.combinations(bare, 2):
        if one.line is other.line:
            raise ShorthandError(f"'{text}' says both '{one.words}' and '{other.words}'; needed: the lines by name where there are two")
    for statement in bare:
        left = [line for line in statement.line.lines if line[0] not in named]
        if not left:
            raise ShorthandError(f"'{statement.words}' in '{text}' stands beside every line by name; needed: the lines alone")
        yield statement, left


def _of_line(statement: _Statement, allele: str) -> _Statement:
    return replace(statement, allele=allele, line=None)


def parse_call(species: Species, text: str) -> tuple[VisualCall, ...]:
    """The visual calls that a keeper's words describe: one, or several where the words name an appearance.

    Raises
    ------
    UnknownNameError
        A word is unknown.
    ShorthandError
        The words speak of what cannot be seen ("het clown", "66%"), or do not fit together.
    """
    text = _plain(text)
    by_locus: dict[str, list[_Statement]] = defaultdict(list)
    alternatives: dict[str, Appearance] = {}
    bare: list[_Statement] = []
    for statement in _statements(species, text, calls=True):
        if isinstance(statement, Appearance):
            alternatives[statement.locus] = statement
        elif statement.line is not None:
            bare.append(statement)
        else:
            by_locus[species.locus_of(statement.allele).name].append(statement)
    looks: dict[str, list[str]] = {}
    for locus in species.loci:
        if locus.name in alternatives:
            if locus.name in by_locus:
                raise ShorthandError(
                    f"'{text}' names both '{alternatives[locus.name].name}' and '{by_locus[locus.name][0].words}', "
                    f"which lie at one locus; needed: one of them"
                )
            looks[locus.name] = sorted(alternatives[locus.name].looks)
        elif locus.name in by_locus:
            prior = _prior(locus, by_locus[locus.name], text, False)
            looks[locus.name] = [locus.look(prior.states[0][0])]
    found = [dict(zip(looks, chosen, strict=True)) for chosen in itertools.product(*looks.values())]
    for statement, left in _open_lines(bare, by_locus, text):
        words = {}
        for n, allele, _ in left:
            words[n] = species.locus(n).look(_prior(species.locus(n), [_of_line(statement, allele)], text, False).states[0][0])
        some = [dict(chosen) for k in range(1, len(words) + 1) for chosen in itertools.combinations(words.items(), k)]
        found = [{**one, **shown} for one in found for shown in some]
    return tuple(species.call_of(one) for one in found)


def _plain(text: str) -> str:
    """The text on one line without control characters, so that an error message that quotes it stays one line too; ShorthandError
    for one too long, or with a percentage that would be taken for another."""
    if len(text) > _LONGEST:
        raise ShorthandError(f"'{_plain(text[:40])}...' has {len(text):,} characters; needed: genes in at most {_LONGEST:,}")
    text = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    wrong = re.search(r"(?:[-+−–—] )?\S*%\S*", _WHOLE_PERCENT.sub("", text))
    if wrong:
        raise ShorthandError(
            f"'{wrong[0]}' in '{text}' is no chance; needed: a whole number from 0% to 100%, without a sign and apart from other words"
        )
    return text


def _statements(species: Species, text: str, *, calls: bool) -> Iterator[_Statement | Appearance]:
    phrases = _phrases(species)
    for part in re.split(r"[,;/]", text):
        words = normalise(re.sub(r"(\d+)\s*%", r" \1% ", part)).split()
        position, said = 0, []
        while position < len(words):
            match = _PERCENT.fullmatch(words[position])
            if match:
                said.append(match)
                position += 1
                continue
            length, meaning = _longest(phrases, words, position)
            if meaning is None:
                _refuse_unknown(species, words, position, text)
            phrase = " ".join(words[position : position + length])
            position += length
            if isinstance(meaning, str) and meaning != NORMAL:
                said.append(meaning)
                continue
            yield from _state(species, meaning, phrase, said, text, calls)
            said = []
        if said:
            words_said = " ".join(m.group(0) if isinstance(m, re.Match) else m for m in said)
            raise ShorthandError(f"'{words_said}' in '{text}' stands before no gene; needed: a gene name after it")


def _longest(phrases: _Phrases, words: list[str], position: int):
    for length in range(min(phrases.longest, len(words) - position), 0, -1):
        meaning = phrases.meanings.get(" ".join(words[position : position + length]))
        if meaning is not None:
            return length, meaning
    return 0, None


def _refuse_unknown(species: Species, words: list[str], position: int, text: str) -> None:
    known = known_words(species)
    close: list[str] = []
    for length in (3, 2, 1):
        close += nearest(" ".join(words[position : position + length]), known)
    close = list(dict.fromkeys(close))[:3]
    hint = f"did you mean {' or '.join(repr(c) for c in close)}?" if close else "see 'triage genes' for the known ones"
    raise UnknownNameError(f"'{words[position]}' in '{text}' is no known gene of the {species.name}; {hint}")


def _state(
    species: Species,
    meaning: Allele | tuple[Allele, int] | Combination | Appearance | UnnamedLine | str,
    phrase: str,
    said: list,
    text: str,
    calls: bool,
) -> Iterator[_Statement | Appearance]:
    words = " ".join([*(m.group(0) if isinstance(m, re.Match) else m for m in said), phrase])
    if meaning == NORMAL or isinstance(meaning, (Combination, Appearance)):
        if said:
            raise ShorthandError(f"'{words}' in '{text}' makes no sense; needed: '{phrase}' alone, or the genes one by one")
        if isinstance(meaning, Combination):
            yield from _statements(species, meaning.genes, calls=calls)
        elif isinstance(meaning, Appearance):
            yield meaning
        return
    if isinstance(meaning, UnnamedLine):
        locus, allele, _ = meaning.lines[0]
        stated = _modified(replace(species.locus(locus).allele(allele), name=meaning.word), None, words, said, text, calls)
        yield replace(stated, line=meaning)
        return
    allele, fixed_copies = meaning if isinstance(meaning, tuple) else (meaning, None)
    yield _modified(allele, fixed_copies, words, said, text, calls)


def _modified(
    allele: Allele, fixed_copies: int | None, words: str, said: list, text: str, calls: bool
) -> _Statement:
    percents = [int(m.group(1)) for m in said if isinstance(m, re.Match)]
    flags = [m for m in said if isinstance(m, str)]
    if len(percents) > 1 or len(set(flags)) != len(flags):
        raise ShorthandError(f"'{words}' in '{text}' says one thing twice; needed: one percentage and each word once")
    if percents and percents[0] > 100:
        raise ShorthandError(f"'{words}' in '{text}': {percents[0]}% is more than certain; needed: 0% to 100%")
    copies, phase, probability = fixed_copies, None, Fraction(1)
    number = {"super": 2, "homozygous": 2, "het": 1}
    stated = [f for f in flags if f in number]
    if len(stated) > 1 or (stated and fixed_copies is not None):
        raise ShorthandError(f"'{words}' in '{text}' contradicts itself; needed: one of het, super or homozygous")
    if stated:
        copies = number[stated[0]]
    if "super" in flags and allele.mode is Mode.RECESSIVE:
        raise ShorthandError(f"'{words}' in '{text}': {allele.name} is recessive and has no super; needed: '{allele.name}'")
    if "male maker" in flags or "female maker" in flags:
        if copies == 2:
            raise ShorthandError(f"'{words}' in '{text}': two copies lie on both chromosomes; leave the maker word out")
        phase = _ON_SECOND if "male maker" in flags else _ON_FIRST
        copies = 1
    if percents or "possible" in flags:
        if calls:
            raise ShorthandError(f"'{words}' in '{text}' is no visual call; needed: what is seen, without chances")
        if copies is None:
            raise ShorthandError(
                f"'{words}' in '{text}' does not say what is uncertain; needed: for example "
                f"'66% het {allele.name}' or 'possible homozygous {allele.name}'"
            )
        if copies == 1 and not percents:
            rest = words.replace("possible ", "")
            raise ShorthandError(f"'{words}' in '{text}' needs its chance; write '66% {rest}' or another percentage")
        if copies == 2 and allele.mode is Mode.RECESSIVE:
            raise ShorthandError(
                f"'{words}' in '{text}': {allele.name} is recessive, so two copies show; needed: '{allele.name}' or '66% het {allele.name}'"
            )
        percent = percents[0] if percents else 50
        probability = _THIRDS.get(percent, Fraction(percent, 100))
    if calls and phase is not None:
        raise ShorthandError(f"'{words}' in '{text}' is no visual call: the chromosome cannot be seen; needed: '{allele.name}'")
    if calls and copies == 1 and allele.one_copy_name is None:
        raise ShorthandError(f"'{words}' in '{text}' is no visual call: one copy of {allele.name} cannot be seen; leave it out")
    return _Statement(allele.name, words, copies, probability, phase)


def _prior(locus: Locus, statements: list[_Statement], text: str, by_chromosome: bool) -> GenotypePrior:
    statements = _resolve_copies(locus, statements, text)
    for statement in statements:
        if statement.phase is not None and not by_chromosome:
            why = "is not sex-linked" if not locus.sex_linked else "is for the sex with two kinds of sex chromosome"
            raise ShorthandError(f"'{statement.words}' in '{text}': a maker word {why}; needed: '{statement.allele}'")
    outcomes: list[tuple[Fraction, list[tuple[str, str | None]]]] = [(Fraction(1), [])]
    for s in statements:
        grown = []
        for weight, alleles in outcomes:
            yes = [*alleles, *[(s.allele, s.phase)] * s.copies]
            no = [*alleles, *([(s.allele, None)] if s.copies == 2 else [])]
            grown.append((weight * s.probability, yes))
            grown.append((weight * (1 - s.probability), no))
        outcomes = [(w, a) for w, a in grown if w > 0]
    states: dict[Genotype, Fraction] = defaultdict(Fraction)
    for weight, alleles in outcomes:
        for genotype, share in _genotypes(locus, alleles, by_chromosome, text):
            states[genotype] += weight * share
    return GenotypePrior(tuple(sorted(states.items())))


def _resolve_copies(locus: Locus, statements: list[_Statement], text: str) -> list[_Statement]:
    """Copies of genes named alone, after refusing what one animal cannot be."""
    for one, other in itertools.combinations(statements, 2):
        if one.allele == other.allele:
            raise ShorthandError(
                f"'{text}' says both '{one.words}' and '{other.words}'; needed: one of them for one animal"
            )
    side_by_side = len(statements) == 2 and all(s.copies is None for s in statements)
    resolved = []
    for s in statements:
        alone = 2 if locus.allele(s.allele).mode is Mode.RECESSIVE and not side_by_side else 1
        resolved.append(s if s.copies is not None else _Statement(s.allele, s.words, alone, s.probability, s.phase))
    if sum(s.copies for s in resolved) > 2:
        named = " and ".join(f"'{s.words}'" for s in statements)
        raise ShorthandError(
            f"'{text}': {named} lie at one locus ({locus.name}) and make more than two alleles; "
            f"needed: at most two, for example '{' '.join(s.allele for s in statements[:2])}' for the compound"
        )
    if sum(not s.certain for s in resolved) > 1:
        named = " and ".join(f"'{s.words}'" for s in statements)
        raise ShorthandError(
            f"'{text}': {named} are two chances at one locus ({locus.name}), and the words do not say how they go together; "
            f"needed: at most one"
        )
    return resolved


def _genotypes(
    locus: Locus, alleles: list[tuple[str, str | None]], by_chromosome: bool, text: str
) -> Iterator[tuple[Genotype, Fraction]]:
    padded = [*alleles, *[(NORMAL, None)] * (2 - len(alleles))]
    (a, a_phase), (b, b_phase) = padded
    if not by_chromosome:
        yield Genotype(a, b), Fraction(1)
        return
    if a_phase is not None and a_phase == b_phase:
        raise ShorthandError(f"'{text}': both alleles of {locus.name} cannot lie on the same chromosome")
    if a_phase == _ON_FIRST or b_phase == _ON_SECOND:
        yield Genotype(a, b, True), Fraction(1)
    elif a_phase == _ON_SECOND or b_phase == _ON_FIRST:
        yield Genotype(b, a, True), Fraction(1)
    else:
        yield Genotype(a, b, True), Fraction(1, 2)
        yield Genotype(b, a, True), Fraction(1, 2)


def _example_genes(species: Species, appearance: Appearance) -> str:
    return min(appearance.looks, key=lambda look: (look.startswith("super"), len(look), look))


def write_parent(species: Species, parent: Parent) -> str:
    """A parent in canonical shorthand, genes in catalogue order; reading it back gives the same parent.

    Raises
    ------
    ShorthandError
        The probabilities have no name in shorthand (an updated posterior, say).
    """
    words = []
    at_first = {one.loci[0]: one for one in parent.lines}
    by_line = {locus for one in parent.lines for locus in one.loci}
    for locus in species.loci:
        if locus.name in at_first:
            words.append(_write_line(species, parent, at_first[locus.name]))
        prior = parent.loci.get(locus.name)
        if prior is None or locus.name in by_line:
            continue
        said = _write_locus(locus, prior, locus.sex_linked and parent.sex is species.heterogametic)
        if said is None:
            raise ShorthandError(f"{parent.name}, {locus.name}: these probabilities have no name in trade shorthand")
        if said:
            words.append(said)
    return ", ".join(words) or NORMAL


def _write_line(species: Species, parent: Parent, stated: LineStatement) -> str:
    """The word that stands for one of several lines, with what is said of it."""
    line = next((one for one in species.unnamed_lines if one.word == stated.word), None)
    for locus, allele, _ in line.lines if line is not None else ():
        said = _write_locus(species.locus(locus), stated.at(locus, locus), False) if locus in stated.given else None
        if not said:
            continue
        named = ", ".join(f"het {other}" for n, other, _ in line.lines if n not in stated.loci)
        words = said.replace(allele, line.word)
        back = parse_parent(species, f"{words}, {named}" if named else words, name=parent.name, sex=parent.sex, origin=stated.origin)
        if back.lines == (stated,):
            return words
    raise ShorthandError(f"{parent.name}, {stated.word}: what is known of its lines has no name in trade shorthand")


def _write_locus(locus: Locus, prior: GenotypePrior, by_chromosome: bool) -> str | None:
    """The words that parse to exactly this prior, found by trying those that could; None where there are none."""
    states = {g: _as_typed(p) for g, p in prior.states if p > 0}
    if set(states) <= {Genotype(NORMAL, NORMAL), Genotype(NORMAL, NORMAL, True)}:
        return ""
    present = sorted({a for g in states for a in g.alleles} - {NORMAL}, key=locus.order)
    for words in _candidate_words(locus, present, set(states.values())):
        try:
            statements = list(_locus_statements(locus, words))
            found = _prior(locus, statements, " ".join(words), by_chromosome)
        except ShorthandError:
            continue
        if {g: p for g, p in found.states if p > 0} == states:
            return ", ".join(words) if any(w.split()[0] in ("het",) or "%" in w for w in words) else " ".join(words)
    return None


def _as_typed(p: Probability) -> Probability:
    """A computed 0.6666666666666666 as the 2/3 it stands for; other numbers as they are."""
    near = Fraction(p).limit_denominator(1000)
    return near if abs(float(near) - float(p)) < 1e-12 else p


def _candidate_words(locus: Locus, present: list[str], probabilities: set) -> Iterator[tuple[str, ...]]:
    percents = sorted({n for n in range(101) if _THIRDS.get(n, Fraction(n, 100)) in probabilities})
    single: list[str] = []
    for name in present:
        recessive = locus.allele(name).mode is Mode.RECESSIVE
        doubled = "super" if locus.allele(name).mode is Mode.INCOMPLETE_DOMINANT else "homozygous"
        one = [f"het {name}", name] if recessive else [name]
        two = [name] if recessive else [f"{doubled} {name}"]
        single += [*one, *two, f"female-maker {name}", f"male-maker {name}"]
        single += [f"{p}% het {name}" for p in percents]
        single += [f"{p}% possible {doubled} {name}" for p in percents if not recessive]
    yield from ((word,) for word in dict.fromkeys(single))
    yield from (pair for pair in itertools.permutations(dict.fromkeys(single), 2))


def _locus_statements(locus: Locus, words: tuple[str, ...]) -> Iterator[_Statement]:
    for word in words:
        said = normalise(word)
        longest_first = sorted(locus.allele_names, key=len, reverse=True)
        name = next(n for n in longest_first if said.endswith(normalise(n)))
        text = said.removesuffix(normalise(name))
        modifiers: list = []
        for token in re.findall(r"\d+%|male maker|female maker|\S+", text):
            modifiers.append(_PERCENT.fullmatch(token) or _MODIFIERS[token])
        yield _modified(locus.allele(name), None, said, modifiers, said, calls=False)
