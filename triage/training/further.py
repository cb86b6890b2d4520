"""Whether a stated chance means what it says, on crosses used for nothing else: `python -m triage.training.further`.

The report's 3,000 photos leave the calibration error uncertain by about half of itself; further sets of as many show how much of
it was luck. Nothing is fitted here.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

import numpy as np

from triage.hatchery import REPORTED_DOMAINS
from triage.hatchery.domains import BY_NAME
from triage.training.protocol import Case, luck_of, metrics, trusted
from triage.training.shift import cases_in
from triage.training.train import commit_of_code, data_hashes
from triage.vision.likelihood import Calibration
from triage.vision.network import fuse
from triage.vision.reader import CAUTIOUS, TRAINING_DOMAIN
from triage.vision.weights import load_model

FILE = "further.json"


def figures(name: str, cases: list[Case], calibration: Calibration) -> dict[str, Any]:
    """Figures of one set of trusted cases, beside the ECE that exactly right chances would show with as many."""
    shown = metrics(cases, calibration.beta, calibration.eps, "both", calibration.shortlist)
    return {"name": name, **shown, "ece by chance": luck_of(cases, calibration.beta, calibration.eps)}


def read_further(directory: Path, sets: int, photos: int, px: int, seed: int, domain: str) -> dict[str, Any]:
    """Figures of `sets` sets of `photos` crosses of the twelve-gene protocol in one domain, by its own calibration, and of all."""
    files = load_model(directory)
    fuse(files.network)  # as the reader keeps it, and twice as quick on a CPU
    offsets = np.array(files.vocabulary.offsets)
    calibration = files.calibrations[TRAINING_DOMAIN if domain == BY_NAME["training"].name else CAUTIOUS]
    rows, whole = [], []
    for number in range(1, sets + 1):
        read = cases_in(f"set {number}", BY_NAME[domain], files, "report", photos, px, seed + number)
        cases = [trusted(case, calibration, offsets) for case in read]
        rows.append(figures(f"set {number}", cases, calibration))
        whole += cases
        print(rows[-1], file=sys.stderr, flush=True)
    rows.append(figures("all", whole, calibration))
    return {
        "command": f"python -m triage.training.further --sets {sets} --photos {photos} --px {px} --seed {seed} --domain {domain}",
        "commit": commit_of_code(),
        "data": data_hashes(),
        "reader_sha256": files.sidecar["sha256"],
        "domain": domain,
        "sets": rows,
    }


def main(argv: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(prog="python -m triage.training.further", description=__doc__.splitlines()[0])
    parser.add_argument("--directory", type=Path, default=Path("models"), help="default models")
    parser.add_argument("--sets", type=int, default=3)
    parser.add_argument("--photos", type=int, default=3000, help="crosses a set, each with one photo; as many as the report's")
    parser.add_argument("--px", type=int, default=400)
    parser.add_argument("--seed", type=int, default=20, help="sets have the seeds after it; the report's is 1")
    parser.add_argument("--domain", choices=REPORTED_DOMAINS, default="training")
    given = parser.parse_args(argv)
    found = read_further(given.directory, given.sets, given.photos, given.px, given.seed, given.domain)
    (given.directory / FILE).write_text(json.dumps(found, indent=1) + "\n", "utf-8")


if __name__ == "__main__":
    main()
