"""The exact genetics engine of a clutch, with a slow transparent reference beside it."""
