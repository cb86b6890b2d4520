"""What an egg of a proving pairing can show, under every hypothesis about the animal to be proved.

The chances come from the transmission tables of the engine (`triage.genetics.clutch.model`), so recessive, incomplete-dominant,
allelic and sex-linked genes go the same way. What cannot be told apart by eye counts as one outcome.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from triage.errors import ContradictionError, WorkTooLargeError
from triage.genetics.clutch.model import Block, CrossModel, compile_cross
from triage.proving.plans.seasons import Season
from triage.records import NORMAL, Cross, Genotype, GenotypePrior, Lookalike, Parent, Sex, Species, VisualCall
from triage.species.hiding import missed, perceived
from triage.species.looks_alike import lookalikes_of, seen_as, seen_name

Joint = tuple[Genotype, ...]

#: Words for eggs that show no young.
SLUG = "slug"
DIED = "died in the egg"
#: Most cells of a table of (hypotheses, states of the mate, visual calls).
MOST_CELLS = 5_000_000
#: As many hypotheses as a plan with every mate takes seconds for.
MOST_HYPOTHESES = 256
#: Two outcomes whose chances are proportional to this many digits say the same.
_SAME = 1e-12


@dataclass(frozen=True)
class HeldBack:
    """An animal to be proved: the joint hypotheses at the loci in question, with the chance of each.

    Attributes
    ----------
    animal
        What is known of it at every locus; at the loci in question the joint chances stand instead.
    loci
        Names of the loci in question.
    hypotheses
        P(genotypes at ``loci``), each with a chance above 0; they sum to 1.
    """

    species: Species
    animal: Parent
    loci: tuple[str, ...]
    hypotheses: Mapping[Joint, float]

    def __post_init__(self) -> None:
        if not self.loci or len(set(self.loci)) != len(self.loci):
            raise ValueError("a proving plan needs at least one locus in question, each named once")
        if any(not p > 0 or len(h) != len(self.loci) for h, p in self.hypotheses.items()):
            raise ValueError("every hypothesis needs one genotype per locus in question and a chance above 0")
        if abs(math.fsum(self.hypotheses.values()) - 1) > 1e-9:
            raise ValueError("the chances of the hypotheses must sum to 1")

    @classmethod
    def of(cls, species: Species, animal: Parent, loci: Iterable[str] | None = None) -> HeldBack:
        """From the chances by locus, taken as independent; ``loci`` None means every locus that is not certain.

        Raises
        ------
        ContradictionError
            Nothing about the animal is open.
        WorkTooLargeError
            There are more than ``MOST_HYPOTHESES``.
        """
        names = tuple(loci) if loci is not None else tuple(n for n, prior in animal.loci.items() if not prior.is_certain)
        if not names:
            raise ContradictionError(f"{animal.name}: nothing is open about it; a proving plan needs an uncertain gene")
        priors = [animal.prior(species.locus(n), species.heterogametic) for n in names]
        n_hypotheses = math.prod(len(prior.states) for prior in priors)
        if n_hypotheses > MOST_HYPOTHESES:
            raise WorkTooLargeError(
                f"proving {animal.name}: {len(names)} genes are open, and what they leave together is {n_hypotheses:,} hypotheses, more "
                f"than {MOST_HYPOTHESES}; name fewer genes in question, of {', '.join(names)}"
            )
        joint: dict[Joint, float] = {}
        for states in itertools.product(*(prior.states for prior in priors)):
            p = math.prod(float(chance) for _, chance in states)
            if p > 0:
                joint[tuple(g for g, _ in states)] = p
        return cls(species, animal, names, joint)

    def words(self, hypothesis: Joint) -> str:
        """A hypothesis in trade words: "het clown, no piebald"."""
        parts = []
        for name, genotype, alleles in zip(self.loci, hypothesis, self._alleles, strict=True):
            parts.append(genotype_words(self.species, name, genotype, alleles))
        return ", ".join(parts)

    @cached_property
    def _alleles(self) -> tuple[set[str], ...]:
        """The mutant alleles that the hypotheses speak of, by locus."""
        return tuple({a for g in set(at) for a in g.alleles} - {NORMAL} for at in zip(*self.hypotheses, strict=True))

    @property
    def answers(self) -> Mapping[str, float]:
        """P(hypothesis) by its words."""
        chances: dict[str, float] = {}
        for hypothesis, p in self.hypotheses.items():
            words = self.words(hypothesis)
            chances[words] = chances.get(words, 0.0) + p
        return chances

    def given(self, chances: Mapping[Joint, float]) -> HeldBack:
        """The same animal with other chances of its hypotheses, such as after a clutch."""
        return HeldBack(self.species, self.animal, self.loci, {h: p for h, p in chances.items() if p > 0})


def genotype_words(species: Species, locus_name: str, genotype: Genotype, in_question: Iterable[str] = ()) -> str:
    """One genotype in trade words: "het clown", "two copies of pinstripe"; a plain one as "no" and what was in question."""
    locus = species.locus(locus_name)
    mutants = [a for a in genotype.alleles if a != NORMAL]
    if not mutants:
        return f"no {' or '.join(sorted(in_question, key=locus.order)) or locus_name}"
    if genotype.by_chromosome:
        shared, own = species.sex_chromosomes
        places = [f"{a} on the {c}" for a, c in zip(genotype.alleles, (shared, own), strict=True) if a != NORMAL]
        return " and ".join(places)
    if len(mutants) == 1:
        return f"one copy of {mutants[0]}" if locus.look(genotype) else f"het {mutants[0]}"
    if genotype.first == genotype.second:
        return f"two copies of {genotype.first}"
    return f"{mutants[0]} and {mutants[1]}"


@dataclass(frozen=True, slots=True)
class Mate:
    """One possible mate.

    Attributes
    ----------
    animal
        What is known of it by locus.
    given_hypothesis
        Where its genotype depends on the animal's own (an own offspring): its joint chances at the loci in question by
        hypothesis, in the order of ``HeldBack.loci``. None where it is independent.
    another_for_each_egg
        Every egg is by another mate drawn the same way, as when many daughters give one egg each; a bound, not a usual plan.
    """

    animal: Parent
    given_hypothesis: Mapping[Joint, Mapping[Joint, float]] | None = None
    another_for_each_egg: bool = False

    @property
    def name(self) -> str:
        return self.animal.name


@dataclass(frozen=True, slots=True, eq=False)
class ToldApart:
    """Hypotheses with states of the mate, those that give every class of outcomes the same chance as one group.

    Attributes
    ----------
    chances
        P(group), shape (n_groups,).
    per_class
        P(class | group) of one egg, shape (n_groups, n_classes).
    hypothesis, answer
        P(hypothesis | group) and P(answer | group), shapes (n_groups, n_hypotheses) and (n_groups, n_answers).
    """

    chances: NDArray[np.float64]
    per_class: NDArray[np.float64]
    hypothesis: NDArray[np.float64]
    answer: NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class EggTable:
    """Chances of what one egg shows.

    Attributes
    ----------
    hypotheses, prior
        The hypotheses, and their chances, shape (n_hypotheses,).
    mate_weights
        P(state of the mate | hypothesis), shape (n_hypotheses, n_mate_states).
    outcomes
        Words of each outcome: a visual call as it can be seen, ``SLUG`` or ``DIED``.
    chances
        P(outcome | hypothesis, state of the mate), shape (n_hypotheses, n_mate_states, n_outcomes).
    classes
        Outcomes that say the same of animal and mate share a class: class index per outcome, shape (n_outcomes,).
    """

    held: HeldBack
    mate: Mate
    hypotheses: tuple[Joint, ...]
    prior: NDArray[np.float64]
    mate_weights: NDArray[np.float64]
    outcomes: tuple[str, ...]
    chances: NDArray[np.float64]
    classes: NDArray[np.intp]

    @property
    def n_classes(self) -> int:
        return int(self.classes.max()) + 1

    @property
    def class_chances(self) -> NDArray[np.float64]:
        """P(class | hypothesis, state of the mate), shape (n_hypotheses, n_mate_states, n_classes)."""
        summed = np.zeros((*self.chances.shape[:2], self.n_classes))
        for outcome, at in enumerate(self.classes):
            summed[..., at] += self.chances[..., outcome]
        return summed

    @property
    def uninformative(self) -> int | None:
        """The class whose chance is the same whatever animal and mate are, or None."""
        table = self.class_chances
        possible = (self.prior[:, None] * self.mate_weights) > 0
        for at in range(self.n_classes):
            values = table[..., at][possible]
            if np.ptp(values) <= _SAME:
                return at
        return None

    def class_words(self, at: int) -> str:
        """What is seen in a class, its outcomes joined by "or"."""
        words = [w for w, c in zip(self.outcomes, self.classes, strict=True) if c == at]
        return " or ".join(words[:4]) + (f" or {len(words) - 4} more" if len(words) > 4 else "")

    def per_egg(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """P(hypothesis, state) and P(class | hypothesis, state), the mates averaged where every egg has another one."""
        if not self.mate.another_for_each_egg:
            return self.joint, self.class_chances
        averaged = np.einsum("hm,hmc->hc", self.mate_weights, self.class_chances)
        return self.prior[:, None], averaged[:, None, :]

    @property
    def joint(self) -> NDArray[np.float64]:
        """P(hypothesis, state of the mate), shape (n_hypotheses, n_mate_states)."""
        return self.prior[:, None] * self.mate_weights

    @cached_property
    def answer_of(self) -> tuple[tuple[str, ...], NDArray[np.intp]]:
        """The distinct answers in words, and which of them each hypothesis is."""
        words = [self.held.words(h) for h in self.hypotheses]
        distinct = tuple(dict.fromkeys(words))
        return distinct, np.array([distinct.index(w) for w in words])

    @cached_property
    def told_apart(self) -> ToldApart:
        """What eggs of this pairing can tell apart; eggs never change the odds within a group."""
        words, answer_of = self.answer_of
        joint, per_class = self.per_egg()
        possible = joint > 0
        rows, chances = per_class[possible], joint[possible]
        _, first, group = np.unique(np.round(rows, 12) + 0.0, axis=0, return_index=True, return_inverse=True)
        group = group.reshape(-1)
        total = np.bincount(group, weights=chances)
        by_hypothesis = np.zeros((len(first), len(joint)))
        np.add.at(by_hypothesis, (group, np.nonzero(possible)[0]), chances / total[group])
        return ToldApart(total, rows[first], by_hypothesis, by_hypothesis @ np.eye(len(words))[answer_of])


def egg_table(
    held: HeldBack,
    mate: Mate,
    season: Season,
    *,
    crossover: Mapping[str, float] | None = None,
) -> EggTable:
    """What an egg of this pairing shows, by hypothesis.

    Parameters
    ----------
    season
        Chances of slugs and of eggs lost.
    crossover
        Crossing-over rates that replace the catalogue's, by locus.

    Raises
    ------
    WorkTooLargeError
        Too many hypotheses, states of the mate and calls together.
    ContradictionError
        Animal and mate have the same sex.
    """
    if mate.animal.sex is held.animal.sex:
        raise ContradictionError(
            f"{held.animal.name} x {mate.name}: both are {mate.animal.sex}; needed: one male and one female"
        )
    held_is_dam = held.animal.sex is Sex.FEMALE
    model = _model(held, mate, crossover)
    relevant = _relevant_blocks(model, held)
    own_states = [b.dam_states if held_is_dam else b.sire_states[0] for b in relevant]
    own_priors = [b.dam_prior if held_is_dam else b.sire_priors[0] for b in relevant]
    mate_states = [b.sire_states[0] if held_is_dam else b.dam_states for b in relevant]
    mate_priors = [b.sire_priors[0] if held_is_dam else b.dam_prior for b in relevant]
    tables = [b.transmission[0] * b.hatched[0][..., None] for b in relevant]
    if not held_is_dam:
        tables = [t.swapaxes(0, 1) for t in tables]
    _refuse_too_large(held, mate, own_states, mate_states, tables)

    names = [b.loci[0] for b in relevant]
    hypotheses, prior, rows = _hypotheses(held, names, own_states, own_priors)
    mates, weights = _mate_weights(held, mate, names, mate_states, mate_priors, hypotheses)
    calls, by_call = _joint_looks(model, relevant, tables, rows, mates)
    alive = (1 - season.p_slug) * (1 - season.p_lost) * by_call
    seen = [[((one, sex), p) for one, p in perceived(held.species, call)] for call, sex in calls]
    looks = list(dict.fromkeys(one for spread in seen for one, _ in spread))
    labels = dict(zip(looks, _seen_labels(held.species, looks), strict=True))
    outcomes = tuple(dict.fromkeys(labels.values()))
    chances = np.zeros((*alive.shape[:2], len(outcomes) + 2))
    for at, spread in enumerate(seen):
        for look, p in spread:
            chances[..., outcomes.index(labels[look])] += p * alive[..., at]
    chances[..., -2] = season.p_slug
    died = 1 - season.p_slug - alive.sum(axis=-1)
    chances[..., -1] = np.where(died > _SAME, died, 0.0)
    kept = [k for k in range(chances.shape[-1]) if (chances[..., k] > _SAME).any()]
    chances = chances[..., kept]
    words = [(*outcomes, SLUG, DIED)[k] for k in kept]
    return EggTable(
        held, mate, hypotheses, prior, weights, tuple(words), chances, _classes(chances, prior[:, None] * weights)
    )


def _model(held: HeldBack, mate: Mate, crossover: Mapping[str, float] | None) -> CrossModel:
    own = dict(held.animal.loci)
    for place, name in enumerate(held.loci):
        marginal: dict[Genotype, float] = {}
        for hypothesis, p in held.hypotheses.items():
            marginal[hypothesis[place]] = marginal.get(hypothesis[place], 0.0) + p
        own[name] = GenotypePrior(tuple(marginal.items()))
    animal = Parent(held.animal.name, held.animal.sex, own)
    other = mate.animal
    if mate.given_hypothesis is not None:
        loci = dict(other.loci)
        for place, name in enumerate(held.loci):
            possible: dict[Genotype, float] = {}
            for h, states in mate.given_hypothesis.items():
                for joint, p in states.items():
                    possible[joint[place]] = possible.get(joint[place], 0.0) + p * held.hypotheses.get(h, 0.0)
            loci[name] = GenotypePrior(tuple((g, p) for g, p in possible.items() if p > 0))
        other = Parent(other.name, other.sex, loci)
    dam, sire = (animal, other) if animal.sex is Sex.FEMALE else (other, animal)
    return compile_cross(Cross(held.species, dam, (sire,), (1,), 0, dict(crossover or {})))


def _relevant_blocks(model: CrossModel, held: HeldBack) -> list[Block]:
    """Blocks that can matter: those in question, those whose looks hide or resemble them, those that cost eggs unevenly."""
    species = model.species
    by_name = {b.loci[0]: b for b in model.blocks}
    keep = {n for n in by_name if n in held.loci or np.ptp(by_name[n].hatched[0]) > 0}
    covers = {n: {x for words in b.looks for x in missed(species, VisualCall(((n, words[0]),)))} for n, b in by_name.items()}
    linked = [
        {n for n, _ in (*pair.first.looks, *pair.second.looks)} for pair in species.lookalikes if _merged(pair)
    ]
    grown = True
    while grown:
        over = {n for n, below in covers.items() if below & keep} - keep
        keep |= over
        grown = bool(over)
        for names in linked:
            more = names & set(by_name) - keep
            if names & keep and more:
                keep |= more
                grown = True
    return [b for b in model.blocks if b.loci[0] in keep]


def _merged(pair: Lookalike) -> bool:
    """Whether nobody can tell the pair apart by eye; other look-alikes count as told apart after the first shed."""
    return pair.breeding_only or not pair.photo_can_tell


def _refuse_too_large(held: HeldBack, mate: Mate, own_states, mate_states, tables) -> None:
    cells = math.prod(len(s) for s in own_states) * math.prod(len(s) for s in mate_states)
    cells *= math.prod(t.shape[-1] for t in tables)
    if cells > MOST_CELLS:
        raise WorkTooLargeError(
            f"proving {held.animal.name} with {mate.name}: {cells:,} combinations of genotypes, more than {MOST_CELLS:,}; "
            "name fewer genes in question, or a mate of which more is known"
        )


def _hypotheses(held: HeldBack, names: list[str], states: list, priors: list):
    """Hypotheses with the animal's other uncertain loci made part of them; per hypothesis, its state index by block."""
    found, chances, rows = [], [], []
    others = [i for i, n in enumerate(names) if n not in held.loci]
    for joint, p in held.hypotheses.items():
        for choice in itertools.product(*(range(len(states[i])) for i in others)):
            weight = p * math.prod(float(priors[i][c]) for i, c in zip(others, choice, strict=True))
            row = []
            for i, name in enumerate(names):
                if name in held.loci:
                    row.append(states[i].index(joint[held.loci.index(name)]))
                else:
                    row.append(choice[others.index(i)])
            if weight > 0:
                found.append(joint)
                chances.append(weight)
                rows.append(tuple(row))
    return tuple(found), np.array(chances), rows


def _mate_weights(held: HeldBack, mate: Mate, names, states, priors, hypotheses):
    combinations = list(itertools.product(*(range(len(s)) for s in states)))
    weights = np.zeros((len(hypotheses), len(combinations)))
    for column, combination in enumerate(combinations):
        independent, own = 1.0, {}
        for name, at, state, prior in zip(names, combination, states, priors, strict=True):
            if mate.given_hypothesis is not None and name in held.loci:
                own[name] = state[at]
            else:
                independent *= float(prior[at])
        for row, hypothesis in enumerate(hypotheses):
            weight = independent
            if mate.given_hypothesis is not None:
                weight *= _dependent(held, mate.given_hypothesis[hypothesis], own)
            weights[row, column] = weight
    return combinations, weights


def _dependent(held: HeldBack, chances: Mapping[Joint, float], own: Mapping[str, Genotype]) -> float:
    """P(the mate's genotypes at the loci that are live | hypothesis); a locus at which nobody carries anything is left out."""
    return math.fsum(
        p
        for joint, p in chances.items()
        if all(own.get(name, genotype) == genotype for name, genotype in zip(held.loci, joint, strict=True))
    )


def _joint_looks(model: CrossModel, blocks: list[Block], tables, rows, mates):
    """Visual calls, and P(call and viable | hypothesis, mate), shape (n_hypotheses, n_mate_states, n_calls)."""
    order = {locus.name: i for i, locus in enumerate(model.species.loci)}
    parts: list[tuple] = [()]
    joint = np.ones((len(rows), len(mates), 1))
    sexed_before = False
    for i, (block, table) in enumerate(zip(blocks, tables, strict=True)):
        assert not (block.sexed and sexed_before), "compile_cross lets one sex-linked block through"
        sexed_before |= block.sexed
        labels = [(words[0], o.sex) for words, o in zip(block.looks, block.outcomes, strict=True)]
        axis = list(dict.fromkeys(labels))
        by_look = np.zeros((*table.shape[:2], len(axis)))
        for at, label in enumerate(labels):
            by_look[..., axis.index(label)] += table[..., at]
        picked = by_look[np.array([r[i] for r in rows])[:, None], np.array([m[i] for m in mates])[None, :]]
        joint = (joint[..., :, None] * picked[..., None, :]).reshape(len(rows), len(mates), -1)
        parts = [(*done, (order[block.loci[0]], block.loci[0], *label)) for done in parts for label in axis]
    calls = []
    for part in parts:
        call = VisualCall(tuple((name, word) for _, name, word, _ in sorted(part, key=lambda x: x[0]) if word))
        sex = next((s for *_, s in part if s is not None), None)
        calls.append((call, sex))
    return calls, joint


def _seen_labels(species: Species, calls) -> list[str]:
    """Words for what can be seen of each call; calls that cannot be told apart have the same words."""
    seen = [(seen_as(species, call), sex) for call, sex in calls]
    group = {s: s for s in seen}

    def root(of):
        while group[of] != of:
            of = group[of]
        return of

    by_call = {(call, sex): s for (call, sex), s in zip(calls, seen, strict=True)}
    for call, sex in calls:
        for other, pair in lookalikes_of(species, call):
            if _merged(pair) and (other, sex) in by_call:
                group[root(by_call[other, sex])] = root(by_call[call, sex])
    names: dict[tuple, dict[str, None]] = {}
    for (call, _), s in zip(calls, seen, strict=True):
        names.setdefault(root(s), {})[seen_name(species, call)] = None
    return [f"{' / '.join(names[root(s)])}{f', {s[1]}' if s[1] else ''}" for s in seen]


def _classes(chances: NDArray[np.float64], joint: NDArray[np.float64]) -> NDArray[np.intp]:
    """Outcomes with proportional chances over every possible (hypothesis, mate) say the same: one class each."""
    possible = joint > 0
    shapes: list[NDArray[np.float64]] = []
    classes = []
    for at in range(chances.shape[-1]):
        column = chances[..., at][possible]
        total = column.sum()
        shape = column / total if total > 0 else column
        for known, other in enumerate(shapes):
            if np.abs(other - shape).max() <= _SAME:
                classes.append(known)
                break
        else:
            classes.append(len(shapes))
            shapes.append(shape)
    return np.array(classes)
