"""Which held-back animal to prove first, and with whom: the single plans of all of them side by side."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date

from triage.errors import TriageError
from triage.genetics.harm import PairingCaution
from triage.proving.plans.worth import Costs, Decision, likeliest_answer
from triage.records import Sex
from triage.storage.archive import Archive
from triage.workflow.known import Known, known_of, species_in
from triage.workflow.prove import PlanAnswer, plan_for, prices_from, worth_of


@dataclass(frozen=True, slots=True)
class ToProve:
    """One held-back animal, planned for `sex`: its plan and, with prices, what holding is worth; or why it has no plan."""

    id: str
    title: str
    sex: Sex
    answer: PlanAnswer | None
    worth: Decision | None = None
    refusal: str = ""

    @property
    def mate(self) -> str | None:
        """With whom the plan is."""
        return self.answer.plan.mate.name if self.answer else None

    @property
    def cautions(self) -> tuple[PairingCaution, ...]:
        """What to know of that pairing before it is made."""
        return self.answer.cautions[self.mate] if self.answer else ()

    @property
    def p_one_season_settles(self) -> float:
        """Chance that one season with the planned mate settles it at the plan's first level; 0 without a plan."""
        return next(iter(self.answer.plan.p_one_season_settles.values())) if self.answer else 0.0

    @property
    def eggs(self) -> int | None:
        """Eggs within which it is settled half of the time; None where that is more than were counted."""
        return self.answer.plan.eggs[0].quantile(0.5) if self.answer else None

    @property
    def seen(self) -> date | None:
        """When the first clutch can be read at the earliest; None where the hatch date is not known."""
        return self.answer.plan.earliest.first_shed if self.answer and self.answer.plan.earliest else None


def prove_first(
    archive: Archive,
    *,
    today: date,
    prices: Mapping[str, float] | None = None,
    costs: tuple[float, float, float] = (0.0, 0.0, 0.0),
    progress: Callable[[int, int], None] | None = None,
) -> tuple[ToProve, ...]:
    """All that are held back, likeliest to be settled in one season first, then by eggs, earliest date and worth.

    Parameters
    ----------
    prices
        Prices by label words, "plain" among them; without them nothing is said of worth.
    costs
        A year of keeping, a season of breeding, and the chance to die in a year.
    progress
        Called with (planned, to plan in all).

    One whose sex is not known stands there once for each sex. Those without a plan come last, with the reason.
    """
    of_species = [known_of(archive, name) for name in species_in(archive)]
    todo = [(known, id, sex) for known in of_species for id, sex in _held(known)]
    found = []
    for known, id, sex in todo:
        found.append(_planned(known, id, sex, today, prices, costs))
        if progress:
            progress(len(found), len(todo))
    return tuple(sorted(found, key=_rank))


def _held(known: Known) -> Iterator[tuple[str, Sex]]:
    species = known.collection.species
    about = [entry.content.about for entry in known.book.all("hold") if entry.content.about]
    marked = [id for id in about if known.book.species(id) is species]
    for id in dict.fromkeys(marked):
        of = known.book.animal_of_egg.get(id, id)
        if of in known.animals and not known.book.is_gone(of):
            sex = known.collection.animals[of].sex
            yield from ((of, one) for one in ([sex] if sex else Sex))


def _planned(known: Known, id: str, sex: Sex, today: date, prices, costs) -> ToProve:
    title = known.title(id)
    try:
        answer = plan_for(known, id, sex=sex, today=today)
        worth = None
        if prices:
            of = next((label for label in prices if label in answer.held.answers), likeliest_answer(answer.held))
            years = answer.years_until_first_result(today)
            worth = worth_of(answer, prices_from(prices, of), Costs(*costs, years_until_first_result=years))
        return ToProve(id, title, sex, answer, worth)
    except TriageError as error:
        return ToProve(id, title, sex, None, None, str(error))


def _rank(one: ToProve) -> tuple:
    return (
        one.answer is None,
        -one.p_one_season_settles,
        float("inf") if one.eggs is None else one.eggs,
        one.seen or date.max,
        -one.worth.gain if one.worth else 0.0,
        one.title,
        one.sex,
    )
