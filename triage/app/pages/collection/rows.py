"""Rows of the collection page: plain functions of what is known."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from triage.proving.chances import percent
from triage.proving.plans.plan import ProvingPlan
from triage.proving.plans.worth import Decision
from triage.records import NORMAL, Genotype
from triage.species.wording import chances_in_words, words_of
from triage.storage.archive import Revision
from triage.workflow.known import Known

_LEAST = 0.0005
_PLAIN = Genotype(NORMAL, NORMAL)
_WORTH_SAYING = 0.05  # a gene less likely than this is not named in the list


def animal_rows(known: Known) -> list[dict[str, str]]:
    """A row an animal: name, sex, what it carries and how surely, state."""
    rows = []
    species = known.collection.species
    for id in known.animals:
        animal, content = known.collection.animals[id], known.book[id].content
        carries = []
        for locus, table in known.posterior.loci[id].items():
            chances = chances_in_words(species, locus, table)
            chances.pop(words_of(species, locus, _PLAIN), None)
            words, p = next(iter(chances.items()), ("", 0.0))
            if p >= _WORTH_SAYING:
                carries.append(words if p > 1 - 1e-9 else f"{words} {percent(p)}")
        sex = animal.sex.value if animal.sex else "not known"
        rows.append({"name": known.title(id), "sex": sex, "genes": ", ".join(carries), "state": getattr(content, "state", None) or ""})
    return rows


def newest_sha(known: Known, id: str) -> str:
    """Checksum of the newest photo of an animal; empty where there is none."""
    photos = known.book.about(id, "photo")
    return photos[-1].content.sha256 if photos else ""


def chance_rows(known: Known, id: str) -> list[dict[str, object]]:
    """A row for each thing an animal can be at a gene, in words: gene, what it would be, chance."""
    return [
        {"gene": locus, "what": words, "chance": p}
        for locus, table in known.posterior.loci[id].items()
        for words, p in chances_in_words(known.collection.species, locus, table).items()
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
