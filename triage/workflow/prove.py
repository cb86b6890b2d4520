"""The proving plan of a held-back animal from the records: mates of the collection and mates one could get, ranked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from triage.errors import StorageError
from triage.genetics.harm import PairingCaution
from triage.genetics.pairings import what_if
from triage.proving.plans.egg_table import HeldBack, Mate
from triage.proving.plans.plan import ProvingPlan, RankedMate, proving_plan, rank_mates, visual_mates
from triage.proving.plans.seasons import Season
from triage.proving.plans.worth import Costs, Decision, EndLabel, LabelPrices, decide, end_labels
from triage.records import Sex
from triage.storage.archive import Archive
from triage.storage.kinds import Plan
from triage.workflow.book import now
from triage.workflow.clutch import locus_named
from triage.workflow.known import Known


@dataclass(frozen=True, slots=True)
class PlanAnswer:
    """Every mate ranked, and the whole plan with the best one, or the one named; what to know of each pairing, by the mate's name."""

    held: HeldBack
    ranked: tuple[RankedMate, ...]
    plan: ProvingPlan
    cautions: Mapping[str, tuple[PairingCaution, ...]]

    def years_until_first_result(self, today: date) -> float:
        """Until the first clutch can be read; a year where its age is not known."""
        return 1.0 if self.plan.earliest is None else max(0.1, self.plan.earliest.years_from(today))


def plan_for(
    known: Known,
    id: str,
    *,
    genes: tuple[str, ...] = (),
    mate: str | None = None,
    sex: Sex | None = None,
    today: date | None = None,
) -> PlanAnswer:
    """The plan for an animal; `genes` are those in question (all open recessive ones otherwise), `mate` a mate by its name.

    StorageError where there is no such animal, its sex is not known, nothing about it is open, or what is open is of a line that
    nobody named.
    """
    if id not in known.animals:
        raise StorageError(f"{known.title(id)}: is no animal or hatched egg of the {known.collection.species.name}")
    animal = known.collection.animals[id]
    if (sex or animal.sex) is None:
        raise StorageError(
            f"{known.title(id)}: its sex is not recorded, so no mate can be named; enter it, or give --sex"
        )
    species = known.collection.species
    parent = known.parent(id, sex)
    wanted = {locus_named(species, gene) for gene in genes}
    open_loci = [
        name
        for name, prior in parent.loci.items()
        if not prior.is_certain and (name in wanted if wanted else _hidden(species, name, prior))
    ]
    unnamed = {locus: one.word for one in parent.lines for locus in one.loci}
    if any(name in unnamed for name in open_loci) and (wanted or all(name in unnamed for name in open_loci)):
        word = next(unnamed[name] for name in open_loci if name in unnamed)
        raise StorageError(
            f"{known.name(id)}: which line of {word} it may carry is not named, and a proving is of one gene; needed: the line by name "
            f"in its genes ('triage animal change ... --genes'), or another gene to prove"
        )
    open_loci = [name for name in open_loci if name not in unnamed]
    if not open_loci:
        raise StorageError(f"{known.name(id)}: nothing that breeding could settle is open about it")
    held = HeldBack.of(species, parent, open_loci)
    season = Season.usual(species)
    mates = [
        Mate(known.parent(other))
        for other in known.animals
        if _can_breed(known, other, parent.sex)
    ]
    ranked = tuple(rank_mates(held, [*mates, *visual_mates(held)], season))
    best = next((r for r in ranked if (r.mate.name == mate if mate else not r.refusal)), None)
    if best is None and not mate:
        raise StorageError(f"{known.name(id)}: no mate can be planned with; {ranked[0].mate.name}: {ranked[0].refusal}")
    if best is None:
        raise StorageError(f"no mate called '{mate}'; needed: one of {', '.join(r.mate.name for r in ranked)}")
    content, clutch = known.book[id].content, known.book.clutch_of(id)
    hatched = getattr(content, "hatched", None) or (known.book[clutch].content.hatched if clutch else None)
    plan = proving_plan(
        held,
        best.mate,
        season,
        hatch_date=date.fromisoformat(hatched) if hatched else None,
        today=today,
        mass_g=getattr(content, "weight_g", None),
    )
    pairs = [(parent, r.mate.animal) if parent.sex is Sex.FEMALE else (r.mate.animal, parent) for r in ranked]
    cautions = {r.mate.name: found.cautions for r, found in zip(ranked, what_if(species, pairs), strict=True)}
    return PlanAnswer(held, ranked, plan, cautions)


def keep_plan(archive: Archive, id: str, answer: PlanAnswer, *, who: str = "keeper") -> str:
    """Enter a plan into the records: the mate, the question, and the chances before anything is bred; returns its id."""
    entry = Plan(
        animal=id,
        mate=answer.plan.mate.name,
        question=", ".join(answer.held.answers),
        prior=dict(answer.held.answers),
        at=now(),
    )
    with archive.change(f"plan to prove {answer.held.animal.name}", who=who) as draft:
        return draft.add(entry)


def labels_to_price(answer: PlanAnswer, of: str) -> tuple[EndLabel, ...]:
    """The labels that this animal may be sold under by the plan: each needs the keeper's price."""
    return end_labels(answer.plan.table, answer.plan.season, of)


def worth_of(answer: PlanAnswer, prices: LabelPrices, costs: Costs, *, n_seasons: int = 3) -> Decision:
    """Selling today under the honest label against holding back by the plan, with the keeper's own prices and costs."""
    if prices.of not in answer.held.answers:
        raise StorageError(f"'{prices.of}' is not in question; needed: one of {', '.join(answer.held.answers)}")
    return decide(answer.plan.table, answer.plan.season, prices, costs, n_seasons=n_seasons)


_PERCENTS = {str(n) for n in range(101)}


def prices_from(words: Mapping[str, float], of: str) -> LabelPrices:
    """Prices by label words: "het clown" proved, "57% het clown" possible, "plain" where nothing is promised (0 if not named)."""
    proved, possible = {}, {}
    for label, price in words.items():
        share, sign, gene = label.partition("% ")
        if sign and share in _PERCENTS and gene == of:
            possible[int(share) / 100] = price
        elif label != "plain":
            proved[label] = price
    return LabelPrices(of, proved, possible, words.get("plain", 0.0))


def _hidden(species, name: str, prior) -> bool:
    """Whether what is open at a locus cannot be seen."""
    return len({species.locus(name).look(g) for g, p in prior.states if p > 0}) < len(
        [g for g, p in prior.states if p > 0]
    )


def _can_breed(known: Known, id: str, of: Sex) -> bool:
    sex, entry = known.collection.animals[id].sex, known.book[id]
    return sex is not None and sex is not of and entry.kind == "animal" and (entry.content.state or "kept") == "kept"
