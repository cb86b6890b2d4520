"""The records as the collection engine takes them: who is from which clutch, what was seen of whom, what is therefore known."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

from triage.errors import StorageError, TriageError
from triage.genetics.collection import Animal, Clutch, Collection, CollectionPosterior, Rest, infer_collection, rests_on
from triage.records import NORMAL, CallReading, Genotype, GenotypePrior, GenotypeReading, Parent, Reading, Sex, Species
from triage.species import load_species, parse_call, parse_parent
from triage.storage.archive import Archive, Entry
from triage.workflow.records import SEXES, parent_of, title_of, whom
from triage.workflow.settings import Settings

#: Of a keeper's wrong calls, the share that any one other call gets; a judgement.
_SHARE_OF_ONE_MISTAKE = 0.1
#: As fitted for the shipped model's cautious reading (`models/python_regius.json`).
PHOTO_EXPONENT = 0.65
_SETTLED = 1 - 1e-9
_SHOWN = 0.005  # changes below this are no news


@dataclass(frozen=True, eq=False)
class Known:
    """The collection of one species with what is known of everybody; entries by id."""

    collection: Collection
    posterior: CollectionPosterior
    entries: Mapping[str, Entry]

    def name(self, id: str) -> str:
        """What a keeper calls it."""
        entry = self.entries[id]
        return entry["name"] if entry.kind == "animal" else entry["label"]

    def title(self, id: str) -> str:
        """The same with the clutch before an egg's label."""
        return title_of(self.entries.__getitem__, id)

    def parent(self, id: str) -> Parent:
        """An animal as a possible parent, with everything that is known of it now."""
        loci = {
            locus: GenotypePrior(tuple((g, p) for g, p in _normalised(table).items()))
            for locus, table in self.posterior.loci[id].items()
        }
        return Parent(self.name(id), self.collection.animals[id].sex or Sex.FEMALE, loci)


@dataclass(frozen=True, slots=True)
class News:
    """How one probability changed: `before` and `after` of a genotype of an animal; `buyer` where it was sold."""

    id: str
    name: str
    what: str
    before: float
    after: float
    buyer: str


def known_of(archive: Archive, species_name: str = "ball python", previous: Known | None = None) -> Known:
    """Everything the records say of the animals of one species, taken together.

    An animal with an egg in the records is from that egg's clutch, and its genes are what that clutch and all readings make them;
    what was seen of the egg was seen of it. ContradictionError names records that cannot all be true.
    """
    entries = archive.all()
    collection = collection_of(entries, load_species(species_name))
    posterior = infer_collection(collection, previous.posterior if previous is not None else None)
    return Known(collection, posterior, {entry.id: entry for entry in entries})


def collection_of(
    entries: Iterable[Entry], species: Species, counts: Callable[[Entry], bool] = lambda entry: True
) -> Collection:
    """The animals and clutches of one species, with what the entries that count say of them."""
    entries = list(entries)
    by_id = {entry.id: entry for entry in entries}
    animal_of_egg = {e["egg"]: e.id for e in entries if e.kind == "animal" and "egg" in e.content}
    said: dict[str, list[Entry]] = {}
    for entry in entries:
        about = whom(entry)
        if about is not None and counts(entry):
            said.setdefault(animal_of_egg.get(about, about), []).append(entry)
    readings = {id: _readings(species, found) for id, found in said.items()}
    animals: dict[str, Animal] = {}
    clutches: dict[str, Clutch] = {}
    for entry in entries:
        if entry.kind == "animal" and entry["species"] == species.name:
            egg = by_id.get(entry.get("egg", ""))
            known = {} if egg is not None else dict(parent_of(species, entry.content).loci)
            clutch = egg["clutch"] if egg is not None else None
            animals[entry.id] = Animal(
                entry.id, SEXES.get(entry["sex"]), known, tuple(readings.get(entry.id, ())), clutch
            )
        elif entry.kind == "egg" and entry["state"] == "hatched" and entry.id not in animal_of_egg:
            animals[entry.id] = Animal(
                entry.id, SEXES.get(entry.get("sex")), {}, tuple(readings.get(entry.id, ())), entry["clutch"]
            )
        elif entry.kind == "clutch":
            pairing = by_id[entry["pairing"]]
            shares = [one["share"] for one in pairing["sires"]]
            sires = tuple(one["animal"] for one in pairing["sires"])
            clutches[entry.id] = Clutch(
                entry.id,
                pairing["dam"],
                sires,
                tuple(s / sum(shares) for s in shares),
                pairing.get("mixed", 0.0) if len(sires) > 1 else 0.0,
            )
    ours = {name: clutch for name, clutch in clutches.items() if clutch.dam in animals}
    kept = {name: animal for name, animal in animals.items() if animal.clutch is None or animal.clutch in ours}
    return Collection(species, kept, ours)


def _readings(species: Species, entries: Sequence[Entry]) -> tuple[Reading, ...]:
    """What the entries about one animal say of its genes: the keeper's newest call, its photos as one, and all else by itself.

    The sorter's own conclusions say nothing that they did not take from these.
    """
    found: list[Reading] = []
    photos: list[CallReading] = []
    called: Entry | None = None
    for entry in entries:
        if entry.kind == "reading":
            likelihoods = {}
            for words, value in entry["likelihoods"].items():
                for call in parse_call(species, words):
                    likelihoods[call] = value
            reading = CallReading(likelihoods, entry["otherwise"], entry["observer"])
            (photos if reading.observer == "photo" else found).append(reading)
        elif entry.kind == "call" and entry["by"] == "keeper":
            called = entry if called is None or entry["at"] >= called["at"] else called
        elif entry.kind == "outcome":
            found.append(outcome_reading(species, entry["says"], entry.get("by", "proving")))
    if photos:
        found.append(joined_photos(photos))
    if called is not None:
        accuracy = Settings().keeper_accuracy
        calls = parse_call(species, called["call"])
        found.append(CallReading(dict.fromkeys(calls, accuracy), (1 - accuracy) * _SHARE_OF_ONE_MISTAKE, "keeper's call"))
    return tuple(found)


def joined_photos(readings: Sequence[CallReading]) -> CallReading:
    """Readings of several photos of one animal as one: they share its quirks, so n weigh n**(1 - PHOTO_EXPONENT), not n."""
    if len(readings) == 1:
        return readings[0]
    weight = len(readings) ** -PHOTO_EXPONENT
    calls = dict.fromkeys(call for reading in readings for call in reading.likelihoods)

    def together(values: Iterable[float]) -> float:
        found = list(values)
        return math.exp(weight * math.fsum(map(math.log, found))) if min(found) > 0 else 0.0

    return CallReading(
        {call: together(one.likelihoods.get(call, one.otherwise) for one in readings) for call in calls},
        together(one.otherwise for one in readings),
        "photo",
    )


def outcome_reading(species: Species, says: Mapping[str, float], by: str = "proving") -> GenotypeReading:
    """Likelihoods by gene words ("het clown", "clown", "no clown") of one locus as a reading by a proving or a laboratory.

    StorageError where they speak of several loci or of none.
    """
    found: dict[Genotype, float] = {}
    loci = set()
    without: list[tuple[str, float]] = []
    for words, value in says.items():
        if words.lower().startswith("no "):
            without.append((words[3:], value))
            continue
        for locus, prior in parse_parent(species, words, name="outcome", sex=Sex.FEMALE).loci.items():
            loci.add(locus)
            for genotype, _ in prior.states:
                found[genotype] = value
    for words, value in without:
        for locus in parse_parent(species, words, name="outcome", sex=Sex.FEMALE).loci:
            loci.add(locus)
            found[Genotype(NORMAL, NORMAL)] = value
    if len(loci) != 1:
        raise StorageError(
            f"an outcome speaks of one locus; found {', '.join(sorted(loci)) or 'none'}; needed: words such as 'het clown', "
            "'no clown' with a number each"
        )
    return GenotypeReading(loci.pop(), found, 0.0, by)


def says_of(species: Species, reading: GenotypeReading) -> dict[str, float]:
    """A reading of one locus as an outcome keeps it; StorageError where gene words cannot say it."""
    locus = species.locus(reading.locus)
    says = {words_of(species, locus.name, g): reading.likelihoods.get(g, reading.otherwise) for g in locus.genotypes()}
    kept = {words: p for words, p in says.items() if p > 0}
    try:
        back = outcome_reading(species, kept)
    except TriageError:
        back = None
    every = dict.fromkeys((*locus.genotypes(), *reading.likelihoods))
    if back is None or any(back.likelihoods.get(g, 0.0) != reading.likelihoods.get(g, reading.otherwise) for g in every):
        raise StorageError(
            f"a result at {locus.name} that gene words cannot say is not kept; needed: one that tells 'het', two copies and none apart"
        )
    return kept


def words_of(species: Species, locus: str, genotype: Genotype) -> str:
    """A genotype in trade words: "het clown", "no clown", "pastel"."""
    found = species.locus(locus)
    alleles = [allele for allele in genotype.alleles if allele != NORMAL]
    if not alleles:
        return f"no {found.alleles[0].name if len(found.alleles) == 1 else locus}"
    return found.look(genotype) or f"het {alleles[0]}"


def news(before: Known, after: Known) -> tuple[News, ...]:
    """Whose chances changed, most first: what to tell buyers, and which labels to write anew."""
    found = []
    for id, loci in after.posterior.loci.items():
        for locus, table in loci.items():
            for genotype, p in table.items():
                if set(genotype.alleles) == {NORMAL} or id not in before.posterior.loci:
                    continue
                was = before.posterior.chance(id, locus, genotype)
                if abs(p - was) >= _SHOWN:
                    entry = after.entries[id]
                    found.append(
                        News(
                            id,
                            after.name(id),
                            words_of(after.collection.species, locus, genotype),
                            was,
                            p,
                            entry.get("buyer", ""),
                        )
                    )
    return tuple(sorted(found, key=lambda one: -abs(one.after - one.before)))


def news_words(one: News) -> str:
    """One piece of news as a sentence."""
    who = f"tell the buyer of {one.name} ({one.buyer}): " if one.buyer else f"{one.name}: "
    after = (
        "proven"
        if one.after >= _SETTLED
        else "excluded"
        if one.after <= 1 - _SETTLED
        else f"now {100 * one.after:.0f} %"
    )
    return f"{who}{one.what} {after}, {100 * one.before:.0f} % before"


@dataclass(frozen=True, slots=True)
class Reasons:
    """For each genotype of an animal at a locus, in words, the readings it rests on most; and how many were tried."""

    chances: tuple[tuple[str, tuple[Rest, ...]], ...]
    tried: int
    readings: int

    @property
    def caveat(self) -> str:
        """Said where not every reading was tried; empty otherwise."""
        if self.tried == self.readings:
            return ""
        return f"Of {self.readings:,} readings in this family the {self.tried} of the nearest relatives were left out in turn."


def why(known: Known, id: str, locus: str) -> Reasons:
    """What the chances of an animal at a locus rest on. StorageError where nothing is open there."""
    table = known.posterior.loci.get(id, {}).get(locus)
    if table is None:
        open_loci = ", ".join(known.posterior.loci.get(id, {})) or "none"
        raise StorageError(f"{known.name(id)}: nothing is open at '{locus}'; needed: one of {open_loci}")
    species = known.collection.species
    grounds = rests_on(known.collection, known.posterior, id, locus)
    return Reasons(
        tuple(
            (f"{words_of(species, locus, g)} {100 * p:.1f} %", grounds.by_genotype[g])
            for g, p in sorted(table.items(), key=lambda one: -one[1])
        ),
        grounds.tried,
        grounds.readings,
    )


def _normalised(table: Mapping[Genotype, float]) -> dict[Genotype, float]:
    kept = {g: p for g, p in table.items() if p > 1e-12}
    total = sum(kept.values())
    return {g: p / total for g, p in kept.items()}
