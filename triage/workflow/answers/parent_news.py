"""What a clutch says of its parents, in plain words."""

from __future__ import annotations

from collections.abc import Mapping

from triage.genetics.clutch.model import CrossModel
from triage.genetics.clutch.posterior import Posterior
from triage.genetics.clutch.prospects import eggs_until_settled
from triage.proving.chances import percent
from triage.records import NORMAL, Genotype, Locus, Mode, Parent
from triage.workflow.answers.report import ParentReport

Chances = Mapping[Genotype, float]
#: A shift smaller than this is no news.
_NEWS = 0.005


def parent_reports(model: CrossModel, posterior: Posterior, settled: float) -> tuple[ParentReport, ...]:
    """Each parent before and after the clutch, with the news."""
    reports = []
    animals = [model.cross.dam, *(s for s in model.cross.sires if isinstance(s, Parent))]
    for animal, after in zip(animals, posterior.parents, strict=True):
        before = model.prior_of(animal)
        news = []
        for name in model.locus_names:
            news += _news(model, animal, model.species.locus(name), before[name], after.loci[name], settled)
        reports.append(ParentReport(after.role, after.name, before, after.loci, tuple(news)))
    return tuple(reports)


def _news(
    model: CrossModel, animal: Parent, locus: Locus, before: Chances, after: Chances, settled: float
) -> list[str]:
    """One sentence for each thing that was open before and has moved, or is still open."""
    news = []
    for allele in locus.allele_names:
        for copies, words in _questions(locus, allele, model.species.sex_chromosomes[0]):
            was = sum(p for g, p in before.items() if copies(g))
            now = sum(p for g, p in after.items() if copies(g))
            if not 0 < was < 1:
                continue
            if abs(now - was) >= _NEWS or now in (0.0, 1.0):
                news.append(f"{_verdict(words, now, settled)} ({percent(was)} before the clutch)")
            if 1 - settled < now < settled:
                more = eggs_until_settled(model, animal.name, locus.name, allele, after)
                if more:
                    news.append(f"{words} stays open at {percent(now)}: {more}")
    return news


def _questions(locus: Locus, allele: str, shared: str):
    """Yes-or-no questions about an allele: carried at all, and carried twice, with words for yes."""
    recessive = locus.allele(allele).mode is Mode.RECESSIVE
    yield (lambda g: allele in g.alleles), (f"het {allele}" if recessive else allele)
    if not recessive:
        yield (lambda g: g.alleles == (allele, allele)), f"two copies of {allele}"
    if locus.sex_linked:
        yield (lambda g: g.by_chromosome and g.first == allele and g.second == NORMAL), f"{allele} on the {shared}"


def _verdict(words: str, now: float, settled: float) -> str:
    if now == 1.0:
        return f"proven: {words}"
    if now == 0.0:
        return f"ruled out: {words}"
    if now >= settled:
        return f"as good as proven: {words}, {percent(now)}"
    if now <= 1 - settled:
        return f"as good as ruled out: {words}, {percent(now)}"
    return f"{words}: now {percent(now)}"
