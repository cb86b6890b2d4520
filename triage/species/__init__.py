"""Gene facts by species, and the trade's shorthand for them."""

from triage.species.loader import load_sources, load_species, load_species_file, species_names, usual_species
from triage.species.shorthand import parse_call, parse_parent, write_parent

__all__ = [
    "load_sources",
    "load_species",
    "load_species_file",
    "parse_call",
    "parse_parent",
    "species_names",
    "usual_species",
    "write_parent",
]
