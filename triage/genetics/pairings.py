"""What-if: what many possible pairings would give, without compiling a model for each.

With one dam and one sire and nothing read yet, loci are independent of one another, so a pairing is a table of look chances for
each locus. The tables depend on the two priors at one locus only and are shared among pairings.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from triage.genetics.clutch.worlds import worlds_of
from triage.genetics.harm import PairingCaution, pairing_cautions
from triage.genetics.transmission import autosomal, given_hatched, sex_linked
from triage.records import NORMAL, Cross, Genotype, GenotypePrior, Locus, Parent, Sex, Species, VisualCall
from triage.species.cautions import harmful_loci


@dataclass(frozen=True, slots=True)
class Pairing:
    """What one pairing gives: P(look word) by live locus, the share of eggs expected to hatch, and what to know before it is made."""

    dam: str
    sire: str
    looks: Mapping[str, Mapping[str, float]]
    hatched: float
    cautions: tuple[PairingCaution, ...] = ()
    #: Where a parent's line is not named: each way to fill it in with its weight; `looks` and `hatched` are then their means.
    worlds: tuple[tuple[float, Pairing], ...] = ()

    def chance(self, call: VisualCall, *, exactly: bool = True) -> float:
        """P(a hatchling has this visual call), or, not ``exactly``, that it shows at least these looks."""
        if self.worlds:
            return sum(weight * one.chance(call, exactly=exactly) for weight, one in self.worlds)
        p = 1.0
        wanted = dict(call.looks)
        for locus, look in wanted.items():
            p *= self.looks.get(locus, {"": 1.0}).get(look, 0.0)
        if exactly:
            for locus, looks in self.looks.items():
                if locus not in wanted:
                    p *= looks.get("", 0.0)
        return p


def what_if(species: Species, pairs: Iterable[tuple[Parent, Parent]], *, crossover: Mapping[str, float] | None = None) -> list[Pairing]:
    """Look chances and cautions of each (dam, sire) pair, in order; every sex-linked locus averaged over the sexes."""
    tables: dict[tuple, tuple[dict[str, float], float]] = {}
    warned = _Warned(species, crossover)
    results = []
    for dam, sire in pairs:
        if dam.lines or sire.lines:
            results.append(replace(_over_lines(species, dam, sire, crossover), cautions=warned.of(dam, sire)))
            continue
        looks: dict[str, Mapping[str, float]] = {}
        hatched = 1.0
        for name in dict.fromkeys((*dam.loci, *sire.loci)):
            locus = species.locus(name)
            mother, father = dam.prior(locus, species.heterogametic), sire.prior(locus, species.heterogametic)
            key = (name, mother.states, father.states)
            if key not in tables:
                rate = None if not locus.sex_linked else (crossover or {}).get(name, locus.crossover)
                tables[key] = _table(species, locus, mother, father, rate)
            table, share = tables[key]
            hatched *= share
            if table is not _WILD:
                looks[name] = table
        results.append(Pairing(dam.name, sire.name, looks, hatched, warned.of(dam, sire)))
    return results


class _Warned:
    """Cautions of pairings, worked out once for all parents that are alike where there is harm."""

    def __init__(self, species: Species, crossover: Mapping[str, float] | None) -> None:
        self._species, self._crossover, self._harmful = species, crossover, harmful_loci(species)
        self._kinds: dict[tuple, int] = {}
        self._kind: dict[int, tuple[Parent, int]] = {}  # by id; the parent is held, so that no other can get its id
        self._found: dict[tuple[int, int], tuple[PairingCaution, ...]] = {}

    def of(self, dam: Parent, sire: Parent) -> tuple[PairingCaution, ...]:
        both = self._kind_of(dam), self._kind_of(sire)
        if both not in self._found:
            self._found[both] = pairing_cautions(self._species, dam, sire, crossover=self._crossover)
        return self._found[both]

    def _kind_of(self, parent: Parent) -> int:
        if id(parent) not in self._kind:
            harm = tuple((name, prior.states) for name, prior in parent.loci.items() if name in self._harmful)
            self._kind[id(parent)] = parent, self._kinds.setdefault(harm, len(self._kinds))
        return self._kind[id(parent)][1]


def _over_lines(species: Species, dam: Parent, sire: Parent, crossover: Mapping[str, float] | None) -> Pairing:
    """A pairing of parents whose line is not named; ways to fill it in that let nothing hatch do not count for a hatchling."""
    worlds = worlds_of(Cross(species, dam, (sire,), (1,), 0))
    found = what_if(species, [(one.cross.dam, one.cross.sires[0]) for one in worlds], crossover=crossover)
    hatched = sum(world.chance * one.hatched for world, one in zip(worlds, found, strict=True))
    alive = sum(world.chance for world, one in zip(worlds, found, strict=True) if one.hatched > 0) or 1.0
    weights = [world.chance * (one.hatched > 0) / alive for world, one in zip(worlds, found, strict=True)]
    looks: dict[str, dict[str, float]] = {locus: {} for one in found for locus in one.looks}
    for weight, one in zip(weights, found, strict=True):
        for locus, table in looks.items():
            for look, p in one.looks.get(locus, _WILD).items():
                table[look] = table.get(look, 0.0) + weight * p
    return Pairing(dam.name, sire.name, looks, hatched, worlds=tuple(zip(weights, found, strict=True)))


_WILD: dict[str, float] = {"": 1.0}


def _table(
    species: Species, locus: Locus, mother: GenotypePrior, father: GenotypePrior, rate: float | None
) -> tuple[dict[str, float], float]:
    if _plain(mother.states) and _plain(father.states):
        return _WILD, 1.0
    looks: dict[str, float] = {}
    hatched = 0.0
    by_name = {locus.name: locus}
    for a, p in mother.states:
        for b, q in father.states:
            weight = float(p * q)
            if weight == 0:
                continue
            outcomes = (
                autosomal(locus.name, a, b)
                if rate is None
                else sex_linked(locus.name, a, b, rate, species.heterogametic)
            )
            given, share = given_hatched(outcomes, by_name)
            hatched += weight * share
            for outcome, chance in given.items():
                look = locus.look(outcome.genotypes[0][1])
                looks[look] = looks.get(look, 0.0) + weight * chance
    # Parental states none of whose young hatch do not count for a hatchling that exists.
    total = sum(looks.values())
    return ({look: p / total for look, p in looks.items()} if total > 0 else looks), hatched


def _plain(states: Sequence[tuple[Genotype, object]]) -> bool:
    return all(set(g.alleles) == {NORMAL} for g, p in states if p)


def ranked(
    species: Species, dams: Sequence[Parent], sires: Sequence[Parent], wanted: VisualCall, *, exactly: bool = False
) -> list[tuple[float, Pairing]]:
    """Every dam with every sire, the likeliest to give what is wanted first."""
    if any(d.sex is not Sex.FEMALE for d in dams) or any(s.sex is not Sex.MALE for s in sires):
        raise ValueError("a dam is female and every sire male")
    results = what_if(species, ((d, s) for d in dams for s in sires))
    return sorted(((r.chance(wanted, exactly=exactly), r) for r in results), key=lambda x: -x[0])
