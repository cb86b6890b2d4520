"""A sorted clutch into the records: everything that was said of it, and the answer as it was given."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from triage.errors import ContradictionError, PhotoError, StorageError, UnsupportedInheritanceError, WorkTooLargeError
from triage.genetics.transmission import OTHER_LOSS
from triage.records import Parent, Phase, PhotoEvidence, Sex, Species
from triage.storage.archive import Archive, Draft
from triage.storage.kinds import (
    Animal,
    Call,
    Clutch,
    Egg,
    Evidence,
    Laboratory,
    Line,
    Linked,
    Pairing,
    Photo,
    Reading,
    Statement,
)
from triage.storage.photo_files import PhotoFiles
from triage.vision.intake import Photo as Picture
from triage.vision.intake import open_photo
from triage.workflow.answers.report import ClutchReport
from triage.workflow.book import Book, key_of, now
from triage.workflow.clutch import ClutchSheet, LabTest, PhotoSource, ReadPhoto, SheetEgg
from triage.workflow.known import known_of
from triage.workflow.recorded import KEEPER, Clutches
from triage.workflow.sort_again import sort_entry


@dataclass(frozen=True, slots=True)
class KeptClutch:
    """What was entered: the clutch, its eggs by label and its parents by name (ids), how many photos, and remarks in words."""

    clutch: str
    eggs: dict[str, str]
    parents: dict[str, str]
    photos: int
    remarks: tuple[str, ...] = ()


def keep_clutch(
    archive: Archive,
    files: PhotoFiles,
    report: ClutchReport,
    *,
    name: str | None = None,
    laid: str | None = None,
    hatched: str | None = None,
    again: bool = False,
    marked_as: str | None = None,
    who: str = "keeper",
) -> KeptClutch:
    """Enter a sorted clutch as one change; no photo is read again.

    Parents that are in the records by name are used, if what is said of them is the same; the others are entered. Hold-back marks
    that were set under the clutch's name (or `marked_as`) become marks of its eggs.

    Raises
    ------
    StorageError
        A clutch of that name is there; a parent is in the records otherwise than the clutch says; the same eggs are there already
        (unless `again`); a photo is no longer what it was when it was sorted; what was stated cannot be computed with the rest.
    """
    sheet = report.sheet
    name = name or sheet.name
    laid = sheet.laid.isoformat() if sheet.laid else laid
    book = Book.of(archive)
    _refuse_strange_genes(book, sheet)
    if any(entry.content.name == name for entry in book.all("clutch")):
        raise StorageError(f"clutch '{name}' is in the records already; give this one another name")
    there = {parent.name: _known_parent(book, sheet, parent) for parent in _parents(sheet)}
    pictures, remarks = _pictures(report)
    if not again:
        _refuse_twins(book, sheet, pictures, there, laid)
    kept = [(label, source_sha256, read, files.add(clean_jpeg(picture))) for label, source_sha256, read, picture in pictures]
    named = {name, marked_as or name}
    marks = [hold for hold in book.all("hold") if hold.content.about is None and hold.content.clutch_name in named]
    with archive.change(f"clutch {name} entered", who=who) as draft:
        entered = _Entered(draft, sheet, now(), {one.content.name: one.id for one in book.all("line")})
        parents = {parent.name: there[parent.name] or entered.parent(parent) for parent in _parents(sheet)}
        clutch = entered.clutch(name, parents, laid, hatched)
        eggs = {egg.label: entered.egg(clutch, egg) for egg in sheet.eggs}
        for label, source_sha256, read, sha256 in kept:
            entered.photo(eggs[label], read, sha256, source_sha256)
        draft.add(sort_entry(clutch, report))
        for hold in marks:
            if hold.content.label in eggs:
                draft.put(hold, about=eggs[hold.content.label])
    try:
        known_of(archive, sheet.species.name)
    except UnsupportedInheritanceError as error:
        archive.undo(archive.history(clutch)[-1].change, who=who)
        raise UnsupportedInheritanceError(f"clutch {name} was not kept: with the other records it cannot be computed: {error}") from error
    except (ContradictionError, WorkTooLargeError):
        pass  # asked of the records, they say so themselves
    return KeptClutch(clutch, eggs, parents, len(kept), remarks)


def _refuse_strange_genes(book: Book, sheet: ClutchSheet) -> None:
    """Refuse a sheet that was read with genes of the keeper's own which these records do not hold as they were then."""
    known = {allele for locus in book.species_named(sheet.species.name).loci for allele in locus.alleles}
    strange = [allele.name for locus in sheet.species.loci for allele in locus.alleles if allele.own and allele not in known]
    if strange:
        raise StorageError(f"{sheet.name}: was read with your own gene {strange[0]}, which the records do not hold as it was then; "
                           "needed: the gene entered there ('triage gene add'), then the clutch read again")  # fmt: skip


def _parents(sheet: ClutchSheet) -> list[Parent]:
    return [p for p in (sheet.cross.dam, *sheet.cross.sires) if isinstance(p, Parent) and p.name in sheet.said]


def _known_parent(book: Book, sheet: ClutchSheet, parent: Parent) -> str | None:
    """The animal of the records that a parent is, None where there is none of its name."""
    found = [e for e in book.all("animal") if e.content.name == parent.name and e.content.species == sheet.species.name]
    if not found:
        return None
    if len(found) > 1:
        listed = "; ".join(f"{e.id} ({e.content.sex}, {e.content.genes or 'no genes entered'})" for e in found)
        raise StorageError(
            f"{parent.name}: two animals of that name are in the records: {listed}; needed: another name for one of them "
            "('triage animal change ID --name ...')"
        )
    (entry,) = found
    ways = (
        f"needed: the same in both. Either change the records ('triage animal change {parent.name} ...'), or the clutch, or give "
        "one of the two another name if they are two animals"
    )
    if entry.content.sex != parent.sex.value:
        raise StorageError(f"{parent.name}: is {parent.sex.value} here and {entry.content.sex} in the records; {ways}")
    if book.clutch_of(entry.id) is not None:
        raise StorageError(
            f"{parent.name}: is from clutch {book.title(book.clutch_of(entry.id))} in the records, which say more of it than its genes "
            "here; needed: the pairing and the clutch entered there ('triage pair add', 'triage clutch add', 'triage egg add'), then "
            "'triage sort' of the clutch's name"
        )
    if Clutches(book).recorded(entry.id, parent.sex) != parent:
        line = book[entry.content.line].content.name if entry.content.line else ""
        here = _stated(sheet.said[parent.name].statement, *(one.origin for one in parent.lines if one.origin))
        known = _stated(entry.content.statement(), line)
        raise StorageError(f"{parent.name}: the clutch says {here}, the records say {known}; {ways}")
    return entry.id


def _stated(said: Statement, line: str = "") -> str:
    if said.offspring_of is not None:
        parts = [f"offspring of {_stated(said.offspring_of.dam)} and {_stated(said.offspring_of.sire)}"]
        parts += [f"looks {said.looks}"] if said.looks else []
    else:
        parts = [f"looks {said.looks}" if said.looks else f"'{said.genes or 'normal'}'"]
    parts += [f"{100 * p:g} % unrecorded het {allele}" for allele, p in (said.unknown_hets or {}).items()]
    return ", ".join([*parts, *([f"line {line}"] if line else [])])


def _pictures(report: ClutchReport) -> tuple[list[tuple[str, str, ReadPhoto, Picture]], tuple[str, ...]]:
    """(label, checksum of the file, photo as read, picture) of every photo that can be opened; remarks on the others."""
    found, remarks = [], []
    for egg, photos in zip(report.sheet.eggs, report.photos, strict=True):
        for photo in photos:
            try:
                picture = open_photo(photo.source.source, name=photo.source.name)
            except PhotoError as error:
                if photo.evidence is not None:
                    raise StorageError(f"{photo.source.name}: is not the photo that was sorted ({error}); sort the clutch again") from error
                remarks.append(f"photo {photo.source.name} of {egg.label} was not kept: {error}")
                continue
            found.append((egg.label, sha256_of_source(photo.source), photo, picture))
    return found, tuple(remarks)


def _refuse_twins(
    book: Book, sheet: ClutchSheet, pictures: Sequence[tuple], there: Mapping[str, str | None], laid: str | None
) -> None:
    """Refuse eggs that are in the records already: by a photo of theirs, or by parents, day, labels and calls that are all the same."""
    known = {entry.content.source_sha256: entry for entry in book.all("photo")}
    way = "needed: each clutch once, or the word that it is another one (--again, or the box above the button)"
    for label, sha256, photo, _ in pictures:
        if sha256 in known:
            whose = book.title(known[sha256].content.about)
            raise StorageError(f"photo {photo.source.name} of {label} is in the records already, as one of {whose}; {way}")
    dam = there.get(sheet.cross.dam.name)
    mine = [(egg.label, egg.sex.value if egg.sex else None, egg.words, egg.hatched) for egg in sheet.eggs]
    for entry in book.all("clutch"):
        pairing = book[entry.content.pairing].content
        if pairing.dam != dam or set(pairing.parents) != set(there.values()):
            continue
        theirs = []
        for egg in book.eggs(entry.id):
            calls = [one.content.call for one in book.about(egg.id, "call")]
            theirs.append((egg.content.label, egg.content.sex, calls[0] if calls else "", egg.content.state != "dead"))
        if theirs == mine and entry.content.laid == laid:
            raise StorageError(f"the same eggs of the same parents are in the records already, as clutch {entry.content.name}; {way}")


@dataclass(frozen=True, slots=True)
class _Entered:
    """Entries of one clutch being made."""

    draft: Draft
    sheet: ClutchSheet
    at: str
    lines: dict[str, str]

    @property
    def species(self) -> Species:
        return self.sheet.species

    def parent(self, parent: Parent) -> str:
        said = self.sheet.said[parent.name]
        line = next((self.line(one.origin) for one in parent.lines if one.origin is not None), None)
        own = {"name": parent.name, "species": self.species.name, "sex": parent.sex.value, "state": "kept", "line": line}
        id = self.draft.add(Animal(**own, **said.statement.stated()))
        if said.evidence is not None:
            self._evidence(id, said.evidence)
        for test in said.tests:
            self._test(id, test)
        return id

    def line(self, name: str) -> str:
        """The line of this name, entered where it is not in the records."""
        if name not in self.lines:
            self.lines[name] = self.draft.add(Line(name=name))
        return self.lines[name]

    def clutch(self, name: str, parents: Mapping[str, str], laid: str | None, hatched: str | None) -> str:
        cross = self.sheet.cross
        sires = tuple(
            replace(candidate, animal=parents[sire.name], name=None) if sire.name in parents else candidate
            for candidate, sire in zip(self.sheet.candidates, cross.sires, strict=True)
        )
        pairing = self.draft.add(Pairing(dam=parents[cross.dam.name], sires=sires, mixed=float(cross.mixed)))
        linked = []
        for one in cross.linkages:
            of = {phase: tuple(parents[n] for n, p in one.phases.items() if p is phase and n in parents) or None for phase in Phase}
            linked.append(Linked(genes=(one.first, one.second), female=one.recombination[Sex.FEMALE], male=one.recombination[Sex.MALE],
                                 coupling=of[Phase.COUPLING], repulsion=of[Phase.REPULSION]))  # fmt: skip
        loss = self.sheet.other_loss
        return self.draft.add(
            Clutch(
                name=name,
                pairing=pairing,
                laid=laid,
                hatched=hatched,
                crossover=dict(cross.crossover) or None,
                linked=tuple(linked) or None,
                other_loss=None if loss == OTHER_LOSS else loss,
            )
        )

    def egg(self, clutch: str, egg: SheetEgg) -> str:
        state, sex = "hatched" if egg.hatched else "dead", egg.sex.value if egg.sex else None
        id = self.draft.add(Egg(clutch=clutch, label=egg.label, state=state, sex=sex))
        if egg.called:  # before the tests: it was made at hatch (`eye.py` counts calls made before one)
            self.draft.add(Call(about=id, call=egg.words, by=KEEPER, at=self.at, stage="at hatch"))
        for test in egg.tests:
            self._test(id, test)
        if egg.evidence is not None:
            self._evidence(id, egg.evidence)
        return id

    def photo(self, about: str, read: ReadPhoto, sha256: str, source_sha256: str) -> None:
        kept = Photo(about=about, sha256=sha256, source_sha256=source_sha256, name=read.source.name, added=self.at,
                     crop=read.source.crop or None, remarks=read.remarks or None)  # fmt: skip
        add_photo(self.draft, self.species, kept, read.evidence)

    def _evidence(self, about: str, evidence) -> None:
        listed = {key_of(self.species, call): value for call, value in evidence.likelihoods.items()}
        self.draft.add(Evidence(about=about, at=self.at, likelihoods=listed, otherwise=evidence.otherwise))

    def _test(self, about: str, test: LabTest) -> None:
        rates = {"false_positive": test.false_positive, "false_negative": test.false_negative}
        self.draft.add(Laboratory(about=about, gene=test.allele, copies=test.copies, at=self.at, **rates))


def add_photo(draft: Draft, species: Species, photo: Photo, evidence: PhotoEvidence | None) -> None:
    """A picture, and what the photo model made of it."""
    id = draft.add(photo)
    if evidence is not None:
        reading = Reading(
            about=photo.about,
            photo=id,
            at=photo.added,
            log_likelihoods={key_of(species, call): value for call, value in evidence.log_likelihoods.items()},
            floor=evidence.floor,
            exponent=evidence.exponent,
            shortlist=evidence.shortlist,
            weights=evidence.weights or None,
            shot=evidence.shot or None,
        )
        draft.add(reading)


def sha256_of_source(source: PhotoSource) -> str:
    """Checksum of a photo's file as it was taken, by which it is known again."""
    return hashlib.sha256(source.read()).hexdigest()


def clean_jpeg(picture: Picture) -> bytes:
    """A photo's pixels as a JPEG without a single tag: phones write the place into theirs."""
    file = io.BytesIO()
    picture.to_image().save(file, "JPEG", quality=92)
    return file.getvalue()
