"""Compare designs and settings on equal budget: `python -m triage.training.compare --directory models`.

Every contestant sees the same rendered photos for the same number of steps, then reads the same validation crosses, in
the training and in the shifted domain. Exponent and floor are fitted for each, domain by domain, on other crosses, so that
no design wins by luck of its scale. Small and short on purpose: it ranks designs; `train` makes the model.
Writes `comparison.json`. With several GPUs run it once per GPU with `--share 0/2`, `--share 1/2` and join with `--join`.
"""

from __future__ import annotations

import argparse
import copy
import json
import os
import sys
import time
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import Tensor, nn

from triage.hatchery import REPORTED_DOMAINS, STAGES
from triage.species import load_species
from triage.species.drawing import usual_looks
from triage.training import train as training
from triage.training.augment import vary
from triage.training.calibrate import fit_temper
from triage.training.critic import Critic
from triage.training.crosses import candidate_calls, classes_of, cross_tables, draw_offspring, held_out
from triage.training.photos import Batch, draw_photos, draw_truth, photo_seeds
from triage.training.protocol import Case, metrics, read_images
from triage.training.start_weights import load_start, start_file
from triage.vision.likelihood import divide_out_training_mix, joint_log_likelihood
from triage.vision.network import NetworkShape, Outputs, ReaderNetwork
from triage.vision.vocabulary import build

FILE = "comparison.json"


@dataclass(frozen=True)
class Settings:
    """Every default, with its reason."""

    directory: Path = Path("models")
    photos: int = 24_000  # rendered once, half of each training domain, and shared by all
    steps: int = 500  # per contestant
    batch: int = 256
    render_px: int = 208
    input_px: int = 160
    test_photos: int = 1000  # crosses per domain to report, and as many to fit exponent and floor
    rate: float = 1.5e-3
    seed: int = 5
    share: str = "0/1"  # which contestants: number/of so many
    device: str = "auto"
    join: bool = False  # only join the files of the shares


@dataclass(frozen=True)
class Contestant:
    """What differs. `design`: "heads", "pairs" or "critic" (warm-started from heads after half of the steps)."""

    name: str
    design: str = "pairs"
    pretrained: bool = True
    varied: bool = True
    px_share: float = 1.0
    steps_share: float = 1.0
    critic_width: int = 0  # of a critic beside the heads


CONTESTANTS = (
    Contestant("heads per locus", design="heads"),
    Contestant("heads and pairs of looks"),
    Contestant("contrastive critic, warm-started", design="critic"),
    Contestant("heads, pairs and a critic", critic_width=192),
    Contestant("heads and pairs, no learnt features", pretrained=False),
    Contestant("heads and pairs, plain domain only", varied=False),
    Contestant("heads and pairs, 128 of 160 px", px_share=0.8),
    Contestant("heads and pairs, half of the steps", steps_share=0.5),
)


def parse(argv: list[str] | None = None) -> Settings:
    parser = argparse.ArgumentParser(prog="python -m triage.training.compare", description=__doc__.splitlines()[0])
    for field in fields(Settings):
        flag = "--" + field.name.replace("_", "-")
        if field.name == "join":
            parser.add_argument(flag, action="store_true", help="join the files of the shares")
        else:
            kind = Path if isinstance(field.default, Path) else type(field.default)
            parser.add_argument(flag, type=kind, default=field.default, help=f"default {field.default}")
    return Settings(**vars(parser.parse_args(argv)))


class Entry:
    """A contestant's network and, for a critic, its scores; trained in place."""

    def __init__(self, who: Contestant, settings: Settings, places: training.Places, device: str) -> None:
        self.who, self.places, self.device = who, places, device
        self.px = round(settings.input_px * who.px_share / 32) * 32
        self.settings = replace(
            training.Settings(), seed=settings.seed, batch=settings.batch, rate=settings.rate, siblings=24,
            start_from="imagenet" if who.pretrained else "none", input_px=self.px,
        )  # fmt: skip
        torch.manual_seed(settings.seed)
        shape = NetworkShape(
            places.vocabulary.n_classes, len(STAGES), self.px, pair_width=96, critic_width=who.critic_width
        )
        self.network = ReaderNetwork(shape)
        if who.pretrained:
            load_start(self.network, start_file())
        self.network = self.network.to(device, memory_format=torch.channels_last)
        self.critic = Critic(places.vocabulary.n_total, shape.pair_width).to(device)
        self.uses_critic = False

    def parts_of_loss(self, outputs: Outputs, batch: Batch, masks: Tensor) -> dict[str, Tensor]:
        parts = training.losses(outputs, self.network, batch, masks, self.settings, self.places)
        if self.who.design != "pairs":
            del parts["sibling"]
        if self.uses_critic:
            truth, tables = batch.truth, self.places.tables
            imagined = classes_of(tables, draw_offspring(truth.parents, truth.seeds, self.settings.siblings, salt=1))
            out = held_out(tables, imagined)
            weight = truth.usable.float() / truth.usable.sum().clamp(min=1)
            among_batch = self.critic(outputs.pairs, truth.codes, tables.offsets)
            siblings = self.critic(outputs.pairs, imagined, tables.offsets).masked_fill(out, -1e9)
            at_truth = among_batch.diagonal()[:, None]
            parts["critic"] = -(torch.cat([at_truth, siblings], 1).log_softmax(1)[:, 0] * weight).sum()
            parts["critic, batch"] = 0.2 * -(among_batch.log_softmax(1).diagonal() * weight).sum()
            parts["loci"] = 0.1 * parts["loci"]
        return parts

    def train(self, memory: training.Memory, rows: np.ndarray, settings: Settings) -> float:
        """All steps; returns the seconds they took."""
        steps = round(settings.steps * self.who.steps_share)
        groups = training.parameter_groups(self.network, self.settings)
        groups.append({"params": list(self.critic.parameters()), "lr": settings.rate, "peak": settings.rate, "weight_decay": 0.0})
        optimiser = torch.optim.AdamW(groups, betas=(0.9, 0.98))
        average, average_critic = copy.deepcopy(self.network).eval(), copy.deepcopy(self.critic).eval()
        draw = np.random.default_rng(settings.seed)
        bfloat16 = self.device == "cuda"
        self.network.train()
        started = time.monotonic()
        for step in range(steps):
            self.uses_critic = self.who.design == "critic" and step >= steps // 2
            for group in optimiser.param_groups:
                group["lr"] = group["peak"] * training.learning_rate(step / steps)
            chosen = torch.from_numpy(rows[draw.integers(len(rows), size=settings.batch)]).to(self.device)
            batch = memory.take(chosen)
            images, masks = vary(batch.images, batch.masks, batch.truth.seeds + step * 15_485_863, self.px)
            with torch.autocast(self.device, torch.bfloat16, enabled=bfloat16):
                outputs = self.network(images.contiguous(memory_format=torch.channels_last))
            optimiser.zero_grad(set_to_none=True)
            sum(self.parts_of_loss(outputs, batch, masks).values()).backward()
            nn.utils.clip_grad_norm_(self.network.parameters(), 5.0)
            optimiser.step()
            keep = min(0.995, (step + 1) / (step + 10))
            training.blend_average(average, self.network, keep)
            training.blend_average(average_critic, self.critic, keep)
        if bfloat16:
            torch.cuda.synchronize()
        self.network, self.critic = average, average_critic
        return time.monotonic() - started

    def cases(self, batches: list[Batch]) -> list[Case]:
        """The contestant's log-likelihood of every call possible in each photo's cross."""
        found: list[Case] = []
        tables = self.places.tables
        class_of, offsets = tables.class_of.cpu().numpy(), tables.offsets
        for batch in batches:
            with torch.inference_mode():
                outputs, _ = read_images(self.network, batch.images)
                ratios = divide_out_training_mix(outputs.looks.float(), self.places.log_mix, self.places.vocabulary.n_classes)
                parents, codes = batch.truth.parents.cpu().numpy(), batch.truth.codes.cpu().numpy()
                for row in range(len(codes)):
                    options, prior = candidate_calls(class_of, parents[row])
                    choice = torch.from_numpy(options).to(self.device)
                    here = slice(row, row + 1)
                    if self.uses_critic:
                        scores = self.critic(outputs.pairs[here].float(), choice, offsets)[0]
                    elif self.who.design == "pairs":
                        scores = joint_log_likelihood(
                            ratios[here],
                            outputs.pairs[here].float(),
                            self.network.pair_embedding,
                            choice,
                            offsets,
                            outputs.critic[here].float(),
                            self.network.look_encoder,
                        )[0]
                    else:
                        scores = ratios[row][choice + offsets].sum(1)
                    values = scores.double().cpu().numpy()
                    truth = int(np.flatnonzero((options == codes[row]).all(1))[0])
                    found.append(Case(options, prior, values, values, truth, 0, 1.0))
        return found


def compare(settings: Settings) -> Path:
    """Train and measure this share's contestants, and write their rows."""
    device = settings.device if settings.device != "auto" else "cuda" if torch.cuda.is_available() else "cpu"
    species, looks = load_species("ball python"), usual_looks()
    vocabulary = build(species, looks)
    tables = cross_tables(species, looks, vocabulary, device)
    log_mix = training.training_mix(tables, vocabulary, settings.seed, 100_000 if settings.photos > 1000 else 1000)
    places = training.Places(vocabulary, tables, log_mix.float().to(device))
    memory = training.Memory(settings.photos, settings.render_px, len(looks.loci), device)
    half, step = settings.photos // 2, 512
    started = time.monotonic()
    for domain, start in (("training", 0), ("varied", half)):
        for first in range(0, half, step):
            seeds = photo_seeds("train", start + first, min(step, half - first), settings.seed, device)
            memory.add(draw_photos(draw_truth(tables, seeds, "training", keep_out=True), settings.render_px, domain=domain))
    tests: dict[tuple[str, str], list[Batch]] = {}
    for domain in REPORTED_DOMAINS:
        for use in ("calibrate", "validate"):
            tests[domain, use] = []
            for first in range(0, settings.test_photos, 250):
                seeds = photo_seeds(use, first, min(250, settings.test_photos - first), settings.seed, device)
                truth = draw_truth(tables, seeds, "twelve genes", keep_out=False)
                tests[domain, use].append(draw_photos(truth, settings.render_px, domain=domain))
    print(f"{time.monotonic() - started:.0f} s to render", file=sys.stderr, flush=True)

    number, of = (int(part) for part in settings.share.split("/"))
    rows: list[dict[str, Any]] = []
    for who in CONTESTANTS[number::of]:
        entry = Entry(who, settings, places, device)
        usable = np.arange(memory.filled if who.varied else half)
        seconds = entry.train(memory, usable, settings)
        for domain in REPORTED_DOMAINS:
            beta, eps = fit_temper(entry.cases(tests[domain, "calibrate"]))
            figures = metrics(entry.cases(tests[domain, "validate"]), beta, eps)
            kept = {name: figures[name] for name in ("n", "top1", "nll", "ece", "above_95", "wrong_above_95")}
            rows.append({"name": who.name, "domain": domain, "protocol": "twelve genes", **kept, "seconds": round(seconds, 1),
                         "px": entry.px, "steps": round(settings.steps * who.steps_share), "photos": len(usable)})  # fmt: skip
            print(json.dumps(rows[-1]), flush=True)
    settings.directory.mkdir(parents=True, exist_ok=True)
    path = settings.directory / (FILE if of == 1 else f"comparison.{number}.json")
    path.write_text(json.dumps(_described(rows, settings), indent=1) + "\n", "utf-8")
    return path


def _described(rows: list[dict[str, Any]], settings: Settings) -> dict[str, Any]:
    shown = {k: v for k, v in asdict(settings).items() if k not in ("directory", "device", "share", "join")}
    run = {
        "command": "python -m triage.training.compare " + " ".join(f"--{k.replace('_', '-')} {v}" for k, v in shown.items()),
        "seed": settings.seed,
        "commit": training.commit_of_code(),
        "data": training.data_hashes(),
        "device": torch.cuda.get_device_name() if torch.cuda.is_available() else "CPU",
    }
    return {"runs": [run], "rows": [{"run": 1, **row} for row in rows]}


def join(settings: Settings) -> Path:
    """Add the shares' rows to the file; rows measured with the same command, commit and data are one run."""
    path = settings.directory / FILE
    parts = sorted(settings.directory.glob("comparison.[0-9]*.json"))
    if not parts:
        raise SystemExit(f"{settings.directory}: no file comparison.NUMBER.json to join; run the shares first.")
    joined: dict[str, Any] = {"runs": [], "rows": []}
    for part in [path] * path.is_file() + parts:
        loaded = json.loads(part.read_text("utf-8"))
        for number, run in enumerate(loaded["runs"], 1):
            if run not in joined["runs"]:
                joined["runs"].append(run)
            place = joined["runs"].index(run) + 1
            joined["rows"] += [{**row, "run": place} for row in loaded["rows"] if row["run"] == number]
    order = [who.name for who in CONTESTANTS]
    joined["rows"].sort(key=lambda row: (row["run"], order.index(row["name"]) if row["name"] in order else len(order)))
    path.write_text(json.dumps(joined, indent=1) + "\n", "utf-8")
    for part in parts:
        os.remove(part)
    return path


if __name__ == "__main__":
    arguments = parse()
    print(join(arguments) if arguments.join else compare(arguments))
