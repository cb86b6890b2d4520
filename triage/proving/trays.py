"""Where a hatchling ends up after triage, as a pure function of what is known of it."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from triage.genetics.clutch.posterior import CallChance
from triage.proving.chances import percent
from triage.records import NORMAL, Genotype, Locus, Lookalike, Species, UnnamedLine, VisualCall
from triage.species.hiding import hiding_words, shown, unseen_loci
from triage.species.lines import under_one_word
from triage.species.looks_alike import pair_between, seen_as, seen_name

#: Sentences on what to look for, those about the likeliest calls first; more than these nobody reads.
_MOST_HINTS = 3
_ROUNDING = 1e-9

Loci = Mapping[str, Mapping[Genotype, float]]


class Tray(StrEnum):
    """The four trays."""

    LABEL = "label"
    LOOK_AGAIN = "look again"
    HOLD_BACK = "hold back"
    CHECK_PARENTS = "check parents"


@dataclass(frozen=True, slots=True)
class Hidden:
    """Something a look does not show: what may be there, at which locus, and the chance that it is."""

    locus: str
    what: str
    chance: float


@dataclass(frozen=True, slots=True)
class TrayChoice:
    """A tray with its reasons in plain words, and what to look for where looking again can help."""

    tray: Tray
    reasons: tuple[str, ...]
    look_for: tuple[str, ...] = ()


def choose_tray(
    species: Species,
    calls: Sequence[CallChance],
    n_possible: int,
    loci: Loci,
    *,
    misfit: str | None,
    label_threshold: float,
    hold_chance: float,
    hold_genes: Collection[str] | None,
    of_lines: Sequence[Hidden] = (),
) -> TrayChoice:
    """Sort one hatchling.

    Parameters
    ----------
    calls
        Its visual calls with a probability above 0, likeliest first; empty if none is possible.
    n_possible
        Number of visual calls that the parents could give.
    loci
        P(genotype) by locus, everything considered.
    misfit
        Why the records do not explain the reading, or None where they do.
    label_threshold, hold_chance, hold_genes
        The keeper's bars; ``hold_genes`` None means that any gene is worth proving.
    of_lines
        What may be carried of lines that nobody named; their loci are not in ``loci``.
    """
    if misfit is not None or not calls:
        return TrayChoice(Tray.CHECK_PARENTS, (misfit or "no call that these parents could give fits what was read",))
    remaining = remaining_calls(calls, label_threshold)
    if len({seen_as(species, c.call) for c in remaining}) > 1:
        return _several_looks(species, remaining, n_possible)
    covered = hiding_words(species, remaining[0].call)
    hidden = (*hidden_genes(species, remaining[0].call, loci), *of_lines)
    worth = [h for h in hidden if hold_chance - _ROUNDING <= h.chance < label_threshold and _is_worth(species, h, hold_genes)]
    settled = f"the look is settled: {_seen(species, remaining)} at {percent(sum(c.probability for c in remaining))}"
    if len(remaining) > 1:
        words = _listed(remaining)
        reason = (
            f"{len(remaining)} of {n_possible} possible calls remain, {words}; they look the same: only breeding "
            "(or a laboratory) can tell"
        )
        return TrayChoice(Tray.HOLD_BACK, (reason, *covered, *(_hidden_reason(h) for h in worth)))
    if worth:
        return TrayChoice(Tray.HOLD_BACK, (settled, *covered, *(_hidden_reason(h) for h in worth)))
    below = [h for h in hidden if 0 < h.chance < hold_chance - _ROUNDING]
    if below:
        rest = ", ".join(f"{h.what} {percent(h.chance)}" for h in below)
        return TrayChoice(Tray.LABEL, (settled, *covered, f"what stays open is below your bar for proving: {rest}"))
    return TrayChoice(Tray.LABEL, (settled, *covered))


def shown_calls(species: Species, calls: Sequence[CallChance], lines: Collection[UnnamedLine] = ()) -> list[CallChance]:
    """Calls by what can be seen of them, likeliest first: a white animal is one call, whatever else it may carry, and so are the
    looks of `lines` that nobody named."""
    sums: dict[VisualCall, list[float]] = {}
    for one in calls:
        found = sums.setdefault(under_one_word(shown(species, one.call), lines), [0.0, 0.0])
        found[0] += one.probability
        found[1] += one.parents_only
    merged = [CallChance(call, *chances) for call, chances in sums.items()]
    return sorted(merged, key=lambda one: -one.probability)


def remaining_calls(calls: Sequence[CallChance], label_threshold: float) -> list[CallChance]:
    """The fewest likeliest calls that hold ``label_threshold`` of the probability together."""
    kept, total = [], 0.0
    for call in calls:
        kept.append(call)
        total += call.probability
        if total >= label_threshold:
            break
    return kept


def hidden_genes(species: Species, call: VisualCall, loci: Loci) -> tuple[Hidden, ...]:
    """What may hide behind a call at each locus, with its chance given the look of that locus, where one can be seen."""
    found = []
    unseen = unseen_loci(species, call)
    for name in species.in_order(loci):
        locus, chances = species.locus(name), loci[name]
        look = None if name in unseen else call.look(name)
        fitting = {g: p for g, p in chances.items() if p > 0 and look in (None, locus.look(g))}
        total = sum(fitting.values())
        if total <= 0:
            continue
        more: dict[str, float] = {}
        for genotype, p in fitting.items():
            what = _more_than_shown(locus, genotype, look)
            if what:
                more[what] = more.get(what, 0.0) + p / total
        found += [Hidden(name, what, chance) for what, chance in more.items()]
    return tuple(found)


def _more_than_shown(locus: Locus, genotype: Genotype, look: str | None) -> str:
    """What a genotype carries beyond the least that its look needs, in words; empty if nothing. Without a look, all that it carries."""
    mutants = [a for a in genotype.alleles if a != NORMAL]
    if look is None and locus.look(genotype):
        return locus.look(genotype)
    if not look:
        return f"het {' '.join(sorted(set(mutants), key=locus.order))}" if mutants else ""
    first, second = genotype.alleles
    if first == second and locus.look(Genotype(first, NORMAL)) == look:
        return f"homozygous {first}"
    return ""


def _is_worth(species: Species, hidden: Hidden, hold_genes: Collection[str] | None) -> bool:
    if hold_genes is None:
        return True
    line = species.unnamed_line_of(hidden.locus)
    words = (*species.locus(hidden.locus).allele_names, *((line.word,) if line is not None else ()))
    return any(a in hold_genes for a in words if a in hidden.what)


def _several_looks(species: Species, remaining: Sequence[CallChance], n_possible: int) -> TrayChoice:
    top = remaining[0].call
    pairs = [pair_between(species, one.call, other.call) for i, one in enumerate(remaining) for other in remaining[i + 1 :]]
    look_for = tuple(dict.fromkeys(_sentence(p) for p in pairs if p is not None))[:_MOST_HINTS]
    words = _listed(remaining)
    head = f"{len(remaining)} of {n_possible} possible calls remain, {words}"
    by_breeding = [p is not None and p.breeding_only for p in pairs]
    if by_breeding and all(by_breeding):
        return TrayChoice(Tray.HOLD_BACK, (f"{head}; only breeding (or a laboratory) can tell them apart",), look_for)
    differ = list(dict.fromkeys(look for c in remaining for _, look in sorted(set(c.call.looks) ^ set(top.looks))))
    return TrayChoice(
        Tray.LOOK_AGAIN,
        (f"{head}; they differ in {_and(differ[:5])}: a sharper photo or the first shed can tell them apart",),
        look_for,
    )


def _sentence(pair: Lookalike) -> str:
    return f"{pair.first.name} or {pair.second.name}: {pair.look_for}"


def _seen(species: Species, remaining: Sequence[CallChance]) -> str:
    return remaining[0].call.name if len(remaining) == 1 else seen_name(species, remaining[0].call)


def _listed(remaining: Sequence[CallChance], most: int = 4) -> str:
    words = [f"{c.call.name} {percent(c.probability)}" for c in remaining[:most]]
    return ", ".join(words) + (f" and {len(remaining) - most} more" if len(remaining) > most else "")


def _hidden_reason(hidden: Hidden) -> str:
    return f"{hidden.what} at {percent(hidden.chance)} cannot be seen: only breeding (or a laboratory) can tell"


def _and(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
