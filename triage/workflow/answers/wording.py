"""How parts of a clutch report are worded, in one place for the command line and the app."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from triage.errors import ShorthandError
from triage.genetics.clutch.posterior import CallChance
from triage.proving.chances import percent
from triage.proving.trays import Tray
from triage.records import Cross, Parent, Parthenogenesis, Sex
from triage.species import write_parent
from triage.workflow.answers.report import ClutchReport, EggReport, StruckOut

#: Chances below this are gathered in one line, "n more".
SMALL = 0.01
#: A shortlist is written out up to this many calls.
SHORTLIST_NAMES = 6
#: Chances that several sires share a clutch, in percent, that have words.
SHARING_STOPS = {
    0.0: "one male for the whole clutch",
    10.0: "nearly always one male",
    30.0: "more often one male",
    50.0: "one male or several, either as likely",
    75.0: "more often several males",
    90.0: "nearly always several males",
    100.0: "each egg for itself",
}


@dataclass(frozen=True, slots=True)
class ShownCalls:
    """The calls worth a line each, and how much of the probability the others hold together."""

    calls: tuple[CallChance, ...]
    n_more: int
    p_more: float


def shown_calls(egg: EggReport, *, at_most: int) -> ShownCalls:
    """The likeliest calls of a hatchling: at most ``at_most``, and none below 1 % but the first."""
    worth = [c for i, c in enumerate(egg.calls) if i == 0 or c.probability >= SMALL][:at_most]
    rest = egg.calls[len(worth) :]
    return ShownCalls(tuple(worth), len(rest), sum(c.probability for c in rest))


def headline(egg: EggReport) -> str:
    """What a hatchling is, in a line: its likeliest call; under check parents what it reads as, which these parents cannot give."""
    if egg.reads_as is not None:
        return f"reads as {egg.reads_as.call}"
    return egg.calls[0].call.name if egg.calls else "no possible call"


def main_reason(egg: EggReport) -> str:
    """The one line that stands below the headline; empty where nothing was said."""
    if egg.reads_as is not None:
        return egg.reads_as.reason
    if not egg.reasons:
        return ""
    return egg.reasons[-1 if egg.tray is Tray.HOLD_BACK else 0]  # what is settled comes first


def shortlist_text(egg: EggReport) -> str:
    """What photo and parents leave: ``pastel; fire (a list ...)``; empty without a readable photo."""
    if not egg.shortlist:
        return ""
    named = "; ".join(egg.shortlist[:SHORTLIST_NAMES])
    more = len(egg.shortlist) - SHORTLIST_NAMES
    rest = "" if more <= 0 else "; and 1 other" if more == 1 else f"; and {more} others"
    return f"{named}{rest} (a list that holds the true call of 95 in 100 drawn hatchlings)"


def genes_of(cross: Cross, parent: Parent | Parthenogenesis) -> str:
    """A parent's genes in trade shorthand; empty where shorthand has no words for them."""
    if isinstance(parent, Parthenogenesis):
        return ""
    try:
        return write_parent(cross.species, parent)
    except ShorthandError:
        return ""


def animal_text(cross: Cross, parent: Parent | Parthenogenesis) -> str:
    """Name and genes of a parent: ``Juniper (pastel, 66% het clown)``."""
    genes = genes_of(cross, parent)
    return f"{parent.name} ({genes})" if genes else parent.name


def sires_text(cross: Cross) -> str:
    """The candidate sires with their genes and, if there are several, their shares."""
    if len(cross.sires) == 1:
        return animal_text(cross, cross.sires[0])
    pairs = zip(cross.sires, cross.shares, strict=True)
    return " or ".join(f"{animal_text(cross, sire)}, share {percent(float(share))}" for sire, share in pairs)


def sharing_text(percents: float) -> str:
    """A chance that several sires share a clutch, in percent, in words: ``nearly always one male (10 %)``."""
    words = SHARING_STOPS.get(percents)
    return f"{words} ({percents:g} %)" if words else f"{percents:g} %"


def clutch_name(cross: Cross) -> str:
    """A clutch by its parents: ``Juniper x Basil or Thyme``."""
    return f"{cross.dam.name} x {' or '.join(s.name for s in cross.sires)}"


def likely_sires(sires: Mapping[str, float]) -> list[tuple[str, float]]:
    """Sires with a chance of at least 1 %, likeliest first."""
    return sorted(((n, p) for n, p in sires.items() if p >= SMALL), key=lambda pair: -pair[1])


def sex_mark(sex: Mapping[Sex, float]) -> str:
    """The trade's sex mark where the sex is certain: 1.0 male, 0.1 female, otherwise 0.0.1."""
    if sex.get(Sex.MALE, 0.0) == 1.0:
        return "1.0"
    return "0.1" if sex.get(Sex.FEMALE, 0.0) == 1.0 else "0.0.1"


def tray_counts(report: ClutchReport) -> list[tuple[Tray, int]]:
    """How many hatchlings lie in each tray, every tray named."""
    return [(tray, sum(egg.tray is tray for egg in report.eggs)) for tray in Tray]


def in_tray(report: ClutchReport, tray: Tray) -> list[EggReport]:
    """The hatchlings of one tray in the order of the sheet."""
    return [egg for egg in report.eggs if egg.tray is tray]


@dataclass(frozen=True, slots=True)
class SharedReason:
    """A reason that strikes out calls of several hatchlings: each call with the labels it is struck out for."""

    reason: str
    calls: Mapping[str, tuple[str, ...]]


def shared_reasons(report: ClutchReport) -> tuple[SharedReason, ...]:
    """Reasons that strike out something for more than one hatchling, in the order of first mention."""
    found: dict[str, dict[str, list[str]]] = {}
    for egg in report.eggs:
        for one in egg.struck_out:
            found.setdefault(one.reason, {}).setdefault(one.call, []).append(egg.label)
    return tuple(
        SharedReason(reason, {call: tuple(labels) for call, labels in calls.items()})
        for reason, calls in found.items()
        if len({label for labels in calls.values() for label in labels}) > 1
    )


def own_struck_out(egg: EggReport, shared: Sequence[SharedReason]) -> tuple[StruckOut, ...]:
    """What is struck out for one hatchling for a reason of its own."""
    reasons = {one.reason for one in shared}
    return tuple(s for s in egg.struck_out if s.reason not in reasons)


def rests_on_text(egg: EggReport) -> str:
    """What an answer rests on: ``photo, keeper and parents``."""
    if len(egg.rests_on) < 2:
        return "".join(egg.rests_on)
    return f"{', '.join(egg.rests_on[:-1])} and {egg.rests_on[-1]}"


def against_the_records(bayes_factor: float) -> str:
    """A Bayes factor against "the records are right", in words."""
    if bayes_factor == float("inf"):
        return "the records cannot explain the reading at all"
    if bayes_factor >= 1:
        return f"explains the reading {_rounded(bayes_factor)} times better than the records do"
    return f"explains the reading {_rounded(1 / bayes_factor)} times worse than the records do" if bayes_factor else "does not explain it"


def _rounded(number: float) -> str:
    if number >= 1_000_000:
        return "over a million"
    return f"{number:,.0f}" if number >= 10 else f"{number:.1f}"
