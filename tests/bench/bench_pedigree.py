"""Time the collection engine, and measure its approximation: `python tests/bench/bench_pedigree.py [--plot FILE]`.

Collections like a keeper's of ten years (tests/genetics/collection/draws.py), one core. Prints the time of a full update, of an
update after one new clutch (median and slowest of twenty drawn pairs), and whether every part was exact; then the error of the
ways that wide parts are answered, on collections small enough to be answered exactly.
"""

import argparse
import functools
import random
import sys
import time
from pathlib import Path

import numpy as np

from triage.genetics.collection import Animal, Clutch, Collection, infer_collection, web
from triage.records import CallReading, VisualCall

sys.path.insert(0, str(Path(__file__).parents[1] / "genetics" / "collection"))
from draws import TWELVE, keepers_collection


def with_new_clutch(collection, draw):
    """One more clutch of five young of a drawn pair of animals bred in the last years, each young looked at."""
    late = list(collection.clutches.values())[-len(collection.clutches) // 3 :]
    dam, sire = draw.choice(late).dam, draw.choice(late).sires[0]
    animals = dict(collection.animals)
    for number in range(5):
        animals[f"new {number}"] = Animal(f"new {number}", None, {}, (CallReading({VisualCall(): 0.9}, 0.02),), "new")
    return Collection(collection.species, animals, {**collection.clutches, "new": Clutch("new", dam, (sire,))})


def say_errors(what, collections, rough_of):
    """The error of an approximation beside the exact answer, over those collections that are answered both ways."""
    errors, compared = [], 0
    for collection in collections:
        exact, rough = infer_collection(collection, most_numbers=30_000_000), rough_of(collection)
        if exact.exact and not rough.exact:
            compared += 1
            errors += [
                abs(p - rough.loci[animal][locus][genotype])
                for animal, loci in exact.loci.items()
                for locus, table in loci.items()
                for genotype, p in table.items()
            ]
    if errors:
        print(
            f"{what}, beside exact: {compared} collections, {len(errors)} probabilities, mean error {np.mean(errors):.1e}, 99 % within "
            f"{np.quantile(errors, 0.99):.1e}, largest {max(errors):.1e}"
        )


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
        update = float(np.median(updates))
        cut = sum(part.cut for part in rough)
        rows.append((len(collection.animals), full, update))
        print(
            f"{len(collection.animals):6d} animals, {clutches} clutches, 12 loci: full {full:.2f} s, after one new clutch {update:.2f} s "
            f"(slowest {max(updates):.2f}); {len(posterior.parts)} parts, {len(rough)} of them too wide to be exact"
            + (f", {cut} animals cut" if cut else ""),
            flush=True,
        )
    rough_of = functools.partial(infer_collection, most_numbers=600)
    say_errors("locus by locus with messages", [keepers_collection(20, seed=seed) for seed in range(30)], rough_of)
    web._ROOM, web._NARROW = 1, 2  # tables of one locus held to 400 numbers, and to 200 where animals have to be cut for it
    alone = [keepers_collection(200, seed=seed, loci=(TWELVE[seed % 12],)) for seed in range(48)]
    say_errors("one locus with animals cut", alone, functools.partial(infer_collection, most_numbers=400))
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
