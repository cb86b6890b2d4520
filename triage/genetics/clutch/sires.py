"""From the dates on which males were with the female to the share of each, by a stated rule the keeper can override.

The rule (common practice, no source for the numbers): a mating counts in full when it lies 30 to 150 days before laying; it
counts less and less outside that window, down to what stored sperm of an earlier season is given, 0.02. Stored sperm is
possible for years (19 young after 5 years alone: Booth and Schuett 2011, doi 10.1111/j.1095-8312.2011.01782.x, in another
snake), so a past mate never falls to 0. A mating after laying counts 0. A share is a sire's part of the summed weights.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from fractions import Fraction

#: Days before laying between which a mating counts in full.
FULL_WEIGHT_DAYS = (30, 150)
#: From here on a mating counts as stored sperm of an earlier season.
STORED_AFTER_DAYS = 240
STORED_SPERM_WEIGHT = Fraction(1, 50)


def mating_weight(days_before_laying: int) -> Fraction:
    """Weight of one mating by its distance to laying, in days; see the module for the rule."""
    first, last = FULL_WEIGHT_DAYS
    if days_before_laying < 0:
        return Fraction(0)
    if days_before_laying < first:
        return max(STORED_SPERM_WEIGHT, Fraction(days_before_laying, first))
    if days_before_laying <= last:
        return Fraction(1)
    if days_before_laying >= STORED_AFTER_DAYS:
        return STORED_SPERM_WEIGHT
    way = Fraction(days_before_laying - last, STORED_AFTER_DAYS - last)
    return 1 - way * (1 - STORED_SPERM_WEIGHT)


def shares_from_dates(matings: Mapping[str, Sequence[date]], laid: date) -> dict[str, Fraction]:
    """Share of each sire from the dates of his matings; the shares sum to 1.

    Raises
    ------
    ValueError
        No mating lies before laying.
    """
    weights = {name: sum((mating_weight((laid - d).days) for d in dates), Fraction(0)) for name, dates in matings.items()}
    total = sum(weights.values())
    if total == 0:
        raise ValueError("no mating lies before the day of laying")
    return {name: weight / total for name, weight in weights.items()}
