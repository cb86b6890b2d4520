"""Every exception and warning a user can meet.

A message says where (file, line, entry), what was found, what was needed and what to do. A programmer's
mistake stays a ``TypeError`` or ``ValueError`` and is not caught.
"""


class TriageError(Exception):
    """Root of everything this program refuses on purpose; the command line prints it as one line."""


class CatalogueError(TriageError):
    """A gene-facts file is missing a value, contradicts itself or names something unknown."""


class UnknownNameError(TriageError):
    """A gene, species, animal or call nobody has heard of; lists the nearest known names."""


class ShorthandError(TriageError):
    """Words of trade shorthand that do not fit together, such as three alleles of one series."""


class SheetError(TriageError):
    """A clutch sheet that cannot be read; names the file, the line and what would be accepted."""


class ContradictionError(TriageError):
    """Recorded facts that no genotypes can satisfy together; names the facts that clash."""


class UnsupportedInheritanceError(TriageError):
    """A mode of inheritance, or a statement about one, that the engine does not compute."""


class WorkTooLargeError(TriageError):
    """A request that would need more memory than the stated bound; names the numbers and a way out."""


class PhotoError(TriageError):
    """A file that is not a usable photo; says what was found and what to do."""


class ModelFileError(TriageError):
    """Weights or sidecar that are missing, damaged or do not belong together."""


class StorageError(TriageError):
    """Records that cannot be read or written."""


class TriageWarning(UserWarning):
    """Root of every warning of this program."""
