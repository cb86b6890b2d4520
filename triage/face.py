"""What `import triage` offers beside the species and their shorthand: a few functions, each over one function of the workflow."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from PIL import Image

from triage.genetics.harm import PairingCaution
from triage.genetics.readings import photo_reading
from triage.outputs import private_folder
from triage.records import Species
from triage.species import load_species, parse_call
from triage.species.wording import chances_in_words
from triage.storage.archive import Archive
from triage.storage.database import FILE, Database
from triage.storage.photo_files import FOLDER, PhotoFiles
from triage.vision.intake import open_photo
from triage.workflow.answers.report import ClutchReport
from triage.workflow.before_pairing import before_pairing
from triage.workflow.book import open_archive, open_photos
from triage.workflow.clutch import ClutchSheet
from triage.workflow.draw import drawn
from triage.workflow.keep import KeptClutch, keep_clutch
from triage.workflow.known import known_and_ids
from triage.workflow.label import SaleLabel, sale_labels
from triage.workflow.names import find_entry
from triage.workflow.own_genes import species_named
from triage.workflow.settings import Settings
from triage.workflow.sheet import SpeciesNamed, load_sheet
from triage.workflow.sort import sort_clutch
from triage.workflow.sort_again import sort_recorded


def read_sheet(sheet: str | Path, *, species_named: SpeciesNamed = load_species) -> ClutchSheet:
    """A clutch sheet from a file, or from its text where that has several lines. SheetError says what cannot be used."""
    if isinstance(sheet, str) and "\n" in sheet:
        return load_sheet(text=sheet, name="sheet", species_named=species_named)
    return load_sheet(Path(sheet), species_named=species_named)


def sort(sheet: ClutchSheet, *, settings: Settings | None = None) -> ClutchReport:
    """The clutch sorted into trays, with chances and reasons; its photos are read by the species' photo model."""
    return sort_clutch(sheet, settings=settings)


def draw_hatchling(species: Species, genes: str, *, seed: int = 0, size: int = 512, stage: str | None = None) -> Image.Image:
    """A synthetic photo of a hatchling of these genes (trade shorthand), drawn from the seed alone; `size` x `size` pixels.

    SheetError where the genes leave something open, CatalogueError where the species cannot be drawn.
    """
    return drawn(species, genes, seed=seed, size=size, stage=stage)


@dataclass(frozen=True, slots=True)
class PhotoAnswer:
    """What one photo says: likelihood by visual call, the best 1, empty where it was not read; and remarks in plain words."""

    likelihoods: Mapping[str, float]
    remarks: tuple[str, ...]


def read_photo(species: Species, photo: str | Path | bytes, calls: Sequence[str]) -> PhotoAnswer:
    """What the species' photo model makes of one photo, over calls in trade shorthand. PhotoError where it is no photo."""
    from triage.workflow.photos import gate_of, load_reader, look_at, unread_words

    named = [call for words in calls for call in parse_call(species, words)]
    reader = load_reader(species)
    if reader is None:
        return PhotoAnswer({}, (unread_words(species),))
    looked = look_at(open_photo(Path(photo) if isinstance(photo, str) else photo), reader, gate_of(reader))
    if looked.reading is None:
        return PhotoAnswer({}, looked.remarks)
    reading = photo_reading([looked.reading.evidence(named, species)])
    return PhotoAnswer({call.name: p for call, p in reading.likelihoods.items()}, looked.remarks)


@dataclass(frozen=True, eq=False)
class Collection:
    """The keeper's records: clutches and animals by the names their keeper gave them."""

    archive: Archive
    photos: PhotoFiles

    def species(self, name: str | None = None) -> Species:
        """A species, the usual one where none is named, with the keeper's own genes."""
        return species_named(self.archive, name)

    def read_sheet(self, sheet: str | Path) -> ClutchSheet:
        """As `triage.read_sheet`, with the keeper's own genes."""
        return read_sheet(sheet, species_named=self.species)

    def keep(self, report: ClutchReport, name: str, **more: str | bool | None) -> KeptClutch:
        """Enter a sorted clutch as it was shown; see `triage.workflow.keep.keep_clutch`."""
        return keep_clutch(self.archive, self.photos, report, name=name, **more)

    def clutches(self) -> list[str]:
        """Names of the clutches."""
        return [entry.content.name for entry in self.archive.all("clutch")]

    def sort(self, clutch: str, *, settings: Settings | None = None) -> ClutchReport:
        """A clutch sorted again as the records stand; what was said is kept."""
        return sort_recorded(self.archive, find_entry(self.archive, clutch, ("clutch",)), settings=settings, files=self.photos)

    def known(self, name: str) -> Mapping[str, Mapping[str, float]]:
        """What is known of an animal or hatched egg (`CLUTCH/EGG`): chances in trade words by locus."""
        known, (id,) = known_and_ids(self.archive, [name])
        species = known.collection.species
        return {locus: chances_in_words(species, locus, table) for locus, table in known.posterior.loci[id].items()}

    def before_pairing(self, dam: str, sire: str) -> tuple[PairingCaution, ...]:
        """What to know before two animals are paired: each caution that an egg of theirs can meet, with its chance."""
        known, (mother, father) = known_and_ids(self.archive, [dam, sire])
        return before_pairing(known, mother, father)

    def label(self, name: str) -> SaleLabel:
        """The sale label of an animal or hatched egg: no more than the records support."""
        return sale_labels(*known_and_ids(self.archive, [name]))[0]


def open_collection(folder: str | Path | None = None) -> Collection:
    """The keeper's records, or those in a folder of their own, which is made if it is not there."""
    if folder is None:
        return Collection(open_archive(), open_photos())
    place = Path(folder)
    private_folder(place)
    return Collection(Archive(Database(f"sqlite:///{place / FILE}")), PhotoFiles(place / FOLDER))
