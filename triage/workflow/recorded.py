"""A clutch of the records as a sheet is: its cross, its eggs and what was seen of them; sorted again as things come in."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cached_property, wraps
from typing import Any, TypeVar

from triage.errors import StorageError, TriageError
from triage.genetics.clutch.model import compile_cross
from triage.genetics.readings import proving_reading
from triage.genetics.transmission import OTHER_LOSS
from triage.records import (
    Cross,
    Genotype,
    GenotypePrior,
    Linkage,
    Parent,
    Parthenogenesis,
    Phase,
    PhotoEvidence,
    Sex,
    Species,
    VisualCall,
)
from triage.species import parse_call
from triage.storage.archive import Archive, Entry
from triage.storage.kinds import Laboratory, Pairing
from triage.storage.photo_files import PhotoFiles
from triage.workflow.book import SEXES, Book, call_named, stated_evidence
from triage.workflow.clutch import (
    UNRECORDED,
    ClutchSheet,
    LabTest,
    PhotoSource,
    ReadPhoto,
    SaidOf,
    Seen,
    SheetEgg,
    Sire,
    allele_of,
    make_cross,
    parent_from,
    spoken_of,
)
from triage.workflow.settings import Settings

#: What an egg of the records is to a sort: others are not hatched yet, or never were fertile.
_COUNTED = {"hatched": True, "dead": False}

#: Whose calls are weighed when a clutch is sorted.
KEEPER = "keeper"

#: What was taken of several sires when a pairing could be kept without saying: today it is entered with one (`book.in_catalogue_words`).
UNSTATED_SHARING = 0.1

ParentOf = Callable[[str, Sex], Parent]
Method = TypeVar("Method", bound=Callable[..., Any])


def _once(method: Method) -> Method:
    """What a method of `Clutches` says of the same entry is worked out once."""

    @wraps(method)
    def kept(self: Clutches, *about: Any) -> Any:
        key = (method.__name__, *about)
        if key not in self._made:
            self._made[key] = method(self, *about)
        return self._made[key]

    return kept


@dataclass(frozen=True, eq=False)
class Clutches:
    """The clutches of a book as they were entered; what is worked out of one is kept."""

    book: Book
    _made: dict[tuple[Any, ...], Any] = field(default_factory=dict)

    @_once
    def cross(self, clutch: str) -> Cross:
        """The cross a clutch is from, its parents as they were entered."""
        return self.cross_with(clutch, self.recorded)

    def cross_with(self, clutch: str, parent_of: ParentOf) -> Cross:
        """The cross a clutch is from; `parent_of` gives an animal as a parent."""
        content = self.book[clutch].content
        pairing = self.book[content.pairing].content
        species = self.book.species(clutch)
        names = [self.book.title(id) for id in pairing.parents]
        twin = next((name for name in names if names.count(name) > 1), None)
        if twin is not None:
            raise StorageError(f"clutch {content.name}: two of its parents are called '{twin}'; needed: names that differ")
        dam = parent_of(pairing.dam, Sex.FEMALE)
        sires = []
        for candidate in pairing.sires:
            if candidate.animal:
                parent = parent_of(candidate.animal, Sex.MALE)
                sires.append(Sire(candidate, parent.name, parent))
            else:
                sires.append(Sire(candidate, Parthenogenesis().name if candidate.parthenogenesis else candidate.name or UNRECORDED))
        linkages = tuple(self._linkage(one) for one in content.linked or ())
        return make_cross(
            species,
            dam,
            sires,
            spoken_of=spoken_of(self.eggs(clutch)),
            mixed=sharing_of(pairing, species),
            laid=date.fromisoformat(content.laid) if content.laid else None,
            crossover=content.crossover,
            linkages=linkages,
        )

    def _linkage(self, linked) -> Linkage:
        known = [(linked.coupling, Phase.COUPLING), (linked.repulsion, Phase.REPULSION)]
        phases = {self.book.title(id): phase for ids, phase in known for id in ids or ()}
        return Linkage(*linked.genes, {Sex.FEMALE: linked.female, Sex.MALE: linked.male}, phases)

    @_once
    def recorded(self, id: str, sex: Sex) -> Parent:
        """An animal by what was entered of it; one from a clutch here may be all that this clutch can give, each as likely."""
        content = self.book[id].content
        clutch = self.book.clutch_of(id)
        if clutch is not None:
            return Parent(self.book.title(id), sex, self._may_be(clutch, sex))
        try:
            line = self.book[content.line].content.name if content.line else None
            return parent_from(self.book.species(id), content.name, sex, content.statement(), line)
        except TriageError as error:
            raise type(error)(f"{content.name}: {error}") from error

    def _may_be(self, clutch: str, sex: Sex) -> dict[str, GenotypePrior]:
        found: dict[str, dict[Genotype, None]] = {}
        for block in compile_cross(self.cross(clutch)).blocks:
            for outcome in block.outcomes:
                if outcome.sex in (None, sex):
                    for locus, genotype in outcome.genotypes:
                        found.setdefault(locus, {})[genotype] = None
        return {locus: GenotypePrior(tuple((g, 1 / len(states)) for g in states)) for locus, states in found.items()}

    @_once
    def choices(self, clutch: str) -> tuple[VisualCall, ...]:
        """Calls that the young of a clutch could show by what was entered of the parents: what its keeper chooses between."""
        return compile_cross(self.cross(clutch)).calls

    def counted(self, clutch: str) -> list[Entry]:
        """The eggs that count."""
        return [egg for egg in self.book.eggs(clutch) if egg.content.state in _COUNTED]

    @_once
    def eggs(self, clutch: str) -> tuple[SheetEgg, ...]:
        """The eggs that count, with what was seen of each and of the animal it became."""
        return tuple(self._egg(self.book.species(clutch), egg) for egg in self.counted(clutch))

    def other_loss(self, clutch: str) -> float:
        """The chance that an egg is lost whatever its genes; the usual one where none was entered."""
        stated = self.book[clutch].content.other_loss
        return OTHER_LOSS if stated is None else stated

    def _egg(self, species: Species, egg: Entry) -> SheetEgg:
        content, title = egg.content, self.book.title(egg.id)
        if not _COUNTED[content.state]:
            return SheetEgg(content.label, title, hatched=False)
        animal = self.book.animal_of_egg.get(egg.id)
        sex = SEXES.get(self.book[animal].content.sex) if animal else None
        said = said_of(self.book, species, egg.id)
        call = newest_call(self.book, egg.id)
        return SheetEgg(
            label=content.label,
            place=title,
            sex=sex or SEXES.get(content.sex),
            words=call.content.call if call else "",
            called=parse_call(species, call.content.call) if call else (),
            evidence=said.evidence,
            tests=said.tests,
            proved=tuple(said.others),
        )

    @_once
    def settings(self, clutch: str | None) -> Settings:
        """The bars that a clutch was sorted with last; the usual ones where it never was. The eye is that of today."""
        last = self._last_sorts.get(clutch)
        return with_eye(self.book, Settings() if last is None else Settings.of(last.content.settings))

    @cached_property
    def _last_sorts(self) -> dict[str, Entry]:
        return {entry.content.clutch: entry for entry in self.book.all("sort")}


def sharing_of(pairing: Pairing, species: Species) -> float:
    """Chance that several sires share the clutches of a pairing: as stated; of several sires and unstated, as when such were kept."""
    if pairing.mixed is not None:
        return pairing.mixed
    return UNSTATED_SHARING if len(pairing.sires) > 1 else species.mixed


def with_eye(book: Book, settings: Settings) -> Settings:
    """Settings with the rates of the keeper's calls that the keeper last said yes to."""
    eye = next((one for one in reversed(book.all("eye")) if one.content.by == KEEPER), None)
    return settings.seen_by(eye.id, eye.content) if eye is not None else settings.seen_by(None, None)


def newest_call(book: Book, id: str) -> Entry | None:
    """The keeper's newest call of an animal or egg: the one entered last, whatever the clock said then."""
    calls = [entry for entry in book.about(id, "call") if entry.content.by == KEEPER]
    return calls[-1] if calls else None


def said_of(book: Book, species: Species, id: str) -> SaidOf:
    """Stated evidence, tests and provings of an animal or egg."""
    stated = book.about(id, "evidence")
    tests = tuple(_test(species, one.content) for one in book.about(id, "laboratory"))
    proved = tuple(proving_reading(species, one.content.says, one.content.by or "proving") for one in book.about(id, "outcome"))
    return SaidOf(evidence=stated_evidence(species, stated[-1].content) if stated else None, tests=tests, others=proved)


def shown_by(species: Species, known: Mapping[str, GenotypePrior]) -> tuple[VisualCall, ...]:
    """Every call that an animal of these genes could show."""
    looks: list[dict[str, str]] = [{}]
    for name, prior in known.items():
        words = dict.fromkeys(species.locus(name).look(g) for g, p in prior.states if p > 0)
        looks = [{**so_far, name: word} for so_far in looks for word in words]
    return tuple(species.call_of(one) for one in looks)


def _test(species: Species, content: Laboratory) -> LabTest:
    wrong = (content.false_positive or 0.0, content.false_negative or 0.0)
    return LabTest(*allele_of(species, content.gene), content.copies, *wrong)


def photo_evidence(species: Species, reading: Entry) -> PhotoEvidence:
    """What an entry says that the photo model made of a photo."""
    content = reading.content
    logs = {call_named(species, key): value for key, value in content.log_likelihoods.items()}
    return PhotoEvidence(logs, content.floor, content.exponent, content.shortlist, content.weights or "", content.shot or "")


def photos_of(book: Book, species: Species, egg: str, files: PhotoFiles | None = None) -> tuple[ReadPhoto, ...]:
    """The photos of an egg as they were read, oldest first, and readings whose photo is gone; `files` says where they lie."""
    readings = {entry.content.photo: entry for entry in book.about(egg, "reading")}
    found = []
    for photo in book.about(egg, "photo"):
        reading = readings.pop(photo.id, None)
        content = photo.content
        source = PhotoSource(content.name, path=files.path(content.sha256) if files else None, crop=content.crop)
        found.append(ReadPhoto(source, photo_evidence(species, reading) if reading else None, content.remarks or ()))
    loose = [entry for entry in book.about(egg, "reading") if entry.content.photo is None]
    return (*found, *(ReadPhoto(PhotoSource("a photo"), photo_evidence(species, one)) for one in loose))


def recorded_sheet(
    clutches: Clutches, clutch: str, files: PhotoFiles | None = None, *, better: Mapping[str, Parent] | None = None
) -> tuple[ClutchSheet, list[tuple[ReadPhoto, ...]]]:
    """A clutch of the records ready to be sorted, and the photos of each egg as they were read.

    `better` are, by id, parents of the clutch of whom more is known than their own statement and readings (from other clutches);
    they stand in the cross with that, the others as they were entered.
    """
    book, better = clutches.book, better or {}
    content = book[clutch].content
    pairing = book[content.pairing].content
    species = book.species(clutch)
    eggs = clutches.eggs(clutch)
    if not any(egg.hatched for egg in eggs):
        raise StorageError(f"clutch {content.name}: no egg has hatched; needed: one that has ('triage egg change ... --state hatched')")
    cross = clutches.cross_with(clutch, lambda id, sex: better.get(id) or clutches.recorded(id, sex))
    said = {book.title(id): _said_of_parent(clutches, species, id, cross) for id in pairing.parents if id not in better}
    read, with_photos = [], []
    for egg, entry in zip(eggs, clutches.counted(clutch), strict=True):
        photos = photos_of(book, species, entry.id, files)
        read.append(photos)
        with_photos.append(replace(egg, photos=tuple(photo.source for photo in photos)))
    sheet = ClutchSheet(
        content.name,
        species,
        cross,
        tuple(with_photos),
        pairing.sires,
        said,
        clutches.other_loss(clutch),
        date.fromisoformat(content.laid) if content.laid else None,
        clutches.choices(clutch),
    )
    return sheet, read


def _said_of_parent(clutches: Clutches, species: Species, id: str, cross: Cross) -> SaidOf:
    """What was seen of a parent that no clutch here tells of, beside how it is known."""
    book = clutches.book
    said, call = said_of(book, species, id), newest_call(book, id)
    parent = next(p for p in (cross.dam, *cross.sires) if p.name == book.title(id))
    photos = tuple(one.evidence for one in photos_of(book, species, id) if one.evidence is not None)
    seen = Seen(photos, parse_call(species, call.content.call) if call else ())
    others = (*said.others, *seen.readings(species, shown_by(species, parent.loci), clutches.settings(None)))
    return replace(said, statement=book[id].content.statement(), others=others)


def cross_of(archive: Archive, clutch: Entry) -> Cross:
    """The cross of a clutch as it was entered."""
    return Clutches(Book.of(archive)).cross(clutch.id)
