"""Which part of the shifted domain costs what.

The shipped reader on the same crosses (not those of the report) in the training domain, in that domain with one part of the
shifted one put in its place, and in the shifted domain whole. It trains nothing and fits nothing: it says where more variety in
training should pay. The posterior is not tempered.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from triage.hatchery.domains import SHIFTED, TRAINING, VARIED, Domain
from triage.training.bench import Bench
from triage.training.options import option
from triage.training.protocol import metrics

#: Name of a mixture and the domain that it is.
MIXTURES: dict[str, Domain] = {
    "training": TRAINING,
    "training, shifted pattern generator": replace(TRAINING, draw_markings=SHIFTED.draw_markings),
    "training, shifted pigment law": replace(TRAINING, reflect=SHIFTED.reflect),
    "training, shifted place of the camera": replace(TRAINING, camera=SHIFTED.camera),
    "training, shifted light": replace(TRAINING, light=SHIFTED.light),
    "training, shifted grounds": replace(TRAINING, grounds=SHIFTED.grounds, ground_shares=SHIFTED.ground_shares, hand=None),
    "training, shifted camera response": replace(TRAINING, respond=SHIFTED.respond),
    "varied": VARIED,
    "shifted": SHIFTED,
}


@dataclass(frozen=True)
class Options:
    photos: int = option(250, "crosses, the same for every mixture")
    px: int = 400
    seed: int = 11


def figures(bench: Bench, options: Options) -> dict[str, Any]:
    """Top-1 and NLL by mixture."""
    found = {}
    for name in bench.shared(list(MIXTURES)):
        cases = bench.cases("twelve genes", "validate", options.photos, seed=options.seed, px=options.px, domain=MIXTURES[name])
        whole = metrics(cases, 1.0, 1e-3)
        found[name] = {key: whole[key] for key in ("n", "top1", "nll")}
        bench.note(f"{name}: {found[name]}")
    return found
