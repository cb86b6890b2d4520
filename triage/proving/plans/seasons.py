"""What a breeding season gives in eggs, and from when an animal can be bred: the keeper's settings, and arithmetic on them.

The defaults of ``BreedingRules`` and ``Season`` are common practice, no source; every one is a setting.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from triage.errors import CatalogueError
from triage.records import Sex, Species

_DAYS_PER_YEAR = 365.25
_DAYS_PER_MONTH = _DAYS_PER_YEAR / 12


@dataclass(frozen=True, slots=True)
class EggCount:
    """P(number of eggs): ``chances[n]`` is the chance of n eggs."""

    chances: tuple[float, ...]

    def __post_init__(self) -> None:
        if not self.chances or any(not p >= 0 for p in self.chances) or abs(sum(self.chances) - 1) > 1e-9:
            raise ValueError("the chances of egg counts must be 0 or more and sum to 1")

    @classmethod
    def exactly(cls, n_eggs: int) -> EggCount:
        return cls((0.0,) * n_eggs + (1.0,))

    @classmethod
    def truncated_poisson(cls, mean: float, smallest: int, largest: int) -> EggCount:
        """Poisson kept to ``smallest`` .. ``largest``, its rate chosen so that the mean of what is kept is ``mean``.

        Raises
        ------
        ValueError
            ``mean`` does not lie between the bounds.
        """
        if smallest == largest == mean:
            return cls.exactly(smallest)
        if not 0 <= smallest < mean < largest:
            raise ValueError(f"mean clutch size {mean} must lie between {smallest} and {largest}")
        low, high = -50.0, 50.0
        for _ in range(200):  # bisection: 200 halvings leave nothing of the interval that a float can hold
            middle = (low + high) / 2
            below = _kept_poisson(middle, smallest, largest) @ np.arange(largest + 1) < mean
            low, high = (middle, high) if below else (low, middle)
        chances = _kept_poisson((low + high) / 2, smallest, largest)
        return cls(tuple(float(p) for p in chances))

    @classmethod
    def of_species(cls, species: Species) -> EggCount:
        """Truncated Poisson with the mean and the largest clutch that the catalogue gives for the species, from one egg on.

        Captive clutches fall below the smallest that a survey saw (common practice, no source): it bars nothing.

        Raises
        ------
        CatalogueError
            The catalogue states no clutch size for this species.
        """
        if species.clutch_size is None:
            raise CatalogueError(
                f"{species.name}: its file states no clutch size, so eggs and seasons cannot be counted; "
                "needed: clutch_mean, clutch_smallest and clutch_largest"
            )
        mean, _, largest = species.clutch_size
        return cls.truncated_poisson(mean, 1, largest)

    @property
    def mean(self) -> float:
        return float(sum(n * p for n, p in enumerate(self.chances)))

    @property
    def largest(self) -> int:
        return max(n for n, p in enumerate(self.chances) if p > 0)


def _kept_poisson(log_rate: float, smallest: int, largest: int) -> NDArray[np.float64]:
    counts = np.arange(largest + 1)
    log_weights = counts * log_rate - np.array([math.lgamma(n + 1) for n in counts])
    log_weights[:smallest] = -np.inf
    weights = np.exp(log_weights - log_weights.max())
    return weights / weights.sum()


@dataclass(frozen=True, slots=True)
class Season:
    """What one season of proving gives.

    Attributes
    ----------
    clutch
        Number of eggs of one clutch, slugs included.
    p_lays
        Chance that a female lays in a season.
    n_females
        Females used: 1 for a female that is to be proved; a male can cover several.
    p_slug
        Chance that an egg is infertile.
    p_lost
        Chance that a fertile egg dies before it hatches for a reason other than its genotype.
    """

    clutch: EggCount
    p_lays: float = 0.8
    n_females: int = 1
    p_slug: float = 0.1
    p_lost: float = 0.05

    def __post_init__(self) -> None:
        if any(not 0 <= p <= 1 for p in (self.p_lays, self.p_slug, self.p_lost)):
            raise ValueError("p_lays, p_slug and p_lost must lie between 0 and 1")
        if self.n_females < 1:
            raise ValueError("a season needs at least one female")

    @classmethod
    def usual(cls, species: Species, **changes: object) -> Season:
        """The defaults with the catalogue's clutch size; ``changes`` replaces any of them."""
        return cls(**{"clutch": EggCount.of_species(species), **changes})  # type: ignore[arg-type]

    @property
    def eggs(self) -> EggCount:
        """Number of eggs of the whole season: every female lays one clutch with chance ``p_lays``."""
        one = np.array(self.clutch.chances) * self.p_lays
        one[0] += 1 - self.p_lays
        total = np.ones(1)
        for _ in range(self.n_females):
            total = np.convolve(total, one)
        return EggCount(tuple(float(p) for p in total / total.sum()))


@dataclass(frozen=True, slots=True)
class BreedingRules:
    """From when an animal is bred, and how long a clutch takes. All of it common practice, no source.

    ``season_starts`` is the month (1 to 12) in which pairings begin and ``season_months`` how long they go on.
    """

    smallest_age_days: Mapping[Sex, int]
    smallest_mass_g: Mapping[Sex, float]
    growth_g_per_month: Mapping[Sex, float]
    season_starts: int = 11
    season_months: int = 5
    pairing_to_laying_days: int = 90
    incubation_days: int = 58
    first_shed_days: int = 14

    def __post_init__(self) -> None:
        if not 1 <= self.season_starts <= 12 or not 1 <= self.season_months <= 12:
            raise ValueError("season_starts and season_months must lie between 1 and 12")
        if any(not g > 0 for g in self.growth_g_per_month.values()):
            raise ValueError("growth must be above 0 g a month")

    @classmethod
    def rule_of_thumb(cls) -> BreedingRules:
        """Ball pythons: males at about 1 year and 500 g, females at 2 to 3 years and 1,500 g (common practice, no source)."""
        return cls(
            smallest_age_days={Sex.MALE: 365, Sex.FEMALE: 913},
            smallest_mass_g={Sex.MALE: 500.0, Sex.FEMALE: 1500.0},
            growth_g_per_month={Sex.MALE: 40.0, Sex.FEMALE: 50.0},
        )


@dataclass(frozen=True, slots=True)
class EarliestDates:
    """When an animal can first be paired, when that clutch hatches, and when its looks are settled; and what it waits for."""

    paired: date
    hatched: date
    first_shed: date
    waits_for: str

    def years_from(self, today: date) -> float:
        """Years from ``today`` until the first clutch can be read."""
        return (self.first_shed - today).days / _DAYS_PER_YEAR


def earliest_dates(
    sex: Sex, hatch_date: date, today: date, rules: BreedingRules, *, mass_g: float | None = None
) -> EarliestDates:
    """Earliest proving clutch by age, sex, mass and season.

    Parameters
    ----------
    mass_g
        What the animal weighs today; None if it was not weighed, and then age alone decides.
    """
    by_age = hatch_date + timedelta(days=rules.smallest_age_days[sex])
    by_mass = today
    if mass_g is not None:
        missing_g = max(0.0, rules.smallest_mass_g[sex] - mass_g)
        by_mass = today + timedelta(days=math.ceil(missing_g / rules.growth_g_per_month[sex] * _DAYS_PER_MONTH))
    ready = max(by_age, by_mass, today)
    paired = _in_season(ready, rules)
    if paired > ready:
        waits_for = "the season"
    elif ready == today:
        waits_for = "nothing"
    else:
        waits_for = "mass" if by_mass > by_age else "age"
    hatched = paired + timedelta(days=rules.pairing_to_laying_days + rules.incubation_days)
    return EarliestDates(paired, hatched, hatched + timedelta(days=rules.first_shed_days), waits_for)


def _in_season(day: date, rules: BreedingRules) -> date:
    """The day itself if pairings go on then, otherwise the first day of the next season."""
    if (day.month - rules.season_starts) % 12 < rules.season_months:
        return day
    year = day.year if day.month < rules.season_starts else day.year + 1
    return date(year, rules.season_starts, 1)
