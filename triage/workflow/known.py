"""The records as the collection engine takes them: who is from which clutch, what was seen of whom, what is therefore known."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from triage.errors import ContradictionError, ShorthandError, StorageError
from triage.genetics.collection import Animal, Clutch, Collection, CollectionPosterior, Rest, infer_collection, rests_on
from triage.genetics.collection.parents import as_parents, line_keys
from triage.genetics.collection.suspicions import Opened
from triage.genetics.readings import silent_on
from triage.proving.chances import percent
from triage.records import (
    NORMAL,
    Genotype,
    GenotypePrior,
    LineStatement,
    Linkage,
    Parent,
    Parthenogenesis,
    Reading,
    Sex,
    Species,
    VisualCall,
)
from triage.species import parse_call
from triage.species.wording import chances_in_words, words_of
from triage.storage.archive import Archive, Entry
from triage.workflow.book import SEXES, Book, whom
from triage.workflow.clutch import Seen, locus_named
from triage.workflow.names import find_in
from triage.workflow.recorded import Clutches, newest_call, photos_of, recorded_sheet, said_of, shown_by
from triage.workflow.sort import clashing_labels

_SETTLED = 1 - 1e-9
_SHOWN = 0.005  # changes below this are no news
_PLAIN = Genotype(NORMAL, NORMAL)

Counts = Callable[[Entry], bool]


@dataclass(frozen=True, eq=False)
class Known:
    """The collection of one species with what is known of everybody; entries by id."""

    collection: Collection
    posterior: CollectionPosterior
    clutches: Clutches
    left_out: tuple[str, ...] = ()  # what was seen of these cannot be true together with the records

    @property
    def book(self) -> Book:
        return self.clutches.book

    @property
    def entries(self) -> Mapping[str, Entry]:
        return self.book.entries

    def name(self, id: str) -> str:
        """What a keeper calls it: an animal by its name, an egg by its label, a male nobody recorded as its clutch does."""
        if id not in self.book.entries:
            return id.rpartition("/")[2]
        content = self.book[id].content
        return content.label if self.book[id].kind == "egg" else content.name

    def title(self, id: str) -> str:
        """The same with the clutch before an egg's label."""
        return self.book.title(id) if id in self.book.entries else self.name(id)

    @property
    def animals(self) -> tuple[str, ...]:
        """Ids of everybody who is an entry and alive to the records: no lost eggs, no males nobody recorded."""
        return tuple(id for id, animal in self.collection.animals.items() if animal.hatched and id in self.book.entries)

    def parent(self, id: str, sex: Sex | None = None) -> Parent:
        """An animal as a possible parent, with everything that is known of it now; `sex` where the records do not say."""
        sex = self.collection.animals[id].sex or sex or Sex.FEMALE
        return as_parents(self.collection, self.posterior, {id: (self.name(id), sex)})[id]


@dataclass(frozen=True, slots=True)
class News:
    """How one probability changed: `before` and `after` of a genotype of an animal; `buyer` where it was sold."""

    id: str
    name: str
    what: str
    before: float
    after: float
    buyer: str


def known_of(archive: Archive, species_name: str | None = None, previous: Known | None = None) -> Known:
    """Everything the records say of the animals of one species, taken together.

    An animal with an egg in the records is from that egg's clutch, and its genes are what that clutch and all readings make them;
    what was seen of the egg was seen of it. ContradictionError names records that cannot all be true.
    """
    clutches = Clutches(Book.of(archive))
    species = clutches.book.species_named(species_name)
    collection, before = collection_of(clutches, species), previous.posterior if previous is not None else None
    try:
        return Known(collection, infer_collection(collection, before), clutches)
    except ContradictionError:
        clashing = _clashing(clutches, species)
        if not clashing:
            raise
    collection = collection_of(clutches, species, lambda entry: whom(entry) not in clashing)
    return Known(collection, infer_collection(collection, before), clutches, tuple(clashing))


def _clashing(clutches: Clutches, species: Species) -> list[str]:
    """Eggs, and the animals they became, that sorting leaves out of what it says of the others of their clutch."""
    book, found = clutches.book, []
    for entry in book.all("clutch"):
        if book.species(entry.id) is species and any(egg.content.state == "hatched" for egg in book.eggs(entry.id)):
            sheet, photos = recorded_sheet(clutches, entry.id)
            labels = clashing_labels(sheet, clutches.settings(entry.id), photos)
            eggs = [egg.id for egg in book.eggs(entry.id) if egg.content.label in labels]
            found += [*eggs, *(book.animal_of_egg[egg] for egg in eggs if egg in book.animal_of_egg)]
    return found


def ids_of(known: Known, ids: Sequence[str]) -> list[str]:
    """Animals and hatched eggs by their ids, a clutch standing for its young; StorageError for what is neither."""
    found: list[str] = []
    for id in ids:
        if known.book[id].kind == "clutch":
            found += [name for name in known.animals if known.collection.animals[name].clutch == id]
            continue
        id = known.book.animal_of_egg.get(id, id)
        if id not in known.animals:
            raise StorageError(f"{known.title(id)}: is no clutch, animal or hatched egg of the {known.collection.species.name}")
        found.append(id)
    return found


def known_and_ids(
    archive: Archive, names: Sequence[str], kinds: Sequence[str] = ("animal", "egg"), species: str | None = None
) -> tuple[Known, list[str]]:
    """What is known of the species of the first that is named (of `species` where none is), and as `ids_of` says whom names mean."""
    book = Book.of(archive)
    ids = [find_in(book, name, kinds).id for name in names]
    known = known_of(archive, book.species(ids[0]).name if ids else species)
    return known, ids_of(known, ids)


def species_in(archive: Archive) -> tuple[str, ...]:
    """Names of the species that the records hold animals of."""
    return tuple(sorted({entry.content.species for entry in archive.all("animal")}))


def collection_of(
    recorded: Clutches,
    species: Species,
    counts: Counts | None = None,
    *,
    without: frozenset[str] = frozenset(),
    opened: Opened | None = None,
) -> Collection:
    """The animals and clutches of one species, with what the entries that count say of them.

    The young of clutches `without` are left out, and everybody who descends from them. With `opened`, readings are weighed over the
    calls that animals could show then too.
    """
    book = recorded.book
    seen = book if counts is None else Book({id: one for id, one in book.entries.items() if whom(one) is None or counts(one)})
    made = _Made(recorded, species, seen, opened)
    left_out = set(without)
    clutches: dict[str, Clutch] = {}
    for entry in book.all("clutch"):
        if book.species(entry.id) is species:
            clutches[entry.id] = made.clutch(entry)
    while True:  # a clutch of a parent who is left out goes too
        gone = {
            id
            for id, clutch in clutches.items()
            if id not in left_out and any(book.clutch_of(p) in left_out for p in clutch.parents if p in book.entries)
        }
        if not gone:
            break
        left_out |= gone
    animals: dict[str, Animal] = {}
    kept = {id: clutch for id, clutch in clutches.items() if id not in left_out}
    for id, clutch in kept.items():
        animals |= made.strangers(id, clutch)
    for entry in book.all("animal"):
        if entry.content.species == species.name and book.clutch_of(entry.id) not in left_out:
            animals[entry.id] = made.animal(entry)
    counted = {egg.id for id in kept for egg in recorded.counted(id)} - book.animal_of_egg.keys()
    animals |= {egg.id: made.egg(egg) for egg in book.all("egg") if egg.id in counted}
    return Collection(species, animals, kept)


@dataclass(frozen=True, eq=False)
class _Made:
    """Animals and clutches of the engine, made from entries."""

    clutches: Clutches
    species: Species
    seen: Book  # with what was seen and counts
    opened: Opened | None = None

    @property
    def book(self) -> Book:
        return self.clutches.book

    def clutch(self, entry: Entry) -> Clutch:
        cross = self.clutches.cross(entry.id)
        pairing = self.book[entry.content.pairing].content
        named = {self.book.title(id): id for id in pairing.parents}
        sires = tuple(
            one if isinstance(one, Parthenogenesis) else candidate.animal or f"{entry.id}/{one.name}"
            for one, candidate in zip(cross.sires, pairing.sires, strict=True)
        )
        linkages = tuple(
            Linkage(one.first, one.second, one.recombination, {named[name]: phase for name, phase in one.phases.items()})
            for one in cross.linkages
        )
        loss = self.clutches.other_loss(entry.id)
        mixed = cross.mixed if len(sires) > 1 else 0.0
        return Clutch(entry.id, pairing.dam, sires, cross.shares, mixed, dict(cross.crossover), linkages, loss)

    def strangers(self, id: str, clutch: Clutch) -> dict[str, Animal]:
        """The males nobody recorded of a clutch: each is of this clutch alone."""
        cross = self.clutches.cross(id)
        return {
            name: Animal(name, Sex.MALE, dict(sire.loci))
            for name, sire in zip(clutch.sires, cross.sires, strict=True)
            if isinstance(name, str) and name not in self.book.entries
        }

    def animal(self, entry: Entry) -> Animal:
        id, sex = entry.id, SEXES.get(entry.content.sex)
        clutch = self.book.clutch_of(id)
        if clutch is not None:
            return Animal(id, sex, {}, self._readings(id, self.clutches.choices(clutch)), clutch)
        known, lines = _known_founder(self.clutches, id, sex)
        return Animal(id, sex, known, self._readings(id, shown_by(self.species, known)), lines=lines)

    def egg(self, entry: Entry) -> Animal:
        clutch = entry.content.clutch
        if entry.content.state == "dead":
            return Animal(entry.id, None, {}, (), clutch, hatched=False)
        return Animal(entry.id, SEXES.get(entry.content.sex), {}, self._readings(entry.id, self.clutches.choices(clutch)), clutch)

    def _readings(self, id: str, choices: tuple[VisualCall, ...]) -> tuple[Reading, ...]:
        """What was seen of one animal, by each observer's own likelihood."""
        settings = self.clutches.settings(self.book.clutch_of(id))
        seen = seen_of_animal(self.seen, self.species, id)
        if self.opened is None:
            return seen.readings(self.species, choices, settings)
        wider = self.opened.calls(self.species, choices)
        found = seen.readings(self.species, wider, settings)
        return tuple(silent_on(one, self.opened.looks, wider) if one.observer == "photo" else one for one in found)


def seen_of_animal(book: Book, species: Species, id: str) -> Seen:
    """What was seen of an animal or egg of the records, by whom."""
    said, call = said_of(book, species, id), newest_call(book, id)
    photos = (photo.evidence for photo in photos_of(book, species, id))
    called = parse_call(species, call.content.call) if call else ()
    return Seen(tuple(one for one in photos if one is not None), called, said.evidence, said.settled_by(species))


def _known_founder(clutches: Clutches, id: str, sex: Sex | None) -> tuple[dict[str, GenotypePrior], tuple[LineStatement, ...]]:
    """What is stated of an animal from no clutch here; of one whose sex is not known, either sex with chance 1/2."""
    if sex is not None:
        recorded = clutches.recorded(id, sex)
        return dict(recorded.loci), recorded.lines
    either, lines, refusal = [], (), None
    for one in Sex:
        try:
            recorded = clutches.recorded(id, one)
            either.append(recorded.loci)
            lines = recorded.lines  # of autosomal loci, and so the same in either sex
        except ShorthandError as error:  # a gene that only the other sex can carry so
            refusal = error
    if not either:
        raise refusal
    found: dict[str, GenotypePrior] = {}
    for locus in dict.fromkeys(name for loci in either for name in loci):
        chances: dict[Genotype, float] = {}
        for loci in either:
            for genotype, p in loci[locus].states:
                chances[genotype] = chances.get(genotype, 0.0) + float(p) / len(either)
        found[locus] = GenotypePrior(tuple(chances.items()))
    return found, lines


def known_elsewhere(clutches: Clutches, clutch: str) -> dict[str, Parent]:
    """Parents of a clutch of whom other clutches tell something, by id, as everything but this clutch and its descendants leaves them."""
    book = clutches.book
    by_clutch = {entry.id: book[entry.content.pairing].content.parents for entry in book.all("clutch")}
    others = {id for other, ids in by_clutch.items() if other != clutch for id in ids}
    parents = by_clutch[clutch]
    wanted = [id for id in parents if book.clutch_of(id) is not None or id in others]
    if not wanted and not any(getattr(book[id].content, "line", None) for id in parents):
        return {}
    collection = collection_of(clutches, book.species(clutch), without=frozenset({clutch}))
    wanted = _with_their_lines(collection, parents, wanted)
    if not wanted:
        return {}
    posterior = infer_collection(collection)
    return as_parents(collection, posterior, {id: (book.title(id), collection.animals[id].sex or Sex.FEMALE) for id in wanted})


def _with_their_lines(collection: Collection, parents: Sequence[str], wanted: Sequence[str]) -> list[str]:
    """Parents of whom others tell something, and those whose line, which nobody named, is also that of others or of one of them."""
    keys = {id: line_keys(collection, id) for id in parents}
    told = {stated.key(id) for id, one in collection.animals.items() if id not in parents for stated in one.lines}
    found = list(wanted)
    while more := [id for id in parents if id not in found and keys[id] & told.union(*(keys[one] for one in found))]:
        found += more
    return found


def news(before: Known, after: Known) -> tuple[News, ...]:
    """Whose chances changed, most first: what to tell buyers, and which labels to write anew."""
    found = []
    species = after.collection.species
    for id in after.animals:
        if id not in before.posterior.loci:
            continue
        for locus, table in after.posterior.loci[id].items():
            had = chances_in_words(species, locus, before.posterior.loci[id].get(locus, {_PLAIN: 1.0}))
            now = chances_in_words(species, locus, table)
            for words in dict.fromkeys([*now, *had]):
                was, p = had.get(words, 0.0), now.get(words, 0.0)
                if words != words_of(species, locus, _PLAIN) and abs(p - was) >= _SHOWN:
                    found.append(News(id, after.title(id), words, was, p, getattr(after.book[id].content, "buyer", None) or ""))
    return tuple(sorted(found, key=lambda one: -abs(one.after - one.before)))


def news_words(one: News) -> str:
    """One piece of news as a sentence."""
    who = f"tell the buyer of {one.name} ({one.buyer}): " if one.buyer else f"{one.name}: "
    after = "proven" if one.after >= _SETTLED else "excluded" if one.after <= 1 - _SETTLED else f"now {percent(one.after)}"
    return f"{who}{one.what} {after}, {percent(one.before)} before"


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


def why(known: Known, id: str, gene: str) -> Reasons:
    """What the chances of an animal at a gene's locus rest on. StorageError where nothing is open there."""
    species = known.collection.species
    locus = locus_named(species, gene)
    table = known.posterior.loci.get(id, {}).get(locus)
    if table is None:
        open_loci = ", ".join(known.posterior.loci.get(id, {})) or "none"
        raise StorageError(f"{known.name(id)}: nothing is open at '{locus}'; needed: one of {open_loci}")
    grounds = rests_on(known.collection, known.posterior, id, locus)
    likeliest: dict[str, Genotype] = {}
    for genotype in sorted(table, key=lambda g: table[g]):
        likeliest[words_of(species, locus, genotype)] = genotype
    chances = chances_in_words(species, locus, table)
    return Reasons(
        tuple((f"{words} {percent(p)}", grounds.by_genotype[likeliest[words]]) for words, p in chances.items()),
        grounds.tried,
        grounds.readings,
    )
