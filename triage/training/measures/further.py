"""Whether a stated chance means what it says, on crosses used for nothing else.

The report's 3,000 photos leave the calibration error uncertain by about half of itself; further sets of as many show how much of
it was luck. Nothing is fitted here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from triage.hatchery import REPORTED_DOMAINS
from triage.training.bench import Bench
from triage.training.calibrate import OWN_CALIBRATION
from triage.training.options import option
from triage.training.protocol import luck_of, metrics, trusted


@dataclass(frozen=True)
class Options:
    sets: int = 3
    photos: int = option(3000, "crosses a set, each with one photo; as many as the report's")
    px: int = 400
    seed: int = option(20, "sets have the seeds after it; the report's is 1")
    domain: str = option(REPORTED_DOMAINS[0], "where the animals are seen", choices=REPORTED_DOMAINS)


def figures(bench: Bench, options: Options) -> dict[str, Any]:
    """Figures of each set of crosses of the twelve-gene protocol in one domain, by its own calibration, and of all together; beside
    them the ECE that exactly right chances would show with as many."""
    own = bench.files.calibrations[OWN_CALIBRATION[options.domain]]
    sets: dict[str, Any] = {}
    for number in range(1, options.sets + 1):
        read = bench.cases("twelve genes", "report", options.photos, seed=options.seed + number, px=options.px, domain=options.domain)
        sets[f"set {number}"] = [trusted(case, own, bench.offsets) for case in read]
    sets["all"] = [case for cases in sets.values() for case in cases]
    rows = []
    for name, cases in sets.items():
        shown = metrics(cases, own.beta, own.eps, "both", own.shortlist)
        rows.append({"name": name, **shown, "ece by chance": luck_of(cases, own.beta, own.eps)})
        bench.note(str(rows[-1]))
    return {"domain": options.domain, "sets": rows}
