"""The proving plan of a held-back animal: which mate, how many eggs and seasons, from when, and when to stop.

Everything is exact given the stated chances of genotypes, clutch sizes, slugs and losses. Hatchlings of a sex-linked cross are
taken as sexed. Season, age and mass rules are settings (`triage.proving.plans.seasons`).
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date

from triage.errors import TriageError, UnsupportedInheritanceError
from triage.proving.plans.egg_table import EggTable, HeldBack, Mate, egg_table
from triage.proving.plans.information import (
    OutcomeMeaning,
    information_nats,
    outcome_meanings,
    p_settled_by,
)
from triage.proving.plans.length import (
    PlainRun,
    UntilSettled,
    eggs_until_settled,
    plain_run,
    seasons_until_settled,
    young_to_show,
)
from triage.proving.plans.seasons import BreedingRules, EarliestDates, EggCount, Season, earliest_dates
from triage.records import NORMAL, Genotype, GenotypePrior, Parent, Sex, Species

#: The levels a plan speaks of.
LEVELS = (0.95, 0.99)


@dataclass(frozen=True, slots=True)
class RankedMate:
    """What one mate would teach: nats per egg and per year, and the chance that one season settles it.

    ``refusal`` says why a mate could not be computed or used; its numbers are then 0.
    """

    mate: Mate
    nats_per_egg: float
    nats_per_year: float
    p_one_season_settles: float
    refusal: str = ""


@dataclass(frozen=True, slots=True)
class YoungNeeded:
    """The handbooks' number: young so that one of them shows it with chance ``level`` if ``answer`` is true.

    ``n_young`` is None where no number is enough.
    """

    answer: str
    level: float
    n_young: int | None


@dataclass(frozen=True, slots=True, eq=False)
class ProvingPlan:
    """How to settle what is open about one animal, with one mate.

    Attributes
    ----------
    eggs, seasons
        Distributions until settled, one per level of ``LEVELS``.
    p_one_season_settles
        By level.
    young_needed
        Handbook numbers per answer and level, for young that hatch.
    stopping
        The stopping rule, one per level: what settles it at once, and how many eggs that exclude nothing do.
    outcomes
        What each outcome of one clutch of ``outcome_eggs`` eggs would say, likeliest first.
    earliest
        First clutch by age, mass and season; None where the hatch date is not known.
    """

    mate: Mate
    season: Season
    table: EggTable
    eggs: tuple[UntilSettled, ...]
    seasons: tuple[UntilSettled, ...]
    p_one_season_settles: Mapping[float, float]
    young_needed: tuple[YoungNeeded, ...]
    stopping: tuple[PlainRun, ...]
    outcome_eggs: int
    outcomes: tuple[OutcomeMeaning, ...]
    earliest: EarliestDates | None


def rank_mates(
    held: HeldBack,
    mates: Iterable[Mate],
    season: Season,
    *,
    level: float = 0.95,
    crossover: Mapping[str, float] | None = None,
) -> list[RankedMate]:
    """Every mate by what a year with it teaches, most first; mates of the same sex are left out.

    A mate whose pairing cannot be computed comes last with the reason. With several females in a season a mate whose genotype is
    uncertain is refused: each would be another animal.
    """
    ranked = []
    for mate in mates:
        if mate.animal.sex is held.animal.sex:
            continue
        try:
            table = _table(held, mate, season, crossover)
            eggs = season.eggs
            ranked.append(
                RankedMate(
                    mate,
                    information_nats(table, EggCount.exactly(1)),
                    information_nats(table, eggs),
                    p_settled_by(table, eggs, level),
                )
            )
        except TriageError as error:
            ranked.append(RankedMate(mate, 0.0, 0.0, 0.0, str(error)))
    return sorted(ranked, key=lambda r: (bool(r.refusal), -r.nats_per_year, r.mate.name))


def proving_plan(
    held: HeldBack,
    mate: Mate,
    season: Season,
    *,
    n_seasons: int = 8,
    crossover: Mapping[str, float] | None = None,
    hatch_date: date | None = None,
    today: date | None = None,
    mass_g: float | None = None,
    rules: BreedingRules | None = None,
    n_outcomes: int = 50,
) -> ProvingPlan:
    """The whole plan with one mate.

    Parameters
    ----------
    n_seasons
        Seasons counted before "longer" is said.
    hatch_date, today, mass_g, rules
        For the earliest dates; without ``hatch_date`` or ``today`` none are given.
    n_outcomes
        Most outcomes of one clutch that are listed.

    Raises
    ------
    UnsupportedInheritanceError
        Several females a season with a mate whose genotype is uncertain.
    WorkTooLargeError
        Too much is open for an exact answer.
    """
    table = _table(held, mate, season, crossover)
    young = egg_table(
        held, mate, replace(season, p_slug=0.0, p_lost=0.0), crossover=crossover
    )
    eggs = season.eggs
    n_eggs = round(season.clutch.mean)
    earliest = None
    if hatch_date is not None and today is not None:
        earliest = earliest_dates(held.animal.sex, hatch_date, today, rules or BreedingRules.rule_of_thumb(), mass_g=mass_g)
    return ProvingPlan(
        mate=mate,
        season=season,
        table=table,
        eggs=tuple(eggs_until_settled(table, level) for level in LEVELS),
        seasons=tuple(seasons_until_settled(table, eggs, level, n_seasons=n_seasons) for level in LEVELS),
        p_one_season_settles={level: p_settled_by(table, eggs, level) for level in LEVELS},
        young_needed=tuple(
            YoungNeeded(answer, level, young_to_show(young, answer, level)) for answer in held.answers for level in LEVELS
        ),
        stopping=tuple(plain_run(table, level) for level in LEVELS),
        outcome_eggs=n_eggs,
        outcomes=outcome_meanings(table, n_eggs, n_outcomes),
        earliest=earliest,
    )


def _table(held: HeldBack, mate: Mate, season: Season, crossover) -> EggTable:
    table = egg_table(held, mate, season, crossover=crossover)
    if season.n_females > 1 and table.mate_weights.shape[1] > 1 and not mate.another_for_each_egg:
        certain = ((table.joint > 0).sum(axis=1) == 1).all()
        if not certain:
            raise UnsupportedInheritanceError(
                f"proving {held.animal.name} with {season.n_females} females like {mate.name}: each may have another genotype, "
                "which is not computed; name females of known genotype, or plan with one female"
            )
    return table


def visual_mates(held: HeldBack) -> tuple[Mate, ...]:
    """"Any visual X" and "any known het X" for every mutant allele in question: mates that carry it and nothing else.

    For genes that show in one copy the mates are "any X" (one copy); and always "any normal".
    """
    sex = Sex.MALE if held.animal.sex is Sex.FEMALE else Sex.FEMALE
    mates: list[Mate] = []
    alleles: dict[str, list[str]] = {}
    for place, name in enumerate(held.loci):
        locus = held.species.locus(name)
        found = {a for h in held.hypotheses for a in h[place].alleles} - {NORMAL}
        alleles[name] = sorted(found, key=locus.order)
        for allele in alleles[name]:
            one = _one_copy(held.species, name, allele, sex)
            hidden = all(not locus.look(g) for g, _ in one.states)
            two = None if locus.sex_linked else GenotypePrior.known(Genotype(allele, allele))
            if two is not None and hidden:
                mates.append(Mate(Parent(f"any visual {allele}", sex, {name: two})))
            mates.append(Mate(Parent(f"any known het {allele}" if hidden else f"any {allele}", sex, {name: one})))
    recessive = [(n, a) for n, names in alleles.items() for a in names if not held.species.locus(n).look(Genotype(a, NORMAL))]
    if len({n for n, _ in recessive}) > 1:
        for combination in itertools.combinations(recessive, 2):
            if combination[0][0] != combination[1][0]:
                loci = {n: GenotypePrior.known(Genotype(a, a)) for n, a in combination}
                mates.append(Mate(Parent(f"any visual {' '.join(a for _, a in combination)}", sex, loci)))
    mates.append(Mate(Parent("any normal", sex, {})))
    return tuple(mates)


def _one_copy(species: Species, name: str, allele: str, sex: Sex) -> GenotypePrior:
    locus = species.locus(name)
    if locus.sex_linked and sex is species.heterogametic:
        return GenotypePrior(((Genotype(allele, NORMAL, True), 0.5), (Genotype(NORMAL, allele, True), 0.5)))
    return GenotypePrior.known(Genotype(allele, NORMAL))
