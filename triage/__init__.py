"""Sort a clutch of colour-morph hatchlings by exact genetics and honest photo readings."""

__version__ = "0.1.0"
