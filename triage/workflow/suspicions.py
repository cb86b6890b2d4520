"""Genes that a parent may carry and nobody recorded: what the records make of it, and what a keeper decides about one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

from triage.errors import StorageError, TriageError
from triage.genetics.clutch.alternatives import BACKGROUND
from triage.genetics.collection import Collection
from triage.genetics.collection.parents import as_parents
from triage.genetics.collection.suspicions import Opened, Suspicion, Weighed, spoke_of, weigh_suspicions
from triage.genetics.readings import photo_reading
from triage.proving.chances import percent
from triage.proving.plans.egg_table import HeldBack
from triage.proving.plans.plan import rank_mates, visual_mates
from triage.proving.plans.seasons import EggCount, Season
from triage.records import CallReading, Genotype, GenotypePrior, Parent, Species, VisualCall
from triage.storage.archive import Archive
from triage.storage.kinds import Outcome
from triage.workflow.book import SEXES, Book, change_entry, now
from triage.workflow.clutch import allele_of
from triage.workflow.known import News, collection_of, known_of, news, seen_of_animal
from triage.workflow.outcomes import enter_outcome
from triage.workflow.recorded import Clutches
from triage.workflow.sort_again import look_again

#: A parent counts as settled where what is open about it has this chance.
_SETTLED = 0.95


@dataclass(frozen=True, slots=True)
class OfClutch:
    """How one clutch speaks of a suspicion: titles of hatchlings with how far each moved the log odds, strongest first."""

    clutch: str
    speaks_for: tuple[tuple[str, float], ...]
    speaks_against: tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True)
class OneMore:
    """What one more clutch would add: with this mate, the chance that it settles whether `parent` carries the gene."""

    parent: str
    mate: str
    settles: float


@dataclass(frozen=True, slots=True)
class Suspected:
    """One suspicion as a page shows it; chances and Bayes factor as in `triage.genetics.collection.suspicions.Suspicion`.

    Attributes
    ----------
    parents, names
        Ids and names of one parent, or of two of whom at least one carries it.
    own
        What the readings of the parents themselves say, as `OfClutch` does of hatchlings.
    one_more
        For each parent that is not settled.
    """

    parents: tuple[str, ...]
    names: tuple[str, ...]
    gene: str
    prior: float
    probability: float
    bayes_factor: float
    alarm: bool
    clutches: tuple[OfClutch, ...] = ()
    own: tuple[tuple[str, float], ...] = ()
    one_more: tuple[OneMore, ...] = ()


@dataclass(frozen=True, slots=True)
class Suspicions:
    """Likeliest first; `tested` pairs of parent and gene there are, loci in `refused` could not be computed, and why."""

    all: tuple[Suspected, ...]
    tested: int
    refused: Mapping[str, str]

    @property
    def alarms(self) -> tuple[Suspected, ...]:
        return tuple(one for one in self.all if one.alarm)


class Decision(StrEnum):
    """What a keeper takes a suspicion for."""

    PROVEN = "proven"
    POSSIBLE = "possible"
    MISTAKE = "mistake"


@dataclass(frozen=True, slots=True)
class SortedAgain:
    """A hatchling whose tray or likeliest call is another now: tray, call and its chance, before and after."""

    name: str
    before: tuple[str, str, float]
    after: tuple[str, str, float]


@dataclass(frozen=True, slots=True)
class Decided:
    """What was entered, in words; the change that undo takes back; whose chances it changed, which hatchlings sort otherwise."""

    words: str
    change: int
    news: tuple[News, ...]
    sorted_again: tuple[SortedAgain, ...]


def suspicions_of(
    archive: Archive,
    species_name: str | None = None,
    *,
    background: float = BACKGROUND,
    eggs: int | None = None,
    name: str | None = None,
    explain_all: bool = False,
) -> Suspicions:
    """Every gene of the catalogue and of the keeper's own that a parent may carry unrecorded, from all its clutches together.

    Parameters
    ----------
    background
        Allele frequency of every gene in an animal nobody recorded.
    eggs
        Size of the one more clutch; the species' own clutch sizes where None.
    name
        Only suspicions of this animal (its id).
    explain_all
        Whether to work out grounds and the one more clutch for those below the bar too.
    """
    clutches = Clutches(Book.of(archive))
    species = clutches.book.species_named(species_name)
    named = {id: calls for id in _ids(clutches, species) if (calls := _named(clutches, species, id))}

    def make(opened: Opened | None) -> Collection:
        return collection_of(clutches, species, opened=opened)

    weighed = weigh_suspicions(make, named, background=background)
    found = []
    for one in weighed.suspicions:
        if name in (None, *one.parents) and all(id in clutches.book.entries for id in one.parents):
            shown = _plain(clutches.book, one)
            found.append(_explained(clutches.book, weighed, one, shown, eggs) if one.alarm or explain_all else shown)
    return Suspicions(tuple(found), weighed.tested, weighed.refused)


def decide(
    archive: Archive, parent: str, gene: str, decision: Decision, *, chance: float | None = None, who: str = "keeper"
) -> Decided:
    """Enter what a keeper takes a suspicion for, by the entries there are: `parent` is an animal's id.

    Proven: one copy among the genes of its papers. Possible: one copy with `chance` there. A mistake: an outcome that says it
    carries none, so that the calls that named it are the ones in doubt. All three are undone as any change is.

    Raises
    ------
    StorageError
        The animal is known by its clutch, its forebears or its look, so that its papers hold no genes; they speak of the locus
        already; `chance` is missing, or stands where it has no place.
    """
    book = Book.of(archive)
    entry = book[parent]
    title, species = book.title(parent), book.species(parent)
    locus, allele = allele_of(species, gene)
    if (chance is not None) != (decision is Decision.POSSIBLE):
        raise StorageError(f"{title}: chance {chance}; needed: a chance with 'possible', and none with {decision.value}")
    if entry.kind != "animal" or (decision is not Decision.MISTAKE and book.clutch_of(parent) is not None):
        raise StorageError(f"{title}: is known by its own clutch; needed: the parent there that brought {allele} in")
    sex = SEXES.get(entry.content.sex)
    if sex is None:
        raise StorageError(f"{title}: its sex is not recorded; enter it first ('triage animal change ... --sex')")
    if locus in Clutches(book).recorded(parent, sex).loci:
        raise StorageError(f"{title}: its papers speak of {locus} already; change them with 'triage animal change'")
    before = known_of(archive, species.name)
    sorted_before = _sorted(archive, parent)
    if decision is Decision.MISTAKE:
        says = Outcome(animal=parent, says={f"no {allele}": 1.0}, by="keeper", note="a suspicion taken for a mistake", at=now())
        id, words = enter_outcome(archive, says, reason=f"{title}: no {allele}, a mistake").entry.id, f"no {allele}"
    else:
        if entry.content.offspring_of is not None or entry.content.looks is not None:
            raise StorageError(
                f"{title}: is known by its forebears or its look; needed: genes ('triage animal change ... --genes')"
            )
        words = f"het {allele}" if chance is None else f"{_percentage(title, chance)}% het {allele}"
        genes = ", ".join(part for part in (entry.content.genes, words) if part and part != "normal")
        reason = f"{title}: {words}, a suspicion taken as {decision.value}"
        id = change_entry(archive, parent, {"genes": genes}, reason=reason, who=who).id
    change = archive.history(id)[-1].change
    try:
        after, sorted_after = known_of(archive, species.name), _sorted(archive, parent)
    except TriageError:
        archive.undo(change, who=who)
        raise
    changed = [
        SortedAgain(name, was, sorted_after[name])
        for name, was in sorted_before.items()
        if name in sorted_after and (was[:2] != sorted_after[name][:2] or abs(was[2] - sorted_after[name][2]) >= 0.005)
    ]
    return Decided(f"{title}: {words}", change, news(before, after), tuple(changed))


def suspicion_words(one: Suspected) -> str:
    """A suspicion as a sentence."""
    factor = "over a million" if one.bayes_factor >= 1e6 else f"{one.bayes_factor:,.{0 if one.bayes_factor >= 10 else 1}f}"
    chances = f"{percent(one.probability)}, {percent(one.prior)} before"
    return f"{' or '.join(one.names)} may carry {one.gene}: {chances} (odds times {factor})"


def sorted_again_words(one: SortedAgain) -> str:
    """How a hatchling sorts now and before: ``2031-1/A1: look again, yellow belly 89 %; before check parents, normal 98 %``."""
    (tray, call, p), (now_tray, now_call, now_p) = one.before, one.after
    return f"{one.name}: {now_tray}, {now_call} {percent(now_p)}; before {tray}, {call} {percent(p)}"


def _ids(clutches: Clutches, species: Species) -> list[str]:
    book = clutches.book
    animals = [one.id for one in book.all("animal") if one.content.species == species.name]
    eggs = [one.id for one in book.all("egg") if one.id not in book.animal_of_egg and book.species(one.id) is species]
    return animals + eggs


def _named(clutches: Clutches, species: Species, id: str) -> tuple[VisualCall, ...]:
    """What each observer's reading of an animal makes likeliest."""
    seen = seen_of_animal(clutches.book, species, id)
    readings = [one for one in (photo_reading(seen.photos) if seen.photos else None, seen.evidence) if one is not None]
    return (*seen.called, *(_likeliest(one) for one in readings if one.likelihoods))


def _likeliest(reading: CallReading) -> VisualCall:
    return max(reading.likelihoods, key=reading.likelihoods.__getitem__)


def _plain(book: Book, one: Suspicion) -> Suspected:
    names = tuple(book.title(id) for id in one.parents)
    return Suspected(one.parents, names, one.allele, one.prior, one.probability, one.bayes_factor, one.alarm)


def _explained(book: Book, weighed: Weighed, one: Suspicion, shown: Suspected, eggs: int | None) -> Suspected:
    collection, posterior = weighed.of[one.locus]
    by_clutch: dict[str, list[tuple[str, float]]] = {}
    own = []
    for spoke in spoke_of(weighed, one):
        clutch = collection.animals[spoke.animal].clutch
        row = (book.title(spoke.animal), spoke.log_odds)
        own.append(row) if spoke.animal in one.parents else by_clutch.setdefault(clutch, []).append(row)
    clutches = tuple(
        OfClutch(book.title(id), tuple(r for r in rows if r[1] > 0), tuple(r for r in rows if r[1] < 0))
        for id, rows in by_clutch.items()
    )
    more = []
    for id in one.parents:
        p = sum(p for g, p in posterior.loci[id][one.locus].items() if g.copies(one.allele))
        if 1 - _SETTLED < p < _SETTLED:
            parent = as_parents(collection, posterior, {id: (book.title(id), collection.animals[id].sex)})[id]
            more.append(OneMore(book.title(id), *_one_more(collection.species, parent, one, eggs)))
    return replace(shown, clutches=clutches, own=tuple(own), one_more=tuple(more))


def _one_more(species: Species, parent: Parent, one: Suspicion, eggs: int | None) -> tuple[str, float]:
    """The mate that teaches most, and the chance that one clutch with it settles what the parent is at the locus.

    By the plans of a proving: looks of the young are taken as seen.
    """
    states = _copies_apart(parent.loci[one.locus], one.allele)
    held = HeldBack.of(species, Parent(parent.name, parent.sex, {one.locus: states}), [one.locus])
    clutch = {} if eggs is None else {"clutch": EggCount.exactly(eggs)}
    best = rank_mates(held, visual_mates(held), Season.usual(species, p_lays=1.0, **clutch), level=_SETTLED)[0]
    return best.mate.name, best.p_one_season_settles


def _copies_apart(prior: GenotypePrior, allele: str) -> GenotypePrior:
    """What is open of one allele alone: genotypes of others of its series are no part of this question."""
    kept: dict[Genotype, float] = {g: float(p) for g, p in prior.states if set(g.alleles) <= {allele, "normal"}}
    total = sum(kept.values())
    return GenotypePrior(tuple((g, p / total) for g, p in kept.items()))


def _sorted(archive: Archive, parent: str) -> dict[str, tuple[str, str, float]]:
    """Tray, likeliest call and its chance of every young of a parent, by title, as sorting says now."""
    clutches = Clutches(Book.of(archive))
    book, found = clutches.book, {}
    for entry in book.all("clutch"):
        hatched = any(egg.content.state == "hatched" for egg in book.eggs(entry.id))
        if hatched and parent in book[entry.content.pairing].content.parents:
            for egg in look_again(clutches, entry.id, explain=False).eggs:
                top = egg.calls[0] if egg.calls else None
                call = (top.call.name, top.probability) if top else ("no call", 0.0)
                found[f"{entry.content.name}/{egg.label}"] = (egg.tray.value, *call)
    return found


def _percentage(title: str, chance: float) -> int:
    found = round(100 * chance)
    if not 0 < found < 100:
        raise StorageError(f"{title}: chance {chance:g}; needed: 0.01 to 0.99, or 'proven', or 'mistake'")
    return found
