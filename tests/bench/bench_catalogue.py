"""What the catalogue's size costs: the whole ball python beside one cut to the genes that the photo model learnt, the same cross.

    python tests/bench/bench_catalogue.py

Both are timed in turns in one run, in processor seconds; medians. A ratio of 1 means that genes nobody in a cross carries cost nothing.
"""

import os

os.environ["OMP_NUM_THREADS"] = os.environ["OPENBLAS_NUM_THREADS"] = os.environ["MKL_NUM_THREADS"] = "1"

import statistics
import time
from collections.abc import Callable
from dataclasses import replace

from triage.genetics import readings
from triage.genetics.clutch.exact import infer
from triage.genetics.clutch.impossible import impossible_near
from triage.genetics.clutch.model import compile_cross
from triage.records import Cross, Egg, Genotype, Sex, Species
from triage.species import load_species, parse_call, parse_parent
from triage.species.drawing import looks_of
from triage.vision.intake import open_photo
from triage.workflow.demo import FOLDER
from triage.workflow.photos import evidence_of, load_reader

GENES = {"D": "pastel, yellow belly, 66% het clown, het piebald", "S": "mojave, enchi, het clown", "T": "lesser, spider, het clown"}
SECONDS, TURNS = 2e-3, 60


def cut(species: Species) -> Species:
    """The species with the genes that are drawn alone."""
    drawn = {locus.name: locus.alleles for locus in looks_of(species.key).loci}
    loci = tuple(
        replace(
            locus,
            alleles=tuple(a for a in locus.alleles if a.name in drawn[locus.name]),
            compounds=tuple(c for c in locus.compounds if c.alleles <= set(drawn[locus.name])),
        )
        for locus in species.loci
        if locus.name in drawn
    )
    known = {(locus.name, locus.look(g)) for locus in loci for g in locus.genotypes()}
    return replace(
        species,
        loci=loci,
        lookalikes=tuple(x for x in species.lookalikes if known.issuperset((*x.first.looks, *x.second.looks))),
        appearances=tuple(replace(a, looks=frozenset(w for w in a.looks if (a.locus, w) in known)) for a in species.appearances),
    )


def work_of(species: Species, reader, reading) -> dict[str, Callable[[], object]]:
    dam, *sires = (parse_parent(species, genes, name=name, sex=Sex.FEMALE if name == "D" else Sex.MALE) for name, genes in GENES.items())
    cross = Cross(species, dam, tuple(sires), (0.5, 0.5), 0.1)
    model = compile_cross(cross)
    some = {"pastel": Genotype("normal", "pastel"), "clown": Genotype("clown", "clown")}

    def keeper():
        readings._eye.cache_clear()
        return readings.keeper_reading(species, [model.calls[3]], model.calls, accuracy=0.9, lookalike_share=0.5)

    eggs = [Egg(f"egg {n}", None, (keeper(),)) for n in range(8)]

    def inferred():
        model.kept.pop("reading tables", None)
        return infer(model, eggs)

    return {
        "parse a parent": lambda: parse_parent(species, GENES["D"], name="D", sex=Sex.FEMALE),
        "parse a call": lambda: parse_call(species, "super pastel enchi clown"),
        "compile a cross": lambda: compile_cross(cross),
        "infer, 8 eggs": inferred,
        "a call of genotypes": lambda: species.call(some),
        "the locus of a gene": lambda: species.locus_of("genetic stripe"),
        "a keeper's first call": keeper,
        "impossible calls near": lambda: impossible_near(model, model.calls[3]),
        "evidence of a photo": lambda: evidence_of(model, (), reader, reading),
    }


def timed(work: Callable[[], object], times: int) -> float:
    start = time.process_time()
    for _ in range(times):
        work()
    return 1e6 * (time.process_time() - start) / times


def main() -> None:
    whole = load_species("ball python")
    small = cut(whole)
    reader = load_reader(whole)
    reading = reader.read([open_photo(FOLDER / "a6.jpg")])[0]
    here, there = (work_of(species, reader, reading) for species in (small, whole))
    sizes = [f"{len(s.loci)} loci, {sum(len(x.alleles) for x in s.loci)} alleles" for s in (small, whole)]
    print(f"{'microseconds':24}{sizes[0]:>22}{sizes[1]:>22}   ratio")
    for what in here:
        times = max(1, int(SECONDS / (1e-6 * timed(there[what], 3) + 1e-9)))
        pairs = [(timed(here[what], times), timed(there[what], times)) for _ in range(TURNS)]
        one, other = (statistics.median(column) for column in zip(*pairs, strict=True))
        print(f"{what:24}{one:22.1f}{other:22.1f}   {other / one:.2f}", flush=True)


if __name__ == "__main__":
    main()
