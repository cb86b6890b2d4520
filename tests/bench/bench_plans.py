"""Time of proving plans, beside histories taken one by one in plain Python: `python tests/bench/bench_plans.py`."""

import math
import time

from triage.proving.plans.egg_table import HeldBack, egg_table
from triage.proving.plans.length import seasons_until_settled
from triage.proving.plans.plan import proving_plan, rank_mates, visual_mates
from triage.proving.plans.seasons import Season
from triage.proving.plans.worth import Costs, LabelPrices, decide, likeliest_answer
from triage.records import Sex
from triage.species import load_species, parse_parent

SPECIES = load_species("ball python")
CASES = {
    "one recessive gene": "66% het clown",
    "two recessive genes": "66% het clown, 50% het piebald",
    "a sex-linked gene too": "banana, 66% het clown",
}


def one_by_one(table, eggs, level, n_seasons):
    """P(settled in season 1, 2, ...): each count of what was seen on its own, nothing merged that says the same."""
    joint, per_class = table.per_egg()
    words, of = table.answer_of

    def settled(weights):
        total = [math.fsum(w.sum() for w, a in zip(weights, of, strict=True) if a == at) for at in range(len(words))]
        return max(total) >= level * sum(total) * (1 - 1e-12)

    still, found = {(0,) * per_class.shape[-1]: joint}, []
    for _ in range(n_seasons):
        step, after = still, {}
        for n in range(eggs.largest + 1):
            if n:
                later = {}
                for counts, weights in step.items():
                    for k in range(per_class.shape[-1]):
                        seen = (*counts[:k], counts[k] + 1, *counts[k + 1 :])
                        later[seen] = later.get(seen, 0.0) + weights * per_class[..., k]
                step = later
            for counts, weights in step.items():
                after[counts] = after.get(counts, 0.0) + weights * eggs.chances[n]
        after = {counts: weights for counts, weights in after.items() if weights.sum() > 0}
        found.append(math.fsum(w.sum() for w in after.values() if settled(w)))
        still = {counts: w for counts, w in after.items() if not settled(w)}
    return found


def timed(function):
    start = time.process_time()
    return function(), time.process_time() - start


def main() -> None:
    season = Season.usual(SPECIES)
    for name, genes in CASES.items():
        for sex in Sex:
            held = HeldBack.of(SPECIES, parse_parent(SPECIES, genes, name="A", sex=sex))
            ranked, ranking = timed(lambda held=held: rank_mates(held, visual_mates(held), season))
            mate = ranked[0].mate
            plan, planning = timed(lambda held=held, mate=mate: proving_plan(held, mate, season))
            of = likeliest_answer(held)
            prices = LabelPrices(of, {of: 300.0}, {0.5: 90.0}, 60.0)
            _, weighing = timed(lambda plan=plan, prices=prices: decide(plan.table, season, prices, Costs(20.0)))
            table = egg_table(held, mate, season)
            fast, quick = timed(lambda table=table: seasons_until_settled(table, season.eggs, 0.95, n_seasons=1))
            (slow,), plain = timed(lambda table=table: one_by_one(table, season.eggs, 0.95, 1))
            assert abs(fast.chances[1] - slow) < 1e-12
            print(
                f"{name}, {sex.value}: mates {ranking:.2f} s, plan {planning:.2f} s, weighing {weighing:.2f} s; one season of histories "
                f"{plain / quick:.0f} times as fast as one by one",
                flush=True,
            )


if __name__ == "__main__":
    main()
