"""Files that come with the program beside its code: the photo readers of the species, and the demo clutch."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources
from pathlib import Path

from triage.errors import CatalogueError
from triage.species.loader import load_species, usual_species
from triage.species.tables import Table

#: The file of a species' folder that names the files of its photo reader.
READER = "reader.toml"
_PACKAGE = Path(__file__).resolve().parents[1]


def shipped_folder(name: str) -> Path:
    """Where a folder of shipped files lies: beside the package in a checkout, inside it where it was installed from a wheel."""
    inside = _PACKAGE / name
    return inside if inside.is_dir() else _PACKAGE.parent / name


@dataclass(frozen=True, slots=True)
class ReaderFiles:
    """Names of a photo reader's files."""

    weights: str
    sidecar: str
    gate_weights: str
    gate_sidecar: str


@cache
def reader_files(key: str) -> ReaderFiles | None:
    """The files of a species' photo reader, by the species' key; None where it has none. CatalogueError where the file is bad."""
    source = resources.files("triage.species") / "data" / key / READER
    if not source.is_file():
        return None
    place = f"{key}/{READER}"
    try:
        table = Table(tomllib.loads(source.read_text("utf-8")), place)
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise CatalogueError(f"{place}: not valid TOML ({error}); needed: a TOML file") from error
    table.number("format", 1, 1)
    found = ReaderFiles(*(table.text(name) for name in ("weights", "sidecar", "gate_weights", "gate_sidecar")))
    table.finish()
    return found


def usual_reader_files() -> ReaderFiles:
    """Those of the species that is meant where none is named."""
    found = reader_files(load_species(usual_species()).key)
    if found is None:
        raise CatalogueError(f"the {usual_species()} has no photo reader; needed: a file {READER} beside its genes")
    return found
