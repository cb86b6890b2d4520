"""Rates of simulated keepers against the intervals that their settled calls give: `python tests/bench/bench_eye.py`.

Each keeper's accuracy and share of look-alikes are drawn around the usual ones (Beta, as the prior says), then 20 to 150 animals
of a few crosses, then a call for each: right, or a look-alike among what the cross can give, or any careless one. Printed is how
often the true rate lies within the 95 % interval; then the same for keepers of one fixed accuracy, where a prior must pull.
"""

import argparse
import itertools

import numpy as np

from triage.genetics.eye import ACCURACY_WEIGHT, SHARE_WEIGHT, SettledCall, eye_rates
from triage.species import load_species, parse_call
from triage.species.looks_alike import lookalikes_of, seen_as

SPECIES = load_species("ball python")
USUAL = {"accuracy": 0.9, "lookalike_share": 0.8}
#: Genes that either show or do not, in each cross; every combination is a call.
CROSSES = (("yellow belly",), ("pastel", "fire"), ("yellow belly", "special", "enchi"), ("clown", "pastel", "pinstripe"))


def calls_of(genes):
    sets = itertools.chain.from_iterable(itertools.combinations(genes, n) for n in range(len(genes) + 1))
    return tuple(parse_call(SPECIES, ", ".join(one) or "normal")[0] for one in sets)


POSSIBLE = [calls_of(genes) for genes in CROSSES]


def alike_of(true, possible):
    """What the cross can give that is taken for this."""
    paired = {call for call, _ in lookalikes_of(SPECIES, true)}
    return [c for c in possible if c != true and (c in paired or seen_as(SPECIES, c) == seen_as(SPECIES, true))]


def careless(rng, true, possible):
    """Any other call of the cross, ten times less often for each further locus at which it is wrong."""
    others = [c for c in possible if c != true]
    weights = np.array([0.1 ** len({x for x, _ in set(c.looks) ^ set(true.looks)}) for c in others])
    return others[rng.choice(len(others), p=weights / weights.sum())]


def simulated(rng, accuracy, share, n):
    """`n` settled calls of a keeper of these rates."""
    found = []
    for _ in range(n):
        possible = POSSIBLE[rng.integers(len(POSSIBLE))]
        true = possible[rng.integers(len(possible))]
        alike = alike_of(true, possible)
        if rng.random() < accuracy:
            called = true
        elif alike and rng.random() < share:
            called = alike[rng.integers(len(alike))]
        else:
            called = careless(rng, true, possible)
        found.append(SettledCall(SPECIES, (called,), true, possible))
    return found


def coverage(rng, n_keepers, fixed=None):
    """Shares of keepers whose rates lie within: accuracy, share of look-alikes."""
    within = np.zeros(2)
    for _ in range(n_keepers):
        accuracy, share = fixed or (
            rng.beta(ACCURACY_WEIGHT * USUAL["accuracy"], ACCURACY_WEIGHT * (1 - USUAL["accuracy"])),
            rng.beta(SHARE_WEIGHT * USUAL["lookalike_share"], SHARE_WEIGHT * (1 - USUAL["lookalike_share"])),
        )
        rates = eye_rates(simulated(rng, accuracy, share, int(rng.integers(20, 151))), **USUAL)
        within += [one.low <= true <= one.high for one, true in ((rates.accuracy, accuracy), (rates.lookalike_share, share))]
    return within / n_keepers


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--keepers", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=20310801)
    given = parser.parse_args()
    accuracy, share = coverage(np.random.default_rng(given.seed), given.keepers)
    print(f"{given.keepers} keepers drawn: accuracy within in {accuracy:.1%}, share of look-alikes in {share:.1%}", flush=True)
    for fixed in ((0.97, 0.8), (0.9, 0.8), (0.8, 0.8), (0.7, 0.5)):
        accuracy, share = coverage(np.random.default_rng(given.seed), given.keepers // 4, fixed)
        print(
            f"{given.keepers // 4} keepers of accuracy {fixed[0]} and share {fixed[1]}: within in {accuracy:.1%} and {share:.1%}",
            flush=True,
        )


if __name__ == "__main__":
    main()
