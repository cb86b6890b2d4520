"""Frozen value types that every part shares; they check themselves when built.

Alleles and loci are identified by their plain trade names in lower case ("yellow belly"). The wild-type allele
is called ``normal`` at every locus.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from fractions import Fraction
from types import MappingProxyType

NORMAL = "normal"

#: Chance that several named sires share a clutch where nobody says otherwise; a setting, below most published shares.
MIXED = 0.5

#: A probability given exactly where it can be (2/3) and as a float where it was typed as one (0.8).
Probability = Fraction | float


@dataclass(frozen=True, slots=True)
class Range:
    """What a number may be, once for every door it can come in by: forms, commands, sheets, records, data files.

    From ``low`` to ``high``, ``low`` itself excluded where it is ``above``; never a truth value, never infinite.
    """

    low: float
    high: float = math.inf
    above: bool = False

    def holds(self, value: object) -> bool:
        if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) <= sys.float_info.max:
            return False
        return (self.low < value if self.above else self.low <= value) and value <= self.high

    @property
    def words(self) -> str:
        """What is needed, for a refusal."""
        if self.high < 1e300:
            return f"a number above {self.low:g}, up to {self.high:g}" if self.above else f"a number from {self.low:g} to {self.high:g}"
        if self.low <= -1e300:
            return "a number"
        return f"a number above {self.low:g}" if self.above else f"a number of {self.low:g} or more"


class Sex(StrEnum):
    """Sex of an animal; the trade writes 1.0 for a male, 0.1 for a female and 0.0.1 for unsexed."""

    FEMALE = "female"
    MALE = "male"


class Mode(StrEnum):
    """How one allele shows against the wild type."""

    RECESSIVE = "recessive"
    INCOMPLETE_DOMINANT = "incomplete dominant"
    DOMINANT = "dominant"


class Grade(StrEnum):
    """How good the source of a fact is."""

    PEER_REVIEWED = "peer_reviewed"
    BREEDING_RECORD = "breeding_record"
    KEEPER_CONSENSUS = "keeper_consensus"
    SINGLE_CLAIM = "single_claim"
    DISPUTED = "disputed"


class SecondReading(StrEnum):
    """What somebody who read the catalogue a second time said of a fact."""

    AGREES = "agrees"
    AMENDED = "amended"
    ADDED = "added"


@dataclass(frozen=True, slots=True, order=True)
class Genotype:
    """The two alleles of one animal at one locus.

    Parameters
    ----------
    first, second
        Allele names. Without ``by_chromosome`` the pair is unordered and is stored sorted. With it, ``first`` lies on the
        X (or Z) and ``second`` on the Y (or W) chromosome of the heterogametic sex, and the order matters.
    """

    first: str
    second: str
    by_chromosome: bool = False

    def __post_init__(self) -> None:
        if not self.first or not self.second:
            raise ValueError("a genotype needs two allele names")
        if not self.by_chromosome and self.second < self.first:
            first, second = self.second, self.first
            object.__setattr__(self, "first", first)
            object.__setattr__(self, "second", second)

    @property
    def alleles(self) -> tuple[str, str]:
        return (self.first, self.second)

    def copies(self, allele: str) -> int:
        """Number of copies, 0 to 2, of one allele."""
        return (self.first == allele) + (self.second == allele)

    def __str__(self) -> str:
        return f"{self.first}{'|' if self.by_chromosome else '/'}{self.second}"

    @classmethod
    def parse(cls, text: str) -> Genotype:
        """Read back what ``str`` wrote: ``normal/pastel`` or ``banana|normal``."""
        for mark in "|/":
            if mark in text:
                first, second = text.split(mark, 1)
                return cls(first, second, by_chromosome=mark == "|")
        raise ValueError(f"{text!r} is not a genotype such as 'normal/pastel'")


@dataclass(frozen=True, slots=True)
class Evidence:
    """Where a fact comes from: a key of sources.toml, the place in it, what it supports, and its grade.

    ``second`` is what a second reader made of it, None where nobody read it again; ``sure`` how sure they were, in percent,
    where they said so.
    """

    source: str
    supports: str
    grade: Grade
    place: str = ""
    note: str = ""
    second: SecondReading | None = None
    sure: int | None = None


@dataclass(frozen=True, slots=True)
class Allele:
    """One mutant allele and what a keeper looks for.

    ``one_copy_name`` is None where a single copy cannot be seen. ``hatch_rate`` values are the chance, relative to a
    plain sibling, that an egg of that genotype hatches. ``one_name``: its name means this gene, although each word of it is
    the name of another. ``own`` marks a gene of the keeper's own records.
    """

    name: str
    mode: Mode
    one_copy_name: str | None
    two_copies_name: str
    look_for: str = ""
    two_copies_look_for: str = ""
    synonyms: tuple[str, ...] = ()
    two_copies_synonyms: tuple[str, ...] = ()
    subtle: bool = False
    one_name: bool = False
    two_copies_hatch_rate: float = 1.0
    cautions: tuple[str, ...] = ()
    two_copies_cautions: tuple[str, ...] = ()
    notes: str = ""
    evidence: tuple[Evidence, ...] = ()
    own: bool = False

    def __post_init__(self) -> None:
        if not 0.0 <= self.two_copies_hatch_rate <= 1.0:
            raise ValueError(f"{self.name}: hatch rate {self.two_copies_hatch_rate} is not between 0 and 1")


@dataclass(frozen=True, slots=True)
class Compound:
    """Two different mutant alleles of one series in one animal."""

    alleles: frozenset[str]
    name: str
    look_for: str = ""
    synonyms: tuple[str, ...] = ()
    hatch_rate: float = 1.0
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Locus:
    """One locus with its mutant alleles in catalogue order and the looks of their pairs.

    ``crossover`` is the chance per gamete of the heterogametic parent that the gene changes between its sex
    chromosomes; it is None unless the locus is sex-linked.
    """

    name: str
    alleles: tuple[Allele, ...]
    compounds: tuple[Compound, ...] = ()
    crossover: float | None = None
    notes: str = ""
    evidence: tuple[Evidence, ...] = ()
    _by_name: Mapping[str, Allele] = field(init=False, repr=False, compare=False)
    _by_pair: Mapping[frozenset[str], Compound] = field(init=False, repr=False, compare=False)
    _by_look: Mapping[str, tuple[Genotype, ...]] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        if not self.alleles:
            raise ValueError(f"{self.name}: a locus needs at least one mutant allele")
        if self.crossover is not None and not 0.0 <= self.crossover <= 0.5:
            raise ValueError(f"{self.name}: crossing-over rate {self.crossover} is not between 0 and 0.5")
        object.__setattr__(self, "_by_name", MappingProxyType({a.name: a for a in self.alleles}))
        object.__setattr__(self, "_by_pair", MappingProxyType({c.alleles: c for c in self.compounds}))
        by_look: dict[str, tuple[Genotype, ...]] = {}
        for genotype in self.genotypes():
            look = self.look(genotype)
            by_look[look] = (*by_look.get(look, ()), genotype)
        object.__setattr__(self, "_by_look", MappingProxyType(by_look))

    @property
    def sex_linked(self) -> bool:
        return self.crossover is not None

    @property
    def allele_names(self) -> tuple[str, ...]:
        return tuple(a.name for a in self.alleles)

    def allele(self, name: str) -> Allele:
        return self._by_name[name]

    def order(self, allele: str) -> int:
        """Position of an allele in catalogue order; the wild type comes last."""
        for position, known in enumerate(self.alleles):
            if known.name == allele:
                return position
        return len(self.alleles)

    def look(self, genotype: Genotype) -> str:
        """The look word of a genotype, as part of a visual call; empty where it looks like the wild type."""
        first, second = genotype.alleles
        if first == second:
            return "" if first == NORMAL else self._by_name[first].two_copies_name
        if NORMAL in (first, second):
            mutant = second if first == NORMAL else first
            return self._by_name[mutant].one_copy_name or ""
        return self.compound_name(first, second)

    def of_look(self, look: str) -> tuple[Genotype, ...]:
        """The genotypes, unordered pairs, that have a look; none where no animal looks so."""
        return self._by_look.get(look, ())

    def compound_name(self, first: str, second: str) -> str:
        compound = self._by_pair.get(frozenset((first, second)))
        if compound is not None:
            return compound.name
        return " ".join(sorted((first, second), key=self.order))

    def compound(self, first: str, second: str) -> Compound | None:
        return self._by_pair.get(frozenset((first, second)))

    def hatch_rate(self, genotype: Genotype) -> float:
        """Chance that an egg of this genotype hatches, relative to a plain sibling; 1 unless stated."""
        first, second = genotype.alleles
        if first == second:
            return 1.0 if first == NORMAL else self._by_name[first].two_copies_hatch_rate
        compound = self._by_pair.get(frozenset((first, second)))
        return compound.hatch_rate if compound is not None else 1.0

    def genotypes(self, *, by_chromosome: bool = False, of: Collection[str] | None = None) -> tuple[Genotype, ...]:
        """Every genotype of the locus, or of some of its mutant alleles: ordered pairs for the heterogametic sex of a sex-linked
        locus, else unordered."""
        names = (*(a for a in self.allele_names if of is None or a in of), NORMAL)
        if by_chromosome:
            return tuple(Genotype(a, b, True) for a in names for b in names)
        return tuple(Genotype(a, b) for i, a in enumerate(names) for b in names[i:])


@dataclass(frozen=True, slots=True)
class VisualCall:
    """What can be seen of an animal: the look words by locus, in catalogue order; loci that look wild are absent."""

    looks: tuple[tuple[str, str], ...] = ()

    @property
    def name(self) -> str:
        """The call as a keeper writes it: ``super pastel enchi``, or ``normal``."""
        return " ".join(look for _, look in self.looks) or NORMAL

    def look(self, locus: str) -> str:
        for name, look in self.looks:
            if name == locus:
                return look
        return ""

    def __str__(self) -> str:
        return self.name


@dataclass(frozen=True, slots=True)
class Lookalike:
    """Two calls that are easily taken for one another, each given by its look words, with what to look for."""

    first: VisualCall
    second: VisualCall
    look_for: str
    photo_can_tell: bool = True
    breeding_only: bool = False


@dataclass(frozen=True, slots=True)
class Appearance:
    """Look words of one locus that cannot be told apart by eye."""

    name: str
    locus: str
    looks: frozenset[str]
    synonyms: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Hiding:
    """Looks of one locus that hide what an animal has at others.

    ``hides`` names those loci; None is every other, but for the looks of a hiding that stands before this one in its species.
    ``missed`` is the chance that a look there cannot be seen, 1 where it never can; ``says`` a sentence for trays and labels.
    """

    locus: str
    looks: frozenset[str]
    hides: frozenset[str] | None
    missed: float
    says: str
    evidence: tuple[Evidence, ...] = ()


@dataclass(frozen=True, slots=True)
class Combination:
    """A trade name for several genes together; accepted on input and shown beside the genes, never an identifier."""

    name: str
    genes: str
    evidence: tuple[Evidence, ...] = ()


class About(StrEnum):
    """Whom a caution is about: an animal that carries the gene; the young of a dam that does; the eggs of two carriers."""

    ANIMAL = "animal"
    DAM = "dam"
    EGGS = "eggs"


@dataclass(frozen=True, slots=True)
class UnnamedLine:
    """A word that stands for one of several loci, not known which: "axanthic". `lines` holds locus, allele and weight of each."""

    word: str
    lines: tuple[tuple[str, str, Probability], ...]
    synonyms: tuple[str, ...] = ()
    evidence: tuple[Evidence, ...] = ()

    @property
    def loci(self) -> tuple[str, ...]:
        return tuple(locus for locus, _, _ in self.lines)


@dataclass(frozen=True, slots=True)
class Caution:
    """A warning about animals or people, with its source; shown wherever a gene it belongs to is shown."""

    key: str
    text: str
    source: str
    about: About = About.ANIMAL


@dataclass(frozen=True, slots=True)
class Together:
    """Alleles of which an animal with two different ones is warned about, at whatever loci they lie; ``caution`` is a key."""

    genes: tuple[str, ...]
    caution: str
    evidence: tuple[Evidence, ...] = ()


@dataclass(frozen=True, slots=True)
class PublishedShare:
    """A published share of clutches with several sires, where several males were with the female: of whom, in words, 0 to 1."""

    of: str
    words: str
    share: float
    source: str


@dataclass(frozen=True, slots=True, eq=False)
class Species:
    """Everything the catalogue knows of one species; compared by identity, so that it is cheap to look up by.

    ``heterogametic`` is the sex with two kinds of sex chromosome; ``mixed`` the chance that several sires share a clutch where
    several are named and nothing else is said; ``incubation_days`` how long eggs usually take, shortest and longest.
    """

    key: str
    name: str
    scientific_name: str
    heterogametic: Sex
    loci: tuple[Locus, ...]
    lookalikes: tuple[Lookalike, ...] = ()
    appearances: tuple[Appearance, ...] = ()
    hidings: tuple[Hiding, ...] = ()
    combinations: tuple[Combination, ...] = ()
    unnamed_lines: tuple[UnnamedLine, ...] = ()
    cautions: tuple[Caution, ...] = ()
    general_cautions: tuple[str, ...] = ()
    synonyms: tuple[str, ...] = ()
    mixed: float = MIXED
    published_shares: tuple[PublishedShare, ...] = ()
    together: tuple[Together, ...] = ()
    clutch_size: tuple[float, int, int] | None = None
    incubation_days: tuple[int, int] | None = None
    evidence: tuple[Evidence, ...] = ()
    _locus_by_name: Mapping[str, Locus] = field(init=False, repr=False, compare=False)
    _locus_by_allele: Mapping[str, Locus] = field(init=False, repr=False, compare=False)
    _order_by_name: Mapping[str, int] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_locus_by_name", MappingProxyType({locus.name: locus for locus in self.loci}))
        object.__setattr__(self, "_locus_by_allele", {name: locus for locus in self.loci for name in locus.allele_names})
        object.__setattr__(self, "_order_by_name", {locus.name: place for place, locus in enumerate(self.loci)})

    @property
    def locus_names(self) -> tuple[str, ...]:
        return tuple(self._locus_by_name)

    @property
    def sex_chromosomes(self) -> tuple[str, str]:
        """Names of the shared and the heterogametic-only chromosome: X and Y, or Z and W."""
        return ("X", "Y") if self.heterogametic is Sex.MALE else ("Z", "W")

    def locus(self, name: str) -> Locus:
        return self._locus_by_name[name]

    def has_locus(self, name: str) -> bool:
        return name in self._locus_by_name

    def locus_of(self, allele: str) -> Locus:
        return self._locus_by_allele[allele]

    def in_order(self, loci: Iterable[str]) -> tuple[str, ...]:
        """Names of loci in catalogue order, each once; what is no locus of the species falls away."""
        order = self._order_by_name
        return tuple(sorted({name for name in loci if name in order}, key=order.__getitem__))

    def unnamed_line_of(self, locus: str) -> UnnamedLine | None:
        """The word that leaves open whether this locus is meant, if there is one."""
        return next((one for one in self.unnamed_lines if locus in one.loci), None)

    def caution(self, key: str) -> Caution:
        for caution in self.cautions:
            if caution.key == key:
                return caution
        raise KeyError(key)

    def call(self, genotypes: Mapping[str, Genotype]) -> VisualCall:
        """The visual call of an animal from its genotypes by locus; loci not named are wild type."""
        looks = ((name, self._locus_by_name[name].look(genotypes[name])) for name in self.in_order(genotypes))
        return VisualCall(tuple((name, look) for name, look in looks if look))

    def call_of(self, looks: Mapping[str, str]) -> VisualCall:
        """A visual call from look words by locus, put into catalogue order."""
        order = self._order_by_name
        shown = [(name, look) for name, look in looks.items() if look and name in order]
        shown.sort(key=lambda one: order[one[0]])
        return VisualCall(tuple(shown))


@dataclass(frozen=True, slots=True)
class GenotypePrior:
    """What is known of one animal at one locus: genotypes with probabilities that sum to 1."""

    states: tuple[tuple[Genotype, Probability], ...]

    def __post_init__(self) -> None:
        if not self.states:
            raise ValueError("a genotype prior needs at least one genotype")
        if len({g for g, _ in self.states}) != len(self.states):
            raise ValueError("a genotype prior names one genotype twice")
        if any(p < 0 for _, p in self.states):
            raise ValueError("a genotype prior has a negative probability")
        if abs(float(sum(p for _, p in self.states)) - 1.0) > 1e-9:
            raise ValueError("the probabilities of a genotype prior must sum to 1")

    @classmethod
    def known(cls, genotype: Genotype) -> GenotypePrior:
        return cls(((genotype, Fraction(1)),))

    @property
    def is_certain(self) -> bool:
        return sum(p > 0 for _, p in self.states) == 1


@dataclass(frozen=True, slots=True)
class LineStatement:
    """What is said of an animal by a word that stands for one of several loci; loci part from one another once the line is given.

    Attributes
    ----------
    word
        The word of the species' `unnamed_lines`.
    chances
        The line variable: each line with its chance. Animals of one `origin` share the variable; without an origin it is the animal's own.
    given
        By line: what the animal is at each locus then. A line that is missing here is excluded for this animal.
    loci
        Every locus that the word may mean; those that `given` does not name are wild type.
    origin
        Where the animal comes from, if that is recorded.
    """

    word: str
    chances: tuple[tuple[str, Probability], ...]
    given: Mapping[str, Mapping[str, GenotypePrior]]
    loci: tuple[str, ...]
    origin: str | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "given", MappingProxyType({line: MappingProxyType(dict(at)) for line, at in self.given.items()}))
        if not any(p > 0 and line in self.given for line, p in self.chances):
            raise ValueError(f"'{self.word}' leaves no line possible")

    def key(self, animal: str) -> tuple[str, ...]:
        """The line variable: shared by origin, or this animal's own."""
        return (self.word, "of", animal) if self.origin is None else (self.word, self.origin)

    def at(self, line: str, locus: str) -> GenotypePrior:
        """What the animal is at one of `loci`, given the line."""
        return self.given[line].get(locus, _WILD_PRIOR)

    def marginals(self) -> dict[str, GenotypePrior]:
        """What the animal is at each locus with the line summed out."""
        open_lines = [(line, p) for line, p in self.chances if p > 0 and line in self.given]
        total = sum(p for _, p in open_lines)
        found = {}
        for locus in self.loci:
            states: dict[Genotype, Probability] = {}
            for line, p in open_lines:
                for genotype, q in self.at(line, locus).states:
                    if q > 0:
                        states[genotype] = states.get(genotype, 0) + p / total * q
            found[locus] = GenotypePrior(tuple(sorted(states.items())))
        return found


_WILD_PRIOR = GenotypePrior.known(Genotype(NORMAL, NORMAL))


@dataclass(frozen=True, slots=True)
class Parent:
    """An animal used for breeding: what is known of it by locus; loci not named are wild type.

    At the loci of `lines` it is one thing or another together; `loci` holds what that makes of each locus by itself.
    """

    name: str
    sex: Sex
    loci: Mapping[str, GenotypePrior] = field(default_factory=dict)
    lines: tuple[LineStatement, ...] = ()

    def __post_init__(self) -> None:
        own = {locus: prior for one in self.lines for locus, prior in one.marginals().items()}
        object.__setattr__(self, "loci", MappingProxyType({**self.loci, **own}))

    def without_lines(self, loci: Mapping[str, GenotypePrior]) -> Parent:
        """The animal with these loci instead of what its unnamed lines say."""
        return Parent(self.name, self.sex, {**self.loci, **loci})

    def prior(self, locus: Locus, heterogametic: Sex) -> GenotypePrior:
        known = self.loci.get(locus.name)
        if known is not None:
            return known
        return GenotypePrior.known(Genotype(NORMAL, NORMAL, locus.sex_linked and self.sex is heterogametic))


class Phase(StrEnum):
    """How two linked mutant alleles of a double het lie: on one chromosome, or on opposite ones."""

    COUPLING = "coupling"
    REPULSION = "repulsion"


@dataclass(frozen=True, slots=True)
class Linkage:
    """Two autosomal loci on one chromosome and the chance, per gamete, that crossing-over parts them, by sex of parent.

    ``phases`` holds what is known of named parents; a double het that is not named lies either way with chance 1/2.
    """

    first: str
    second: str
    recombination: Mapping[Sex, float]
    phases: Mapping[str, Phase] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.first == self.second:
            raise ValueError("a locus cannot be linked to itself")
        if set(self.recombination) != set(Sex) or any(not 0 <= r <= 0.5 for r in self.recombination.values()):
            raise ValueError("linkage needs a recombination fraction from 0 to 0.5 for each sex")
        object.__setattr__(self, "recombination", MappingProxyType(dict(self.recombination)))
        object.__setattr__(self, "phases", MappingProxyType(dict(self.phases)))


@dataclass(frozen=True, slots=True)
class Parthenogenesis:
    """The hypothesis that no male took part: terminal-fusion automixis, half-clones of the mother.

    ``kept_heterozygosity`` is the chance that a heterozygous locus stays so through crossing-over; 0 near the centromere.
    """

    name: str = "no sire (parthenogenesis)"
    kept_heterozygosity: float = 0.0

    def __post_init__(self) -> None:
        if not 0 <= self.kept_heterozygosity <= 1:
            raise ValueError("kept_heterozygosity must lie between 0 and 1")


@dataclass(frozen=True, slots=True)
class Cross:
    """One dam, her candidate sires with their shares (which sum to 1), and the chance that several share a clutch."""

    species: Species
    dam: Parent
    sires: tuple[Parent | Parthenogenesis, ...]
    shares: tuple[Probability, ...]
    mixed: Probability
    crossover: Mapping[str, float] = field(default_factory=dict)
    linkages: tuple[Linkage, ...] = ()

    def __post_init__(self) -> None:
        if not self.sires:
            raise ValueError("a cross needs at least one candidate sire")
        if len(self.sires) != len(self.shares):
            raise ValueError("every candidate sire needs a share")
        if abs(float(sum(self.shares)) - 1.0) > 1e-9 or any(s < 0 for s in self.shares):
            raise ValueError("the shares of the candidate sires must be 0 or more and sum to 1")
        if not 0 <= self.mixed <= 1:
            raise ValueError("mixed must lie between 0 and 1")
        if self.dam.sex is not Sex.FEMALE or any(isinstance(s, Parent) and s.sex is not Sex.MALE for s in self.sires):
            raise ValueError("a dam is female and every sire male")
        object.__setattr__(self, "crossover", MappingProxyType(dict(self.crossover)))

    def crossover_rate(self, locus: Locus) -> float | None:
        """Crossing-over rate used for a locus: the cross's own where it gives one, otherwise the catalogue's."""
        if not locus.sex_linked:
            return None
        return self.crossover.get(locus.name, locus.crossover)


@dataclass(frozen=True, slots=True)
class CallReading:
    """One observer's likelihood by visual call; calls not listed get ``otherwise``. Any positive scale."""

    likelihoods: Mapping[VisualCall, float]
    otherwise: float = 0.0
    observer: str = "keeper"

    def __post_init__(self) -> None:
        values = (*self.likelihoods.values(), self.otherwise)
        if any(not v >= 0 for v in values):
            raise ValueError("a likelihood must be 0 or more")
        object.__setattr__(self, "likelihoods", MappingProxyType(dict(self.likelihoods)))


@dataclass(frozen=True, slots=True)
class PhotoEvidence:
    """What one photo says of an animal, as the weights that read it put it; ``photo_reading`` makes a likelihood of it.

    Attributes
    ----------
    log_likelihoods
        Natural logarithm of P(photo | visual call) up to a constant, as far as it is trusted.
    floor
        Share of the likelihood that is spread evenly over the calls listed, so that no photo rules one out; 0 to below 1.
    exponent
        n photos of one animal count as n ** (1 - exponent) independent ones; 0 to 1.
    shortlist
        How much probability the likelier calls may hold together while a call is still on the 95 % shortlist; 0 to 1.
    weights
        Short name of the weights that read it.
    shot
        Fingerprint of what it shows, hexadecimal; empty where none was taken.
    """

    log_likelihoods: Mapping[VisualCall, float]
    floor: float
    exponent: float
    shortlist: float
    weights: str = ""
    shot: str = ""

    def __post_init__(self) -> None:
        if not self.log_likelihoods or not all(math.isfinite(v) for v in self.log_likelihoods.values()):
            raise ValueError("photo evidence needs calls, each with a finite logarithm")
        if not (0 <= self.floor < 1 and 0 <= self.exponent <= 1 and 0 <= self.shortlist <= 1):
            raise ValueError("floor, exponent or shortlist of photo evidence is out of range")
        object.__setattr__(self, "log_likelihoods", MappingProxyType(dict(self.log_likelihoods)))


@dataclass(frozen=True, slots=True)
class GenotypeReading:
    """A laboratory's likelihood by genotype at one locus; genotypes not listed get ``otherwise``."""

    locus: str
    likelihoods: Mapping[Genotype, float]
    otherwise: float = 0.0
    observer: str = "laboratory"

    def __post_init__(self) -> None:
        if any(not v >= 0 for v in (*self.likelihoods.values(), self.otherwise)):
            raise ValueError("a likelihood must be 0 or more")
        object.__setattr__(self, "likelihoods", MappingProxyType(dict(self.likelihoods)))

    def of_wild_type(self) -> float:
        """Likelihood of an animal that cannot carry a mutant allele here, whatever its sex chromosomes."""
        wild = self.likelihoods.get(Genotype(NORMAL, NORMAL, True), self.otherwise)
        return self.likelihoods.get(Genotype(NORMAL, NORMAL), wild)


Reading = CallReading | GenotypeReading


@dataclass(frozen=True, slots=True)
class Egg:
    """One egg: its label, the sex of the hatchling where known, the readings of it, and whether it hatched.

    An egg that did not hatch is told by ``hatched=False``; nothing else can be known of it. Once one is, every other egg of the
    clutch counts as hatched; before that, nothing is made of the fact that eggs hatched.
    """

    label: str
    sex: Sex | None = None
    readings: tuple[Reading, ...] = ()
    hatched: bool | None = None

    def __post_init__(self) -> None:
        if self.hatched is False and (self.sex is not None or self.readings):
            raise ValueError(f"{self.label}: an egg that did not hatch has neither a sex nor readings")


def unique(values: Iterable[str]) -> tuple[str, ...]:
    """The values in order, each once."""
    return tuple(dict.fromkeys(values))
