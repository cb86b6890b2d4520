"""How many more eggs of the same cross would settle an open question about a parent."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from triage.genetics.clutch.model import CrossModel, compile_cross
from triage.genetics.clutch.worlds import parents_of
from triage.records import Cross, Genotype, GenotypePrior, Parent

#: More eggs than this and the pairing is no way to settle it.
MOST_EGGS = 200


def eggs_until_settled(
    model: CrossModel, name: str, locus: str, allele: str, after: Mapping[Genotype, float]
) -> str:
    """Words on how many further eggs that show nothing new would leave the allele at under 5 % and under 1 %.

    An egg "shows nothing new" when its look at the locus is one that a non-carrier could give too. With n such eggs in a row the
    odds of carrying fall by (chance of such an egg from a carrier)^n: after n plain eggs from a visual mate by 2^-n.
    Empty where this cross cannot settle it, and where the eggs also tell which of several lines a parent bears: they count together then.
    """
    if any(locus in one.loci for parent in parents_of(model.cross) for one in parent.lines):
        return ""
    carriers = {g: p for g, p in after.items() if allele in g.alleles and p > 0}
    others = {g: p for g, p in after.items() if allele not in g.alleles and p > 0}
    if not carriers or not others:
        return ""
    plain = _looks(model.cross, name, locus, others)
    chance = _chance(model.cross, name, locus, carriers, plain)
    p = sum(carriers.values()) / (sum(carriers.values()) + sum(others.values()))
    if chance >= 1 - 1e-12:
        return "this pairing cannot settle it"
    if chance <= 0:
        return "the next egg settles it"
    needed = [eggs_needed(p, chance, 1 - level) for level in (0.95, 0.99)]
    if needed[0] > MOST_EGGS:
        return f"it would take more than {MOST_EGGS} eggs of this pairing"
    return (
        f"{needed[0]} more eggs that show nothing of it leave it under 5 %, {needed[1]} under 1 %; "
        "one that shows it proves it"
    )


def eggs_needed(p: float, plain: float, bar: float) -> int:
    """Least n with p q^n / (p q^n + 1 - p) <= bar, where q is the chance that a carrier's egg shows nothing.

    With p = 1/2 and n large this is the handbooks' ceil(ln(bar) / ln(q)) up to the prior odds.
    """
    odds, target = p / (1 - p), bar / (1 - bar)
    if odds <= target:
        return 0
    return math.ceil(math.log(target / odds) / math.log(plain) - 1e-12)


def _with(cross: Cross, name: str, locus: str, states: Mapping[Genotype, float]) -> Cross:
    total = sum(states.values())
    prior = GenotypePrior(tuple((g, p / total) for g, p in states.items()))

    def changed(parent):
        if not isinstance(parent, Parent) or parent.name != name:
            return parent
        return replace(parent, loci={**parent.loci, locus: prior})

    return replace(cross, dam=changed(cross.dam), sires=tuple(changed(s) for s in cross.sires))


def _look_chances(cross: Cross, name: str, locus: str, states: Mapping[Genotype, float]) -> dict[str, float]:
    """P(look word at the locus) of an egg of this parent, over its mates by share."""
    model = compile_cross(_with(cross, name, locus, states))
    own = [k for k, sire in enumerate(model.cross.sires) if sire.name == name] or list(range(model.n_sires))
    weight = sum(model.shares[k] for k in own)
    chances: dict[str, float] = {}
    for block in model.blocks:
        if locus not in block.loci:
            continue
        position = block.loci.index(locus)
        for k in own:
            for words, p in zip(block.looks, block.expected(k), strict=True):
                share = model.shares[k] / weight if weight > 0 else 1 / len(own)
                chances[words[position]] = chances.get(words[position], 0.0) + share * float(p)
    return chances or {"": 1.0}


def _looks(cross: Cross, name: str, locus: str, states: Mapping[Genotype, float]) -> set[str]:
    return {look for look, p in _look_chances(cross, name, locus, states).items() if p > 0}


def _chance(cross: Cross, name: str, locus: str, states: Mapping[Genotype, float], looks: set[str]) -> float:
    return sum(p for look, p in _look_chances(cross, name, locus, states).items() if look in looks)
