"""The clutch sheet: a text file that describes one clutch, and the same from a form."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar

from triage.errors import SheetError
from triage.genetics.clutch.exact import OTHER_LOSS
from triage.genetics.readings import laboratory_reading
from triage.records import (
    CallReading,
    Cross,
    GenotypeReading,
    Linkage,
    Phase,
    Probability,
    Reading,
    Sex,
    Species,
    VisualCall,
)
from triage.species import load_species, parse_call, parse_parent
from triage.workflow.nodes import Entry, read_document
from triage.workflow.parents import (
    allele_named,
    at_place,
    checked_shares,
    exact_number,
    is_flagged,
    read_call,
    read_parent,
    read_parthenogenesis,
    read_shares,
    read_unrecorded_sire,
)

T = TypeVar("T")


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


@dataclass(frozen=True, slots=True)
class SheetEgg:
    """One hatchling of a sheet; ``called`` holds the visual calls that the keeper's words describe."""

    label: str
    place: str
    sex: Sex | None = None
    photos: tuple[PhotoSource, ...] = ()
    called: tuple[VisualCall, ...] = ()
    evidence: CallReading | None = None
    laboratory: tuple[GenotypeReading, ...] = ()
    hatched: bool = True


@dataclass(frozen=True, slots=True)
class ClutchSheet:
    """A clutch ready to be sorted."""

    name: str
    species: Species
    cross: Cross
    eggs: tuple[SheetEgg, ...]
    parent_readings: dict[str, tuple[Reading, ...]] = field(default_factory=dict)
    other_loss: float = OTHER_LOSS


@dataclass(frozen=True, slots=True)
class SireForm:
    """One candidate sire as typed into a form."""

    name: str
    genes: str
    share: float | None = None


@dataclass(frozen=True, slots=True)
class EggForm:
    """One hatchling as typed into a form; photos are (file name, bytes)."""

    label: str
    sex: str | None = None
    call: str | None = None
    photos: tuple[tuple[str, bytes], ...] = ()


@dataclass(frozen=True, slots=True)
class ClutchForm:
    """A clutch as typed into a form."""

    dam_name: str
    dam_genes: str
    sires: tuple[SireForm, ...]
    eggs: tuple[EggForm, ...]
    species: str = "ball python"
    mixed: float | None = None


def load_sheet(path: Path | None = None, text: str | None = None, *, name: str | None = None) -> ClutchSheet:
    """Read a clutch sheet from a file, or from text (standard input, say); photos are relative to the file.

    Raises
    ------
    SheetError
        The sheet cannot be used; names file and line, what was found and what would be accepted.
    """
    if path is not None:
        name = name or path.name
        text = _read_text(path, name)
        folder = path.parent
    else:
        name, folder = name or "standard input", Path()
    return _sheet(read_document(text, name), name, folder)


def _read_text(path: Path, name: str) -> str:
    try:
        return path.read_text("utf-8")
    except FileNotFoundError:
        raise SheetError(f"{path}: no such file; needed: the path of a clutch sheet") from None
    except IsADirectoryError:
        raise SheetError(f"{path}: this is a folder; needed: the path of a clutch sheet") from None
    except UnicodeDecodeError:
        raise SheetError(f"{name}: not a text file in UTF-8; needed: a clutch sheet, see README.md") from None
    except OSError as error:
        raise SheetError(f"{path}: cannot be read ({error.strerror}); needed: a readable clutch sheet") from None


def sheet_from_form(form: ClutchForm) -> ClutchSheet:
    """A clutch from what was typed into a form.

    Raises
    ------
    SheetError
        A field cannot be used; names the field as the form shows it.
    """
    species = load_species(form.species)
    dam_name = form.dam_name.strip() or "dam"
    dam = at_place("dam's genes", lambda: parse_parent(species, form.dam_genes, name=dam_name, sex=Sex.FEMALE))
    if not form.sires:
        raise SheetError("sires: none entered; needed: at least one candidate sire")
    sires = []
    for i, sire in enumerate(form.sires, 1):
        sire_name = sire.name.strip() or f"sire {i}"
        genes = lambda s=sire, n=sire_name: parse_parent(species, s.genes, name=n, sex=Sex.MALE)  # noqa: E731
        sires.append(at_place(f"genes of {sire_name}", genes))
    _refuse_twins([dam_name, *(s.name for s in sires)], "parents", "parents")
    shares = checked_shares([s.share for s in form.sires], "sires")
    eggs = []
    for i, egg in enumerate(form.eggs, 1):
        label = egg.label.strip() or str(i)
        place = f"hatchling {label}"
        called = (
            at_place(f"call of {place}", lambda e=egg: parse_call(species, e.call))
            if egg.call and egg.call.strip()
            else ()
        )
        photos = tuple(PhotoSource(n, data=data) for n, data in egg.photos)
        eggs.append(SheetEgg(label, place, Sex(egg.sex) if egg.sex else None, photos, called))
    if not eggs:
        raise SheetError("hatchlings: none entered; needed: at least one photo or call")
    _refuse_twins([e.label for e in eggs], "hatchlings", "labels")
    mixed: Probability = species.mixed if form.mixed is None else form.mixed
    cross = Cross(species, dam, tuple(sires), shares, exact_number(mixed))
    return ClutchSheet("form", species, cross, tuple(eggs))


def _sheet(root: Entry, name: str, folder: Path) -> ClutchSheet:
    species = _species(root)
    mixed = root.optional("mixed")
    dam_entry = root.child("dam", "the dam with her name and genes")
    dam = read_parent(dam_entry, species, Sex.FEMALE, "dam")
    readings = {dam.name: _parent_readings(dam_entry, species)}
    dam_entry.finish()
    eggs = _eggs(root, species, folder)
    sires_entry = root.child("sires", "a list of at least one candidate sire")
    entries = list(sires_entry.items())
    if not entries:
        sires_entry.refuse("'sires' is an empty list", "at least one candidate sire")
    recorded = {
        i: read_parent(entry, species, Sex.MALE, f"sire {i}")
        for i, entry in enumerate(entries, 1)
        if not (is_flagged(entry, "unrecorded") or is_flagged(entry, "parthenogenesis"))
    }
    sires = []
    for i, entry in enumerate(entries, 1):
        if i in recorded:
            sire = recorded[i]
            readings[sire.name] = _parent_readings(entry, species)
        elif is_flagged(entry, "parthenogenesis"):
            sire = read_parthenogenesis(entry, species)
        else:
            spoken_of = [c for e in eggs for c in (*e.called, *(e.evidence.likelihoods if e.evidence else ()))]
            sire = read_unrecorded_sire(entry, species, [dam, *recorded.values()], spoken_of)
        sires.append(sire)
    shares = read_shares(root, sires_entry, entries, [s.name for s in sires])
    for entry in entries:
        entry.finish()
    _refuse_twins([dam.name, *(s.name for s in sires)], sires_entry.place, "names of parents")
    crossover = _crossover(root, species)
    cross = Cross(
        species=species,
        dam=dam,
        sires=tuple(sires),
        shares=shares,
        mixed=exact_number(mixed.number(0, 1) if mixed else species.mixed),
        crossover=crossover,
        linkages=_linkages(root, species),
    )
    loss = root.optional("other_loss")
    root.finish()
    return ClutchSheet(
        name=name,
        species=species,
        cross=cross,
        eggs=eggs,
        parent_readings={n: r for n, r in readings.items() if r},
        other_loss=loss.number(0, 1) if loss else OTHER_LOSS,
    )


def _eggs(root: Entry, species: Species, folder: Path) -> tuple[SheetEgg, ...]:
    eggs_entry = root.child("eggs", "a list of at least one egg")
    eggs = tuple(_egg(entry, species, folder) for entry in eggs_entry.items())
    if not eggs:
        eggs_entry.refuse("'eggs' is an empty list", "at least one egg with a label")
    seen: dict[str, str] = {}
    for egg in eggs:
        if egg.label in seen:
            raise SheetError(
                f"{egg.place}: label '{egg.label}' already stands at {seen[egg.label]}; needed: a label of its own for each egg"
            )
        seen[egg.label] = egg.place.rsplit(", ", 1)[-1]
    return eggs


def _species(root: Entry) -> Species:
    entry = root.child("species", "the species, for example 'species: ball python'")
    return at_place(entry.place, lambda: load_species(entry.text("the name of a species")))


def _parent_readings(entry: Entry, species: Species) -> tuple[Reading, ...]:
    readings: list[Reading] = []
    evidence = entry.optional("evidence")
    if evidence is not None:
        readings.append(_evidence(evidence, species))
    readings += _laboratory(entry, species)
    return tuple(readings)


def _egg(entry: Entry, species: Species, folder: Path) -> SheetEgg:
    label = entry.child("label", "a label for the egg, for example 'label: A1'").text("a label")
    sex = entry.optional("sex")
    photos = entry.optional("photos")
    call = entry.optional("call")
    evidence = entry.optional("evidence")
    hatched = entry.optional("hatched")
    lost = hatched is not None and hatched.one_of(["true", "false"]) == "false"
    if lost and any(entry.has(k) for k in ("sex", "photos", "call", "evidence", "laboratory")):
        entry.refuse(f"egg {label} did not hatch, yet something is said of the hatchling", "label and 'hatched: false' alone")
    egg = SheetEgg(
        label=label,
        place=entry.place,
        sex=Sex(sex.one_of([s.value for s in Sex])) if sex else None,
        photos=tuple(_photo(p, folder) for p in photos.items()) if photos else (),
        called=read_call(call, species) if call else (),
        evidence=_evidence(evidence, species) if evidence else None,
        laboratory=_laboratory(entry, species),
        hatched=not lost,
    )
    entry.finish()
    return egg


def _photo(entry: Entry, folder: Path) -> PhotoSource:
    crop = None
    named = entry
    if entry.is_mapping:
        named = entry.child("file", "the path of the photo, for example 'file: a1.jpg'")
        crop = _crop(entry.optional("crop"))
        entry.finish()
    name = named.text("the path of a photo, relative to the sheet")
    path = folder / name
    if not path.is_file():
        entry.refuse(f"photo '{name}' is not there", f"an image file at {path}")
    return PhotoSource(name, path=path, crop=crop)


def _crop(entry: Entry | None) -> tuple[float, float, float, float] | None:
    if entry is None:
        return None
    values = tuple(item.number(0, 1) for item in entry.items())
    if len(values) != 4 or values[0] >= values[2] or values[1] >= values[3]:
        entry.refuse(f"the crop {list(values)} is no frame", "[left, top, right, bottom] as shares from 0 to 1, left before "
                     "right and top before bottom")  # fmt: skip
    return values


def _evidence(entry: Entry, species: Species) -> CallReading:
    likelihoods: dict[VisualCall, float] = {}
    otherwise = 0.0
    for key in entry.names():
        value = entry.child(key, "a likelihood").number(0, float("inf"))
        if key == "otherwise":
            otherwise = value
            continue
        for call in at_place(entry.place, lambda k=key: parse_call(species, k)):
            if call in likelihoods:
                entry.refuse(f"'{key}' names '{call.name}', which already has a likelihood", "each visual call once")
            likelihoods[call] = value
    if not likelihoods:
        entry.refuse("'evidence' names no visual call", "at least one line such as 'pastel: 0.7'")
    if max(*likelihoods.values(), otherwise) == 0:
        entry.refuse("every likelihood of 'evidence' is 0", "at least one above 0")
    return CallReading(likelihoods, otherwise, "evidence")


def _laboratory(entry: Entry, species: Species) -> tuple[GenotypeReading, ...]:
    results = entry.optional("laboratory")
    if results is None:
        return ()
    readings = []
    for result in results.items():
        gene = result.child("gene", "the gene tested")
        locus_name, allele = allele_named(gene, species, gene.text("the gene tested"))
        locus = species.locus(locus_name)
        copies = result.child("copies", "0, 1 or 2 copies found").whole(0, 2)
        rates = {}
        for key in ("false_positive", "false_negative"):
            rate = result.optional(key)
            rates[key] = rate.number(0, 1) if rate else 0.0
        result.finish()
        readings.append(laboratory_reading(locus, allele, copies, **rates))
    return tuple(readings)


def _crossover(root: Entry, species: Species) -> dict[str, float]:
    entry = root.optional("crossover")
    if entry is None:
        return {}
    rates = {}
    for key in entry.names():
        child = entry.child(key, "a rate")
        locus = next((x for x in species.loci if x.name == key or key in x.allele_names), None)
        if locus is None or not locus.sex_linked:
            known = ", ".join(x.name for x in species.loci if x.sex_linked) or "none in this species"
            child.refuse(f"'{key}' is no sex-linked gene of the {species.name}", f"one of: {known}")
        rates[locus.name] = child.number(0, 0.5)
    return rates


def _linkages(root: Entry, species: Species) -> tuple[Linkage, ...]:
    entries = root.optional("linked")
    if entries is None:
        return ()
    found = []
    for entry in entries.items():
        genes = [g.text("a gene") for g in entry.child("genes", "two genes, for example [pastel, clown]").items()]
        names = [allele_named(entry, species, gene)[0] for gene in genes]
        if len(names) != 2 or names[0] == names[1] or any(species.locus(n).sex_linked for n in names):
            entry.refuse(f"'genes' names {', '.join(genes)}", "two genes at two different loci, neither sex-linked")
        recombination = entry.child("recombination", "a recombination fraction")
        if recombination.is_mapping:
            rates = {s: recombination.child(s.value, "a fraction").number(0, 0.5) for s in Sex}
            recombination.finish()
        else:
            rates = dict.fromkeys(Sex, recombination.number(0, 0.5))
        phases = entry.optional("phase")
        known = (
            {n: Phase(phases.child(n, "a phase").one_of([p.value for p in Phase])) for n in phases.names()}
            if phases
            else {}
        )
        entry.finish()
        found.append(Linkage(names[0], names[1], rates, known))
    return tuple(found)


def _refuse_twins(names: Sequence[str], place: str, what: str) -> None:
    for name in names:
        if list(names).count(name) > 1:
            raise SheetError(f"{place}: '{name}' stands twice; needed: {what} that differ")
