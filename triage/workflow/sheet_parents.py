"""What a clutch sheet says of the parents: genes, descent, look, hets nobody recorded, and who may have sired the clutch."""

from __future__ import annotations

from dataclasses import replace

from triage.records import Parent, Parthenogenesis, Sex, Species
from triage.storage.kinds import Candidate, Descent, Statement
from triage.workflow.clutch import UNRECORDED, Sire, allele_of, at_place, one_look, parent_from
from triage.workflow.nodes import Node

NO_SIRE = Parthenogenesis().name


def read_parent(node: Node, species: Species, sex: Sex, default_name: str) -> tuple[Parent, Statement]:
    """A breeding animal, and how it is known: by genes, by its own parents (and look), or by its look alone; plus hets nobody recorded."""
    name_node = node.optional("name")
    name = name_node.text("a name") if name_node else default_name
    genes, pair, looks = node.optional("genes"), node.optional("offspring_of"), node.optional("looks")
    frequency, unknown, line = node.optional("background"), node.optional("unknown_hets"), node.optional("line")
    if genes is not None and (pair is not None or looks is not None):
        node.refuse(f"{name} has 'genes' beside 'offspring_of' or 'looks'", "either genes, or what descent and look say")
    if frequency is not None and (looks is None or pair is not None):
        node.refuse(f"{name} has 'background' without 'looks' alone", "'background' only where an animal is known by its look")
    way = pair or looks or genes
    if way is None:
        node.refuse(f"{name} has no 'genes'", "genes in trade shorthand, or 'genes: normal' for a plain animal")
    descent = None
    if pair is not None:
        dam = _grandparent(pair.child("dam", "the dam's genes"), species, Sex.FEMALE, f"dam of {name}")
        sire = _grandparent(pair.child("sire", "the sire's genes"), species, Sex.MALE, f"sire of {name}")
        pair.finish()
        descent = Descent(dam=dam, sire=sire)
    seen = None
    if looks is not None:
        seen = looks.text("what you see, in trade shorthand")
        at_place(looks.place, lambda: one_look(species, seen))
    said = Statement(
        genes=genes.text("genes in trade shorthand, or 'normal'") if genes is not None else None,
        offspring_of=descent,
        looks=seen,
        background=frequency.number(Statement.range("background")) if frequency is not None else None,
    )
    came_from = line.text("where it came from, in words") if line is not None else None
    parent = at_place(way.place, lambda: parent_from(species, name, sex, said, came_from))
    if line is not None and came_from not in [one.origin for one in parent.lines]:
        words = ", ".join(one.word for one in species.unnamed_lines) or "none in this species"
        line.refuse(f"'line' of {name} says nothing", f"genes with a word for a line that nobody named ({words}), or no 'line'")
    if unknown is not None:
        rates = {
            allele_named(unknown, species, key)[1]: unknown.child(key, "a chance").number(Statement.range("unknown_hets"))
            for key in unknown.names()
        }
        if rates:
            said = replace(said, unknown_hets=rates)
            parent = at_place(unknown.place, lambda: parent_from(species, name, sex, said, came_from))
    return parent, said


def _grandparent(node: Node, species: Species, sex: Sex, name: str) -> Statement:
    """How a parent's parent is known: its genes as text, or a table like any parent's."""
    if not node.is_mapping:
        said = Statement(genes=node.text("genes in trade shorthand"))
        at_place(node.place, lambda: parent_from(species, name, sex, said))
        return said
    if node.has("line"):
        node.refuse(f"{name} has 'line'", "'line' beside the genes of the dam and the sires of the clutch alone")
    _, said = read_parent(node, species, sex, name)
    node.finish()
    return said


def allele_named(node: Node, species: Species, words: str) -> tuple[str, str]:
    """Locus and allele that a gene word names."""
    return at_place(node.place, lambda: allele_of(species, words))


def read_sire(node: Node, species: Species, number: int) -> tuple[Sire, Statement | None]:
    """One candidate of a sheet, and how it was stated where it is an animal: recorded, unrecorded, or no male at all."""
    share, days = node.optional("share"), node.optional("paired")
    given = {
        "share": share.number(Candidate.range("share")) if share else None,
        "paired": tuple(day.day().isoformat() for day in days.items()) if days is not None else None,
    }
    unrecorded, alone = node.optional("unrecorded"), node.optional("parthenogenesis")
    if unrecorded is not None and unrecorded.flag():
        name, frequency = node.optional("name"), node.optional("background")
        called = name.text("a name") if name else UNRECORDED
        rate = frequency.number(Candidate.range("background")) if frequency else None
        return Sire(Candidate(unrecorded=True, name=called, background=rate, **given), called), None
    if alone is not None and alone.flag():
        if species.heterogametic is Sex.FEMALE:
            node.refuse(f"parthenogenesis is computed for species with XX females only, not for the {species.name}", "a candidate sire")
        kept = node.optional("kept_heterozygosity")
        rate = kept.number(Candidate.range("kept_heterozygosity")) if kept else None
        candidate = Candidate(parthenogenesis=True, kept_heterozygosity=rate, **given)
        return Sire(candidate, NO_SIRE), None
    parent, said = read_parent(node, species, Sex.MALE, f"sire {number}")
    return Sire(Candidate(name=parent.name, **given), parent.name, parent), said
