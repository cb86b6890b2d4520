"""How the shipped reader fares in a domain drawn by another hand: `python -m triage.training.stranger --directory models`.

The domain (`triage.training.stranger_domain`) is in no training and no calibration; nothing is fitted here.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

import numpy as np

from triage.hatchery.domains import BY_NAME
from triage.training import stranger_domain
from triage.training.protocol import metrics, trusted
from triage.training.shift import cases_in
from triage.training.stranger_domain import STRANGER
from triage.training.train import commit_of_code, data_hashes
from triage.vision.weights import load_model, sha256_of

FILE = "stranger.json"


def read_stranger(directory: Path, photos: int, px: int, seed: int, beside: bool) -> dict[str, Any]:
    """Figures of the shipped reader, cautiously calibrated, on `photos` crosses of the twelve-gene protocol drawn by the stranger.

    With `beside`, the same crosses in the training and the shifted domain too.
    """
    files = load_model(directory)
    cautious, offsets = files.calibrations["cautious"], np.array(files.vocabulary.offsets)
    figures: dict[str, Any] = {}
    for domain in (STRANGER, BY_NAME["training"], BY_NAME["shifted"]) if beside else (STRANGER,):
        read = cases_in(domain.name, domain, files, "report", photos, px, seed)
        cases = [trusted(case, cautious, offsets) for case in read]
        figures.setdefault("parents only", metrics(cases, cautious.beta, cautious.eps, "parents only"))
        name = "both" if domain is STRANGER else f"both, {domain.name} domain"
        figures[name] = metrics(cases, cautious.beta, cautious.eps, "both", cautious.shortlist)
        print(f"{name}: {figures[name]}", file=sys.stderr, flush=True)
    return {
        "command": f"python -m triage.training.stranger --photos {photos} --px {px} --seed {seed}" + " --beside" * beside,
        "commit": commit_of_code(),
        "data": {**data_hashes(), "stranger_sha256": sha256_of(Path(stranger_domain.__file__))},
        "reader_sha256": files.sidecar["sha256"],
        "calibration": "cautious",
        "figures": figures,
    }


def main(argv: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(prog="python -m triage.training.stranger", description=__doc__.splitlines()[0])
    parser.add_argument("--directory", type=Path, default=Path("models"), help="default models")
    parser.add_argument("--photos", type=int, default=1000, help="crosses, each with one photo")
    parser.add_argument("--px", type=int, default=400)
    parser.add_argument("--seed", type=int, default=12)
    parser.add_argument("--beside", action="store_true", help="read the same crosses in the training and shifted domains too")
    given = parser.parse_args(argv)
    found = read_stranger(given.directory, given.photos, given.px, given.seed, given.beside)
    (given.directory / FILE).write_text(json.dumps(found, indent=1) + "\n", "utf-8")


if __name__ == "__main__":
    main()
