"""The clutch sheet: a text file that describes one clutch, and the same from a form."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from triage.errors import SheetError
from triage.files import read_text
from triage.genetics.transmission import OTHER_LOSS
from triage.records import CallReading, Linkage, Phase, Sex, Species, VisualCall
from triage.species import load_species, parse_call, parse_parent, usual_species
from triage.storage.kinds import Candidate, Clutch, Evidence, Laboratory, Linked, Pairing, Photo, Statement
from triage.workflow.clutch import (
    ClutchSheet,
    LabTest,
    PhotoSource,
    SaidOf,
    SheetEgg,
    Sire,
    at_place,
    make_cross,
    spoken_of,
)
from triage.workflow.nodes import MOST_BYTES, Node, read_document
from triage.workflow.sheet_parents import allele_named, read_parent, read_sire


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
    species: str | None = None
    mixed: float | None = None


#: How a species is found by its name: in the catalogue, or with the keeper's own genes as well.
SpeciesNamed = Callable[[str], Species]
#: Name of a clutch that came from a form.
FORM = "form"


def load_sheet(
    path: Path | None = None, text: str | None = None, *, name: str | None = None, species_named: SpeciesNamed = load_species
) -> ClutchSheet:
    """Read a clutch sheet from a file, or from text (standard input, say); photos are relative to the file.

    Raises
    ------
    SheetError
        The sheet cannot be used; names file and line, what was found and what would be accepted.
    """
    if path is not None:
        name = name or path.name
        text = read_text(path, at_most=MOST_BYTES, needed="needed: a clutch sheet, see README.md", error=SheetError)
        folder = path.parent
    else:
        name, folder = name or "standard input", Path()
    return _sheet(read_document(text, name), name, folder, species_named)


def sheet_from_form(form: ClutchForm, species_named: SpeciesNamed = load_species) -> ClutchSheet:
    """A clutch from what was typed into a form.

    Raises
    ------
    SheetError
        A field cannot be used; names the field as the form shows it.
    """
    species = species_named(form.species or usual_species())
    dam_name = form.dam_name.strip() or "dam"
    dam = at_place("dam's genes", lambda: parse_parent(species, form.dam_genes, name=dam_name, sex=Sex.FEMALE))
    if not form.sires:
        raise SheetError("sires: none entered; needed: at least one candidate sire")
    sires, said = [], {dam_name: SaidOf(Statement(genes=form.dam_genes))}
    for i, typed in enumerate(form.sires, 1):
        name = typed.name.strip() or f"sire {i}"
        parent = at_place(f"genes of {name}", lambda s=typed, n=name: parse_parent(species, s.genes, name=n, sex=Sex.MALE))
        candidate = at_place(f"share of {name}", lambda s=typed, n=name: Candidate(name=n, share=s.share))
        sires.append(Sire(candidate, name, parent))
        said[name] = SaidOf(Statement(genes=typed.genes))
    _refuse_twins([dam_name, *(sire.name for sire in sires)], "parents", "parents")
    eggs = []
    for i, egg in enumerate(form.eggs, 1):
        label = egg.label.strip() or str(i)
        place = f"hatchling {label}"
        words = (egg.call or "").strip()
        called = at_place(f"call of {place}", lambda w=words: parse_call(species, w)) if words else ()
        photos = tuple(PhotoSource(n, data=data) for n, data in egg.photos)
        eggs.append(SheetEgg(label, place, Sex(egg.sex) if egg.sex else None, photos, words, called))
    if not eggs:
        raise SheetError("hatchlings: none entered; needed: at least one photo or call")
    _refuse_twins([e.label for e in eggs], "hatchlings", "labels")
    mixed = species.mixed if form.mixed is None else form.mixed
    if not Pairing.range("mixed").holds(mixed):
        raise SheetError(f"chance of several sires: {mixed}; needed: {Pairing.range('mixed').words}")
    cross = at_place("sires", lambda: make_cross(species, dam, sires, spoken_of=spoken_of(eggs), mixed=mixed))
    return ClutchSheet(FORM, species, cross, tuple(eggs), tuple(sire.candidate for sire in sires), said)


def _sheet(root: Node, name: str, folder: Path, species_named: SpeciesNamed) -> ClutchSheet:
    species = _species(root, species_named)
    mixed, laid, loss = root.optional("mixed"), root.optional("laid"), root.optional("other_loss")
    dam_node = root.child("dam", "the dam with her name and genes")
    dam, stated = read_parent(dam_node, species, Sex.FEMALE, "dam")
    said = {dam.name: _said(dam_node, species, stated)}
    dam_node.finish()
    eggs = _eggs(root, species, folder)
    sires_node = root.child("sires", "a list of at least one candidate sire")
    nodes = list(sires_node.items())
    if not nodes:
        sires_node.refuse("'sires' is an empty list", "at least one candidate sire")
    sires: list[Sire] = []
    for i, node in enumerate(nodes, 1):
        sire, stated = read_sire(node, species, i)
        sires.append(sire)
        if stated is not None:
            said[sire.name] = _said(node, species, stated)
        node.finish()
    _refuse_twins([dam.name, *(sire.name for sire in sires)], sires_node.place, "names of parents")
    day = laid.day() if laid else None
    several = mixed.number(Pairing.range("mixed")) if mixed else species.mixed
    crossover, linkages = _crossover(root, species), _linkages(root, species, [dam.name, *(sire.name for sire in sires if sire.parent)])
    cross = at_place(
        sires_node.place,
        lambda: make_cross(
            species,
            dam,
            sires,
            spoken_of=spoken_of(eggs),
            mixed=several,
            laid=day,
            crossover=crossover,
            linkages=linkages,
        ),
    )
    other_loss = loss.number(Clutch.range("other_loss")) if loss else OTHER_LOSS
    root.finish()
    return ClutchSheet(name, species, cross, eggs, tuple(sire.candidate for sire in sires), said, other_loss, day)


def _eggs(root: Node, species: Species, folder: Path) -> tuple[SheetEgg, ...]:
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


def _species(root: Node, species_named: SpeciesNamed) -> Species:
    entry = root.child("species", f"the species, for example 'species: {usual_species()}'")
    name = entry.text("the name of a species")
    return at_place(entry.place, lambda: species_named(name))


def _said(node: Node, species: Species, statement: Statement) -> SaidOf:
    evidence = node.optional("evidence")
    return SaidOf(statement, _evidence(evidence, species) if evidence is not None else None, _tests(node, species))


def _egg(entry: Node, species: Species, folder: Path) -> SheetEgg:
    label = entry.child("label", "a label for the egg, for example 'label: A1'").text("a label")
    sex = entry.optional("sex")
    photos = entry.optional("photos")
    call = entry.optional("call")
    evidence = entry.optional("evidence")
    hatched = entry.optional("hatched")
    lost = hatched is not None and not hatched.flag()
    if lost and any(entry.has(k) for k in ("sex", "photos", "call", "evidence", "laboratory")):
        entry.refuse(f"egg {label} did not hatch, yet something is said of the hatchling", "label and 'hatched: false' alone")
    words = call.text("what you see, in trade shorthand") if call else ""
    egg = SheetEgg(
        label=label,
        place=entry.place,
        sex=Sex(sex.one_of([s.value for s in Sex])) if sex else None,
        photos=tuple(_photo(p, folder) for p in photos.items()) if photos else (),
        words=words,
        called=at_place(call.place, lambda: parse_call(species, words)) if call else (),
        evidence=_evidence(evidence, species) if evidence else None,
        tests=_tests(entry, species),
        hatched=not lost,
    )
    entry.finish()
    return egg


def _photo(entry: Node, folder: Path) -> PhotoSource:
    crop = None
    named = entry
    if entry.is_mapping:
        named = entry.child("file", "the path of the photo, for example 'file: a1.jpg'")
        crop = _crop(entry.optional("crop"))
        entry.finish()
    name = named.text("the path of a photo, relative to the sheet")
    path = folder / name
    if not os.path.isfile(path):
        entry.refuse(f"photo '{name}' is not there", f"an image file at {path}")
    return PhotoSource(name, path=path, crop=crop)


def _crop(entry: Node | None) -> tuple[float, float, float, float] | None:
    if entry is None:
        return None
    values = tuple(item.number(Photo.range("crop")) for item in entry.items())
    if len(values) != 4 or values[0] >= values[2] or values[1] >= values[3]:
        entry.refuse(f"the crop {list(values)} is no frame", "[left, top, right, bottom] as shares from 0 to 1, left before "
                     "right and top before bottom")  # fmt: skip
    return values


def _evidence(entry: Node, species: Species) -> CallReading:
    likelihoods: dict[VisualCall, float] = {}
    otherwise = 0.0
    for key in entry.names():
        value = entry.child(key, "a likelihood").number(Evidence.range("otherwise" if key == "otherwise" else "likelihoods"))
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


def _tests(node: Node, species: Species) -> tuple[LabTest, ...]:
    results = node.optional("laboratory")
    if results is None:
        return ()
    found = []
    for result in results.items():
        gene = result.child("gene", "the gene tested")
        locus, allele = allele_named(gene, species, gene.text("the gene tested"))
        copies = result.child("copies", "0, 1 or 2 copies found").whole(Laboratory.range("copies"))
        rates = {}
        for key in ("false_positive", "false_negative"):
            rate = result.optional(key)
            rates[key] = rate.number(Laboratory.range(key)) if rate else 0.0
        result.finish()
        found.append(LabTest(locus, allele, copies, **rates))
    return tuple(found)


def _crossover(root: Node, species: Species) -> dict[str, float]:
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
        rates[locus.name] = child.number(Clutch.range("crossover"))
    return rates


def _linkages(root: Node, species: Species, parents: Sequence[str]) -> tuple[Linkage, ...]:
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
            rates = {s: recombination.child(s.value, "a fraction").number(Linked.range(s.value)) for s in Sex}
            recombination.finish()
        else:
            rates = dict.fromkeys(Sex, recombination.number(Linked.range("female")))
        phases = entry.optional("phase")
        known = (
            {n: Phase(phases.child(n, "a phase").one_of([p.value for p in Phase])) for n in phases.names()}
            if phases
            else {}
        )
        stranger = next((n for n in known if n not in parents), None)
        if stranger is not None:
            phases.refuse(f"'phase' names '{stranger}'", f"a parent of this clutch: {', '.join(parents)}")
        entry.finish()
        found.append(Linkage(names[0], names[1], rates, known))
    return tuple(found)


def _refuse_twins(names: Sequence[str], place: str, what: str) -> None:
    for name in names:
        if list(names).count(name) > 1:
            raise SheetError(f"{place}: '{name}' stands twice; needed: {what} that differ")
