"""What a clutch sheet says of the parents: genes, descent, look, hets nobody recorded, and the shares of the sires."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import date
from fractions import Fraction
from typing import TypeVar

from triage.errors import SheetError, TriageError
from triage.genetics.clutch.alternatives import BACKGROUND
from triage.genetics.clutch.sires import shares_from_dates
from triage.genetics.knowledge import offspring, seen_only_as, unrecorded_sire, with_unknown_hets
from triage.records import NORMAL, Parent, Parthenogenesis, Probability, Sex, Species, VisualCall
from triage.species import parse_call, parse_parent
from triage.workflow.nodes import Entry

T = TypeVar("T")


def read_parent(entry: Entry, species: Species, sex: Sex, default_name: str) -> Parent:
    """A breeding animal: by its genes, by its own parents (and look), or by its look alone; plus hets nobody recorded."""
    name_entry = entry.optional("name")
    name = name_entry.text("a name") if name_entry else default_name
    genes, pair, looks = entry.optional("genes"), entry.optional("offspring_of"), entry.optional("looks")
    frequency = entry.optional("background")
    if genes is not None and (pair is not None or looks is not None):
        entry.refuse(
            f"{name} has 'genes' beside 'offspring_of' or 'looks'", "either genes, or what descent and look say"
        )
    if frequency is not None and (looks is None or pair is not None):
        entry.refuse(
            f"{name} has 'background' without 'looks' alone", "'background' only where an animal is known by its look"
        )
    look = _one_look(looks, species) if looks is not None else None
    if pair is not None:
        dam = _grandparent(pair.child("dam", "the dam's genes"), species, Sex.FEMALE, f"dam of {name}")
        sire = _grandparent(pair.child("sire", "the sire's genes"), species, Sex.MALE, f"sire of {name}")
        pair.finish()
        parent = at_place(pair.place, lambda: offspring(species, name, sex, dam, sire, look))
    elif look is not None:
        rate = frequency.number(0, 0.5) if frequency else BACKGROUND
        alleles = {a for locus, word in look.looks for a in alleles_of(species, locus, word)}
        frequencies = dict.fromkeys(alleles, exact_number(rate))
        parent = at_place(looks.place, lambda: seen_only_as(species, name, sex, look, frequencies))
    elif genes is not None:
        words = genes.text("genes in trade shorthand, or 'normal'")
        parent = at_place(genes.place, lambda: parse_parent(species, words, name=name, sex=sex))
    else:
        entry.refuse(f"{name} has no 'genes'", "genes in trade shorthand, or 'genes: normal' for a plain animal")
    unknown = entry.optional("unknown_hets")
    if unknown is None:
        return parent
    rates = {}
    for key in unknown.names():
        _, allele = allele_named(unknown, species, key)
        rates[allele] = exact_number(unknown.child(key, "a chance").number(0, 1))
    return at_place(unknown.place, lambda: with_unknown_hets(parent, species, rates))


def _grandparent(entry: Entry, species: Species, sex: Sex, name: str) -> Parent:
    """A parent's parent: its genes as text, or a table like any parent's."""
    if not entry.is_mapping:
        words = entry.text("genes in trade shorthand")
        return at_place(entry.place, lambda: parse_parent(species, words, name=name, sex=sex))
    parent = read_parent(entry, species, sex, name)
    entry.finish()
    return parent


def _one_look(entry: Entry, species: Species) -> VisualCall:
    calls = read_call(entry, species)
    if len(calls) != 1:
        entry.refuse(f"{entry.what} fits {len(calls)} looks", "one look, for example " + f"'{calls[0].name}'")
    return calls[0]


def read_call(entry: Entry, species: Species) -> tuple[VisualCall, ...]:
    words = entry.text("what you see, in trade shorthand")
    return at_place(entry.place, lambda: parse_call(species, words))


def allele_named(entry: Entry, species: Species, words: str) -> tuple[str, str]:
    """Locus and allele that a gene word names."""
    parent = at_place(entry.place, lambda: parse_parent(species, f"het {words}", name="this gene", sex=Sex.FEMALE))
    (locus,) = parent.loci
    genotype = parent.loci[locus].states[0][0]
    return locus, next(a for a in genotype.alleles if a in species.locus(locus).allele_names)


def alleles_of(species: Species, locus_name: str, look: str) -> set[str]:
    """Mutant alleles that a look word can come from."""
    locus = species.locus(locus_name)
    return {a for g in locus.genotypes() if locus.look(g) == look for a in g.alleles} - {NORMAL}


def is_flagged(entry: Entry, key: str) -> bool:
    """Whether a sire's entry says ``key: true``: "unrecorded" or "parthenogenesis"."""
    flag = entry.optional(key)
    return flag is not None and flag.one_of(["true", "false"]) == "true"


def read_unrecorded_sire(
    entry: Entry, species: Species, parents: Sequence[Parent], calls: Iterable[VisualCall]
) -> Parent:
    """A male nobody recorded: background frequencies of every allele that the cross or an observer of an egg speaks of."""
    name, frequency = entry.optional("name"), entry.optional("background")
    alleles = {a for p in parents for prior in p.loci.values() for g, _ in prior.states for a in g.alleles}
    looks = {pair for call in calls for pair in call.looks}
    alleles |= {a for locus, word in looks for a in alleles_of(species, locus, word)}
    rate = exact_number(frequency.number(0, 0.1) if frequency else BACKGROUND)
    words = name.text("a name") if name else "unrecorded sire"
    return unrecorded_sire(species, sorted(alleles - {NORMAL}), rate, name=words)


def read_parthenogenesis(entry: Entry, species: Species) -> Parthenogenesis:
    """The hypothesis that no male took part, with a share like any candidate sire's."""
    if species.heterogametic is Sex.FEMALE:
        entry.refuse(
            f"parthenogenesis is computed for species with XX females only, not for the {species.name}", "a candidate sire"
        )
    kept = entry.optional("kept_heterozygosity")
    return Parthenogenesis(kept_heterozygosity=kept.number(0, 1) if kept else 0.0)


def read_shares(root: Entry, sires: Entry, entries: Sequence[Entry], names: Sequence[str]) -> tuple[Probability, ...]:
    """Shares as stated, or from the dates of pairing and the day of laying; stated shares go before dates."""
    laid = root.optional("laid")
    stated, dates = [], {}
    for entry, name in zip(entries, names, strict=True):
        share, paired = entry.optional("share"), entry.optional("paired")
        stated.append(share.number(0, 1) if share else None)
        if paired is not None:
            dates[name] = [_date(d) for d in paired.items()]
    if not dates or any(s is not None for s in stated):
        return checked_shares(stated, sires.place)
    if laid is None:
        sires.refuse(
            "sires have 'paired' dates, but the sheet has no 'laid'",
            "the day of laying, for example 'laid: 2031-03-14'",
        )
    without = [n for n in names if n not in dates]
    if without:
        sires.refuse(f"{without[0]} has no 'paired' dates and others have", "dates for each sire, or a share for each")
    try:
        shares = shares_from_dates(dates, _date(laid))
    except ValueError as error:
        sires.refuse(str(error), "at least one date of pairing before 'laid'")
    return tuple(shares[n] for n in names)


def checked_shares(stated: Sequence[float | None], place: str) -> tuple[Probability, ...]:
    if all(s is None for s in stated):
        return tuple(Fraction(1, len(stated)) for _ in stated)
    if any(s is None for s in stated):
        raise SheetError(f"{place}: some sires have a share and some have none; needed: a share for each, or for none")
    shares = tuple(exact_number(s) for s in stated)
    if abs(float(sum(shares)) - 1) > 1e-9:
        numbers = " + ".join(f"{s:g}" for s in stated)
        raise SheetError(f"{place}: the shares of the sires are {numbers} = {float(sum(shares)):g}; needed: a sum of 1")
    return shares


def _date(entry: Entry) -> date:
    text = entry.text("a date such as 2031-03-14")
    try:
        return date.fromisoformat(text)
    except ValueError:
        entry.refuse(f"{entry.what} is '{text}'", "a date such as 2031-03-14")


def exact_number(value: Probability) -> Fraction:
    """The decimal number that was typed, exactly."""
    return value if isinstance(value, Fraction) else Fraction(str(value))


def at_place(place: str, read: Callable[[], T]) -> T:
    """Run ``read``, putting the place in front of what it refuses."""
    try:
        return read()
    except SheetError:
        raise
    except TriageError as error:
        raise SheetError(f"{place}: {error}") from error
