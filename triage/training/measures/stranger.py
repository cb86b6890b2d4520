"""How the shipped reader fares in a domain drawn by another hand.

The domain (`triage.training.stranger_domain`) is in no training and no calibration; nothing is fitted here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from triage.hatchery.domains import SHIFTED, TRAINING
from triage.training.bench import Bench
from triage.training.options import option
from triage.training.protocol import metrics, trusted
from triage.training.stranger_domain import STRANGER
from triage.vision.reader import CAUTIOUS


@dataclass(frozen=True)
class Options:
    photos: int = option(1000, "crosses, each with one photo")
    px: int = 400
    seed: int = 12
    beside: bool = option(False, "read the same crosses in the training and shifted domains too")


def figures(bench: Bench, options: Options) -> dict[str, Any]:
    """Figures on the same crosses of the twelve-gene protocol, cautiously calibrated, by reading."""
    cautious = bench.files.calibrations[CAUTIOUS]
    found: dict[str, Any] = {}
    for domain in (STRANGER, TRAINING, SHIFTED) if options.beside else (STRANGER,):
        read = bench.cases("twelve genes", "report", options.photos, seed=options.seed, px=options.px, domain=domain)
        cases = [trusted(case, cautious, bench.offsets) for case in read]
        found.setdefault("parents only", metrics(cases, cautious.beta, cautious.eps, "parents only"))
        name = "both" if domain is STRANGER else f"both, {domain.name} domain"
        found[name] = metrics(cases, cautious.beta, cautious.eps, "both", cautious.shortlist)
        bench.note(f"{name}: {found[name]}")
    return found
