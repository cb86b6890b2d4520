"""A clutch as everything here takes it: the same values whether they came from a sheet, a form or the records."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from fractions import Fraction
from pathlib import Path
from typing import TypeVar

from triage.errors import SheetError, ShorthandError, TriageError
from triage.genetics.clutch.alternatives import BACKGROUND
from triage.genetics.clutch.sires import shares_from_dates
from triage.genetics.knowledge import offspring, seen_only_as, unrecorded_sire, with_unknown_hets
from triage.genetics.readings import keeper_reading, laboratory_reading, photo_reading
from triage.genetics.transmission import OTHER_LOSS
from triage.records import (
    NORMAL,
    CallReading,
    Cross,
    GenotypeReading,
    Linkage,
    Parent,
    Parthenogenesis,
    PhotoEvidence,
    Probability,
    Reading,
    Sex,
    Species,
    VisualCall,
)
from triage.species import parse_call, parse_parent
from triage.storage.kinds import Candidate, Statement
from triage.vision.intake import photo_bytes
from triage.workflow.settings import Settings

T = TypeVar("T")

UNRECORDED = "unrecorded sire"


@dataclass(frozen=True, slots=True)
class PhotoSource:
    """A photo as a file on disk or as bytes from a form; ``crop`` is the frame drawn around the animal, if any: left, top,
    right, bottom as shares of width and height."""

    name: str
    path: Path | None = None
    data: bytes | None = None
    crop: tuple[float, float, float, float] | None = None

    @property
    def source(self) -> Path | bytes:
        return self.path if self.path is not None else self.data

    def read(self) -> bytes:
        """The file as it was taken; PhotoError where it cannot be read."""
        return self.data if self.data is not None else photo_bytes(self.path, self.name)


@dataclass(frozen=True, slots=True)
class ReadPhoto:
    """One photo of an egg after reading: what it says (None where it was not read), and remarks in plain words."""

    source: PhotoSource
    evidence: PhotoEvidence | None
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Seen:
    """What was seen of one animal, by whom; `settled` is what laboratories and provings say."""

    photos: tuple[PhotoEvidence, ...] = ()
    called: tuple[VisualCall, ...] = ()
    evidence: CallReading | None = None
    settled: tuple[GenotypeReading, ...] = ()

    def readings(self, species: Species, choices: Sequence[VisualCall], settings: Settings) -> tuple[Reading, ...]:
        """The likelihood of each observer. The keeper chose between `choices`, the calls that the animal could show."""
        found: list[Reading] = list(self.settled)
        if self.photos:
            found.append(photo_reading(self.photos))
        if self.called:
            bars = {"accuracy": settings.keeper_accuracy, "lookalike_share": settings.lookalike_share}
            found.append(keeper_reading(species, self.called, choices, **bars))
        if self.evidence is not None:
            found.append(self.evidence)
        return tuple(found)


@dataclass(frozen=True, slots=True)
class LabTest:
    """A laboratory's count of copies of one allele, with its error rates."""

    locus: str
    allele: str
    copies: int
    false_positive: float = 0.0
    false_negative: float = 0.0

    def reading(self, species: Species) -> GenotypeReading:
        rates = {"false_positive": self.false_positive, "false_negative": self.false_negative}
        return laboratory_reading(species.locus(self.locus), self.allele, self.copies, **rates)


@dataclass(frozen=True, slots=True)
class SheetEgg:
    """One egg; ``called`` holds the visual calls that the keeper's `words` describe, ``tests`` and ``proved`` what laboratories and
    provings said of it."""

    label: str
    place: str
    sex: Sex | None = None
    photos: tuple[PhotoSource, ...] = ()
    words: str = ""
    called: tuple[VisualCall, ...] = ()
    evidence: CallReading | None = None
    tests: tuple[LabTest, ...] = ()
    proved: tuple[GenotypeReading, ...] = ()
    hatched: bool = True

    def seen(self, species: Species, photos: Sequence[ReadPhoto] = ()) -> Seen:
        """Who saw what of it; `photos` as they were read."""
        settled = (*(test.reading(species) for test in self.tests), *self.proved)
        return Seen(tuple(p.evidence for p in photos if p.evidence is not None), self.called, self.evidence, settled)


@dataclass(frozen=True, slots=True)
class SaidOf:
    """What is said of a parent beside its name: how it is known, and readings of the animal itself."""

    statement: Statement = field(default_factory=Statement)
    evidence: CallReading | None = None
    tests: tuple[LabTest, ...] = ()
    others: tuple[Reading, ...] = ()

    def readings(self, species: Species) -> tuple[Reading, ...]:
        own = () if self.evidence is None else (self.evidence,)
        return (*own, *self.settled_by(species), *(r for r in self.others if not isinstance(r, GenotypeReading)))

    def settled_by(self, species: Species) -> tuple[GenotypeReading, ...]:
        """Laboratories and provings alone."""
        return (*(test.reading(species) for test in self.tests), *(r for r in self.others if isinstance(r, GenotypeReading)))


@dataclass(frozen=True, slots=True)
class ClutchSheet:
    """A clutch ready to be sorted.

    Attributes
    ----------
    candidates
        How each sire of the cross was given, in its order.
    said
        What is said of the parents, by name.
    laid
        Day of laying, where it is known.
    choices
        Calls that the keeper chose between; None for all that the cross can give.
    """

    name: str
    species: Species
    cross: Cross
    eggs: tuple[SheetEgg, ...]
    candidates: tuple[Candidate, ...] = ()
    said: Mapping[str, SaidOf] = field(default_factory=dict)
    other_loss: float = OTHER_LOSS
    laid: date | None = None
    choices: tuple[VisualCall, ...] | None = None

    @property
    def parent_readings(self) -> dict[str, tuple[Reading, ...]]:
        """What was seen of the parents themselves, by name."""
        found = {name: one.readings(self.species) for name, one in self.said.items()}
        return {name: readings for name, readings in found.items() if readings}

    @property
    def settled_of_parents(self) -> dict[str, tuple[GenotypeReading, ...]]:
        """What laboratories and provings say of the parents, by name."""
        found = {name: one.settled_by(self.species) for name, one in self.said.items()}
        return {name: readings for name, readings in found.items() if readings}


@dataclass(frozen=True, slots=True)
class Sire:
    """A candidate with the name it goes by, and the animal it is where it is one."""

    candidate: Candidate
    name: str
    parent: Parent | None = None


def make_cross(
    species: Species,
    dam: Parent,
    sires: Sequence[Sire],
    *,
    spoken_of: Iterable[VisualCall],
    mixed: Probability,
    laid: date | None = None,
    crossover: Mapping[str, float] | None = None,
    linkages: tuple[Linkage, ...] = (),
) -> Cross:
    """The cross of a clutch, the same for whoever asks.

    `spoken_of` are the calls that the keeper or stated evidence speak of: a male nobody recorded may carry their genes.
    """
    recorded = [dam, *(sire.parent for sire in sires if sire.parent is not None)]
    alleles = {a for parent in recorded for prior in parent.loci.values() for g, _ in prior.states for a in g.alleles}
    alleles |= {a for look in {pair for call in spoken_of for pair in call.looks} for a in alleles_of(species, *look)}
    found: list[Parent | Parthenogenesis] = []
    for sire in sires:
        if sire.parent is not None:
            found.append(sire.parent)
        elif sire.candidate.parthenogenesis:
            found.append(Parthenogenesis(kept_heterozygosity=sire.candidate.kept_heterozygosity or 0.0))
        else:
            rate = BACKGROUND if sire.candidate.background is None else sire.candidate.background
            found.append(unrecorded_sire(species, sorted(alleles - {NORMAL}), exact_number(rate), name=sire.name))
    shares = shares_of([s.candidate for s in sires], [s.name for s in sires], laid)
    return Cross(species, dam, tuple(found), shares, exact_number(mixed), crossover or {}, linkages)


def shares_of(candidates: Sequence[Candidate], names: Sequence[str], laid: date | None) -> tuple[Probability, ...]:
    """Shares as stated, or from the days of pairing and the day of laying; alike where nothing is said. SheetError says what is missing."""
    stated = [one.share for one in candidates]
    dates = {name: [date.fromisoformat(day) for day in one.paired] for one, name in zip(candidates, names, strict=True) if one.paired}
    if not dates or any(share is not None for share in stated):
        if all(share is None for share in stated):
            return tuple(Fraction(1, len(stated)) for _ in stated)
        if any(share is None for share in stated):
            raise SheetError("some sires have a share and some have none; needed: a share for each, or for none")
        shares = tuple(exact_number(share) for share in stated)
        if abs(float(sum(shares)) - 1) > 1e-9:
            numbers = " + ".join(f"{share:g}" for share in stated)
            raise SheetError(f"the shares of the sires are {numbers} = {float(sum(shares)):g}; needed: a sum of 1")
        return shares
    if laid is None:
        raise SheetError("sires have 'paired' dates, but there is no 'laid'; needed: the day of laying, for example 'laid: 2031-03-14'")
    without = [name for name in names if name not in dates]
    if without:
        raise SheetError(f"{without[0]} has no 'paired' dates and others have; needed: dates for each sire, or a share for each")
    try:
        found = shares_from_dates(dates, laid)
    except ValueError as error:
        raise SheetError(f"{error}; needed: at least one date of pairing before 'laid'") from error
    return tuple(found[name] for name in names)


def parent_from(species: Species, name: str, sex: Sex, said: Statement, line: str | None = None) -> Parent:
    """An animal as the engine takes it, from what is stated of it. TriageError says what cannot be used.

    `line` is where it came from: a word of its genes for a line nobody named means the same line for all of them.
    """
    look = None if said.looks is None else one_look(species, said.looks)
    if said.offspring_of is not None:
        dam = parent_from(species, f"dam of {name}", Sex.FEMALE, said.offspring_of.dam)
        sire = parent_from(species, f"sire of {name}", Sex.MALE, said.offspring_of.sire)
        parent = offspring(species, name, sex, dam, sire, look)
    elif look is not None:
        rate = BACKGROUND if said.background is None else said.background
        alleles = {a for locus, word in look.looks for a in alleles_of(species, locus, word)}
        parent = seen_only_as(species, name, sex, look, dict.fromkeys(alleles, exact_number(rate)))
    else:
        parent = parse_parent(species, said.genes or "", name=name, sex=sex, origin=line)
    if said.unknown_hets is None:
        return parent
    return with_unknown_hets(parent, species, {allele: exact_number(rate) for allele, rate in said.unknown_hets.items()})


def one_look(species: Species, words: str) -> VisualCall:
    """The one look that words describe; SheetError where they fit several."""
    calls = parse_call(species, words)
    if len(calls) != 1:
        known = f", or 'genes: {words}' where the line is not known" if any(species.unnamed_line_of(n) for n, _ in calls[0].looks) else ""
        raise SheetError(f"'{words}' fits {len(calls)} looks; needed: one look, for example '{calls[0].name}'{known}")
    return calls[0]


def alleles_of(species: Species, locus_name: str, look: str) -> set[str]:
    """Mutant alleles that a look word can come from."""
    locus = species.locus(locus_name)
    return {a for g in locus.of_look(look) for a in g.alleles} - {NORMAL}


def allele_of(species: Species, words: str) -> tuple[str, str]:
    """Locus and allele that one gene word names; ShorthandError or UnknownNameError for what names none, or one of several."""
    loci = parse_parent(species, f"het {words}", name="this gene", sex=Sex.FEMALE).loci
    if len(loci) != 1:
        raise ShorthandError(f"'{words}' may mean {' or '.join(loci)}; needed: one of them by name")
    ((locus, prior),) = loci.items()
    return locus, next(a for a in prior.states[0][0].alleles if a in species.locus(locus).allele_names)


def locus_named(species: Species, words: str) -> str:
    """The locus of a gene, or of that name; refused as by `allele_of`."""
    return words if species.has_locus(words) else allele_of(species, words)[0]


def spoken_of(eggs: Iterable[SheetEgg]) -> list[VisualCall]:
    """Calls that the keeper named or evidence was stated for."""
    return [call for egg in eggs for call in (*egg.called, *(egg.evidence.likelihoods if egg.evidence else ()))]


def exact_number(value: Probability) -> Fraction:
    """The decimal number that was typed, exactly."""
    return value if isinstance(value, Fraction) else Fraction(str(value))


def at_place(place: str, read: Callable[[], T]) -> T:
    """Run ``read``, putting the place in front of what it refuses."""
    try:
        return read()
    except TriageError as error:
        raise SheetError(f"{place}: {error}") from error
