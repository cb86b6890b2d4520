"""Why a call is impossible, in the shortest true words."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence

from triage.genetics.clutch.model import Block, CrossModel
from triage.records import NORMAL, Locus, Parent, VisualCall
from triage.species.hiding import unseen_loci


def why_impossible(model: CrossModel, call: VisualCall) -> str | None:
    """The reason why no hatchling of this cross can look like ``call``; None if one can."""
    live = set(model.locus_names)
    for name, look in call.looks:
        if name not in live:
            return f"neither {_people(model)} carries {_alleles_in_words(model.species.locus(name), look)}"
    if model.worlds:
        reasons = list(dict.fromkeys(why_impossible(one, call) for _, one in model.worlds))
        if None in reasons:
            return None
        return reasons[0] if len(reasons) == 1 else f"whichever lines are meant, these parents cannot: with some of them {reasons[0]}"
    possible_sires = []
    for block in model.blocks:
        words = tuple(call.look(name) for name in block.loci)
        able = {k for k in range(model.n_sires) if words in _reachable(block, k)}
        if not able:
            return _why_at_block(model, block, words)
        possible_sires.append((block, words, able))
    if set.intersection(*(able for _, _, able in possible_sires)) if possible_sires else True:
        return None
    return _no_one_sire(model, possible_sires)


def impossible_near(model: CrossModel, call: VisualCall, without: Collection[str] = ()) -> list[tuple[VisualCall, str]]:
    """Calls one look away from ``call`` that the cross cannot give although their alleles are about, with the reason; looks at loci
    `without` are not tried."""
    found = []
    unseen = unseen_loci(model.species, call).union(without)
    for name in (name for name in model.locus_names if name not in unseen):
        locus = model.species.locus(name)
        carried = _carried(model, name)
        looks = {locus.look(g): None for g in locus.genotypes(of=carried)}
        for look in looks:
            if look == call.look(name):
                continue
            other = model.species.call_of({**dict(call.looks), name: look})
            reason = why_impossible(model, other)
            if reason is not None:
                found.append((other, reason))
    return found


def _reachable(block: Block, candidate: int) -> set[tuple[str, ...]]:
    possible = (block.transmission[candidate] > 0).any((0, 1))
    return {words for words, yes in zip(block.looks, possible, strict=True) if yes}


def _carried(model: CrossModel, locus: str) -> set[str]:
    return {a for animal in _animals(model) for a in _may_carry(animal, locus)} - {NORMAL}


def _animals(model: CrossModel) -> list[Parent]:
    return [model.cross.dam, *(s for s in model.cross.sires if isinstance(s, Parent))]


def _may_carry(animal: Parent, locus: str) -> set[str]:
    prior = animal.loci.get(locus)
    if prior is None:
        return {NORMAL}
    return {a for g, p in prior.states if p > 0 for a in g.alleles}


def _people(model: CrossModel) -> str:
    names = [model.cross.dam.name, *model.sire_names]
    return f"{', '.join(names[:-1])} nor {names[-1]}"


def _join(names: Iterable[str], last: str = "and") -> str:
    names = list(names)
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} {last} {names[-1]}"


def _alleles_in_words(locus: Locus, look: str) -> str:
    genotypes = locus.of_look(look)
    alleles = sorted({a for a in genotypes[0].alleles if a != NORMAL}, key=locus.order) if genotypes else [look]
    return _join(alleles)


def _why_at_block(model: CrossModel, block: Block, words: Sequence[str]) -> str:
    for name, look in zip(block.loci, words, strict=True):
        reason = _why_at_locus(model, block, name, look)
        if reason is not None:
            return reason
    shown = _join(" ".join(w for w in words if w) or NORMAL for words in dict.fromkeys(block.looks))
    return f"linked genes: these parents give only {shown} here"


def _why_at_locus(model: CrossModel, block: Block, name: str, look: str) -> str | None:
    locus = model.species.locus(name)
    position = block.loci.index(name)
    shown = {words[position] for k in range(model.n_sires) for words in _reachable(block, k)}
    if look in shown:
        return None
    if not shown:
        return "no egg of these parents is known to hatch"
    if look:
        genotypes = locus.of_look(look)
        if genotypes and all(locus.hatch_rate(g) == 0 for g in genotypes):
            return f"two copies at {locus.name} are not known to hatch"
        missing = _missing_alleles(model, locus, look)
        if missing:
            return missing
    kinds = _join(sorted((s or NORMAL for s in shown), key=len), "or")
    return f"every hatchling of these parents shows {kinds}"


def _missing_alleles(model: CrossModel, locus: Locus, look: str) -> str | None:
    """Who lacks the alleles that a look needs; None if nobody does."""
    for genotype in locus.of_look(look):
        first, second = genotype.alleles
        needed = [a for a in dict.fromkeys(genotype.alleles) if a != NORMAL]
        if first == second:
            lacking = [a.name for a in _animals(model) if first not in _may_carry(a, locus.name)]
            sires = [s for s in model.cross.sires if isinstance(s, Parent)]
            dam_lacks = model.cross.dam.name in lacking
            if dam_lacks or (sires and all(s.name in lacking for s in sires)):
                who = [model.cross.dam.name] if dam_lacks else [s.name for s in sires]
                verb = "carries" if len(who) == 1 else "carry"
                return f"{look} needs {first} from both parents; {_join(who)} {verb} none"
        elif len(needed) == 2:
            return f"{look} needs {needed[0]} from one parent and {needed[1]} from the other; {_who_has(model, locus, needed)}"
    return None


def _who_has(model: CrossModel, locus: Locus, alleles: Sequence[str]) -> str:
    parts = []
    for allele in alleles:
        owners = [a.name for a in _animals(model) if allele in _may_carry(a, locus.name)]
        parts.append(f"only {_join(owners)} can give {allele}" if owners else f"nobody can give {allele}")
    return " and ".join(parts)


def _no_one_sire(model: CrossModel, possible_sires: Sequence[tuple[Block, tuple[str, ...], set[int]]]) -> str:
    """Two blocks that no single sire can both give."""
    for i, (block, words, able) in enumerate(possible_sires):
        for other_block, other_words, other_able in possible_sires[i + 1 :]:
            if not able & other_able:
                one, other = _trait(block, words), _trait(other_block, other_words)
                from_one = _join((model.sire_names[k] for k in sorted(able)), "or")
                from_other = _join((model.sire_names[k] for k in sorted(other_able)), "or")
                return f"{one} needs {from_one} as the sire and {other} needs {from_other}; one egg has one sire"
    return "no one of the candidate sires can give all of it"


def _trait(block: Block, words: Sequence[str]) -> str:
    shown = " ".join(w for w in words if w)
    return shown if shown else f"a plain look at {' and '.join(block.loci)}"


