"""Pictures of the model card: `python -m triage.training.pictures --directory models`.

Contact sheets (one a locus: every pair of alleles, one animal, one pose), the most confident mistakes drawn again from their
seeds, learning curves and reliability. Everything is drawn from the looks file, the sidecar and the file of figures.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import torch
from PIL import Image, ImageDraw, ImageFont

from triage.errors import ModelFileError
from triage.hatchery import REPORTED_DOMAINS, STAGES, render
from triage.records import Genotype
from triage.species import load_species, usual_species
from triage.species.drawing import NORMAL, LocusLooks, usual_looks
from triage.training.calibrate import PROTOCOLS
from triage.training.crosses import cross_tables
from triage.training.measures.report import words_of
from triage.training.measures.results import FILE, read_results
from triage.training.photos import Truth, draw_photos, draw_truth
from triage.vision.vocabulary import build
from triage.vision.weights import read_sidecar

FOLDER = "pictures"
_PX, _CAPTION, _COLUMNS = 176, 44, 6
_ANIMAL, _POSE = 7, 62  # head and back in view, no coil over another, nothing else in the frame


def sheet(images: list[Image.Image], captions: list[str], columns: int = _COLUMNS) -> Image.Image:
    """Square pictures in rows with a caption under each."""
    px, rows = images[0].width, -(-len(images) // columns)
    columns = min(columns, len(images))
    whole = Image.new("RGB", (columns * px, rows * (px + _CAPTION)), "white")
    pen, font = ImageDraw.Draw(whole), ImageFont.load_default(12)
    for number, (image, caption) in enumerate(zip(images, captions, strict=True)):
        x, y = number % columns * px, number // columns * (px + _CAPTION)
        whole.paste(image, (x, y))
        pen.multiline_text((x + 3, y + px + 1), wrapped(caption, font, px - 6), fill="black", font=font, spacing=1)
    return whole


def wrapped(words: str, font: Any, width: int) -> str:
    """At most three lines that fit `width` pixels; what a non-breaking space joins stays on one line."""
    lines = [""]
    for word in words.split(" "):
        longer = f"{lines[-1]} {word}".strip()
        if font.getlength(longer) > width and lines[-1]:
            lines.append(word)
        else:
            lines[-1] = longer
    # the font has no sign for that space
    return "\n".join(lines[:3]).replace("\u00a0", " ") + ("..." if len(lines) > 3 else "")


def as_image(planes: torch.Tensor) -> Image.Image:
    return Image.fromarray((planes * 255).round().to(torch.uint8).permute(1, 2, 0).cpu().numpy())


def contact_sheet(locus: LocusLooks) -> Image.Image:
    """Every look of a locus, seen clean, on one animal in one pose after its first shed, then two copies of its first allele by stage."""
    known = load_species(usual_species()).locus(locus.name)
    shown = []
    for pair in locus.effects:
        name = known.look(Genotype(*pair))
        plain = "wild type" if set(pair) == {NORMAL} else "looks wild"
        shown.append(({locus.name: pair}, "after first shed", f"{name or plain} ({' + '.join(pair)})"))
    first = (locus.alleles[1],) * 2
    name = known.look(Genotype(*first))
    shown += [({locus.name: first}, stage, f"{name}, {stage}") for stage in STAGES]
    drawn = render([genes for genes, _, _ in shown], [_ANIMAL] * len(shown), [_POSE] * len(shown), size=_PX,
                   stage=[stage for _, stage, _ in shown], domain="clean")  # fmt: skip
    return sheet([as_image(image) for image in drawn.images], [caption for *_, caption in shown])


def truth_of_seeds(seeds: Sequence[int], protocol: str) -> tuple[Truth, list[str]]:
    """Report photos of a protocol drawn again from their seeds, and the looks of their animals in words."""
    species, looks = load_species(usual_species()), usual_looks()
    vocabulary = build(species, looks)
    truth = draw_truth(cross_tables(species, looks, vocabulary, "cpu"), torch.tensor(seeds), protocol, keep_out=False)
    return truth, [words_of(codes, vocabulary) for codes in truth.codes.numpy()]


def failures(report: dict[str, Any], domain: str, protocol: str, px: int) -> Image.Image | None:
    """The most confident mistakes of a protocol in one domain, drawn again; None if the report names none.

    `report` as `triage.training.measures.report` gives it. ModelFileError if the seeds no longer give the animals that it names.
    """
    wrong = report.get(domain, {}).get(protocol, {}).get("mistakes", [])
    if not wrong:
        return None
    truth, animals = truth_of_seeds([one["seed"] for one in wrong], protocol)
    if animals != [one["truth"] for one in wrong]:
        raise ModelFileError(
            f"{FILE}: report, {domain}, {protocol}, mistakes: the seeds no longer give the animals named there; the crosses or the "
            "catalogue have changed since: run python -m triage.training.measures report again."
        )
    drawn = draw_photos(truth, px, domain=domain)
    captions = [f"{one['truth']}, called {one['called']} ({100 * one['probability']:.0f}\u00a0%)" for one in wrong]
    size = (_PX, _PX)
    shown = [Image.fromarray(np.ascontiguousarray(image.permute(1, 2, 0).numpy())).resize(size) for image in drawn.images]
    return sheet(shown, captions)


def runs_of(sidecar: dict[str, Any]) -> list[dict[str, Any]]:
    """Every training run behind the weights, the first one first."""
    runs: list[dict[str, Any]] = []
    run: dict[str, Any] | None = sidecar
    while run:
        runs.insert(0, run)
        run = run.get("continued_from")
    return runs


def draw_curves(sidecar: dict[str, Any], report: dict[str, Any], path: Path) -> None:
    """Validation NLL against views and seconds, and stated against observed share right, as one PNG."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot

    figure, (left, middle, right) = pyplot.subplots(1, 3, figsize=(12, 3.6), layout="constrained")
    views = seconds = 0.0
    for number, run in enumerate(runs_of(sidecar)):
        history, look = run.get("history", []), {"color": f"C{number}", "marker": "."}
        label = f"run {number + 1}, {run['settings']['input_px']} px"
        for axes, before, key in ((left, views, "views"), (middle, seconds, "seconds")):
            axes.plot([before + e.get(key, 0) for e in history], [e["validation_nll"] for e in history], label=label, **look)
            rows = [e for e in history if "shifted_nll" in e]
            axes.plot([before + e[key] for e in rows], [e["shifted_nll"] for e in rows], linestyle="--", **look)
        if history:
            views, seconds = views + history[-1].get("views", 0), seconds + history[-1]["seconds"]
    for axes, words in ((left, "photos seen (views)"), (middle, "seconds of training")):
        axes.set(xlabel=words, ylabel="validation NLL, nats", title="dashed: shifted domain")
        axes.title.set_fontsize(9)
    left.legend(fontsize=7, loc="upper right")
    for domain in REPORTED_DOMAINS:
        bins = report.get(domain, {}).get("twelve genes", {}).get("reliability", [])
        right.plot([b["stated"] for b in bins], [b["right"] for b in bins], marker="o", label=f"{domain} domain")
    right.plot([0, 1], [0, 1], color="grey", linewidth=0.8)
    right.set(xlabel="stated chance of the best call", ylabel="share right")
    right.legend(fontsize=8)
    figure.savefig(path, dpi=100, metadata={"Software": None})
    pyplot.close(figure)


def main(argv: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(prog="python -m triage.training.pictures", description=__doc__.splitlines()[0])
    parser.add_argument("--directory", type=Path, default=Path("models"), help="default models")
    parser.add_argument("--loci", nargs="*", help="only these contact sheets")
    given = parser.parse_args(argv)
    folder = given.directory / FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    sidecar = read_sidecar(given.directory)
    for locus in usual_looks().loci:
        if given.loci is None or locus.name in given.loci:
            contact_sheet(locus).save(folder / f"{locus.name.replace(' ', '_')}.jpg", quality=80)
            print(locus.name, file=sys.stderr, flush=True)
    report = read_results(given.directory).get("report", [{"figures": {}, "options": {"px": 256}}])[-1]
    for domain in REPORTED_DOMAINS:
        for protocol in PROTOCOLS:
            picture = failures(report["figures"], domain, protocol, report["options"]["px"])
            if picture is not None:
                picture.save(folder / f"mistakes_{domain}_{protocol.replace(' ', '_')}.jpg", quality=80)
    draw_curves(sidecar, report["figures"], folder / "curves.png")


if __name__ == "__main__":
    main()
