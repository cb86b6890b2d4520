"""Sort a clutch of colour-morph hatchlings by exact genetics and honest photo readings.

The face for programs: load a species, read a sheet, sort it, open a collection and ask it, draw a hatchling, read a photo. Each name
is loaded when it is first used, so that importing the package reads no file and loads no model.
"""

from importlib import import_module

__version__ = "0.2.0"

#: Public name -> where it stands.
_PUBLIC = {
    "load_species": "triage.species.loader",
    "parse_call": "triage.species.shorthand",
    "parse_parent": "triage.species.shorthand",
    "read_sheet": "triage.face",
    "sort": "triage.face",
    "draw_hatchling": "triage.face",
    "read_photo": "triage.face",
    "open_collection": "triage.face",
    "Settings": "triage.workflow.settings",
    "TriageError": "triage.errors",
}
__all__ = ["__version__", *_PUBLIC]


def __getattr__(name: str):
    if name not in _PUBLIC:
        raise AttributeError(f"module 'triage' has no attribute '{name}'; it offers {', '.join(_PUBLIC)}")
    return getattr(import_module(_PUBLIC[name]), name)


def __dir__() -> list[str]:
    return sorted(__all__)
