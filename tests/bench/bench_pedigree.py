"""Time the collection engine, and measure its approximation: `python tests/bench/bench_pedigree.py [--plot FILE]`.

Collections like a keeper's of ten years (tests/genetics/pedigree/draws.py), one core. Prints the time of a full update, of an
update after one new clutch (median and slowest of twenty drawn pairs), and whether every part was exact; then the error of the way that wide parts are answered, on
collections small enough to be answered exactly.
"""

import argparse
import random
import sys
import time
from pathlib import Path

import numpy as np

from triage.genetics.pedigree import Animal, Clutch, Collection, infer_collection
from triage.records import CallReading, Sex, VisualCall

sys.path.insert(0, str(Path(__file__).parents[1] / "genetics" / "pedigree"))
from draws import keepers_collection


def with_new_clutch(collection, draw):
    """One more clutch of five young of a drawn pair of animals bred in the last years, each young looked at."""
    late = list(collection.clutches.values())[-len(collection.clutches) // 3 :]
    dam, sire = draw.choice(late).dam, draw.choice(late).sires[0]
    animals = dict(collection.animals)
    for number in range(5):
        animals[f"new {number}"] = Animal(f"new {number}", None, {}, (CallReading({VisualCall(): 0.9}, 0.02),), "new")
    return Collection(collection.species, animals, {**collection.clutches, "new": Clutch("new", dam, (sire,))})


def timed(work):
    start = time.perf_counter()
    return work(), time.perf_counter() - start


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--clutches", type=int, nargs="+", default=[40, 100, 200, 400, 1000, 2000, 4000])
    parser.add_argument("--plot", type=Path, help="growth as a PNG")
    given = parser.parse_args()
    rows = []
    for clutches in given.clutches:
        collection = keepers_collection(clutches)
        posterior, full = timed(lambda c=collection: infer_collection(c))
        draw = random.Random(0)
        changed = [with_new_clutch(collection, draw) for _ in range(20)]
        updates = [timed(lambda c=c, p=posterior: infer_collection(c, p))[1] for c in changed]
        rough = [part for part in posterior.parts if not part.exact]
        rows.append((len(collection.animals), full, float(np.median(updates))))
        print(
            f"{len(collection.animals):6d} animals, {clutches} clutches, 12 loci: full {full:.2f} s, after one new clutch {np.median(updates):.2f} s "
            f"(slowest {max(updates):.2f}); {len(posterior.parts)} parts, {len(rough)} of them too wide to be exact"
            + (f", {sum(part.cut for part in rough)} animals cut" if any(part.cut for part in rough) else ""),
            flush=True,
        )
    errors = []
    for seed in range(30):
        collection = keepers_collection(20, seed=seed)
        exact, rough = (
            infer_collection(collection, most_numbers=30_000_000),
            infer_collection(collection, most_numbers=600),
        )
        if exact.exact and not rough.exact:
            errors += [
                abs(p - rough.loci[a][x][g])
                for a, loci in exact.loci.items()
                for x, t in loci.items()
                for g, p in t.items()
            ]
    if errors:
        print(
            f"locus by locus with messages, beside exact: {len(errors)} probabilities, mean error {np.mean(errors):.1e}, 99 % within "
            f"{np.quantile(errors, 0.99):.1e}, largest {max(errors):.1e}"
        )
    if given.plot:
        import matplotlib

        matplotlib.use("Agg")
        from matplotlib import pyplot

        animals, full, update = zip(*rows, strict=True)
        figure, axes = pyplot.subplots(figsize=(5, 3.6), layout="constrained")
        axes.loglog(animals, full, marker="o", label="full update")
        axes.loglog(animals, update, marker="o", label="after one new clutch")
        axes.set(xlabel="animals", ylabel="seconds, one core")
        axes.legend()
        figure.savefig(given.plot, dpi=100)


if __name__ == "__main__":
    main()
