"""Rows of the collection page: plain functions of what is known."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from triage.proving.chances import percent
from triage.proving.plans.plan import ProvingPlan
from triage.proving.plans.worth import Decision
from triage.records import NORMAL
from triage.storage.archive import Revision
from triage.workflow.known import Known, words_of

_LEAST = 0.0005
_WORTH_SAYING = 0.05  # a gene less likely than this is not named in the list


def animal_rows(known: Known) -> list[dict[str, str]]:
    """A row an animal: name, sex, what it carries and how surely, state."""
    rows = []
    for id, animal in known.collection.animals.items():
        entry = known.entries[id]
        carries = []
        for locus, table in known.posterior.loci[id].items():
            carried = {genotype: p for genotype, p in table.items() if set(genotype.alleles) != {NORMAL}}
            best, p = max(carried.items(), key=lambda one: one[1], default=(None, 0.0))
            if best is not None and p >= _WORTH_SAYING:
                words = words_of(known.collection.species, locus, best)
                carries.append(words if p > 1 - 1e-9 else f"{words} {percent(p)}")
        rows.append({"name": known.title(id), "sex": animal.sex.value if animal.sex else "not known", "genes": ", ".join(carries),
                     "state": entry.get("state", ""), "id": id})  # fmt: skip
    return rows


def chance_rows(known: Known, id: str) -> list[dict[str, object]]:
    """A row a genotype that is possible: gene, what it would be, chance."""
    return [
        {"gene": locus, "what": words_of(known.collection.species, locus, genotype), "chance": p}
        for locus, table in known.posterior.loci[id].items()
        for genotype, p in sorted(table.items(), key=lambda one: -one[1])
        if p >= _LEAST
    ]


def settled_rows(plan: ProvingPlan, most: int = 40) -> list[dict[str, float]]:
    """Chance of being settled at 95 % within 0, 1, ... eggs."""
    run = plan.eggs[0]
    return [{"eggs": n, "settled": run.p_within(n)} for n in range(min(most, len(run.chances)))]


def worth_rows(decision: Decision) -> list[dict[str, float]]:
    """A row a chance of the answer that the prices turn on: what holding brings on average, and today's price."""
    return [{"chance": p, "holding": holding, "selling today": today} for p, today, _, holding in decision.chart]


@dataclass(frozen=True, slots=True)
class ChangeRow:
    """One change of the records as a line of the history."""

    number: int
    words: str


def last_changes(revisions: Sequence[Revision], most: int) -> list[ChangeRow]:
    """The newest changes first: when, why, and how many entries of which kinds they touched."""
    touched: dict[int, list[Revision]] = {}
    for revision in reversed(revisions):
        if revision.change not in touched and len(touched) == most:
            break
        touched.setdefault(revision.change, []).append(revision)
    rows = []
    for number, of in touched.items():
        kinds = Counter(one.record_id.split("-")[0] for one in of)
        what = ", ".join(f"{count} {kind}" if count == 1 else f"{count} {kind}s" for kind, count in sorted(kinds.items()))
        rows.append(ChangeRow(number, f"{of[0].at.astimezone():%d %B %Y %H:%M}: {of[0].reason} ({what})"))
    return rows
