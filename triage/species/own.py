"""Genes of a keeper's own beside those of the catalogue: a species with them is a species like any other; the same give the same."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise

from triage.errors import CatalogueError
from triage.records import Allele, Locus, Mode, Species
from triage.species.loader import refuse_clashes
from triage.species.names import normalise
from triage.species.shorthand import known_words

_NAME = re.compile(r"[^\W\d_](?:[^\W_]|[ ']){0,39}")
_WORD = re.compile(r"\d+\s*%|[^\s\-_,;/%]+")
_BETWEEN = re.compile(r"[\s\-_]*")


@dataclass(frozen=True, slots=True)
class OwnGene:
    """One gene as its keeper describes it.

    Attributes
    ----------
    name, synonyms
        What it is called.
    series
        The locus whose allele it is, named as the catalogue does, by any of its genes, or by another own gene; empty: its own locus.
    one_copy, two_copies
        What to look for, in the keeper's words.
    """

    name: str
    mode: Mode
    series: str = ""
    one_copy: str = ""
    two_copies: str = ""
    synonyms: tuple[str, ...] = ()
    note: str = ""

    @property
    def names(self) -> tuple[str, ...]:
        """Every name it goes by, as names are compared."""
        return tuple(normalise(one) for one in (self.name, *self.synonyms))


@lru_cache(maxsize=64)
def with_own_genes(species: Species, genes: tuple[OwnGene, ...]) -> Species:
    """The species with these genes behind its own; itself where there are none.

    Raises
    ------
    CatalogueError
        A gene clashes with the catalogue or with another, is no gene's name, or names a series that there is not; says which and why.
    """
    for gene in _founders_first(genes):
        species = _with_gene(species, gene)
    return species


def locus_of_series(species: Species, series: str) -> Locus | None:
    """The locus that words name: by its own name or by one of its genes; None where there is none."""
    wanted = normalise(series)
    for locus in species.loci:
        names = (locus.name, *(name for one in locus.alleles for name in (one.name, *one.synonyms)))
        if wanted in map(normalise, names):
            return locus
    return None


def mentions(text: str, names: Collection[str], known: Collection[str]) -> list[tuple[int, int]]:
    """Where in gene words one of `names` stands, as the parser reads: the longest phrase of `names` and `known` first.

    >>> mentions("66% het Dusk, black dusk", {"dusk"}, {"het", "black dusk"})
    [(8, 12)]
    """
    words, found, at = list(_WORD.finditer(text)), [], 0
    phrases = {*names, *known}
    longest = max((len(one.split()) for one in phrases), default=1)
    while at < len(words):
        for length in range(min(longest, len(words) - at), 0, -1):
            run = words[at : at + length]
            joined = all(_BETWEEN.fullmatch(text, a.end(), b.start()) for a, b in pairwise(run))
            phrase = " ".join(one.group().lower() for one in run)
            if joined and phrase in phrases:
                if phrase in names:
                    found.append((run[0].start(), run[-1].end()))
                at += length - 1
                break
        at += 1
    return found


def _founders_first(genes: Sequence[OwnGene]) -> list[OwnGene]:
    """The genes in their order, but each behind the own gene whose series it names."""
    waiting, done = list(genes), []
    while waiting:
        names = {normalise(one.name) for one in waiting}
        free = [one for one in waiting if normalise(one.series) not in names]
        if not free:
            ring = ", ".join(f"{one.name} names {one.series}" for one in waiting)
            itself = next((one for one in waiting if normalise(one.series) == normalise(one.name)), None)
            if itself is not None:
                _refuse(itself, "its series is itself", "the series or another gene whose allele it is, or none")
            _refuse(waiting[0], f"each of these names the other as its series: {ring}", "one of them without a series")
        done += free
        waiting = [one for one in waiting if one not in free]
    return done


def _with_gene(species: Species, gene: OwnGene) -> Species:
    known = set(known_words(species)) | {normalise(locus.name) for locus in species.loci}
    for name in gene.names:
        if not _NAME.fullmatch(name):
            _refuse(gene, f"'{name}' cannot be read among other genes", "up to 40 letters, digits and spaces, a letter first")
        if name in known or gene.names.count(name) > 1:
            _refuse(gene, f"'{name}' already means something for the {species.name}", "a name used once ('triage genes' lists them)")
    if gene.mode is Mode.RECESSIVE and gene.one_copy:
        _refuse(gene, "the look of one copy of a recessive gene", "its look with two copies, or another mode")
    if gene.mode is Mode.DOMINANT and gene.two_copies:
        _refuse(gene, "another look of two copies of a dominant gene", "its look with one copy, or the mode incomplete dominant")
    allele, series = _allele(gene), locus_of_series(species, gene.series)
    if gene.series and series is None:
        _refuse(gene, f"its series '{gene.series}' is unknown", f"a series or a gene of the {species.name}, or another gene of your own")
    if series is None:
        loci = (*species.loci, Locus(allele.name, (allele,)))
    else:
        loci = tuple(replace(one, alleles=(*one.alleles, allele)) if one is series else one for one in species.loci)
    made = replace(species, loci=loci)
    refuse_clashes(made, f"your own gene {gene.name}")
    return made


def _allele(gene: OwnGene) -> Allele:
    name, recessive = normalise(gene.name), gene.mode is Mode.RECESSIVE
    return Allele(
        name=name,
        mode=gene.mode,
        one_copy_name=None if recessive else name,
        two_copies_name=f"super {name}" if gene.mode is Mode.INCOMPLETE_DOMINANT else name,
        look_for=gene.two_copies if recessive else gene.one_copy,
        two_copies_look_for="" if recessive else gene.two_copies,
        synonyms=gene.synonyms,
        notes=gene.note,
        own=True,
    )


def _refuse(gene: OwnGene, found: str, needed: str) -> None:
    raise CatalogueError(f"your own gene {gene.name}: {found}; needed: {needed}")
