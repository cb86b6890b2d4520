"""Designs and settings compared on equal budget.

Every contestant sees the same rendered photos for the same number of steps, then reads the same validation crosses, in
the training and in the shifted domain. Exponent and floor are fitted for each, domain by domain, on other crosses, so that
no design wins by luck of its scale. Small and short on purpose: it ranks designs; `train` makes the model.
"""

from __future__ import annotations

import copy
import time
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import torch
from torch import Tensor, nn

from triage.hatchery import REPORTED_DOMAINS, STAGES
from triage.training import train as training
from triage.training.augment import vary
from triage.training.bench import Bench
from triage.training.calibrate import fit_temper
from triage.training.critic import Critic
from triage.training.crosses import classes_of, draw_offspring, held_out
from triage.training.options import option
from triage.training.photos import Batch, draw_photos, draw_truth, photo_seeds, possible_calls
from triage.training.protocol import Case, metrics, read_images
from triage.training.start_weights import load_start, start_file
from triage.vision.likelihood import divide_out_training_mix, joint_log_likelihood
from triage.vision.network import NetworkShape, Outputs, ReaderNetwork


@dataclass(frozen=True)
class Options:
    photos: int = option(24_000, "rendered once, half of each training domain, and shared by all")
    steps: int = option(500, "per contestant")
    batch: int = 256
    render_px: int = 208
    input_px: int = 160
    test_photos: int = option(1000, "crosses per domain to report, and as many to fit exponent and floor")
    rate: float = 1.5e-3
    seed: int = 5


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


class Entry:
    """A contestant's network and, for a critic, its scores; trained in place."""

    def __init__(self, who: Contestant, options: Options, places: training.Places, device: str) -> None:
        self.who, self.places, self.device = who, places, device
        self.px = round(options.input_px * who.px_share / 32) * 32
        self.settings = replace(
            training.Settings(), seed=options.seed, batch=options.batch, rate=options.rate, siblings=24,
            start_from="imagenet" if who.pretrained else "none", input_px=self.px,
        )  # fmt: skip
        torch.manual_seed(options.seed)
        shape = NetworkShape(places.vocabulary.n_classes, len(STAGES), self.px, pair_width=96, critic_width=who.critic_width)
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

    def train(self, memory: training.Memory, rows: np.ndarray, options: Options) -> float:
        """All steps; returns the seconds they took."""
        steps = round(options.steps * self.who.steps_share)
        groups = training.parameter_groups(self.network, self.settings)
        groups.append({"params": list(self.critic.parameters()), "lr": options.rate, "peak": options.rate, "weight_decay": 0.0})
        optimiser = torch.optim.AdamW(groups, betas=(0.9, 0.98))
        average, average_critic = copy.deepcopy(self.network).eval(), copy.deepcopy(self.critic).eval()
        draw = np.random.default_rng(options.seed)
        bfloat16 = self.device == "cuda"
        self.network.train()
        started = time.monotonic()
        for step in range(steps):
            self.uses_critic = self.who.design == "critic" and step >= steps // 2
            for group in optimiser.param_groups:
                group["lr"] = group["peak"] * training.learning_rate(step / steps)
            chosen = torch.from_numpy(rows[draw.integers(len(rows), size=options.batch)]).to(self.device)
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
        offsets = self.places.tables.offsets
        for batch in batches:
            with torch.inference_mode():
                outputs, _ = read_images(self.network, batch.images)
                ratios = divide_out_training_mix(outputs.looks.float(), self.places.log_mix, self.places.vocabulary.n_classes)
                for row, (calls, prior, truth) in enumerate(possible_calls(self.places.tables, batch.truth)):
                    choice = torch.from_numpy(calls).to(self.device)
                    here = slice(row, row + 1)
                    if self.uses_critic:
                        scores = self.critic(outputs.pairs[here].float(), choice, offsets)[0]
                    elif self.who.design == "pairs":
                        scores = joint_log_likelihood(
                            ratios[here], outputs.pairs[here].float(), self.network.pair_embedding, choice, offsets,
                            outputs.critic[here].float(), self.network.look_encoder,
                        )[0]  # fmt: skip
                    else:
                        scores = ratios[row][choice + offsets].sum(1)
                    values = scores.double().cpu().numpy()
                    found.append(Case(calls, prior, values, values, truth, 0, 1.0))
        return found


def figures(bench: Bench, options: Options) -> dict[str, Any]:
    """Figures of every contestant of this share, by name and domain."""
    device, tables = bench.device, bench.tables
    log_mix = training.training_mix(tables, bench.vocabulary, options.seed, 100_000 if options.photos > 1000 else 1000)
    places = training.Places(bench.vocabulary, tables, log_mix.float().to(device))
    memory = training.Memory(options.photos, options.render_px, len(bench.looks.loci), device)
    half = options.photos // 2
    for domain, start in (("training", 0), ("varied", half)):
        for seeds in photo_seeds("train", start, half, options.seed, device).split(512):
            memory.add(draw_photos(draw_truth(tables, seeds, "training", keep_out=True), options.render_px, domain=domain))
    tests = {
        (domain, use): [
            draw_photos(draw_truth(tables, seeds, "twelve genes", keep_out=False), options.render_px, domain=domain)
            for seeds in photo_seeds(use, 0, options.test_photos, options.seed, device).split(250)
        ]
        for domain in REPORTED_DOMAINS
        for use in ("calibrate", "validate")
    }
    bench.note("all photos are drawn")

    found: dict[str, Any] = {}
    for who in bench.shared(CONTESTANTS):
        entry = Entry(who, options, places, device)
        usable = np.arange(memory.filled if who.varied else half)
        seconds = entry.train(memory, usable, options)
        found[who.name] = {}
        for domain in REPORTED_DOMAINS:
            beta, eps = fit_temper(entry.cases(tests[domain, "calibrate"]))
            whole = metrics(entry.cases(tests[domain, "validate"]), beta, eps)
            kept = {name: whole[name] for name in ("n", "top1", "nll", "ece", "above_95", "wrong_above_95")}
            found[who.name][domain] = {"protocol": "twelve genes", **kept, "seconds": round(seconds, 1), "px": entry.px,
                                       "steps": round(options.steps * who.steps_share), "photos": len(usable)}  # fmt: skip
            bench.note(f"{who.name}, {domain}: {found[who.name][domain]}")
    return found
