"""Calibrate a trained model and report it: `python -m triage.training.evaluate --directory models`.

Writes calibration and figures into the model's sidecar, by the protocol of `triage.training.protocol`, in the domain the
model was trained on and in the shifted one, which it never saw. `python -m triage.training.card` turns them into words.
"""

from __future__ import annotations

import argparse
import gzip
import itertools
import pickle
import sys
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np
import torch

from triage.hatchery import REPORTED_DOMAINS, STAGES, encode
from triage.records import Genotype, Species, VisualCall
from triage.species import load_species
from triage.species.drawing import Looks, usual_looks
from triage.training.calibrate import calibrate, join_photos, several_photos
from triage.training.crosses import CrossTables, cross_tables
from triage.training.photos import Truth, draw_photos, photo_seeds
from triage.training.protocol import Case, groups, luck_of, metrics, posterior, read_images, read_protocol, trusted
from triage.vision.likelihood import Calibration, divide_out_training_mix
from triage.vision.network import ReaderNetwork
from triage.vision.reader import CAUTIOUS, TRAINING_DOMAIN
from triage.vision.vocabulary import build
from triage.vision.weights import load_model, write_sidecar

PROTOCOLS = ("twelve genes", "whole catalogue")


@dataclass(frozen=True)
class Settings:
    """Every default, with its reason."""

    directory: Path = Path("models")
    photos: int = 3000  # per protocol and domain
    calibration_photos: int = 6000  # per domain, half of either protocol
    animals: int = 300  # with three photos each, per domain
    pair_photos: int = 32  # per member of a look-alike pair and domain
    px: int = 400  # side of a rendered test photo
    seed: int = 1
    device: str = "auto"
    readings: Path = Path()  # folder that keeps what was read, if given
    only: str = ""  # read only this domain


def parse(argv: list[str] | None = None) -> Settings:
    parser = argparse.ArgumentParser(prog="python -m triage.training.evaluate", description=__doc__.splitlines()[0])
    for field in fields(Settings):
        kind = Path if isinstance(field.default, Path) else type(field.default)
        parser.add_argument(
            "--" + field.name.replace("_", "-"), type=kind, default=field.default, help=f"default {field.default}"
        )
    return Settings(**vars(parser.parse_args(argv)))


@dataclass(frozen=True)
class Readings:
    """What the model said of the photos of one domain, before calibration.

    `calibrate` and `protocols` by protocol; `animals`: three photos each of as many animals again as are reported, the
    first half to fit how photos add up; `held_out`: combinations kept out of training; `lookalikes`: share right by pair.
    """

    calibrate: dict[str, list[Case]]
    protocols: dict[str, list[Case]]
    animals: list[list[Case]]
    held_out: list[Case]
    lookalikes: dict[str, dict[str, float]]


def read_domain(settings: Settings, domain: str, note: Callable[[str], None]) -> Readings:
    """Draw and read every photo that the report of one domain needs: the part that wants a GPU."""
    device = settings.device if settings.device != "auto" else "cuda" if torch.cuda.is_available() else "cpu"
    files = load_model(settings.directory)
    species, looks = load_species("ball python"), usual_looks()
    if build(species, looks) != files.vocabulary:
        raise SystemExit(
            f"{settings.directory}: the catalogue's looks have changed since this model was trained; train anew."
        )
    tables = cross_tables(species, looks, files.vocabulary, device)
    network, log_mix = files.network.to(device), files.log_mix.float().to(device)

    def protocol(name: str, photo_set: str, count: int, **more: Any) -> list[Case]:
        cases = read_protocol(
            network, tables, log_mix, name, photo_set, count, domain=domain, seed=settings.seed, px=settings.px, **more
        )
        note(f"{domain}: {name}, {photo_set}: {len(cases)} photos read")
        return cases

    half = settings.calibration_photos // 2
    calibrate_on = {name: protocol(name, "calibrate", half) for name in PROTOCOLS}
    reported = {name: protocol(name, "report", settings.photos) for name in PROTOCOLS}
    animals = several_photos(
        network, tables, log_mix, 2 * settings.animals, 3, domain=domain, seed=settings.seed, px=settings.px
    )
    held = protocol("twelve genes", "held out", max(settings.photos // 5, 1), only_held_out=True)
    pairs = lookalikes(network, tables, log_mix, species, looks, domain, settings)
    note(f"{domain}: look-alikes read")
    return Readings(calibrate_on, reported, animals, held, pairs)


def evaluate(settings: Settings) -> dict[str, Any]:
    """Read, calibrate, report and write the sidecar; returns the figures.

    With `readings`, a folder, what was read is kept there and used again, so that two devices can read a domain each
    (`--only training`, `--only shifted`) before one run without `--only` reports both.
    """
    started = time.monotonic()

    def note(words: str) -> None:
        print(f"{time.monotonic() - started:6.1f} s  {words}", file=sys.stderr, flush=True)

    read: dict[str, Readings] = {}
    for domain in [settings.only] if settings.only else REPORTED_DOMAINS:
        kept = settings.readings / f"{domain}.pickle" if settings.readings.name else None
        if kept is not None and kept.is_file():
            with gzip.open(kept) as file:
                read[domain] = pickle.load(file)
        else:
            read[domain] = read_domain(settings, domain, note)
            if kept is not None:
                kept.parent.mkdir(parents=True, exist_ok=True)
                with gzip.open(kept, "wb", compresslevel=3) as file:
                    pickle.dump(read[domain], file)
    return {} if settings.only else report_all(settings, read)


def report_all(settings: Settings, read: dict[str, Readings]) -> dict[str, Any]:
    """Calibrate and report what was read, into the sidecar."""
    files = load_model(settings.directory)
    offsets = np.array(files.vocabulary.offsets)
    calibrations: dict[str, Calibration] = {}
    for domain, name in zip(REPORTED_DOMAINS, (TRAINING_DOMAIN, CAUTIOUS), strict=True):
        found = read[domain]
        mixed = [case for both in zip(*found.calibrate.values(), strict=True) for case in both]
        words = f"{len(mixed)} crosses and {len(found.animals) // 2} animals of the {domain} domain"
        calibrations[name] = calibrate(
            [mixed[i] for i in _alternate(len(mixed))], found.animals[: len(found.animals) // 2], words, offsets
        )
    figures: dict[str, Any] = {}
    for domain, found in read.items():
        own = calibrations[TRAINING_DOMAIN if domain == "training" else CAUTIOUS]
        for protocol, cases in found.protocols.items():
            figures[f"{domain}: {protocol}"] = report(cases, own, calibrations[CAUTIOUS], files.vocabulary)
        rest = [[trusted(c, own, offsets) for c in animal] for animal in found.animals[len(found.animals) // 2 :]]
        figures[f"{domain}: several photos"] = {
            "one photo": metrics([a[0] for a in rest], own.beta, own.eps),
            "three photos": metrics([join_photos(a, own.photo_exponent) for a in rest], own.beta, own.eps),
            "three photos as if independent": metrics([join_photos(a, 0.0) for a in rest], own.beta, own.eps),
        }
        held_out = [trusted(c, own, offsets) for c in found.held_out]
        figures[f"{domain}: held-out combinations"] = metrics(held_out, own.beta, own.eps)
        figures[f"{domain}: look-alikes"] = found.lookalikes
    shown = {k: v for k, v in vars(settings).items() if k not in ("directory", "device", "readings", "only")}
    fitted = {name: calibration.to_json() for name, calibration in calibrations.items()}
    write_sidecar(
        settings.directory, {**files.sidecar, "calibration": fitted, "metrics": figures, "evaluation": shown}
    )
    return figures


def _alternate(n: int) -> list[int]:
    """Order in which even and odd places hold both protocols alike: 0 2 1 3 4 6 5 7 ..."""
    order = list(range(n))
    for start in range(0, n - 3, 4):
        order[start + 1], order[start + 2] = order[start + 2], order[start + 1]
    return order


def report(cases: list[Case], own: Calibration, cautious: Calibration, vocabulary: Any) -> dict[str, Any]:
    """All figures of one protocol in one domain."""
    offsets = np.array(vocabulary.offsets)
    as_read, believed_less = cases, [trusted(case, cautious, offsets) for case in cases]
    cases = [trusted(case, own, offsets) for case in cases]
    sizes = [(len(c.prior), c) for c in cases]
    by_size = [
        "2-4" if n <= 4 else "5-8" if n <= 8 else "9-16" if n <= 16 else "17-32" if n <= 32 else "more"
        for n, _ in sizes
    ]
    return {
        "parents only": metrics(cases, own.beta, own.eps, "parents only"),
        "photo only": metrics(cases, own.beta, own.eps, "photo only"),
        "both": metrics(cases, own.beta, own.eps, "both", own.shortlist),
        "ece by chance": luck_of(cases, own.beta, own.eps),
        "both, cautious": metrics(believed_less, cautious.beta, cautious.eps, "both", cautious.shortlist),
        "both, uncalibrated": metrics(as_read, 1.0, 1e-4, "both"),
        "without pair terms": metrics(cases, own.beta, own.eps, "heads only"),
        "by number of calls": groups(cases, own.beta, own.eps, by_size),
        "by stage": groups(cases, own.beta, own.eps, [STAGES[c.stage] for c in cases]),
        "by share of the body seen": groups(cases, own.beta, own.eps, [_quarter(c.visible) for c in cases]),
        "reliability": reliability(cases, own),
        "mistakes": mistakes(cases, own, vocabulary),
        **by_look(cases, own, vocabulary),
    }


def _quarter(share: float) -> str:
    return (
        "under 1/4" if share < 0.25 else "1/4 to 1/2" if share < 0.5 else "1/2 to 3/4" if share < 0.75 else "over 3/4"
    )


def reliability(cases: list[Case], calibration: Calibration, bins: int = 10) -> list[dict[str, float]]:
    """Stated and observed share right of the best call, by bin of the stated one."""
    posteriors = [posterior(c, calibration.beta, calibration.eps) for c in cases]
    top = np.array([p.max() for p in posteriors])
    right = np.array([p.argmax() == c.truth for p, c in zip(posteriors, cases)], float)
    place = np.minimum((top * bins).astype(int), bins - 1)
    return [
        {
            "n": int((place == b).sum()),
            "stated": round(float(top[place == b].mean()), 4),
            "right": round(float(right[place == b].mean()), 4),
        }
        for b in range(bins)
        if (place == b).any()
    ]


def mistakes(cases: list[Case], calibration: Calibration, vocabulary: Any, count: int = 12) -> list[dict[str, Any]]:
    """The most confident wrong calls: the photo's seed, what it was, what it was called, and how surely."""
    found = []
    for case in cases:
        p = posterior(case, calibration.beta, calibration.eps)
        best = int(p.argmax())
        if best != case.truth:
            found.append((float(p[best]), case.seed, case.codes[case.truth], case.codes[best], float(p[case.truth])))
    found.sort(key=lambda one: -one[0])
    return [
        {"seed": seed, "truth": words_of(truth, vocabulary), "called": words_of(called, vocabulary), "probability": round(p, 4),
         "of the truth": round(q, 4)}
        for p, seed, truth, called, q in found[:count]
    ]  # fmt: skip


def words_of(codes: np.ndarray, vocabulary: Any) -> str:
    """The look of appearance classes (n_loci,) in words, each class by its first name."""
    named = [locus.classes[code][0] for locus, code in zip(vocabulary.loci, codes, strict=True)]
    return " ".join(name for name in named if name) or "wild type"


def by_look(cases: list[Case], calibration: Calibration, vocabulary: Any) -> dict[str, Any]:
    """Per locus, among crosses in which it varies: share right and NLL of its marginal; the commonest mistakes."""
    right: dict[str, list[float]] = {}
    nll: dict[str, list[float]] = {}
    wrong: Counter[str] = Counter()
    for case in cases:
        p = posterior(case, calibration.beta, calibration.eps)
        for number, locus in enumerate(vocabulary.loci):
            classes = case.codes[:, number]
            if (classes == classes[0]).all():
                continue
            mass = np.bincount(classes, p, len(locus.classes))
            truth, best = classes[case.truth], mass.argmax()
            right.setdefault(locus.locus, []).append(float(truth == best))
            nll.setdefault(locus.locus, []).append(-np.log(mass[truth]))
            if truth != best:
                names = [locus.classes[k][0] or "wild" for k in (truth, best)]
                wrong[f"{names[0]} taken for {names[1]} ({locus.locus})"] += 1
    per_locus = {
        name: {
            "n": len(right[name]),
            "right": round(float(np.mean(right[name])), 4),
            "nll": round(float(np.mean(nll[name])), 4),
        }
        for name in sorted(right)
    }
    return {"per locus": per_locus, "commonest mistakes": dict(wrong.most_common(25))}


def genotype_of(species: Species, call: VisualCall) -> dict[str, tuple[str, str]]:
    """The simplest genotype with a given look, as allele pairs by locus."""
    found = {}
    for name, look in call.looks:
        locus = species.locus(name)
        pairs = itertools.combinations_with_replacement(("normal", *locus.allele_names), 2)
        found[name] = next(p for p in pairs if locus.look(Genotype(*p)) == look)
    return found


def lookalikes(
    network: ReaderNetwork,
    tables: CrossTables,
    log_mix: torch.Tensor,
    species: Species,
    looks: Looks,
    domain: str,
    settings: Settings,
) -> dict[str, dict[str, float]]:
    """Share right between the two members of each look-alike pair of the catalogue, both equally likely beforehand."""
    vocabulary = build(species, looks)
    found = {}
    for number, pair in enumerate(species.lookalikes if settings.pair_photos else ()):
        calls = (pair.first, pair.second)
        codes = torch.from_numpy(vocabulary.encode(calls))
        if (codes[0] == codes[1]).all():
            continue
        n = settings.pair_photos
        genotypes = encode([genotype_of(species, c) for c in calls for _ in range(n)], looks).to(tables.device)
        seeds = photo_seeds("look-alikes", number * 2 * n, 2 * n, settings.seed, tables.device)
        truth = Truth(seeds, genotypes, genotypes, genotypes[..., 0], torch.ones_like(seeds, dtype=torch.bool))
        outputs, _ = read_images(network, draw_photos(truth, settings.px, domain=domain).images)
        ratios = divide_out_training_mix(outputs.looks.float(), log_mix, vocabulary.n_classes)
        with torch.inference_mode():
            joint = network.joint(ratios, outputs, codes.to(tables.device), tables.offsets)
        second = (joint[:, 1] > joint[:, 0]).float().cpu()
        right = torch.cat([1 - second[:n], second[n:]])
        found[f"{pair.first.name} / {pair.second.name}"] = {"n": 2 * n, "right": round(float(right.mean()), 4)}
    return found


if __name__ == "__main__":
    evaluate(parse())
