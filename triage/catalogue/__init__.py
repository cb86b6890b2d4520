"""Gene facts by species, and the trade's shorthand for them."""

from triage.catalogue.load import load_sources, load_species, load_species_file, species_names
from triage.catalogue.shorthand import parse_call, parse_parent, write_parent

__all__ = [
    "load_sources",
    "load_species",
    "load_species_file",
    "parse_call",
    "parse_parent",
    "species_names",
    "write_parent",
]
