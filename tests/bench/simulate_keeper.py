"""A simulated keeper: 50 seasons under three ways to decide, on the same animals, places and prices, over many seeds.

    python tests/bench/simulate_keeper.py [--runs 60] [--fast] [--seed 0]

Ways to decide:
  sell everything as called   every hatchling is sold at once under the look it was first called; nothing is held back
  keep the prettiest          the same, but free places go to the hatchlings whose called look fetches most
  plan                        labels name every call that is needed to hold 95 % (looked at again, at most MOST_LOOKS times in all,
                              where naming several would cost more than a look); free places go to the hatchlings whose holding
                              is worth most per year, by triage.proving.plans.worth, if it is worth more than selling

Assumptions, all invented and round unless said otherwise:
  - Three pairings of known parents lay every season (COLONIES); clutch size by the catalogue (Gorzula 1997), a tenth slugs, a
    twentieth lost. The parents stay the same; what changes is what is held back.
  - The keeper calls a look right 80 times in 100; mistakes fall on look-alikes 8 times in 10 (triage.genetics.readings). Another
    look (a shed later) is as good, counts as independent, and costs ANOTHER_LOOK.
  - PLACES animals can be held back at a time, by either way. A held animal costs its place and dies with 3 % a year. A male has
    its first clutch after 2 seasons, a female after 3. It is bred to the keeper's visual mate of its line, at most N_SEASONS times,
    until its hidden gene is settled at 95 %, then sold as an adult. Its own look is certain by then. Both ways that hold back do that.
    A season with a male costs MATE, for the female lays for nobody else.
  - A label sells for what it says (PRICES): hets by the records, rounded down; several calls for the cheapest of them. Young of
    held animals sell by their look at the recessive gene, plus half of what their held parent's other genes add, less REARING.
  - Wrong label: the animal does not have what its label states as certain. "Refunds" takes back the whole price of every wrong label.
  - No discount. What is still held after the last season is sold as it stands.
Three price lists are run: `usual`; `dear places`, where a place costs so much that holding hardly pays; and `hets worth little`,
where there is next to nothing to prove; each for two colonies, one whose recessive genes show in the clutches and one where they hide.

The comparison leans against the plan in two ways: a label that names several calls sells for the cheapest of them, and the keeper of
the prettiest proves what it holds just as carefully as the plan does.

Error bars are standard errors over runs; differences are paired by run (same hatchlings, same first calls).
"""

from __future__ import annotations

import argparse
import itertools
import math
import os
import sys
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np

from triage.genetics.clutch.exact import infer
from triage.genetics.clutch.model import CrossModel, compile_cross
from triage.genetics.readings import keeper_reading
from triage.proving.label_text import label_text
from triage.proving.plans.egg_table import DIED, SLUG, EggTable, HeldBack, Mate, egg_table
from triage.proving.plans.seasons import Season
from triage.proving.plans.worth import Costs, LabelPrices, hold
from triage.proving.trays import hidden_genes, remaining_calls
from triage.records import NORMAL, CallReading, Cross, Egg, Genotype, GenotypePrior, Parent, Sex, VisualCall
from triage.species import load_species, parse_parent

sys.path.insert(0, str(Path(__file__).parents[1] / "proving"))
from entered import after_outcomes

SPECIES = load_species("ball python")
SEASON = Season.usual(SPECIES)
#: Two colonies of (dam, sire, recessive gene of the keeper's visual mate). In the first the recessive genes show in the clutches
#: themselves; in the second they hide in plain animals, and the bright clutch has none.
COLONIES = {
    "genes that show": (
        ("pastel, het clown", "pastel, fire, het clown", "clown"),
        ("yellow belly, het piebald", "enchi", "piebald"),
        ("enchi, het piebald", "pastel, het piebald", "piebald"),
    ),
    "genes that hide": (
        ("pastel, enchi", "pastel, fire", "clown"),
        ("yellow belly, het piebald", "normal", "piebald"),
        ("het clown", "enchi", "clown"),
    ),
}
PRICES = {"pastel": 20.0, "super pastel": 60.0, "fire": 20.0, "enchi": 20.0, "yellow belly": 20.0, "clown": 120.0, "piebald": 120.0}
PLAIN = Genotype(NORMAL, NORMAL)
BASE = 40.0
ADULT = 60.0
ANOTHER_LOOK = 5.0
MOST_LOOKS = 4
REARING = 30.0
ACCURACY, LOOKALIKE_SHARE = 0.8, 0.8
LEVEL = 0.95
PLACES = 6
N_SEASONS = 2
P_DEATH = 0.03
FIRST_CLUTCH = {Sex.MALE: 2, Sex.FEMALE: 3}
#: What a season with a male costs: the visual female lays for him and for nobody else.
MATE = {Sex.MALE: 300.0, Sex.FEMALE: 0.0}
WAYS = ("sell everything as called", "keep the prettiest", "plan")


@dataclass(frozen=True)
class PriceList:
    """What differs between the price lists: a place for a year, a proved het, and possible hets by least chance."""

    name: str
    keeping: float
    proved_het: float
    possible: tuple[tuple[float, float], ...]


PRICE_LISTS = (
    PriceList("usual", 40.0, 80.0, ((0.66, 30.0), (0.5, 15.0))),
    PriceList("dear places", 300.0, 80.0, ((0.66, 30.0), (0.5, 15.0))),
    PriceList("hets worth little", 40.0, 10.0, ((0.66, 5.0), (0.5, 0.0))),
)


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
    chances: tuple[float, ...] = ()


@dataclass
class Held:
    hatchling: Hatchling
    age: int
    table: EggTable
    was_open: bool
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


def het_price(prices: PriceList, chance: float) -> float:
    if chance >= 1 - 1e-9:
        return prices.proved_het
    return max((money for step, money in prices.possible if chance >= step - 1e-9), default=0.0)


def label_price(prices: PriceList, line: Line, call: VisualCall) -> float:
    """What a hatchling with this settled look sells for: its look, and hets as the records support them."""
    hidden = hidden_genes(SPECIES, call, line.from_records(call))
    return look_price(call) + sum(het_price(prices, h.chance) for h in hidden)


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


def settle(prices: PriceList, line: Line, young: list[Hatchling], rng: np.random.Generator) -> float:
    """The engine's calls of one clutch, with further looks where naming all calls that remain would cost more; returns their cost."""
    if not young:
        return 0.0
    readings = [[line.readings[h.called]] for h in young]
    cost = 0.0
    for look in range(1, MOST_LOOKS + 1):
        posterior = infer(line.model, [Egg(str(i), h.sex, tuple(r)) for i, (h, r) in enumerate(zip(young, readings))])
        for i, h in enumerate(young):
            remaining = remaining_calls(posterior.calls(i), LEVEL)
            h.settled, h.chances = tuple(c.call for c in remaining), tuple(c.probability for c in remaining)
            by_call = [label_price(prices, line, call) for call in h.settled]
            if look < MOST_LOOKS and by_call[0] - min(by_call) > ANOTHER_LOOK:
                again = rng.choice(line.model.n_calls, p=line.misread[line.model.calls.index(h.true)])
                readings[i].append(line.readings[line.model.calls[again]])
                cost += ANOTHER_LOOK
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
    chances = line.from_records(call).get(line.gene, {PLAIN: 1.0})
    return tuple((g, round(p, 9)) for g, p in sorted(chances.items()) if p > 1e-12)


def other_genes(line: Line, call: VisualCall) -> float:
    return sum(PRICES[look] for locus, look in call.looks if locus != line.gene)


def young_prices(prices: PriceList, gene: str, other: float) -> dict[str, float]:
    """Price of a young by its look, rearing taken off: half of what the held parent's other genes add, and its certain het."""
    more = BASE + other / 2 - REARING
    return {"normal": more + prices.proved_het, gene: more + PRICES[gene]}


@lru_cache(maxsize=4096)
def _gain(prices: PriceList, gene: str, sex: Sex, states, base: float, other: float, now: float) -> float:
    """Gain of holding over selling now, per year of a place."""
    table = held_table(gene, sex, states)
    young = young_prices(prices, gene, other)
    years = FIRST_CLUTCH[sex]
    if len(table.held.answers) == 1:
        return _gain_of_certain(prices, table, sex, young, base, now)
    het = f"het {gene}"
    label_prices = LabelPrices(
        of=het,
        proved={het: base + ADULT + prices.proved_het},
        possible={step: base + ADULT + money for step, money in prices.possible},
        plain=base + ADULT,
    )
    holding = hold(
        table,
        SEASON,
        label_prices,
        Costs(prices.keeping, MATE[sex], P_DEATH, 0.0, years),
        level=LEVEL,
        n_seasons=N_SEASONS,
        price_of_young=young,
    )
    mean_years = math.fsum(e.years * e.probability for e in holding.ends)
    return (holding.mean - now) / mean_years


def _gain_of_certain(prices: PriceList, table: EggTable, sex: Sex, young, base: float, now: float) -> float:
    """The same for an animal about which nothing is open: bred ``N_SEASONS`` times, then sold."""
    per_egg = sum(young.get(w, 0.0) * p for w, p in zip(table.outcomes, table.chances[0, 0]))
    mean, alive, years = 0.0, 1.0, 0.0
    for season in range(N_SEASONS):
        step = FIRST_CLUTCH[sex] if season == 0 else 1
        years += step
        mean -= alive * (prices.keeping * step + MATE[sex])
        alive *= (1 - P_DEATH) ** step
        mean += alive * per_egg * SEASON.eggs.mean
    return (mean + alive * (base + ADULT) - now) / years


def gain_per_year(prices: PriceList, h: Hatchling, call: VisualCall) -> float:
    price = label_price(prices, h.line, call)
    states = states_of(h.line, call)
    # A certain het sells as proved today already.
    base = price if len(states) == 1 else look_price(call)
    return _gain(prices, h.line.gene, h.sex, states, base, other_genes(h.line, call), price)


def expected_gain(prices: PriceList, h: Hatchling) -> float:
    """Gain per year over the calls that remain, each by its chance."""
    total = math.fsum(h.chances)
    return math.fsum(p / total * gain_per_year(prices, h, call) for call, p in zip(h.settled, h.chances))


def sell(books: Books, prices: PriceList, h: Hatchling, calls: tuple[VisualCall, ...]) -> None:
    price = min(label_price(prices, h.line, call) for call in calls)
    text = label_text(SPECIES, calls[0], h.sex, h.line.from_records(calls[0]))
    books.money += price
    books.sold += 1
    if is_wrong(h, calls, text):
        books.wrong += 1
        books.refunds += price


def sell_held(books: Books, prices: PriceList, one: Held) -> None:
    """Sale of a held animal under what the records now support."""
    h, answers = one.hatchling, one.table.held.answers
    price = look_price(h.true) + ADULT
    het = f"het {h.line.gene}"
    best, chance = max(answers.items(), key=lambda x: x[1])
    carries = h.line.gene in h.genotypes.get(h.line.gene, PLAIN).alleles
    if best == het and chance >= LEVEL:
        price += prices.proved_het
        books.proved += one.was_open
        books.wrong += not carries
        books.refunds += 0.0 if carries else price
    elif not (best == f"no {h.line.gene}" and chance >= LEVEL):
        price += het_price(prices, answers.get(het, 0.0))
    books.money += price
    books.sold += 1


def a_year(books: Books, prices: PriceList, rng: np.random.Generator) -> None:
    """Everything held grows a year older, dies, is bred, is sold."""
    still = []
    for one in books.held_now:
        books.money -= prices.keeping
        one.age += 1
        if rng.random() < P_DEATH:
            continue
        h = one.hatchling
        if one.age < FIRST_CLUTCH[h.sex]:
            still.append(one)
            continue
        truth = h.genotypes.get(h.line.gene, PLAIN)
        at = one.table.hypotheses.index((truth,))
        n_eggs = rng.choice(len(SEASON.eggs.chances), p=SEASON.eggs.chances)
        counts = rng.multinomial(n_eggs, one.table.chances[at, 0] / one.table.chances[at, 0].sum())
        seen = {w: int(n) for w, n in zip(one.table.outcomes, counts)}
        young = young_prices(prices, h.line.gene, other_genes(h.line, h.true))
        books.money += sum(young[w] * n for w, n in seen.items() if w not in (SLUG, DIED)) - MATE[h.sex]
        if one.was_open:
            held = after_outcomes(one.table, seen)
            one.table = held_table(h.line.gene, h.sex, tuple((g[0], p) for g, p in sorted(held.hypotheses.items())))
        one.clutches += 1
        settled = one.was_open and max(one.table.held.answers.values()) >= LEVEL
        if settled or one.clutches >= N_SEASONS:
            sell_held(books, prices, one)
        else:
            still.append(one)
    books.held_now = still


def keep(books: Books, h: Hatchling) -> None:
    table = held_table(h.line.gene, h.sex, states_of(h.line, h.true))
    books.held_now.append(Held(h, 0, table, len(table.held.answers) > 1))
    books.held += 1


def run(seed: int, n_seasons: int, prices: PriceList, lines: list[Line]) -> dict[str, Books]:
    """One keeper's seasons under every way to decide; hatchlings and first calls are the same for all."""
    rng = np.random.default_rng([seed, 0])
    later = {way: np.random.default_rng([seed, 1 + i]) for i, way in enumerate(WAYS)}
    books = {way: Books() for way in WAYS}
    for _ in range(n_seasons):
        young: list[Hatchling] = []
        for line in lines:
            clutch = hatch(line, rng)
            books["plan"].money -= settle(prices, line, clutch, later["plan"])
            young += clutch
        for way in WAYS:
            own = books[way]
            a_year(own, prices, later[way])
            free = PLACES - len(own.held_now)
            chosen: list[Hatchling] = []
            if way == "keep the prettiest":
                chosen = sorted(young, key=lambda h: -look_price(h.called))[:free]
            elif way == "plan":
                worth = [(expected_gain(prices, h), i) for i, h in enumerate(young)]
                chosen = [young[i] for gain, i in sorted(worth, reverse=True)[:free] if gain > 0]
            for h in young:
                if any(h is c for c in chosen):
                    keep(own, h)
                else:
                    sell(own, prices, h, h.settled if way == "plan" else (h.called,))
    for own in books.values():
        for one in own.held_now:
            sell_held(own, prices, one)
    return books


def mean_and_error(values: np.ndarray) -> str:
    return f"{values.mean():10,.1f} ± {values.std(ddof=1) / math.sqrt(len(values)):,.1f}"


def simulate(n_runs: int, n_seasons: int, prices: PriceList, colony: str, seed: int) -> dict[str, dict[str, np.ndarray]]:
    """Per way and measure, one value per run."""
    lines = [Line.of(*pairing) for pairing in COLONIES[colony]]
    found: dict[str, dict[str, list[float]]] = {way: {} for way in WAYS}
    for i in range(n_runs):
        for way, books in run(seed * 100_003 + i, n_seasons, prices, lines).items():
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
    for prices, colony in itertools.product(PRICE_LISTS, COLONIES):
        found = simulate(n_runs, args.seasons, prices, colony, args.seed)
        print(f"\nPrices: {prices.name}; colony: {colony}. {n_runs} runs of {args.seasons} seasons; mean ± standard error")
        for measure in found["plan"]:
            print(f"  {measure}")
            for way in WAYS:
                print(f"    {way:28s}{mean_and_error(found[way][measure])}")
            for way in WAYS[:2]:
                print(f"    plan less {way:28s}{mean_and_error(found['plan'][measure] - found[way][measure])}")
        print(f"  share of wrong labels that must come back before the plan earns more: {break_even(found)}")


def break_even(found: dict[str, dict[str, np.ndarray]]) -> str:
    """Where money less that share of the refunds is the same, against each other way."""
    words = []
    for way in WAYS[:2]:
        before = (found["plan"]["money"] - found[way]["money"]).mean()
        after = (found["plan"]["money after refunds"] - found[way]["money after refunds"]).mean()
        share = 0.0 if before >= 0 else -before / (after - before)
        words.append(f"{way}: {'none' if share == 0 else f'{100 * share:.0f} %' if share <= 1 else 'more than all'}")
    return "; ".join(words)


if __name__ == "__main__":
    main()
