"""Which part of the shifted domain costs what: `python -m triage.training.shift --directory models`.

The shipped reader on the same crosses in the training domain, in that domain with one part of the shifted one put in its place,
and in the shifted domain whole. It trains nothing and fits nothing: it says where more variety in training should pay. The
posterior is not tempered.
"""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import torch

from triage.hatchery.domains import SHIFTED, TRAINING, VARIED, Domain
from triage.hatchery.render import Photos, _draw, _in_threads
from triage.species import load_species
from triage.species.drawing import Looks, usual_looks
from triage.training.crosses import cross_tables
from triage.training.photos import Batch, Truth, draw_truth, photo_seeds
from triage.training.protocol import Case, metrics, read_batch
from triage.training.train import commit_of_code, data_hashes
from triage.vision.weights import ModelFiles, load_model

FILE = "shift.json"
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


def photographed(truth: Truth, domain: Domain, px: int, looks: Looks) -> Batch:
    """The animals of `truth` drawn in any domain, registered or mixed, one at a time on each thread as a CPU likes it."""

    def one(row: slice) -> Photos:
        with torch.inference_mode():
            return _draw(truth.genotypes[row], truth.seeds[row], truth.seeds[row], px, None, looks, domain)

    rows = [slice(row, row + 1) for row in range(len(truth.seeds))]
    drawn = _in_threads(one, rows)
    return Batch(
        truth,
        torch.cat([(photo.images * 255).round().to(torch.uint8) for photo in drawn]),
        torch.cat([(photo.masks * 255).round().to(torch.uint8) for photo in drawn]),
        torch.cat([photo.stage_index for photo in drawn]),
        torch.cat([photo.visible_share.float() for photo in drawn]),
        torch.cat([photo.accompanied for photo in drawn]),
    )


def cases_in(name: str, domain: Domain, files: ModelFiles, photo_set: str, photos: int, px: int, seed: int) -> list[Case]:
    """Crosses of the twelve-gene protocol drawn in any domain, registered or mixed, and read; says to stderr how far it is, by
    the domain's `name`."""
    species, looks = load_species("ball python"), usual_looks()
    tables = cross_tables(species, looks, files.vocabulary, "cpu")
    cases: list[Case] = []
    for first in range(0, photos, 50):
        seeds = photo_seeds(photo_set, first, min(50, photos - first), seed, "cpu")
        truth = draw_truth(tables, seeds, "twelve genes", keep_out=False)
        cases += read_batch(files.network, tables, files.log_mix.float(), photographed(truth, domain, px, looks))
        print(f"{name}: {len(cases)} of {photos} photos read", file=sys.stderr, flush=True)
    return cases


def shift(directory: Path, photos: int, px: int, seed: int) -> dict[str, Any]:
    """Figures of every mixture on the same `photos` crosses of the twelve-gene protocol (not those of the report)."""
    files = load_model(directory)
    found: dict[str, Any] = {}
    for name, domain in MIXTURES.items():
        figures = metrics(cases_in(name, domain, files, "validate", photos, px, seed), 1.0, 1e-3)
        found[name] = {key: figures[key] for key in ("n", "top1", "nll")}
        print(f"{name}: {found[name]}", file=sys.stderr, flush=True)
    return {
        "command": f"python -m triage.training.shift --photos {photos} --px {px} --seed {seed}",
        "commit": commit_of_code(),
        "data": data_hashes(),
        "reader_sha256": files.sidecar["sha256"],
        "mixtures": found,
    }


def main(argv: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(prog="python -m triage.training.shift", description=__doc__.splitlines()[0])
    parser.add_argument("--directory", type=Path, default=Path("models"), help="default models")
    parser.add_argument("--photos", type=int, default=250, help="crosses, the same for every mixture")
    parser.add_argument("--px", type=int, default=400)
    parser.add_argument("--seed", type=int, default=11)
    given = parser.parse_args(argv)
    found = shift(given.directory, given.photos, given.px, given.seed)
    (given.directory / FILE).write_text(json.dumps(found, indent=1) + "\n", "utf-8")


if __name__ == "__main__":
    main()
