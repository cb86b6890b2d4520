"""The one place that makes a species for the records: the catalogue's, and the keeper's own genes with it."""

from __future__ import annotations

from collections.abc import Iterable

from triage.errors import CatalogueError
from triage.records import Mode, Species
from triage.species import load_species, usual_species
from triage.species.own import OwnGene, with_own_genes
from triage.storage.archive import Archive
from triage.storage.kinds import Gene


def own_gene(content: Gene) -> OwnGene:
    """A gene of the records as the catalogue takes it."""
    words = {name: getattr(content, name) or "" for name in ("series", "one_copy", "two_copies", "note")}
    return OwnGene(content.name, Mode(content.mode), synonyms=content.synonyms or (), **words)


def species_with(name: str | None, genes: Iterable[Gene]) -> Species:
    """A species by name (the usual one where none is given) with those of the genes that are its; the same genes give the same one.

    CatalogueError where one does not fit.
    """
    species = load_species(name or usual_species())
    return with_own_genes(species, tuple(own_gene(one) for one in genes if one.species == species.name))


def species_as_kept(name: str | None, genes: Iterable[Gene]) -> Species:
    """The same with the genes that stand in the records; where one fits no more, as after the catalogue got its name, says what to do."""
    try:
        return species_with(name, genes)
    except CatalogueError as error:
        ways = "'triage gene change NAME --name ...' takes the records along, or 'triage gene remove NAME'; nothing in the records is lost"
        raise CatalogueError(f"{error}; {ways}") from error


def species_named(archive: Archive, name: str | None = None) -> Species:
    """A species with the genes of the records."""
    return species_as_kept(name, (entry.content for entry in archive.all("gene")))
