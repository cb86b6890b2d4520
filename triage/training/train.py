"""Train the photo model on rendered hatchlings: `python -m triage.training.train --directory models`.

Photos are drawn while training, from integer seeds: the same seed gives the same data. Read from top to bottom:
settings, losses, one step, the loop. Runs on a CPU, one GPU, or several (`torchrun --nproc-per-node N -m
triage.training.train ...`). Stopped runs go on with `--resume`.
"""

from __future__ import annotations

import copy
import json
import math
import os
import sys
import time
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import torch
import torch.nn.functional as F
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn, TimeRemainingColumn
from torch import Tensor, distributed, nn

from triage.hatchery import REPORTED_DOMAINS, STAGES, draws
from triage.species import load_species, usual_species
from triage.species.drawing import usual_looks
from triage.training import options
from triage.training.augment import vary
from triage.training.crosses import CrossTables, classes_of, cross_tables, draw_offspring, held_out
from triage.training.photos import Batch, Truth, draw_photos, draw_truth, photo_seeds
from triage.training.protocol import metrics, read_protocol
from triage.training.provenance import commit_of_code, data_hashes, device_name
from triage.training.start_weights import continue_from, load_start, start_file
from triage.vision.likelihood import divide_out_training_mix
from triage.vision.network import PLAIN_DEPTHS, NetworkShape, Outputs, ReaderNetwork
from triage.vision.vocabulary import Vocabulary, build
from triage.vision.weights import save_model

_SALT_ROWS = 9201
_STEPS_TO_AGREE = 10


@dataclass(frozen=True)
class Settings:
    """Every default, with its reason."""

    directory: Path = Path("models")  # weights, sidecar, log and checkpoint go here
    seed: int = 1  # of weights and data
    steps: int = 6000  # optimiser steps of the whole schedule
    seconds: float = 0.0  # stop and wind down by this wall time instead, if above 0
    fresh: int = 512  # photos rendered at a time
    varied_share: float = 0.5  # of the renderings that come from the varied domain, to lean less on one generator
    first_fill: int = 8  # renderings before the first step, so that it does not learn a few photos by heart
    steps_per_render: int = 16  # optimiser steps between renderings: about as long as rendering takes
    batch: int = 256  # photos per step, drawn from those rendered so far and varied anew each time
    memory: int = 60_000  # photos remembered for that, on the device; about 0.64 MB each at 400 px
    render_px: int = 400  # side of a rendered photo: the cut around the animal should not be enlarged
    input_px: int = 320  # side of what the network reads
    locate_px: int = 160  # side of what it is shown to find the animal
    locate_photos: int = 32  # photos per step shown whole at that size
    rate: float = 1.5e-3  # peak learning rate of new parts
    backbone_rate: float = 0.6  # of the peak rate, for parts that start from learnt weights
    weight_decay: float = 0.02
    average: float = 0.999  # of the running mean of the weights, which is what is shipped
    settle: int = 16  # batches over which that mean's batch statistics are taken before it is validated and saved
    siblings: int = 48  # imagined siblings that the true look is told from
    sibling_weight: float = 1.0  # of that loss beside the losses per locus
    critic_width: int = 192  # numbers of the critic's codes beside heads and pair terms; 0 for none
    depths: str = ",".join(map(str, PLAIN_DEPTHS))  # blocks of each stage of the backbone; those beyond the plain ones start as nothing
    start_from: str = "imagenet"  # "imagenet", "none", a file of backbone weights (.pth), or a trained reader (.safetensors)
    mix_photos: int = 200_000  # animals counted (not rendered) for the class mix that is divided out
    validate_every: float = 90.0  # seconds
    validate_photos: int = 512
    device: str = "auto"
    precision: str = "auto"  # "bfloat16" on a GPU, "float32" on a CPU
    compile: bool = options.option(False, "fuse operations first: about a minute on a GPU, then steps are quicker")
    resume: bool = options.option(False, "go on from the checkpoint in --directory")


def parse(argv: list[str] | None = None) -> Settings:
    return options.parse(Settings, "train", __doc__, argv)


@dataclass(frozen=True)
class Places:
    """Where each parameter of the loss lies on the device: flat offsets, log mix, pad table of classes per locus."""

    vocabulary: Vocabulary
    tables: CrossTables
    log_mix: Tensor


def training_mix(tables: CrossTables, vocabulary: Vocabulary, seed: int, photos: int) -> Tensor:
    """Log share of each class among training photos (n_total,), counted on `photos` undrawn truths plus one each."""
    counts = torch.zeros(vocabulary.n_total, dtype=torch.float64)
    for first in range(0, photos, 10_000):
        seeds = photo_seeds("train", first, min(10_000, photos - first), seed, tables.device)
        truth = draw_truth(tables, seeds, "training", keep_out=True)
        flat = (truth.codes[truth.usable] + tables.offsets).flatten().cpu()
        counts += torch.bincount(flat, minlength=vocabulary.n_total)
    parts = torch.split(counts + 1, list(vocabulary.n_classes))
    return torch.cat([(part / part.sum()).log() for part in parts])


def losses(
    outputs: Outputs, network: ReaderNetwork, batch: Batch, masks: Tensor, settings: Settings, places: Places
) -> dict[str, Tensor]:
    """Each loss of cuts, a scalar: looks per locus, true look among siblings, mask, stage, share seen."""
    truth, tables, counts = batch.truth, places.tables, places.vocabulary.n_classes
    weight = truth.usable.float() / truth.usable.sum().clamp(min=1)
    ratios = divide_out_training_mix(outputs.looks, places.log_mix, counts)
    at_truth = torch.gather(ratios + places.log_mix, 1, truth.codes + tables.offsets)
    loci = -(at_truth.sum(1) * weight).sum()

    # the true animal against siblings drawn from the same parents: their chances are Mendel's, so at the optimum the
    # sum is log P(photo | look) up to a constant (van den Oord et al. 2018, arXiv 1807.03748)
    imagined = classes_of(tables, draw_offspring(truth.parents, truth.seeds, settings.siblings, salt=1))
    codes = torch.cat([truth.codes[:, None], imagined], 1)
    joint = network.joint(ratios, outputs, codes, tables.offsets)
    out = held_out(tables, codes)
    out[:, 0] = False
    sibling = -(joint.masked_fill(out, -1e9).log_softmax(1)[:, 0] * weight).sum()

    return {
        "loci": loci,
        "sibling": settings.sibling_weight * sibling,
        "mask": mask_loss(outputs, masks),
        "stage": 0.2 * F.cross_entropy(outputs.stage, batch.stages),
        "visible": 0.2 * F.binary_cross_entropy_with_logits(outputs.visible, batch.visible.clamp(0, 1)),
    }


def mask_loss(outputs: Outputs, masks: Tensor) -> Tensor:
    """Cross-entropy of the mask at the network's resolution, a scalar."""
    wanted = F.adaptive_avg_pool2d(masks, outputs.mask.shape[-2:])
    return F.binary_cross_entropy_with_logits(outputs.mask, wanted)


def losses_of_whole(network: ReaderNetwork, batch: Batch, settings: Settings, precision: str) -> dict[str, Tensor]:
    """Losses of some photos shown whole and small: where the animal is and whether there is a second one.

    Those with a second animal come first, because they are few. Batch statistics are those of full size: they are for
    reading.
    """
    rows = batch.accompanied.float().argsort(descending=True, stable=True)[: settings.locate_photos]
    picture = torch.cat([batch.images[rows], batch.masks[rows]], 1).float() / 255
    small = (settings.locate_px, settings.locate_px)
    picture = F.interpolate(picture, small, mode="bilinear", antialias=True, align_corners=False)
    network.eval()
    with torch.autocast(picture.device.type, torch.bfloat16, enabled=precision == "bfloat16"):
        # not by a call, which would compile this size too
        outputs = network.forward(picture[:, :3].contiguous(memory_format=torch.channels_last))
    network.train()
    company = F.binary_cross_entropy_with_logits(outputs.company, batch.accompanied[rows].float())
    return {"locating": 0.5 * mask_loss(outputs, picture[:, 3:]), "company": 0.2 * company}


class Memory:
    """Photos rendered before, on the device, oldest overwritten first."""

    def __init__(self, size: int, px: int, n_loci: int, device: str) -> None:
        self.images = torch.empty(size, 3, px, px, dtype=torch.uint8, device=device)
        self.masks = torch.empty(size, 1, px, px, dtype=torch.uint8, device=device)
        self.whole = {
            "seeds": torch.zeros(size, dtype=torch.int64, device=device),
            "parents": torch.zeros(size, 2, n_loci, 2, dtype=torch.int16, device=device),
            "genotypes": torch.zeros(size, n_loci, 2, dtype=torch.int16, device=device),
            "codes": torch.zeros(size, n_loci, dtype=torch.int16, device=device),
            "usable": torch.zeros(size, dtype=torch.int16, device=device),
            "stages": torch.zeros(size, dtype=torch.int64, device=device),
            "accompanied": torch.zeros(size, dtype=torch.bool, device=device),
        }
        self.visible = torch.zeros(size, device=device)
        self.size, self.filled, self.next = size, 0, 0

    def add(self, batch: Batch) -> None:
        count = len(batch.images)
        if self.next + count > self.size:
            self.next = 0
        place = slice(self.next, self.next + count)
        self.images[place], self.masks[place], self.visible[place] = batch.images, batch.masks, batch.visible
        values = {**vars(batch.truth), "stages": batch.stages, "accompanied": batch.accompanied}
        for name, kept in self.whole.items():
            kept[place] = values[name].to(kept.dtype)
        self.next += count
        self.filled = max(self.filled, self.next)

    def take(self, rows: Tensor) -> Batch:
        kept = {name: values[rows].long() for name, values in self.whole.items()}
        stages, accompanied = kept.pop("stages"), kept.pop("accompanied").bool()
        kept["usable"] = kept["usable"].bool()
        return Batch(Truth(**kept), self.images[rows], self.masks[rows], stages, self.visible[rows], accompanied)


def _rows(filled: int, settings: Settings, step: int, rank: int, device: str) -> Tensor:
    """Which remembered photos a step uses (batch,), drawn from the seed and the step alone."""
    key = torch.tensor([settings.seed * 10**9 + step * 1000 + rank], device=device)
    return (draws.uniform(key, _SALT_ROWS, settings.batch)[0].double() * filled).long()


def learning_rate(progress: float) -> float:
    """Share of the peak rate: a short rise, then half a cosine down to 1 %."""
    if progress < 0.04:
        return progress / 0.04
    return 0.01 + 0.99 * 0.5 * (1 + math.cos(math.pi * min(1.0, (progress - 0.04) / 0.96)))


def parameter_groups(network: ReaderNetwork, settings: Settings) -> list[dict[str, Any]]:
    """Backbone and new parts at their own rates; no decay of biases, norms and queries."""
    learnt = settings.backbone_rate if settings.start_from != "none" else 1.0
    groups: dict[tuple[float, float], list[nn.Parameter]] = {}
    for name, parameter in network.named_parameters():
        rate = settings.rate * (learnt if name.startswith("backbone.") else 1.0)
        decay = settings.weight_decay if parameter.dim() > 1 and "query" not in name and "embedding" not in name else 0.0
        groups.setdefault((rate, decay), []).append(parameter)
    return [{"params": p, "lr": r, "peak": r, "weight_decay": d} for (r, d), p in groups.items()]


def blend_average(average: nn.Module, network: nn.Module, keep: float) -> None:
    """Move the running mean of weights towards the network; batch statistics are copied."""
    with torch.no_grad():
        torch._foreach_lerp_(list(average.parameters()), list(network.parameters()), 1 - keep)
        for mean, now in zip(average.buffers(), network.buffers()):
            mean.copy_(now)


def settle_statistics(network: nn.Module, batches: Iterable[Tensor]) -> None:
    """Take the batch statistics of a running mean of weights anew: those of the newest weights do not belong to it.

    `batches` of photos (B, 3, px, px) as the network is trained on. The network is left ready for reading.
    """
    norms = [module for module in network.modules() if isinstance(module, nn.BatchNorm2d)]
    momenta = [norm.momentum for norm in norms]
    for norm in norms:
        norm.reset_running_stats()
        norm.momentum = None  # the plain mean over all batches
    network.train()
    with torch.no_grad():
        for photos in batches:
            network(photos)
    for norm, momentum in zip(norms, momenta, strict=True):
        norm.momentum = momentum
    network.eval()


def train(settings: Settings) -> Path:
    """Run the whole schedule; returns the directory that holds the weights and the sidecar."""
    rank, world = int(os.environ.get("RANK", 0)), int(os.environ.get("WORLD_SIZE", 1))
    device = options.device_of(settings.device)
    if world > 1:
        if device == "cuda":
            torch.cuda.set_device(int(os.environ.get("LOCAL_RANK", 0)))
        distributed.init_process_group("nccl" if device == "cuda" else "gloo")
    precision = settings.precision if settings.precision != "auto" else "bfloat16" if device == "cuda" else "float32"
    torch.manual_seed(settings.seed)

    species, looks = load_species(usual_species()), usual_looks()
    vocabulary = build(species, looks)
    tables = cross_tables(species, looks, vocabulary, device)
    log_mix = training_mix(tables, vocabulary, settings.seed, settings.mix_photos)
    places = Places(vocabulary, tables, log_mix.float().to(device))
    shape = NetworkShape(
        vocabulary.n_classes, len(STAGES), settings.input_px, locate_px=settings.locate_px, critic_width=settings.critic_width,
        depths=tuple(int(depth) for depth in settings.depths.split(",")),
    )  # fmt: skip
    network = ReaderNetwork(shape)
    if settings.start_from.endswith(".safetensors"):  # go on from a whole trained reader, with a fresh schedule
        continue_from(network, Path(settings.start_from))
    elif settings.start_from != "none":
        load_start(network, start_file() if settings.start_from == "imagenet" else Path(settings.start_from))
    network = network.to(device, memory_format=torch.channels_last)
    average = copy.deepcopy(network).eval()
    optimiser = torch.optim.AdamW(parameter_groups(network, settings), betas=(0.9, 0.98), fused=device == "cuda")
    varied_photos = vary
    if settings.compile:
        network.compile()
        varied_photos = torch.compile(vary)
    model = nn.parallel.DistributedDataParallel(network) if world > 1 else network

    settings.directory.mkdir(parents=True, exist_ok=True)
    checkpoint, log_file = settings.directory / "checkpoint.pt", settings.directory / "training_log.jsonl"
    step, done, spent, history = 0, 0.0, 0.0, []
    if settings.resume:
        step, spent, history = _restore(checkpoint, network, average, optimiser)
        done = spent / settings.seconds if settings.seconds else step / settings.steps
    elif rank == 0:
        log_file.write_text("")

    memory = Memory(settings.memory, settings.render_px, len(looks.loci), device)
    bar = Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.percentage:5.1f} %"),
        TimeElapsedColumn(),
        TimeRemainingColumn(),
        disable=rank > 0 or not sys.stderr.isatty(),
    )
    task = bar.add_task("training", total=1.0, completed=done)
    sums, counted, rendering = {}, 0, 0.0

    def hatch_more(number: int) -> None:
        """Render the photos of that number; the same number, the same photos."""
        seeds = photo_seeds("train", (number * world + rank) * settings.fresh, settings.fresh, settings.seed, device)
        truth = draw_truth(tables, seeds, "training", keep_out=True)
        varied = (number * 0.618034) % 1.0 < settings.varied_share
        memory.add(draw_photos(truth, settings.render_px, domain="varied" if varied else "training"))
        if device == "cuda":
            torch.cuda.synchronize()

    def photos_of_step(number: int) -> tuple[Batch, Tensor, Tensor]:
        batch = memory.take(_rows(memory.filled, settings, number, rank, device))
        images, masks = varied_photos(batch.images, batch.masks, batch.truth.seeds + number * 15_485_863, settings.input_px)
        return batch, images.contiguous(memory_format=torch.channels_last), masks

    def losses_of_step(number: int) -> dict[str, Tensor]:
        batch, images, masks = photos_of_step(number)
        with torch.autocast(device, torch.bfloat16, enabled=precision == "bfloat16"):
            outputs = model(images)
        parts = losses(outputs, network, batch, masks, settings, places)
        return parts | losses_of_whole(network, batch, settings, precision)

    with bar:
        before = settings.first_fill - 1 - (-step // settings.steps_per_render)  # rendered before the next step
        for number in range(max(0, before - settings.first_fill + 1), before + 1):
            hatch_more(number)
        if settings.compile:
            sum(losses_of_step(step).values()).backward()  # compiles both passes; the step itself is taken below
        started = last_seen = time.monotonic()  # the first photos are not part of the schedule
        while done < 1.0:
            for group in optimiser.param_groups:
                group["lr"] = group["peak"] * learning_rate(done)
            network.train()
            if step % settings.steps_per_render == 0:
                asked = time.monotonic()
                hatch_more(settings.first_fill + step // settings.steps_per_render)
                rendering += time.monotonic() - asked
            parts = losses_of_step(step)
            optimiser.zero_grad(set_to_none=True)
            sum(parts.values()).backward()
            nn.utils.clip_grad_norm_(network.parameters(), 5.0)
            optimiser.step()
            blend_average(average, network, min(settings.average, (step + 1) / (step + 10)))
            step += 1
            now = spent + time.monotonic() - started
            if world == 1 or not settings.seconds:
                done = now / settings.seconds if settings.seconds else step / settings.steps
            elif step % _STEPS_TO_AGREE == 0:
                # clocks differ, so the first process says how far all of them are; not at every step, because that
                # waits for the device
                shared = torch.tensor([now / settings.seconds], dtype=torch.float64, device=device)
                distributed.broadcast(shared, 0)
                done = float(shared)
            bar.update(task, completed=min(done, 1.0))
            for name, value in parts.items():
                sums[name] = sums.get(name, 0.0) + value.detach()
            counted += 1
            if rank == 0 and (time.monotonic() - last_seen > settings.validate_every or done >= 1.0):
                rendered = (settings.first_fill - (-step // settings.steps_per_render)) * settings.fresh * world
                entry = {
                    "step": step,
                    "photos": rendered,
                    "views": step * settings.batch * world,
                    "seconds": round(now, 1),
                    "rendering": round(rendering, 1),
                }
                entry |= {name: round(float(value) / counted, 4) for name, value in sums.items()}
                with torch.autocast(device, torch.bfloat16, enabled=precision == "bfloat16"):
                    settle_statistics(average, (photos_of_step(step + n)[1] for n in range(settings.settle)))
                entry |= _validate(average, places, settings, device)
                history.append(entry)
                with log_file.open("a") as log:
                    log.write(json.dumps(entry) + "\n")
                print(json.dumps(entry), flush=True)
                _keep(checkpoint, network, average, optimiser, step, now, history)
                last_seen, sums, counted, rendering = time.monotonic(), {}, 0, 0.0
    if rank == 0:
        sidecar = describe(settings, vocabulary, log_mix, shape, history, world)
        save_model(average, settings.directory, sidecar)
    if world > 1:
        distributed.destroy_process_group()
    return settings.directory


def _validate(network: ReaderNetwork, places: Places, settings: Settings, device: str) -> dict[str, float]:
    """Figures of the running mean of the weights, before calibration; they choose nothing."""
    shown = {}
    for domain, prefix in zip(REPORTED_DOMAINS, ("validation", "shifted"), strict=True):
        cases = read_protocol(network, places.tables, places.log_mix, "twelve genes", "validate", settings.validate_photos,
                              seed=settings.seed, px=settings.render_px, domain=domain)  # fmt: skip
        found = metrics(cases, 1.0, 1e-3)
        shown |= {f"{prefix}_top1": found["top1"], f"{prefix}_nll": found["nll"]}
    return shown


def describe(
    settings: Settings,
    vocabulary: Vocabulary,
    log_mix: Tensor,
    shape: NetworkShape,
    history: list[dict[str, Any]],
    world: int,
) -> dict[str, Any]:
    """The sidecar before calibration and report: what was trained, on what, how."""
    uncalibrated = {"beta": 1.0, "eps": 1e-3, "photo_exponent": 0.5, "shortlist": 1.0, "fitted_on": "not calibrated"}
    kept = {k: (v.name if isinstance(v, Path) else v) for k, v in asdict(settings).items() if not isinstance(v, bool)}
    if settings.start_from.endswith(".pth"):
        kept["start_from"] = "imagenet"
    kept["start_from"] = Path(kept["start_from"]).name  # no path of the machine that trained
    return {
        "species": vocabulary.species,
        "classes": vocabulary.to_json(),
        "log_mix": [round(float(x), 6) for x in log_mix],
        "network": shape.to_json(),
        "input": {"px": shape.input_px, "mean": 127 / 255, "std": 128 / 255, "colour": "sRGB, 0..1"},
        "stages": list(STAGES),
        "calibration": {"cautious": uncalibrated, "training domain": uncalibrated},
        "seed": settings.seed,
        "command": options.command_line("train", {**kept, "compile": settings.compile}),
        "settings": kept,
        "commit": commit_of_code(),
        "data": data_hashes(),
        "processes": world,
        "continued_from": _continued_from(settings.start_from),
        "torch": torch.__version__,
        "device": device_name(),
        "history": history,
        "licence": "MIT; the backbone started from EfficientNet-Lite0 ImageNet weights (Apache 2.0)"
        if settings.start_from != "none" else "MIT",
    }  # fmt: skip


def _continued_from(start: str) -> dict[str, Any] | None:
    """What is known of the trained reader this one went on from: its command, seed, data and history."""
    path = Path(start)
    if path.suffix != ".safetensors":
        return None
    beside = json.loads(path.with_suffix(".json").read_text("utf-8"))
    return {
        k: beside[k]
        for k in ("command", "seed", "settings", "commit", "data", "history", "cut_off", "sha256", "continued_from")
        if k in beside
    }


def _keep(
    path: Path,
    network: nn.Module,
    average: nn.Module,
    optimiser: torch.optim.Optimizer,
    step: int,
    seconds: float,
    history: list[dict[str, Any]],
) -> None:
    state = {
        "network": network.state_dict(),
        "average": average.state_dict(),
        "optimiser": optimiser.state_dict(),
        "step": step,
        "seconds": seconds,
        "history": history,
    }
    torch.save(state, path.with_suffix(".part"))
    path.with_suffix(".part").replace(path)


def _restore(
    path: Path, network: nn.Module, average: nn.Module, optimiser: torch.optim.Optimizer
) -> tuple[int, float, list[dict[str, Any]]]:
    state = torch.load(path, map_location="cpu", weights_only=True)
    network.load_state_dict(state["network"])
    average.load_state_dict(state["average"])
    if state.get("optimiser") is not None:
        optimiser.load_state_dict(state["optimiser"])
    return state["step"], state["seconds"], state["history"]


if __name__ == "__main__":
    train(parse())
