"""How much renders look like snakes to a network that never saw one of them.

The probability that EfficientNet-Lite0, trained on everyday photographs (ImageNet), puts on its 17 snake classes, by domain,
stage, look and share of the body seen. It says nothing about morphs: a grey snake is as much a snake as a yellow one. A look
far below the wild type is one whose drawing has least in common with photographs, or whose animals are rare in them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from triage.hatchery import REPORTED_DOMAINS, STAGES, Genotype, render
from triage.records import Genotype as AllelePair
from triage.records import Species
from triage.species.drawing import Looks
from triage.training.bench import Bench
from triage.training.options import option
from triage.training.protocol import SHARES_SEEN, grouped, quartiles, share_in_words
from triage.vision.gate import Gate
from triage.vision.intake import Photo

_WILD = "wild type"


@dataclass(frozen=True)
class Options:
    photos: int = option(10, "renders per look and domain")
    px: int = option(224, "side of a render: what the network sees")
    seed: int = 1
    looks: str = option("", "only looks of these names, a comma between them")


def figures(bench: Bench, options: Options) -> dict[str, Any]:
    """Quartiles of the snake mass, by domain."""
    gate = Gate.load(bench.files.sidecar["sha256"], bench.directory)
    asked = [name.strip() for name in options.looks.split(",") if name.strip()]
    chosen = {name: pair for name, pair in single_looks(bench.species, bench.looks).items() if not asked or name in asked}
    found = {}
    for domain in bench.shared(REPORTED_DOMAINS):
        masses, names, stages, shares = snake_masses(gate, chosen, options.photos, options.px, domain, options.seed, bench)
        found[domain] = {
            "all": quartiles(masses),
            "by stage": _by_name(masses, stages, STAGES),
            "by share of the body seen": _by_name(masses, shares, SHARES_SEEN),
            "by look": _by_name(masses, names, chosen),
        }
    return found


def _by_name(values: Sequence[float], names: Sequence[str], order: Iterable[str]) -> dict[str, dict[str, float]]:
    """`quartiles` of the values of each name that has any, in this order."""
    found = grouped(values, names)
    return {name: quartiles(found[name]) for name in order if name in found}


def single_looks(species: Species, looks: Looks) -> dict[str, Genotype]:
    """Every look of one locus alone, wild type first: its name and the first genotype that shows it."""
    found: dict[str, Genotype] = {_WILD: {}}
    for drawn in looks.loci:
        locus = species.locus(drawn.name)
        for one, other in drawn.effects:
            name = locus.look(AllelePair(one, other))
            if name:
                found.setdefault(name, {drawn.name: (one, other)})
    return found


def snake_masses(
    gate: Gate, looks: Mapping[str, Genotype], photos: int, px: int, domain: str, seed: int, bench: Bench
) -> tuple[list[float], list[str], list[str], list[str]]:
    """Snake mass 0..1 of `photos` renders of each look, and the look, stage and share seen of each.

    Every look is drawn on the same animals in the same photos, so looks differ in nothing but their genes; a stage's figure
    therefore rests on few poses, however many looks it counts (`triage.training.gate` measures stages on other animals each).
    """
    masses, names, stages, shares = [], [], [], []
    seeds = [seed * 10**6 + number for number in range(photos)]
    for number, (name, genotype) in enumerate(looks.items(), 1):
        drawn = render([genotype] * photos, seeds, seeds, size=px, domain=domain, device=bench.device)
        pixels = (drawn.images * 255).round().byte().permute(0, 2, 3, 1).cpu().numpy()
        masses += [gate.snake_mass(Photo(f"{domain} {name}", image, (px, px), "drawn")) for image in pixels]
        names += [name] * photos
        stages += list(drawn.stages)
        shares += [share_in_words(share) for share in drawn.visible_share.tolist()]
        if number % 25 == 0 or number == len(looks):
            bench.note(f"{domain}: {number} of {len(looks)} looks")
    return masses, names, stages, shares
