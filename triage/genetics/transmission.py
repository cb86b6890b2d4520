"""What one pair of parents gives at one locus, or at two linked ones.

An *outcome* is what a hatchling can be at one block (a locus or a linked pair): its genotypes by locus and, for a
sex-linked block, its sex. Every function here returns outcomes with probabilities that sum to 1.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache

from triage.records import NORMAL, Genotype, Locus, Phase, Sex


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one hatchling is at one block; ``sex`` is None unless the block is sex-linked."""

    genotypes: tuple[tuple[str, Genotype], ...]
    sex: Sex | None = None

    def genotype(self, locus: str) -> Genotype:
        for name, genotype in self.genotypes:
            if name == locus:
                return genotype
        raise KeyError(locus)


Outcomes = Mapping[Outcome, float]

#: Chance that an egg is lost whatever its genotype, unless told otherwise; common practice, no source.
OTHER_LOSS = 0.1


@lru_cache(maxsize=65536)
def autosomal(locus: str, dam: Genotype, sire: Genotype) -> Outcomes:
    """One allele from each parent, each with chance 1/2 (Mendel 1866)."""
    chances: dict[Outcome, float] = defaultdict(float)
    for a in dam.alleles:
        for b in sire.alleles:
            chances[Outcome(((locus, Genotype(a, b)),))] += 0.25
    return dict(chances)


@lru_cache(maxsize=65536)
def sex_linked(locus: str, dam: Genotype, sire: Genotype, crossover: float, heterogametic: Sex) -> Outcomes:
    """Transmission near the sex-determining region with crossing-over rate ``crossover``.

    The heterogametic parent's two alleles lie on its X and Y (or Z and W). A gamete that carries the X takes the allele
    recorded there with chance ``1 - crossover`` and the other one otherwise; likewise for the Y. Each sex has chance 1/2.
    """
    chances: dict[Outcome, float] = defaultdict(float)
    hetero, homo = (sire, dam) if heterogametic is Sex.MALE else (dam, sire)
    for sex in Sex:
        on_shared, on_other = hetero.first, hetero.second
        if sex is heterogametic:
            on_shared, on_other = on_other, on_shared
        for passed, chance in ((on_shared, 1 - crossover), (on_other, crossover)):
            for allele in homo.alleles:
                genotype = Genotype(allele, passed, True) if sex is heterogametic else Genotype(allele, passed)
                if chance > 0:
                    chances[Outcome(((locus, genotype),), sex)] += 0.25 * chance
    return dict(chances)


@dataclass(frozen=True, slots=True, order=True)
class Diplotype:
    """Alleles at two linked loci with their phase: two chromosomes, each carrying (first locus, second locus)."""

    one: tuple[str, str]
    other: tuple[str, str]

    def genotypes(self) -> tuple[Genotype, Genotype]:
        return Genotype(self.one[0], self.other[0]), Genotype(self.one[1], self.other[1])

    def gametes(self, recombination: float) -> Iterator[tuple[tuple[str, str], float]]:
        (a, b), (c, d) = self.one, self.other
        yield (a, b), (1 - recombination) / 2
        yield (c, d), (1 - recombination) / 2
        yield (a, d), recombination / 2
        yield (c, b), recombination / 2


def phased(first: Genotype, second: Genotype, phase: Phase | None) -> list[tuple[Diplotype, float]]:
    """The ways two unphased genotypes can lie on chromosomes; a double het of unknown phase either way, 1/2 each."""
    (a, b), (c, d) = _mutant_first(first), _mutant_first(second)
    coupling, repulsion = _diplotype((a, c), (b, d)), _diplotype((a, d), (b, c))
    if coupling == repulsion:
        return [(coupling, 1.0)]
    if phase is Phase.COUPLING:
        return [(coupling, 1.0)]
    if phase is Phase.REPULSION:
        return [(repulsion, 1.0)]
    return [(coupling, 0.5), (repulsion, 0.5)]


def _mutant_first(genotype: Genotype) -> tuple[str, str]:
    return (genotype.second, genotype.first) if genotype.first == NORMAL else genotype.alleles


def _diplotype(one: tuple[str, str], other: tuple[str, str]) -> Diplotype:
    return Diplotype(*sorted((one, other)))


def linked(
    loci: tuple[str, str], dam: Diplotype, sire: Diplotype, recombination: Mapping[Sex, float]
) -> Outcomes:
    """Two linked autosomal loci: gametes keep the parental phase with chance ``1 - recombination`` (of that parent)."""
    chances: dict[Outcome, float] = defaultdict(float)
    for from_dam, p in dam.gametes(recombination[Sex.FEMALE]):
        for from_sire, q in sire.gametes(recombination[Sex.MALE]):
            if p * q > 0:
                pairs = tuple((loci[i], Genotype(from_dam[i], from_sire[i])) for i in (0, 1))
                chances[Outcome(pairs)] += p * q
    return dict(chances)


def automixis(locus: str, dam: Genotype, kept_heterozygosity: float, *, linked_to_sex: bool) -> Outcomes:
    """Terminal-fusion automixis: a heterozygous locus becomes homozygous for either allele, unless crossing-over kept it.

    Where females are XX every young is female (Booth et al. 2014, doi 10.1111/bij.12286). The caller refuses species with ZW
    females at sex-linked loci.
    """
    half = (1 - kept_heterozygosity) / 2
    sex = Sex.FEMALE if linked_to_sex else None
    chances: dict[Outcome, float] = defaultdict(float)
    for genotype, chance in (
        (Genotype(dam.first, dam.first), half),
        (Genotype(dam.second, dam.second), half),
        (Genotype(dam.first, dam.second), kept_heterozygosity),
    ):
        if chance > 0:
            chances[Outcome(((locus, genotype),), sex)] += chance
    return dict(chances)


def given_hatched(outcomes: Outcomes, loci: Mapping[str, Locus]) -> tuple[Outcomes, float]:
    """Chances among the eggs that hatch, and the share of eggs that do (1 unless a genotype has reduced viability)."""
    weighted = {}
    for outcome, chance in outcomes.items():
        rate = 1.0
        for name, genotype in outcome.genotypes:
            rate *= loci[name].hatch_rate(genotype)
        if chance * rate > 0:
            weighted[outcome] = chance * rate
    share = sum(weighted.values())
    if share == 1.0:
        return weighted, 1.0
    return ({o: c / share for o, c in weighted.items()} if share > 0 else {}), share
