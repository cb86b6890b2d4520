"""Turn the catalogue into plain data for display: a list of genes, and all that is known of one name.

Pure functions: they read a species and return frozen records of texts. The command line and the app draw them.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from dataclasses import asdict, dataclass

from triage.errors import ShorthandError, UnknownNameError
from triage.records import (
    NORMAL,
    Allele,
    Appearance,
    Compound,
    Evidence,
    Genotype,
    Grade,
    Locus,
    Lookalike,
    Mode,
    SecondReading,
    Sex,
    Species,
    VisualCall,
    unique,
)
from triage.species.cautions import keys_with_partners
from triage.species.loader import load_sources
from triage.species.names import nearest, normalise
from triage.species.shorthand import known_words, parse_call, parse_parent, reserved_words, write_parent

NOT_RECORDED = "not recorded"
LOOKS_WILD = "looks like the wild type"
_GRADES = {
    Grade.PEER_REVIEWED: "published",
    Grade.BREEDING_RECORD: "a breeding record",
    Grade.KEEPER_CONSENSUS: "common practice",
    Grade.SINGLE_CLAIM: "one claim",
    Grade.DISPUTED: "disputed",
}
#: How far a source was read, where that is less than its abstract.
_READ = {"practice": ", no source", "second_hand": ", read second hand", "not_read": ", not read"}
_SECOND = {SecondReading.AGREES: "agrees", SecondReading.AMENDED: "amended it", SecondReading.ADDED: "added it"}
OWN = "of your own"


@dataclass(frozen=True, slots=True)
class CautionText:
    """A caution with the source it rests on, both as texts to show."""

    text: str
    citation: str


@dataclass(frozen=True, slots=True)
class CitedFact:
    """What one source says: ``supports`` is the kind of fact, ``says`` who says so and how sure, ``read`` how far the source was read."""

    supports: str
    says: str
    grade: str
    citation: str
    read: str
    doi: str = ""
    link: str = ""
    place: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class CheckedFact:
    """A fact that a second reader checked: of which gene, series, name or species, and what they made of it.

    ``sure`` is in percent, None where they gave no number.
    """

    of: str
    supports: str
    second: str
    sure: int | None
    says: str
    note: str


@dataclass(frozen=True, slots=True)
class LookalikeText:
    """Two calls that are taken for one another; ``settled_by`` says what, if anything, tells them apart."""

    first: str
    second: str
    look_for: str
    settled_by: str


@dataclass(frozen=True, slots=True)
class CombinationName:
    """A trade name and the genes it stands for."""

    name: str
    genes: str


@dataclass(frozen=True, slots=True)
class GeneSummary:
    """One line of the gene list. ``grade`` is the best grade among the sources of its mode; ``own`` marks a gene of the keeper's own."""

    name: str
    locus: str
    series: bool
    mode: str
    sex_linked: bool
    subtle: bool
    two_copies: str
    look_for: str
    grade: str
    has_cautions: bool
    own: bool = False


@dataclass(frozen=True, slots=True)
class CompoundExplanation:
    """Two different alleles of one series in one animal."""

    kind: str
    name: str
    species: str
    locus: str
    alleles: tuple[str, ...]
    synonyms: tuple[str, ...]
    look_for: str
    looks_like: str
    hatches: str
    lookalikes: tuple[LookalikeText, ...]
    cautions: tuple[CautionText, ...]
    facts: tuple[CitedFact, ...]


@dataclass(frozen=True, slots=True)
class GeneExplanation:
    """All that the catalogue knows of one gene."""

    kind: str
    name: str
    species: str
    locus: str
    synonyms: tuple[str, ...]
    mode: str
    inheritance: tuple[str, ...]
    one_copy: str
    look_for: str
    two_copies: str
    two_copies_synonyms: tuple[str, ...]
    two_copies_look_for: str
    subtle: bool
    says: tuple[str, ...]
    series: tuple[str, ...]
    compounds: tuple[CompoundExplanation, ...]
    lookalikes: tuple[LookalikeText, ...]
    combinations: tuple[CombinationName, ...]
    cautions: tuple[CautionText, ...]
    notes: tuple[str, ...]
    facts: tuple[CitedFact, ...]
    own: bool = False


@dataclass(frozen=True, slots=True)
class AppearanceExplanation:
    """Several looks of one locus that cannot be told apart by eye."""

    kind: str
    name: str
    species: str
    locus: str
    synonyms: tuple[str, ...]
    looks: tuple[str, ...]
    says: tuple[str, ...]
    lookalikes: tuple[LookalikeText, ...]
    cautions: tuple[CautionText, ...]
    facts: tuple[CitedFact, ...]


@dataclass(frozen=True, slots=True)
class CombinationExplanation:
    """Several genes in one animal, by a trade name or by shorthand."""

    kind: str
    name: str
    species: str
    genes: str
    other_names: tuple[str, ...]
    parts: tuple[GeneExplanation, ...]
    lookalikes: tuple[LookalikeText, ...]
    cautions: tuple[CautionText, ...]
    facts: tuple[CitedFact, ...]


Explanation = GeneExplanation | CompoundExplanation | AppearanceExplanation | CombinationExplanation


def list_genes(species: Species) -> tuple[GeneSummary, ...]:
    """Every gene of a species in catalogue order."""
    return tuple(_summary(species, locus, allele) for locus in species.loci for allele in locus.alleles)


def list_combinations(species: Species) -> tuple[CombinationName, ...]:
    """Every trade combination name of a species with its genes."""
    return tuple(CombinationName(c.name, c.genes) for c in species.combinations)


def who_says(fact: Evidence) -> str:
    """Who says so and how sure: "common practice, no source; second reader agrees, 85 % sure"."""
    second = "" if fact.second is None else f"; second reader {_SECOND[fact.second]}"
    sure = "" if fact.sure is None else f", {fact.sure} % sure"
    return _GRADES[fact.grade] + _READ.get(load_sources()[fact.source].read, "") + second + sure


def fact_in_words(fact: CitedFact) -> str:
    """A fact on one line: its kind, who says so, the source where there is one, and what is to be said of it."""
    source = "" if fact.read == "practice" else f"{fact.citation}{f' doi:{fact.doi}' if fact.doi else ''}"
    parts = (f"{fact.supports.replace('_', ' ')}: {fact.says}", source, fact.note)
    return ". ".join(part.removesuffix(".") for part in parts if part)


def second_reading(species: Species) -> tuple[CheckedFact, ...]:
    """Every fact of a species that was read a second time, in catalogue order."""
    return tuple(
        CheckedFact(of, fact.supports, fact.second.value, fact.sure, who_says(fact), fact.note)
        for of, fact in _all_facts(species)
        if fact.second is not None
    )


def _all_facts(species: Species) -> Iterator[tuple[str, Evidence]]:
    owners = [species, *(one for locus in species.loci for one in (locus, *locus.alleles)), *species.combinations]
    named = [(owner.name, owner.evidence) for owner in owners]
    named += [(f"what {sorted(one.looks)[0]} hides", one.evidence) for one in species.hidings]
    named += [(" with ".join(one.genes), one.evidence) for one in species.together]
    return ((name, fact) for name, evidence in named for fact in evidence)


def explain(species: Species, name: str) -> Explanation:
    """All that the catalogue knows of a gene, a compound, an appearance or a combination, by any of its names.

    Parameters
    ----------
    name
        A gene or a synonym, a homozygous form (``ivory``), a compound (``lesser mojave``), an appearance
        (``blue-eyed leucistic``), a trade combination (``firefly``), or several genes in shorthand (``pastel fire``).

    Raises
    ------
    UnknownNameError
        Nothing goes by that name; the nearest known names are given.
    ShorthandError
        The words are known but do not fit together, such as three alleles of one series.
    """
    wanted = normalise(name)
    for locus in species.loci:
        for allele in locus.alleles:
            names = (allele.name, allele.one_copy_name or allele.name, allele.two_copies_name)
            if wanted in map(normalise, (*names, *allele.synonyms, *allele.two_copies_synonyms)):
                return _gene(species, locus, allele)
    for appearance in species.appearances:
        if wanted in map(normalise, (appearance.name, *appearance.synonyms)):
            return _appearance(species, appearance)
    for locus in species.loci:
        for compound in locus.compounds:
            if wanted in map(normalise, (compound.name, *compound.synonyms)):
                return _compound(species, locus, compound)
    if wanted in map(normalise, (locus.name for locus in species.loci)):
        members = next(x for x in species.loci if normalise(x.name) == wanted).allele_names
        raise UnknownNameError(f"'{name}' is a series of genes; needed: one of its members: {', '.join(members)}")
    return _combination(species, name)


def as_data(record: object) -> dict:
    """A record of this module as plain dictionaries and lists, ready for JSON; unions are told apart by ``kind``."""
    return _plain(asdict(record))


def _plain(value):
    if isinstance(value, dict):
        return {k: _plain(v) for k, v in value.items()}
    return [_plain(v) for v in value] if isinstance(value, (list, tuple)) else value


def _summary(species: Species, locus: Locus, allele: Allele) -> GeneSummary:
    return GeneSummary(
        name=allele.name,
        locus=locus.name,
        series=len(locus.alleles) > 1,
        mode=allele.mode.value,
        sex_linked=locus.sex_linked,
        subtle=allele.subtle,
        two_copies=_two_copies(allele),
        look_for=allele.look_for,
        grade=_best_grade(allele),
        has_cautions=bool(keys_with_partners(species, locus, Genotype(allele.name, allele.name))),
        own=allele.own,
    )


def _two_copies(allele: Allele) -> str:
    """What to call an animal with two copies, by its own trade name where it has one."""
    if allele.two_copies_hatch_rate == 0:
        return "not seen"
    if allele.mode is Mode.DOMINANT:
        return "looks like one copy"
    return allele.two_copies_synonyms[0] if allele.two_copies_synonyms else allele.two_copies_name


def _best_grade(allele: Allele) -> str:
    if allele.own:
        return OWN
    strongest_first = (Grade.PEER_REVIEWED, Grade.BREEDING_RECORD, Grade.KEEPER_CONSENSUS, Grade.SINGLE_CLAIM, Grade.DISPUTED)
    grades = {e.grade for e in allele.evidence if e.supports == "mode"}
    return next(g.value for g in strongest_first if g in grades)


def _gene(species: Species, locus: Locus, allele: Allele) -> GeneExplanation:
    looks = {allele.one_copy_name or "", allele.two_copies_name} - {""}
    return GeneExplanation(
        kind="gene",
        name=allele.name,
        species=species.name,
        locus=locus.name,
        synonyms=allele.synonyms,
        mode=allele.mode.value,
        inheritance=_inheritance(species, locus, allele),
        one_copy=allele.one_copy_name or LOOKS_WILD,
        look_for=allele.look_for,
        two_copies=allele.two_copies_name,
        two_copies_synonyms=allele.two_copies_synonyms,
        two_copies_look_for=_two_copies_look_for(allele),
        subtle=allele.subtle,
        says=_hiding_says(species, locus.name, looks),
        series=tuple(n for n in locus.allele_names if n != allele.name),
        compounds=tuple(_compound(species, locus, c) for c in locus.compounds if allele.name in c.alleles),
        lookalikes=_lookalikes(species, lambda call: call.look(locus.name) in looks),
        combinations=tuple(
            CombinationName(c.name, c.genes)
            for c in species.combinations
            if _carries(species, c.genes, locus.name, allele.name)
        ),
        cautions=_cautions(species, keys_with_partners(species, locus, Genotype(allele.name, allele.name))),
        notes=tuple(n for n in (allele.notes, locus.notes) if n),
        facts=_facts((*allele.evidence, *locus.evidence, *_hiding_evidence(species, locus.name, looks))),
        own=allele.own,
    )


def _hiding_says(species: Species, locus: str, looks: Collection[str]) -> tuple[str, ...]:
    """What animals of these looks hide, each look named where it is not the only one."""
    found = [(one, one.looks.intersection(looks)) for one in species.hidings if one.locus == locus]
    return unique(one.says if len(same) > 3 else f"{' or '.join(sorted(same))}: {one.says}" for one, same in found if same)


def _hiding_evidence(species: Species, locus: str, looks: Collection[str]) -> tuple[Evidence, ...]:
    return tuple(fact for one in species.hidings if one.locus == locus and one.looks.intersection(looks) for fact in one.evidence)


def _two_copies_look_for(allele: Allele) -> str:
    if allele.two_copies_look_for:
        return allele.two_copies_look_for
    if allele.two_copies_hatch_rate == 0:
        return "Not seen: eggs with two copies are held not to hatch."
    if allele.mode is Mode.INCOMPLETE_DOMINANT:
        return NOT_RECORDED
    return allele.look_for


def _inheritance(species: Species, locus: Locus, allele: Allele) -> tuple[str, ...]:
    """How the gene is passed on and shows, one sentence each."""
    said = []
    if allele.mode is Mode.RECESSIVE:
        if allele.one_copy_name is None:
            said.append(f"Shows only in animals with two copies; one copy ('het {allele.name}') cannot be seen.")
        else:
            said.append(f"Shows fully with two copies; one copy ('{allele.one_copy_name}') can be seen as well.")
    elif allele.mode is Mode.INCOMPLETE_DOMINANT:
        said.append(f"One copy shows; two copies ('{allele.two_copies_name}') look different again.")
    elif allele.two_copies_hatch_rate > 0:
        said.append("One copy shows, and two copies look the same: only breeding tells one from the other.")
    else:
        said.append("One copy shows.")
    if allele.two_copies_hatch_rate == 0:
        held = unique(who_says(e) for e in allele.evidence if e.supports == "viability") or ("not recorded who says so",)
        said.append(f"Animals with two copies are taken not to hatch ({' / '.join(held)}): two carriers lose about one egg in four.")
    elif allele.two_copies_hatch_rate < 1:
        said.append(f"Of eggs with two copies about {allele.two_copies_hatch_rate:.0%} hatch.")
    if len(locus.alleles) > 1:
        others = ", ".join(n for n in locus.allele_names if n != allele.name)
        said.append(f"One of a series with {others}: no animal carries more than two alleles of it.")
    if locus.crossover is not None:
        shared, own = species.sex_chromosomes
        said.append(
            f"Sex-linked: lies on the {shared} or the {own} chromosome of a {species.heterogametic.value} carrier, and "
            f"changes between them in about {locus.crossover:.0%} of gametes."
        )
    return tuple(said)


def _carries(species: Species, genes: str, locus: str, allele: str) -> bool:
    known = parse_parent(species, genes, name="", sex=Sex.FEMALE).loci.get(locus)
    return known is not None and any(g.copies(allele) for g, p in known.states if p > 0)


def _compound(species: Species, locus: Locus, compound: Compound) -> CompoundExplanation:
    alike = [a.name for a in species.appearances if a.locus == locus.name and compound.name in a.looks]
    members = [locus.allele(a) for a in sorted(compound.alleles, key=locus.order)]
    cautions = keys_with_partners(species, locus, Genotype(*(a.name for a in members)))
    return CompoundExplanation(
        kind="compound",
        name=compound.name,
        species=species.name,
        locus=locus.name,
        alleles=tuple(a.name for a in members),
        synonyms=compound.synonyms,
        look_for=compound.look_for or NOT_RECORDED,
        looks_like=alike[0] if alike else "",
        hatches="" if compound.hatch_rate == 1 else f"about {compound.hatch_rate:.0%} of such eggs hatch",
        lookalikes=_lookalikes(species, lambda call: call.look(locus.name) == compound.name),
        cautions=_cautions(species, cautions),
        facts=_facts((*locus.evidence, *_hiding_evidence(species, locus.name, {compound.name}))),
    )


def _appearance(species: Species, appearance: Appearance) -> AppearanceExplanation:
    locus = species.locus(appearance.locus)
    looks = [g for g in locus.genotypes() if locus.look(g) in appearance.looks]
    return AppearanceExplanation(
        kind="appearance",
        name=appearance.name,
        species=species.name,
        locus=locus.name,
        synonyms=appearance.synonyms,
        looks=unique(locus.look(g) for g in looks),
        says=_hiding_says(species, locus.name, appearance.looks),
        lookalikes=_lookalikes(species, lambda call: call.look(locus.name) in appearance.looks),
        cautions=_cautions(species, unique(key for genotype in looks for key in keys_with_partners(species, locus, genotype))),
        facts=_facts((*locus.evidence, *_hiding_evidence(species, locus.name, appearance.looks))),
    )


def _combination(species: Species, name: str) -> CombinationExplanation | GeneExplanation | CompoundExplanation:
    try:
        parent = parse_parent(species, name, name=name, sex=species.heterogametic)
    except UnknownNameError as error:
        compounds = (c.name for locus in species.loci for c in locus.compounds)
        close = nearest(name, {*known_words(species), *compounds} - set(reserved_words()))
        hint = (
            f"did you mean {' or '.join(repr(c) for c in close)}?" if close else "see 'triage genes' for the known ones"
        )
        raise UnknownNameError(f"'{name}' is no known gene or combination of the {species.name}; {hint}") from error
    if not parent.loci:
        raise UnknownNameError(f"'{name}' names no gene of the {species.name}; needed: a gene or a combination")
    carried = [
        (locus, locus.allele(allele))
        for locus in species.loci
        if locus.name in parent.loci
        for allele in locus.allele_names
        if any(g.copies(allele) for g, p in parent.loci[locus.name].states if p > 0)
    ]
    if len(carried) == 1:
        return _gene(species, *carried[0])
    locus = carried[0][0]
    if len(carried) == 2 and locus is carried[1][0]:
        pair = (carried[0][1].name, carried[1][1].name)
        unnamed = Compound(frozenset(pair), locus.compound_name(*pair))
        return _compound(species, locus, locus.compound(*pair) or unnamed)
    named = [c for c in species.combinations if normalise(c.name) == normalise(name)]
    genes = write_parent(species, parent)
    same = [
        c.name
        for c in species.combinations
        if write_parent(species, parse_parent(species, c.genes, name="", sex=species.heterogametic)) == genes
    ]
    parts = tuple(_gene(species, *one) for one in carried)
    return CombinationExplanation(
        kind="combination",
        name=named[0].name if named else genes,
        species=species.name,
        genes=genes,
        other_names=tuple(n for n in same if not named or n != named[0].name),
        parts=parts,
        lookalikes=_lookalikes(species, lambda call: call == _seen(species, name)),
        cautions=tuple(dict.fromkeys(c for part in parts for c in part.cautions)),
        facts=_facts(e for c in named for e in c.evidence),
    )


def _seen(species: Species, name: str) -> VisualCall | None:
    """The one call that a combination shows, or None where its words say more or less than that."""
    try:
        calls = parse_call(species, name)
    except ShorthandError:
        return None
    return calls[0] if len(calls) == 1 else None


def _lookalikes(species: Species, concerns) -> tuple[LookalikeText, ...]:
    return tuple(_lookalike_text(x) for x in species.lookalikes if concerns(x.first) or concerns(x.second))


def _lookalike_text(pair: Lookalike) -> LookalikeText:
    if pair.photo_can_tell:
        settled = "a good photo or the first shed may settle it"
    else:
        settled = "only breeding" if pair.breeding_only else "nothing: go by what the parents are recorded as"
    return LookalikeText(str(pair.first) or NORMAL, str(pair.second) or NORMAL, pair.look_for, settled)


def _cautions(species: Species, keys: Iterable[str]) -> tuple[CautionText, ...]:
    sources = load_sources()
    found = (species.caution(key) for key in keys)
    return tuple(CautionText(c.text, sources[c.source].citation) for c in found)


def _facts(evidence: Iterable[Evidence]) -> tuple[CitedFact, ...]:
    sources = load_sources()
    return tuple(
        CitedFact(
            supports=e.supports,
            says=who_says(e),
            grade=e.grade.value,
            citation=sources[e.source].citation,
            read=sources[e.source].read,
            doi=sources[e.source].doi,
            link=sources[e.source].link,
            place=e.place,
            note=e.note,
        )
        for e in evidence
    )
