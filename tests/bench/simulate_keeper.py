"""A simulated keeper: 50 seasons under three ways to decide, on the same animals, places and prices, over many seeds.

    python tests/bench/simulate_keeper.py [--runs 60] [--fast] [--seed 0]

Ways to decide:
  sell everything as called   every hatchling is sold at once under the look it was first called; nothing is held back
  keep the prettiest          the same, but free places go to the hatchlings whose called look fetches most
  plan                        looks are labelled at 95 % (a second look where that is not reached, then all calls that remain
                              are named); free places go to the hatchlings whose holding is worth most per year, by
                              triage.proving.worth, if it is worth more than selling

Assumptions, all invented and round unless said otherwise:
  - Three pairings of known parents lay every season (PAIRINGS); clutch size by the catalogue (Gorzula 1997), a tenth slugs, a
    twentieth lost. The parents stay the same; what changes is what is held back.
  - The keeper calls a look right 80 times in 100; mistakes fall on look-alikes 8 times in 10 (triage.genetics.readings). A second
    look (after the first shed) is as good, independent, and costs SECOND_LOOK.
  - PLACES animals can be held back at a time, by either way. A held animal costs KEEPING a year and dies with 3 % a year. A male has
    its first clutch after 2 seasons, a female after 3. It is bred to the keeper's visual mate of its line, at most N_SEASONS times,
    until its hidden gene is settled at 95 %, then sold as an adult. Its own look is certain by then. Both ways that hold back do that.
  - A label sells for what it says (PRICES): hets by the records, rounded down; several calls for the cheapest of them. Young of
    held animals sell by their look at the recessive gene, plus half of what their held parent's other genes add.
  - Wrong label: the animal does not have what its label states as certain. "Refunds" takes back the whole price of every wrong label.
  - No discount. What is still held after the last season is sold as it stands.
Two price lists are run: `usual`, and `dear`, in which a place costs so much that holding hardly pays.

Error bars are standard errors over runs; differences are paired by run (same hatchlings, same first calls).
"""

from __future__ import annotations

import argparse
import math
import os
from dataclasses import dataclass, field
from functools import lru_cache

os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np

from triage.catalogue import load_species, parse_parent
from triage.genetics.exact import infer
from triage.genetics.model import CrossModel, compile_cross
from triage.genetics.readings import keeper_reading
from triage.proving.labels import label_text, whole_percent
from triage.proving.plan_information import after_outcomes
from triage.proving.plan_table import DIED, SLUG, EggTable, HeldBack, Mate, egg_table
from triage.proving.seasons import Season
from triage.proving.trays import hidden_genes, remaining_calls
from triage.proving.worth import Costs, LabelPrices, hold
from triage.records import CallReading, Cross, Egg, Genotype, GenotypePrior, Parent, Sex, VisualCall

SPECIES = load_species("ball python")
SEASON = Season.usual(SPECIES)
#: (dam, sire, recessive gene of the line)
PAIRINGS = (
    ("pastel, het clown", "pastel, fire, het clown", "clown"),
    ("yellow belly, het piebald", "enchi", "piebald"),
    ("enchi, het piebald", "pastel, het piebald", "piebald"),
)
BASE = 40.0
PRICES = {"pastel": 20.0, "super pastel": 60.0, "fire": 20.0, "enchi": 20.0, "yellow belly": 20.0, "clown": 120.0, "piebald": 120.0}
POSSIBLE = {0.66: 30.0, 0.5: 15.0}
PROVED_HET = 80.0
ADULT = 60.0
SECOND_LOOK = 5.0
ACCURACY, LOOKALIKE_SHARE = 0.8, 0.8
LEVEL = 0.95
PLACES = 6
N_SEASONS = 2
P_DEATH = 0.03
FIRST_CLUTCH = {Sex.MALE: 2, Sex.FEMALE: 3}
KEEPING = {"usual": 40.0, "dear": 250.0}
WAYS = ("sell everything as called", "keep the prettiest", "plan")


@dataclass
class Line:
    """One pairing with everything about it that never changes."""

    gene: str
    model: CrossModel
    readings: dict[VisualCall, CallReading]
    misread: np.ndarray
    records: dict = field(default_factory=dict)

    @classmethod
    def of(cls, dam: str, sire: str, gene: str) -> Line:
        cross = Cross(
            SPECIES,
            parse_parent(SPECIES, dam, name="dam", sex=Sex.FEMALE),
            (parse_parent(SPECIES, sire, name="sire", sex=Sex.MALE),),
            (1,),
            0,
        )
        model = compile_cross(cross)
        readings = {
            call: keeper_reading(SPECIES, [call], model.calls, accuracy=ACCURACY, lookalike_share=LOOKALIKE_SHARE)
            for call in model.calls
        }
        misread = np.array([[readings[called].likelihoods[true] for called in model.calls] for true in model.calls])
        return cls(gene, model, readings, misread / misread.sum(axis=1, keepdims=True))

    def from_records(self, call: VisualCall):
        """P(genotype) by locus from the parents and the look alone, as a label may use it."""
        if call not in self.records:
            self.records[call] = infer(self.model, [Egg("one", None, (CallReading({call: 1.0}),))]).eggs[0].loci
        return self.records[call]


@dataclass
class Hatchling:
    line: Line
    sex: Sex
    genotypes: dict[str, Genotype]
    true: VisualCall
    called: VisualCall
    settled: tuple[VisualCall, ...] = ()


@dataclass
class Held:
    hatchling: Hatchling
    age: int
    table: EggTable
    clutches: int = 0


@dataclass
class Books:
    money: float = 0.0
    refunds: float = 0.0
    sold: int = 0
    wrong: int = 0
    held: int = 0
    proved: int = 0
    held_now: list[Held] = field(default_factory=list)


def look_price(call: VisualCall) -> float:
    return BASE + sum(PRICES[look] for _, look in call.looks)


def het_price(chance: float) -> float:
    if chance >= 1 - 1e-9:
        return PROVED_HET
    steps = [s for s in POSSIBLE if chance >= s - 1e-9]
    return POSSIBLE[max(steps)] if steps else 0.0


def label_price(line: Line, call: VisualCall) -> float:
    """What a hatchling with this settled look sells for: its look, and hets as the records support them."""
    return look_price(call) + sum(het_price(h.chance) for h in hidden_genes(SPECIES, call, line.from_records(call)))


def is_wrong(hatchling: Hatchling, calls: tuple[VisualCall, ...], text: str) -> bool:
    """Whether a label states as certain what is not so: its look, or a "100% het"."""
    if hatchling.true not in calls:
        return True
    certain = [part.removeprefix("100% het ") for part in text.split("; ") if part.startswith("100% het ")]
    return any(not any(gene in g.alleles for g in hatchling.genotypes.values()) for gene in certain)


def hatch(line: Line, rng: np.random.Generator) -> list[Hatchling]:
    eggs = rng.choice(len(SEASON.clutch.chances), p=SEASON.clutch.chances)
    young = []
    for _ in range(rng.binomial(eggs, (1 - SEASON.p_slug) * (1 - SEASON.p_lost))):
        genotypes = {}
        for block in line.model.blocks:
            chances = block.expected(0)
            genotypes.update(dict(block.outcomes[rng.choice(len(chances), p=chances / chances.sum())].genotypes))
        true = SPECIES.call(genotypes)
        called = line.model.calls[rng.choice(line.model.n_calls, p=line.misread[line.model.calls.index(true)])]
        young.append(Hatchling(line, Sex.MALE if rng.random() < 0.5 else Sex.FEMALE, genotypes, true, called))
    return young


def settle(line: Line, young: list[Hatchling], rng: np.random.Generator) -> float:
    """The engine's calls of one clutch, with a second look at those below the level; returns what the second looks cost."""
    if not young:
        return 0.0
    readings = [[line.readings[h.called]] for h in young]
    cost = 0.0
    for last in (False, True):
        posterior = infer(line.model, [Egg(str(i), h.sex, tuple(r)) for i, (h, r) in enumerate(zip(young, readings))])
        for i, h in enumerate(young):
            h.settled = tuple(c.call for c in remaining_calls(posterior.calls(i), LEVEL))
            if not last and len(h.settled) > 1:
                again = rng.choice(line.model.n_calls, p=line.misread[line.model.calls.index(h.true)])
                readings[i].append(line.readings[line.model.calls[again]])
                cost += SECOND_LOOK
    return cost


@lru_cache(maxsize=4096)
def held_table(gene: str, sex: Sex, states: tuple[tuple[Genotype, float], ...]) -> EggTable:
    """Table of a held animal with the keeper's visual mate of its line."""
    other = Sex.FEMALE if sex is Sex.MALE else Sex.MALE
    animal = Parent("held", sex, {gene: GenotypePrior(states)})
    mate = Mate(Parent(f"visual {gene}", other, {gene: GenotypePrior.known(Genotype(gene, gene))}))
    return egg_table(HeldBack.of(SPECIES, animal, [gene]), mate, SEASON)


def states_of(line: Line, call: VisualCall) -> tuple[tuple[Genotype, float], ...]:
    """What the records and a certain look say of the line's recessive gene."""
    return tuple((g, round(p, 9)) for g, p in sorted(line.from_records(call)[line.gene].items()) if p > 1e-12)


def other_genes(line: Line, call: VisualCall) -> float:
    return sum(PRICES[look] for locus, look in call.looks if locus != line.gene)


def young_prices(line: Line, call: VisualCall) -> dict[str, float]:
    """Price of a young by its look: half of what the held parent's other genes add, and hets that are certain from the mate."""
    more = BASE + other_genes(line, call) / 2
    return {"normal": more + PROVED_HET, line.gene: more + PRICES[line.gene]}


@lru_cache(maxsize=4096)
def _gain(gene: str, sex: Sex, states, base: float, other: float, now: float, keeping: float) -> float:
    """Gain of holding over selling now, per year of a place."""
    table = held_table(gene, sex, states)
    young = {"normal": BASE + other / 2 + PROVED_HET, gene: BASE + other / 2 + PRICES[gene]}
    years = FIRST_CLUTCH[sex]
    if len(table.held.answers) == 1:
        per_egg = sum(young.get(w, 0.0) * p for w, p in zip(table.outcomes, table.chances[0, 0]))
        survive = (1 - P_DEATH) ** years
        mean = survive * per_egg * SEASON.eggs.mean * (1 + (1 - P_DEATH) * (N_SEASONS - 1))
        mean += (1 - P_DEATH) ** (years + N_SEASONS - 1) * (base + ADULT) - keeping * (years + N_SEASONS - 1)
        return (mean - now) / (years + N_SEASONS - 1)
    het = f"het {gene}"
    prices = LabelPrices(
        of=het,
        proved={het: base + ADULT + PROVED_HET},
        possible={s: base + ADULT + p for s, p in POSSIBLE.items()},
        plain=base + ADULT,
    )
    holding = hold(
        table,
        SEASON,
        prices,
        Costs(keeping, 0.0, P_DEATH, 0.0, years),
        level=LEVEL,
        n_seasons=N_SEASONS,
        price_of_young=young,
    )
    mean_years = math.fsum(e.years * e.probability for e in holding.ends)
    return (holding.mean - now) / mean_years


def gain_per_year(h: Hatchling, call: VisualCall, keeping: float) -> float:
    price = label_price(h.line, call)
    # A certain het sells as proved today already.
    base = price if len(states_of(h.line, call)) == 1 else look_price(call)
    return _gain(h.line.gene, h.sex, states_of(h.line, call), base, other_genes(h.line, call), price, keeping)


def sell(books: Books, h: Hatchling, calls: tuple[VisualCall, ...]) -> None:
    price = min(label_price(h.line, call) for call in calls)
    text = label_text(SPECIES, calls[0], h.sex, h.line.from_records(calls[0]))
    books.money += price
    books.sold += 1
    if is_wrong(h, calls, text):
        books.wrong += 1
        books.refunds += price


def sell_held(books: Books, one: Held) -> None:
    """Sale of a held animal under what the records now support."""
    h, answers = one.hatchling, one.table.held.answers
    price = look_price(h.true) + ADULT
    het = f"het {h.line.gene}"
    best, chance = max(answers.items(), key=lambda x: x[1])
    carries = any(h.line.gene in g.alleles for n, g in h.genotypes.items() if n == h.line.gene)
    if best == het and chance >= LEVEL:
        price += PROVED_HET
        books.proved += 1
        books.wrong += not carries
        books.refunds += 0.0 if carries else price
    elif not (best == f"no {h.line.gene}" and chance >= LEVEL):
        price += het_price(answers.get(het, 0.0) if whole_percent(answers.get(het, 0.0)) < 100 else 1.0)
    books.money += price
    books.sold += 1


def a_year(books: Books, keeping: float, rng: np.random.Generator) -> None:
    """Everything held grows a year older, dies, is bred, is sold."""
    still = []
    for one in books.held_now:
        books.money -= keeping
        one.age += 1
        if rng.random() < P_DEATH:
            continue
        h = one.hatchling
        if one.age < FIRST_CLUTCH[h.sex]:
            still.append(one)
            continue
        truth = h.genotypes[h.line.gene]
        at = one.table.hypotheses.index((truth,))
        n_eggs = rng.choice(len(SEASON.eggs.chances), p=SEASON.eggs.chances)
        counts = rng.multinomial(n_eggs, one.table.chances[at, 0] / one.table.chances[at, 0].sum())
        seen = {w: int(n) for w, n in zip(one.table.outcomes, counts)}
        prices = young_prices(h.line, h.true)
        books.money += sum(prices.get(w, 0.0) * n for w, n in seen.items() if w not in (SLUG, DIED))
        was_open = len(one.table.held.answers) > 1
        if was_open:
            held = after_outcomes(one.table, seen)
            one.table = held_table(h.line.gene, h.sex, tuple((g[0], p) for g, p in sorted(held.hypotheses.items())))
        one.clutches += 1
        settled = was_open and max(one.table.held.answers.values()) >= LEVEL
        if settled or one.clutches >= N_SEASONS:
            sell_held(books, one)
        else:
            still.append(one)
    books.held_now = still


def keep(books: Books, h: Hatchling) -> None:
    books.held_now.append(Held(h, 0, held_table(h.line.gene, h.sex, states_of(h.line, h.true))))
    books.held += 1


def run(seed: int, n_seasons: int, keeping: float, lines: list[Line]) -> dict[str, Books]:
    """One keeper's seasons under every way to decide; hatchlings and first calls are the same for all."""
    rng = np.random.default_rng([seed, 0])
    later = {way: np.random.default_rng([seed, 1 + i]) for i, way in enumerate(WAYS)}
    books = {way: Books() for way in WAYS}
    for _ in range(n_seasons):
        young: list[Hatchling] = []
        for line in lines:
            clutch = hatch(line, rng)
            books["plan"].money -= settle(line, clutch, later["plan"])
            young += clutch
        for way in WAYS:
            own = books[way]
            a_year(own, keeping, later[way])
            free = PLACES - len(own.held_now)
            chosen: list[Hatchling] = []
            if way == "keep the prettiest":
                chosen = sorted(young, key=lambda h: -look_price(h.called))[:free]
            elif way == "plan":
                worth = [(gain_per_year(h, h.settled[0], keeping), i) for i, h in enumerate(young)]
                chosen = [young[i] for gain, i in sorted(worth, reverse=True)[:free] if gain > 0]
            for h in young:
                if any(h is c for c in chosen):
                    keep(own, h)
                else:
                    sell(own, h, h.settled if way == "plan" else (h.called,))
    for own in books.values():
        for one in own.held_now:
            sell_held(own, one)
    return books


def mean_and_error(values: np.ndarray) -> str:
    return f"{values.mean():10,.1f} ± {values.std(ddof=1) / math.sqrt(len(values)):,.1f}"


def simulate(n_runs: int, n_seasons: int, prices: str, seed: int) -> dict[str, dict[str, np.ndarray]]:
    """Per way and measure, one value per run."""
    lines = [Line.of(*pairing) for pairing in PAIRINGS]
    found: dict[str, dict[str, list[float]]] = {way: {} for way in WAYS}
    for i in range(n_runs):
        for way, books in run(seed * 100_003 + i, n_seasons, KEEPING[prices], lines).items():
            for measure, value in (
                ("money", books.money),
                ("money after refunds", books.money - books.refunds),
                ("animals sold", books.sold),
                ("wrong labels sold", books.wrong),
                ("held back", books.held),
                ("hets proved", books.proved),
            ):
                found[way].setdefault(measure, []).append(float(value))
    return {way: {m: np.array(v) for m, v in measures.items()} for way, measures in found.items()}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=60)
    parser.add_argument("--seasons", type=int, default=50)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--fast", action="store_true", help="10 runs")
    args = parser.parse_args()
    n_runs = 10 if args.fast else args.runs
    for prices in KEEPING:
        found = simulate(n_runs, args.seasons, prices, args.seed)
        print(f"\nPrices: {prices}. {n_runs} runs of {args.seasons} seasons; mean ± standard error")
        for measure in found["plan"]:
            print(f"  {measure}")
            for way in WAYS:
                print(f"    {way:28s}{mean_and_error(found[way][measure])}")
            for way in WAYS[:2]:
                print(f"    plan less {way:28s}{mean_and_error(found['plan'][measure] - found[way][measure])}")


if __name__ == "__main__":
    main()
