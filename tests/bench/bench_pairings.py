"""What-if over 1,000 candidate pairings in one call, beside compiling a model for each pairing, in one run on one core.

    python tests/bench/bench_pairings.py
"""

import os

os.environ["OMP_NUM_THREADS"] = "1"

import random
import statistics
import time

from triage.genetics.clutch.model import compile_cross
from triage.genetics.pairings import ranked, what_if
from triage.records import Cross, Sex
from triage.species import load_species, parse_call, parse_parent

GENES = ("pastel", "fire", "enchi", "mojave", "66% het clown", "het piebald", "50% het ghost", "banana", "yellow belly", "spotnose")
REPEATS = 9


def main() -> None:
    species = load_species("ball python")
    rng = random.Random(0)

    def animal(name: str, sex: Sex):
        return parse_parent(species, ", ".join(rng.sample(GENES, 5)), name=name, sex=sex)

    dams = [animal(f"dam {i}", Sex.FEMALE) for i in range(40)]
    sires = [animal(f"sire {i}", Sex.MALE) for i in range(25)]
    (wanted,) = parse_call(species, "pastel clown")
    times = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        ranked(species, dams, sires, wanted)
        times.append((time.perf_counter() - start) / 1000)
    start = time.perf_counter()
    some = [(dams[i], sires[i]) for i in range(25)]
    for dam, sire in some:
        compile_cross(Cross(species, dam, (sire,), (1,), 0)).expected_calls()
    compiled = (time.perf_counter() - start) / len(some)
    worst = 0.0
    for (dam, sire), found in zip(some, what_if(species, some), strict=True):
        model = compile_cross(Cross(species, dam, (sire,), (1,), 0))
        worst = max(worst, *(abs(found.chance(c) - p) for c, p in zip(model.calls, model.expected_calls(), strict=True)))
    quick = statistics.median(times)
    print(f"what-if, 1,000 pairings of 5 genes each side: {1e3 * quick:.3f} ms a pairing (median of {REPEATS}; target 0.3)")
    print(f"a compiled model for each pairing: {1e3 * compiled:.3f} ms, {compiled / quick:.0f} times as long")
    print(f"largest difference of any call's chance on {len(some)} pairings: {worst:.1e}")


if __name__ == "__main__":
    main()
