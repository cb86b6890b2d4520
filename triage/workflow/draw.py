"""Draw synthetic hatchlings of given genes: photos with masks and a table of the truth."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from PIL import Image

from triage.errors import SheetError, ShorthandError, UnknownNameError, UnsupportedInheritanceError
from triage.files import read_text
from triage.hatchery import DOMAINS, STAGES, HatchedPhoto, HatchSpec
from triage.hatchery import hatch as render_photos
from triage.records import Genotype, Sex, Species
from triage.species import load_species, parse_parent, usual_species
from triage.species.drawing import looks_of

DEFAULT_SIZE = 512
_LARGEST_TABLE = 10 * 2**20
#: Columns of a table of orders; the last three may be left empty.
COLUMNS = ("label", "genes", "animal_seed", "photo_seed", "stage")

__all__ = ["DEFAULT_SIZE", "DOMAINS", "STAGES", "HatchOrder", "hatch", "orders", "orders_from_table"]


@dataclass(frozen=True, slots=True)
class HatchOrder:
    """One photo to draw: genes in trade shorthand, the animal's and the photo's seed, and the stage (None: drawn)."""

    label: str
    genes: str
    animal_seed: int
    photo_seed: int
    stage: str | None = None


def orders(genes: Sequence[str], *, copies: int, seed: int, stage: str | None) -> tuple[HatchOrder, ...]:
    """``copies`` photos of a different animal each for every set of genes, numbered from ``seed``."""
    if copies < 1:
        raise SheetError(f"copies is {copies}; needed: at least 1")
    number = len(str(len(genes) * copies))
    return tuple(
        HatchOrder(f"{i * copies + j + 1:0{number}d}", one, seed + i * copies + j, seed + i * copies + j, stage)
        for i, one in enumerate(genes)
        for j in range(copies)
    )


def orders_from_table(path: Path) -> tuple[HatchOrder, ...]:
    """Orders from a CSV file with the columns label, genes, animal_seed, photo_seed and stage.

    Raises
    ------
    SheetError
        The file cannot be read, or a row has a missing column or a seed that is no whole number; names the line.
    """
    needed = f"needed: a CSV file with {', '.join(COLUMNS)}"
    text = read_text(path, at_most=_LARGEST_TABLE, needed=needed, error=SheetError)
    try:
        rows = list(csv.DictReader(line for line in io.StringIO(text, newline="") if not line.startswith("#")))
    except csv.Error as error:
        raise SheetError(f"{path}: cannot be read ({error}); {needed}") from None
    found = []
    for number, row in enumerate(rows, 1):
        missing = [c for c in COLUMNS[:4] if not row.get(c)]
        if missing:
            raise SheetError(f"{path}, row {number}: no '{missing[0]}'; needed: the columns {', '.join(COLUMNS)}")
        try:
            seeds = int(row["animal_seed"]), int(row["photo_seed"])
        except ValueError:
            raise SheetError(f"{path}, row {number}: a seed is no whole number; needed: 0 or more") from None
        found.append(HatchOrder(row["label"], row["genes"], *seeds, row.get("stage") or None))
    if not found:
        raise SheetError(f"{path}: no rows; needed: at least one photo to draw")
    return tuple(found)


def hatch(
    wanted: Sequence[HatchOrder],
    folder: Path,
    *,
    size: int = DEFAULT_SIZE,
    domain: str = "training",
    jpeg_quality: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[HatchedPhoto, ...]:
    """Draw every order into ``folder``: photos, masks, and truth.csv.

    Raises
    ------
    SheetError
        Unknown stage or domain, genes that cannot be drawn, or a size that is no multiple of 16 from 64 to 1024.
    PhotoError
        The folder holds files of these names already.
    """
    if size % 16 or not 64 <= size <= 1024:
        raise SheetError(f"size is {size}; needed: a multiple of 16 from 64 to 1024")
    if domain not in DOMAINS:
        raise SheetError(f"domain is '{domain}'; needed: one of {', '.join(DOMAINS)}")
    species = load_species(usual_species())
    specs = []
    for order in wanted:
        if order.stage is not None and order.stage not in STAGES:
            raise SheetError(f"stage of {order.label} is '{order.stage}'; needed: one of {', '.join(STAGES)}")
        specs.append(
            HatchSpec(order.label, genotype_of(species, order.genes, order.label), order.animal_seed, order.photo_seed, order.stage)
        )
    try:
        return render_photos(specs, folder, size=size, domain=domain, jpeg_quality=jpeg_quality, progress=progress)
    except ValueError as error:
        raise SheetError(f"{folder}: {error}") from error


def drawn(species: Species, genes: str, *, seed: int, size: int, stage: str | None = None, domain: str = "training") -> Image.Image:
    """A synthetic photo of a hatchling of these genes, drawn from the seed alone; `size` x `size` pixels.

    SheetError where the genes leave something open, CatalogueError where the species cannot be drawn.
    """
    from triage.hatchery import render

    genotype, looks = genotype_of(species, genes), looks_of(species.key)
    photos = render([genotype], [seed], [seed], size=size, stage=stage, domain=domain, looks=looks)
    return Image.fromarray((photos.images[0].permute(1, 2, 0).numpy() * 255).round().astype("uint8"))


def genotype_of(species: Species, genes: str, label: str = "the hatchling") -> dict[str, tuple[str, str]]:
    """Alleles by locus of an animal in trade shorthand; SheetError where the words leave something open, or are not understood."""
    try:
        animal = parse_parent(species, genes, name=label, sex=Sex.FEMALE)
    except (ShorthandError, UnknownNameError, UnsupportedInheritanceError) as error:
        raise SheetError(f"genes of {label}: {error}") from error
    genotype: dict[str, tuple[str, str]] = {}
    for name, prior in animal.loci.items():
        if not prior.is_certain:
            raise SheetError(
                f"genes of {label}: '{genes}' leaves {name} open; needed: what the drawn animal is, such as 'het {name}'"
            )
        drawn: Genotype = next(g for g, p in prior.states if p > 0)
        genotype[name] = drawn.alleles
    return genotype
