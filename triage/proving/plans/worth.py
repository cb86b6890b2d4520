"""What holding an animal back for proving is worth against selling it now, with the keeper's own prices and costs.

No price is shipped. Money is in whatever unit the keeper's figures are in. The policy weighed is: breed with the planned mate
season after season, stop as soon as one answer is settled at the level or ``n_seasons`` are over, then sell under the label that
the records support. Sums over all histories are exact; the money that the young bring is counted at its mean.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from triage.proving.chances import percent
from triage.proving.label_text import whole_percent
from triage.proving.plans.egg_table import EggTable, HeldBack, Joint
from triage.proving.plans.length import season_ends
from triage.proving.plans.seasons import Season
from triage.records import NORMAL

#: Points of the chart, and of the search for the probability at which the decision flips.
_GRID = 40


@dataclass(frozen=True, slots=True)
class LabelPrices:
    """The keeper's prices for one animal by what its label may say.

    Attributes
    ----------
    proved
        Price by settled answer ("het clown", "no clown"). An answer that is not named sells at ``plain``.
    possible
        For the answer in ``of``, what an animal with at least that chance sells for: {0.66: 120.0, 0.5: 90.0}. A chance is never
        rounded up, so 60 % sells as 50 %.
    plain
        Price of an animal about which nothing is promised.
    """

    of: str
    proved: Mapping[str, float]
    possible: Mapping[float, float]
    plain: float

    def settled(self, answer: str) -> float:
        return self.proved.get(answer, self.plain)

    def open(self, chance: float) -> float:
        """Price under the honest label with this chance of ``of``; 2/3 counts as 66 %."""
        steps = [step for step in self.possible if chance >= step - 1e-9]
        return self.possible[max(steps)] if steps else self.plain


@dataclass(frozen=True, slots=True)
class EndLabel:
    """A label under which an animal may be sold, "het clown" or "57% het clown", and the chance that it comes to that."""

    words: str
    chance: float


def likeliest_answer(held: HeldBack) -> str:
    """The likeliest answer that promises a gene; the likeliest of all where none does."""
    promising = {held.words(h) for h in held.hypotheses if any(g.alleles != (NORMAL, NORMAL) for g in h)}
    return max(promising or held.answers, key=lambda words: (held.answers[words], words))


def end_labels(
    table: EggTable, season: Season, of: str, *, level: float = 0.95, n_seasons: int = 3, least: float = 0.01
) -> tuple[EndLabel, ...]:
    """What an animal held back may be sold as, settled or with a whole percent of ``of``: the labels that need a price.

    A label of less than ``least`` is left out; it sells at the price of the next lower percent. Today's label is always there.
    """
    words, _ = table.answer_of
    at = words.index(of)
    settled: dict[str, float] = {}
    open_: dict[int, float] = {whole_percent(table.held.answers[of]): 0.0}
    for n, end in enumerate(season_ends(table, season.eggs, level, n_seasons)):
        for answer, chance in zip(end.settled.tolist(), end.probability.tolist(), strict=True):
            if answer >= 0:
                settled[words[answer]] = settled.get(words[answer], 0.0) + chance
        if n == n_seasons:
            still = end.settled < 0
            left = end.probability[still]
            for promised, chance in zip((end.by_answer[still, at] / left).tolist(), left.tolist(), strict=True):
                share = whole_percent(promised)
                open_[share] = open_.get(share, 0.0) + chance
    today = whole_percent(table.held.answers[of])
    labels = [EndLabel(words, chance) for words, chance in settled.items() if chance >= least]
    shares = sorted((share for share, chance in open_.items() if share and (share == today or chance >= least)), reverse=True)
    return (*labels, *(EndLabel(f"{share}% {of}", open_[share]) for share in shares))


@dataclass(frozen=True, slots=True)
class Costs:
    """What holding back costs.

    Attributes
    ----------
    keeping_per_year
        Food, heat and the place.
    breeding_per_season
        What a season of breeding costs on top, the use of the mate included.
    p_death_per_year
        Chance that the animal dies in a year.
    discount_per_year
        What a year's delay takes off money: 0.05 makes 105 in a year worth 100 today. 0 for none.
    years_until_first_result
        From today until the first clutch can be read (``EarliestDates.years_from``).
    """

    keeping_per_year: float
    breeding_per_season: float = 0.0
    p_death_per_year: float = 0.0
    discount_per_year: float = 0.0
    years_until_first_result: float = 1.0

    def __post_init__(self) -> None:
        if not 0 <= self.p_death_per_year < 1 or self.discount_per_year < 0 or self.years_until_first_result < 0:
            raise ValueError("a chance of death lies below 1, a discount and a delay are 0 or more")

    def discount(self, years: float) -> float:
        return (1 + self.discount_per_year) ** -years


@dataclass(frozen=True, slots=True)
class MoneyChance:
    """One possible end: the money it leaves (discounted to today, costs taken off), its chance, and how it came about."""

    money: float
    probability: float
    end: str
    years: float


@dataclass(frozen=True, slots=True)
class Holding:
    """Holding back: every possible end with its chance, least money first."""

    ends: tuple[MoneyChance, ...]

    @property
    def mean(self) -> float:
        return math.fsum(e.money * e.probability for e in self.ends)

    def quantile(self, share: float) -> float:
        """Least money that is not exceeded with this chance."""
        total = 0.0
        for end in self.ends:
            total += end.probability
            if total >= share - 1e-12:
                return end.money
        return self.ends[-1].money

    def p_above(self, money: float) -> float:
        """Chance to end with more than this."""
        return math.fsum(e.probability for e in self.ends if e.money > money)


@dataclass(frozen=True, slots=True)
class Decision:
    """Selling now against holding, for the animal as it stands.

    Attributes
    ----------
    sell_now
        Price under today's honest label.
    chance
        Probability of the answer the prices are about.
    flips_at
        Probabilities of that answer at which holding is worth today's price, in order; empty where it never is.
    chart
        (probability, today's price, price of an honest label at that probability, mean of holding), for a small chart.
    """

    of: str
    chance: float
    sell_now: float
    holding: Holding
    flips_at: tuple[float, ...]
    chart: tuple[tuple[float, float, float, float], ...]

    @property
    def gain(self) -> float:
        """Mean of holding less selling now."""
        return self.holding.mean - self.sell_now

    @property
    def hold(self) -> bool:
        return self.gain > 0

    def words(self) -> tuple[str, ...]:
        """The decision in plain words, one sentence each; money as bare numbers in the keeper's unit."""
        h = self.holding
        better = "Holding back" if self.hold else "Selling now"
        sentences = [
            f"{better} is worth {abs(self.gain):,.0f} more on average: {h.mean:,.0f} against {self.sell_now:,.0f} today.",
            f"In one case in ten holding ends at {h.quantile(0.1):,.0f} or less, in one in ten at {h.quantile(0.9):,.0f} or more; "
            f"it ends above today's price with a chance of {percent(h.p_above(self.sell_now))}.",
        ]
        if self.flips_at:
            at = " and ".join(f"{100 * p:.1f} %" for p in self.flips_at)
            sentences.append(
                f"Against today's price the choice changes where the chance of {self.of} is {at}; it is {100 * self.chance:.1f} %."
            )
        else:
            sentences.append(f"Against today's price no chance of {self.of} would change the choice.")
        return tuple(sentences)


def hold(
    table: EggTable,
    season: Season,
    prices: LabelPrices,
    costs: Costs,
    *,
    level: float = 0.95,
    n_seasons: int = 3,
    price_of_young: Mapping[str, float] | None = None,
) -> Holding:
    """Every end of holding back, with its money and chance.

    Parameters
    ----------
    price_of_young
        What a young sells for (its rearing taken off), by the words of ``table.outcomes``; not named means 0. Their mean is
        counted per season and per hypothesis.

    Notes
    -----
    Time runs in steps: until the first result, then a year per season. An animal that dies in a step has cost that whole step and
    brings nothing, nor does that step's season.
    """
    young = _young_per_season(table, season, price_of_young or {})
    ends: list[MoneyChance] = []
    alive, spent, brought, years = 1.0, 0.0, np.zeros(len(table.hypotheses)), 0.0
    words, _ = table.answer_of
    of = words.index(prices.of) if prices.of in words else None
    for at, end in enumerate(season_ends(table, season.eggs, level, n_seasons)):
        chances = end.probability
        open_now = math.fsum(chances)
        if at:
            step = costs.years_until_first_result if at == 1 else 1.0
            p_survives = (1 - costs.p_death_per_year) ** step
            years += step
            spent += (costs.keeping_per_year * step + costs.breeding_per_season) * costs.discount(years)
            if p_survives < 1:
                # The season's own young are lost with the animal; those of earlier seasons stay sold.
                got = float(end.by_hypothesis.sum(axis=0) @ brought) / open_now if open_now > 0 else 0.0
                ends.append(MoneyChance(got - spent, alive * open_now * (1 - p_survives), "died", years))
            alive *= p_survives
            brought = brought + young * costs.discount(years)
        told = np.flatnonzero((end.settled >= 0) | (at == n_seasons))
        promised = np.zeros(len(chances)) if of is None else end.by_answer[:, of] / chances
        got = end.by_hypothesis @ brought / chances
        for one in told.tolist():
            answer = words[end.settled[one]] if end.settled[one] >= 0 else None
            price = prices.open(promised[one]) if answer is None else prices.settled(answer)
            money = price * costs.discount(years) + float(got[one]) - spent
            ends.append(MoneyChance(money, alive * float(chances[one]), answer or "still open", years))
    return Holding(_joined(ends))


def decide(
    table: EggTable,
    season: Season,
    prices: LabelPrices,
    costs: Costs,
    *,
    level: float = 0.95,
    n_seasons: int = 3,
    price_of_young: Mapping[str, float] | None = None,
) -> Decision:
    """Selling now under the honest label against holding, and where the choice flips.

    To find the flip the chance of ``prices.of`` is moved, the odds among all other hypotheses kept, and holding is compared with
    what the animal fetches today.

    Raises
    ------
    ValueError
        ``prices.of`` is no answer of this animal.
    """
    held = table.held
    if prices.of not in held.answers:
        raise ValueError(f"'{prices.of}' is no answer in question; needed one of: {', '.join(held.answers)}")

    sell_now = _sell_now(prices, held, level)

    def holding_at(chance: float) -> float:
        moved = _moved(table, prices.of, chance)
        return hold(moved, season, prices, costs, level=level, n_seasons=n_seasons, price_of_young=price_of_young).mean

    chart = []
    for p in np.linspace(0, 1, _GRID + 1)[1:-1].tolist():
        at = _with_chance(held, prices.of, p)
        chart.append((p, sell_now, _sell_now(prices, at, level), holding_at(p)))
    return Decision(
        of=prices.of,
        chance=held.answers[prices.of],
        sell_now=sell_now,
        holding=hold(table, season, prices, costs, level=level, n_seasons=n_seasons, price_of_young=price_of_young),
        flips_at=tuple(
            _flip(lambda p: holding_at(p) > sell_now, before[0], after[0])
            for before, after in itertools.pairwise(chart)
            if (before[3] > sell_now) != (after[3] > sell_now)
        ),
        chart=tuple(chart),
    )


def _sell_now(prices: LabelPrices, held: HeldBack, level: float) -> float:
    best, chance = max(held.answers.items(), key=lambda x: x[1])
    if chance >= level * (1 - 1e-12):
        return prices.settled(best)
    return prices.open(held.answers.get(prices.of, 0.0))


def _flip(holds: Callable[[float], bool], low: float, high: float) -> float:
    """Where the choice changes between two probabilities, by bisection to 1e-7."""
    at_low = holds(low)
    while high - low > 1e-7:
        middle = (low + high) / 2
        low, high = (middle, high) if holds(middle) == at_low else (low, middle)
    return (low + high) / 2


def _with_chance(held: HeldBack, answer: str, chance: float) -> HeldBack:
    now = held.answers[answer]
    moved: dict[Joint, float] = {}
    for hypothesis, p in held.hypotheses.items():
        if held.words(hypothesis) == answer:
            moved[hypothesis] = p * chance / now
        else:
            moved[hypothesis] = p * (1 - chance) / (1 - now)
    return held.given(moved)


def _moved(table: EggTable, answer: str, chance: float) -> EggTable:
    """The same eggs with another chance of an answer between 0 and 1; what each hypothesis gives stays."""
    words, of = table.answer_of
    now = table.held.answers[answer]
    true = of == words.index(answer)
    prior = table.prior * np.where(true, chance / now, (1 - chance) / (1 - now))
    return replace(table, held=_with_chance(table.held, answer, chance), prior=prior)


def _young_per_season(table: EggTable, season: Season, price_of_young: Mapping[str, float]) -> np.ndarray:
    """Mean money that the young of one season bring, by hypothesis, shape (n_hypotheses,)."""
    prices = np.array([price_of_young.get(words, 0.0) for words in table.outcomes])
    per_egg = np.einsum("hm,hmo,o->h", table.mate_weights, table.chances, prices)
    return per_egg * season.eggs.mean


def _joined(ends: Sequence[MoneyChance]) -> tuple[MoneyChance, ...]:
    """Ends with the same money and story as one, least money first."""
    together: dict[tuple[float, str, float], float] = {}
    for e in ends:
        key = (round(e.money, 9), e.end, e.years)
        together[key] = together.get(key, 0.0) + e.probability
    found = [MoneyChance(money, p, end, years) for (money, end, years), p in together.items() if p > 0]
    return tuple(sorted(found, key=lambda e: e.money))
