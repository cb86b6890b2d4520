"""The protocol that readers are compared by: parents, photo and both, in detail, in the domain the reader was trained on and in
the shifted one, which it never saw.

The photos are used for nothing else; `python -m triage.training.calibrate` has fitted on others. `python -m triage.training.card`
turns the figures into words.
"""

from __future__ import annotations

import itertools
from collections import Counter
from dataclasses import dataclass
from typing import Any

import numpy as np
import torch

from triage.hatchery import REPORTED_DOMAINS, STAGES, encode
from triage.records import Genotype, Species, VisualCall
from triage.training.bench import Bench
from triage.training.calibrate import MOST_ANIMALS, OWN_CALIBRATION, PROTOCOLS, join_photos
from triage.training.options import option
from triage.training.photos import Truth, draw_photos, photo_seeds
from triage.training.protocol import Case, groups, luck_of, metrics, posterior, read_images, share_in_words, trusted
from triage.vision.likelihood import Calibration, divide_out_training_mix
from triage.vision.reader import CAUTIOUS
from triage.vision.vocabulary import Vocabulary


@dataclass(frozen=True)
class Options:
    photos: int = option(3000, "crosses per protocol and domain")
    animals: int = option(300, "animals with three photos each, per domain")
    pair_photos: int = option(32, "per member of a look-alike pair and domain")
    px: int = option(400, "side of a rendered photo")
    seed: int = 1


def figures(bench: Bench, options: Options) -> dict[str, Any]:
    """By domain: each protocol in detail, several photos of an animal, combinations kept out of training, look-alikes."""
    calibrations, offsets = bench.files.calibrations, bench.offsets
    asked: dict[str, Any] = {"seed": options.seed, "px": options.px}
    found: dict[str, Any] = {}
    for domain in bench.shared(REPORTED_DOMAINS):
        own, here = calibrations[OWN_CALIBRATION[domain]], {**asked, "domain": domain}
        found[domain] = {
            protocol: report(bench.cases(protocol, "report", options.photos, **here), own, calibrations[CAUTIOUS], bench.vocabulary)
            for protocol in PROTOCOLS
        }
        animals = [[trusted(c, own, offsets) for c in animal] for animal in bench.animals(MOST_ANIMALS, options.animals, 3, **here)]
        found[domain]["several photos"] = {
            "one photo": metrics([a[0] for a in animals], own.beta, own.eps),
            "three photos": metrics([join_photos(a, own.photo_exponent) for a in animals], own.beta, own.eps),
            "three photos as if independent": metrics([join_photos(a, 0.0) for a in animals], own.beta, own.eps),
        }
        held_out = bench.cases("twelve genes", "held out", max(options.photos // 5, 1), only_held_out=True, **here)
        found[domain]["held-out combinations"] = metrics([trusted(c, own, offsets) for c in held_out], own.beta, own.eps)
        found[domain]["look-alikes"] = lookalikes(bench, domain, options)
        bench.note(f"{domain}: look-alikes read")
    return found


def report(cases: list[Case], own: Calibration, cautious: Calibration, vocabulary: Vocabulary) -> dict[str, Any]:
    """All figures of one protocol in one domain."""
    offsets = np.array(vocabulary.offsets)
    as_read, believed_less = cases, [trusted(case, cautious, offsets) for case in cases]
    cases = [trusted(case, own, offsets) for case in cases]
    sizes = ["2-4" if n <= 4 else "5-8" if n <= 8 else "9-16" if n <= 16 else "17-32" if n <= 32 else "more"
             for n in (len(case.prior) for case in cases)]  # fmt: skip
    return {
        "parents only": metrics(cases, own.beta, own.eps, "parents only"),
        "photo only": metrics(cases, own.beta, own.eps, "photo only"),
        "both": metrics(cases, own.beta, own.eps, "both", own.shortlist),
        "ece by chance": luck_of(cases, own.beta, own.eps),
        "both, cautious": metrics(believed_less, cautious.beta, cautious.eps, "both", cautious.shortlist),
        "both, uncalibrated": metrics(as_read, 1.0, 1e-4, "both"),
        "without pair terms": metrics(cases, own.beta, own.eps, "heads only"),
        "by number of calls": groups(cases, own.beta, own.eps, sizes),
        "by stage": groups(cases, own.beta, own.eps, [STAGES[c.stage] for c in cases]),
        "by share of the body seen": groups(cases, own.beta, own.eps, [share_in_words(c.visible) for c in cases]),
        "reliability": reliability(cases, own),
        "mistakes": mistakes(cases, own, vocabulary),
        **by_look(cases, own, vocabulary),
    }


def reliability(cases: list[Case], calibration: Calibration, bins: int = 10) -> list[dict[str, float]]:
    """Stated and observed share right of the best call, by bin of the stated one."""
    posteriors = [posterior(c, calibration.beta, calibration.eps) for c in cases]
    top = np.array([p.max() for p in posteriors])
    right = np.array([p.argmax() == c.truth for p, c in zip(posteriors, cases)], float)
    place = np.minimum((top * bins).astype(int), bins - 1)
    return [
        {"n": int(here.sum()), "stated": round(float(top[here].mean()), 4), "right": round(float(right[here].mean()), 4)}
        for here in (place == number for number in range(bins))
        if here.any()
    ]


def mistakes(cases: list[Case], calibration: Calibration, vocabulary: Vocabulary, count: int = 12) -> list[dict[str, Any]]:
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


def words_of(codes: np.ndarray, vocabulary: Vocabulary) -> str:
    """The look of appearance classes (n_loci,) in words, each class by its first name."""
    named = [locus.classes[code][0] for locus, code in zip(vocabulary.loci, codes, strict=True)]
    return " ".join(name for name in named if name) or "wild type"


def by_look(cases: list[Case], calibration: Calibration, vocabulary: Vocabulary) -> dict[str, Any]:
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
        name: {"n": len(said), "right": round(float(np.mean(said)), 4), "nll": round(float(np.mean(nll[name])), 4)}
        for name, said in sorted(right.items())
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


def lookalikes(bench: Bench, domain: str, options: Options) -> dict[str, dict[str, float]]:
    """Share right between the two members of each look-alike pair that the model learnt, both equally likely beforehand."""
    found = {}
    network, n = bench.network, options.pair_photos
    for number, pair in enumerate(bench.species.lookalikes if n else ()):
        calls = (pair.first, pair.second)
        if bench.vocabulary.unlearnt(calls):
            continue
        codes = torch.from_numpy(bench.vocabulary.encode(calls))
        if (codes[0] == codes[1]).all():
            continue
        genotypes = encode([genotype_of(bench.species, c) for c in calls for _ in range(n)], bench.looks).to(bench.device)
        seeds = photo_seeds("look-alikes", number * 2 * n, 2 * n, options.seed, bench.device)
        truth = Truth(seeds, genotypes, genotypes, genotypes[..., 0], torch.ones_like(seeds, dtype=torch.bool))
        outputs, _ = read_images(network, draw_photos(truth, options.px, domain=domain).images)
        ratios = divide_out_training_mix(outputs.looks.float(), bench.log_mix, bench.vocabulary.n_classes)
        with torch.inference_mode():
            joint = network.joint(ratios, outputs, codes.to(bench.device), bench.tables.offsets)
        second = (joint[:, 1] > joint[:, 0]).float().cpu()
        right = torch.cat([1 - second[:n], second[n:]])
        found[f"{pair.first.name} / {pair.second.name}"] = {"n": 2 * n, "right": round(float(right.mean()), 4)}
    return found
