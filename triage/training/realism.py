"""How much renders look like snakes to a network that never saw one of them: `python -m triage.training.realism`.

The probability that EfficientNet-Lite0, trained on everyday photographs (ImageNet), puts on its 17 snake classes, by domain,
stage, look and share of the body seen. It says nothing about morphs: a grey snake is as much a snake as a yellow one. A look
far below the wild type is one whose drawing has least in common with photographs, or whose animals are rare in them.
Writes `realism.json`.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from triage.hatchery import REPORTED_DOMAINS, STAGES, Genotype, render
from triage.records import Genotype as AllelePair
from triage.records import Species
from triage.species import load_species
from triage.species.drawing import usual_looks
from triage.training.train import commit_of_code, data_hashes
from triage.vision.gate import Gate
from triage.vision.intake import Photo
from triage.vision.weights import read_sidecar

FILE = "realism.json"
_WILD = "wild type"
_SHARES = ((0.25, "under 1/4"), (0.5, "1/4 to 1/2"), (0.75, "1/2 to 3/4"), (float("inf"), "over 3/4"))


def quartiles(values: Sequence[float]) -> dict[str, float]:
    """Number of values and their quartiles, three decimals.

    >>> quartiles([0.0, 0.1, 0.2, 0.3, 0.4])
    {'n': 5, 'lower quartile': 0.1, 'median': 0.2, 'upper quartile': 0.3}
    """
    low, middle, high = np.quantile(np.asarray(values, np.float64), (0.25, 0.5, 0.75))
    return {"n": len(values), "lower quartile": round(float(low), 3), "median": round(float(middle), 3),
            "upper quartile": round(float(high), 3)}  # fmt: skip


def by_group(values: Sequence[float], names: Sequence[str]) -> dict[str, dict[str, float]]:
    """`quartiles` of the values of each name, in the order in which names first appear."""
    found: dict[str, list[float]] = {}
    for value, name in zip(values, names, strict=True):
        found.setdefault(name, []).append(value)
    return {name: quartiles(group) for name, group in found.items()}


def single_looks(species: Species) -> dict[str, Genotype]:
    """Every look of one locus alone, wild type first: its name and the first genotype that shows it."""
    found: dict[str, Genotype] = {_WILD: {}}
    for drawn in usual_looks().loci:
        locus = species.locus(drawn.name)
        for one, other in drawn.effects:
            name = locus.look(AllelePair(one, other))
            if name:
                found.setdefault(name, {drawn.name: (one, other)})
    return found


def snake_masses(
    gate: Gate, looks: Mapping[str, Genotype], photos: int, px: int, domain: str, seed: int, device: str
) -> tuple[NDArray[np.float64], list[str], list[str], list[str]]:
    """Snake mass 0..1 of `photos` renders of each look, and the look, stage and share seen of each.

    Every look is drawn on the same animals in the same photos, so looks differ in nothing but their genes; a stage's figure
    therefore rests on few poses, however many looks it counts (`triage.training.gate` measures stages on other animals each).
    """
    masses: list[float] = []
    names: list[str] = []
    stages: list[str] = []
    shares: list[str] = []
    seeds = [seed * 10**6 + number for number in range(photos)]
    for number, (name, genotype) in enumerate(looks.items(), 1):
        drawn = render([genotype] * photos, seeds, seeds, size=px, domain=domain, device=device)
        pixels = (drawn.images * 255).round().byte().permute(0, 2, 3, 1).cpu().numpy()
        masses += [gate.snake_mass(Photo(f"{domain} {name}", image, (px, px), "drawn")) for image in pixels]
        names += [name] * photos
        stages += list(drawn.stages)
        shares += [next(words for below, words in _SHARES if share < below) for share in drawn.visible_share.tolist()]
        if number % 25 == 0 or number == len(looks):
            print(f"{domain}: {number} of {len(looks)} looks", file=sys.stderr, flush=True)
    return np.array(masses), names, stages, shares


def _in_order(found: dict[str, Any], order: Sequence[str]) -> dict[str, Any]:
    return {name: found[name] for name in order if name in found}


def measure(
    directory: Path, *, photos: int, px: int, seed: int, device: str = "cpu", looks: Sequence[str] = ()
) -> dict[str, Any]:
    """The figures, by domain; `looks` limits them to looks of these names. ModelFileError if the gate does not fit."""
    gate = Gate.load(read_sidecar(directory)["sha256"], directory)
    chosen = single_looks(load_species("ball python"))
    chosen = {name: genotype for name, genotype in chosen.items() if not looks or name in looks}
    figures = {}
    for domain in REPORTED_DOMAINS:
        masses, names, stages, shares = snake_masses(gate, chosen, photos, px, domain, seed, device)
        figures[domain] = {
            "all": quartiles(masses.tolist()),
            "by stage": _in_order(by_group(masses.tolist(), stages), STAGES),
            "by share of the body seen": _in_order(by_group(masses.tolist(), shares), [words for _, words in _SHARES]),
            "by look": by_group(masses.tolist(), names),
        }
    return figures


def main(argv: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(prog="python -m triage.training.realism", description=__doc__.splitlines()[0])
    parser.add_argument("--directory", type=Path, default=Path("models"), help="default models")
    parser.add_argument("--photos", type=int, default=10, help="renders per look and domain, default 10")
    parser.add_argument("--px", type=int, default=224, help="side of a render, default 224, what the network sees")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--device", default="cpu", help="to render on; the network runs on the CPU")
    given = parser.parse_args(argv)
    figures = measure(given.directory, photos=given.photos, px=given.px, seed=given.seed, device=given.device)
    sidecar = read_sidecar(given.directory)
    found = {
        "command": f"python -m triage.training.realism --photos {given.photos} --px {given.px} --seed {given.seed}",
        "seed": given.seed,
        "commit": commit_of_code(),
        "data": data_hashes(),
        "reader_sha256": sidecar["sha256"],
        "realism": figures,
    }
    (given.directory / FILE).write_text(json.dumps(found, indent=1) + "\n", "utf-8")


if __name__ == "__main__":
    main()
