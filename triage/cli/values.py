"""Values that several commands take on the command line."""

from __future__ import annotations

import argparse


def chance(text: str) -> float:
    """A probability typed as ``0.95`` or ``95%``.

    >>> chance("95%"), chance("0.6")
    (0.95, 0.6)
    """
    number = text.strip().removesuffix("%").strip()
    try:
        value = float(number) / (100 if text.strip().endswith("%") else 1)
    except ValueError:
        value = -1.0
    if not 0 <= value <= 1:
        raise argparse.ArgumentTypeError(f"'{text}' is no chance; needed: 0 to 1, or 0% to 100%")
    return value


def count(text: str) -> int:
    """A whole number of 1 or more."""
    try:
        value = int(text)
    except ValueError:
        value = 0
    if value < 1:
        raise argparse.ArgumentTypeError(f"'{text}' is no count; needed: a whole number of 1 or more")
    return value


def seed(text: str) -> int:
    """A seed: a whole number of 0 or more."""
    try:
        value = int(text)
    except ValueError:
        value = -1
    if value < 0:
        raise argparse.ArgumentTypeError(f"'{text}' is no seed; needed: a whole number of 0 or more")
    return value


def port(text: str) -> int:
    """A network port that needs no special rights."""
    try:
        value = int(text)
    except ValueError:
        value = 0
    if not 1024 <= value <= 65535:
        raise argparse.ArgumentTypeError(f"'{text}' is no usable port; needed: 1024 to 65535")
    return value
