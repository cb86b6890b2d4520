"""Photos a second and time per step of the hatchery.

    python tests/bench/bench_hatchery.py [--device cuda] [--batch 512] [--seconds 5] [--sizes 128 224]

Prints photos a second of whole calls, then milliseconds a photo in each step (one thread on a CPU, synchronised on a
GPU), then whether photos drawn alone have the same bits as in a batch.
"""

import argparse
import dataclasses
import importlib
import time

import torch

from triage.hatchery import Photos, draws, render
from triage.species.drawing import usual_looks

module = importlib.import_module("triage.hatchery.render")
STEPS = ("express", "make_skin", "make_stage", "make_pose", "make_camera", "rasterise", "shade_surface",
         "make_background", "paint_egg", "make_light", "light_ground", "light_skin")  # fmt: skip
RESPONSE = "camera response"


def genotype_codes(count: int, device: str) -> torch.Tensor:
    """Mixed genotypes: at every locus a mutant allele in one animal of six."""
    looks = usual_looks()
    seeds = draws.seed_tensor(range(count), device)
    u = draws.uniform(seeds, 1, len(looks.loci), 2)
    counts = torch.tensor([len(locus.alleles) for locus in looks.loci], device=device)[None, :, None]
    pick = (draws.uniform(seeds, 2, len(looks.loci), 2) * (counts - 1)).long() + 1
    return torch.where(u < 0.09, pick, 0)


def draw(count: int, first: int, size: int, device: str, codes: torch.Tensor) -> Photos:
    """A call of `count` photos with seeds from `first`."""
    seeds = torch.arange(first, first + count, device=device)
    photos = render(codes, seeds, seeds + 10**6, size=size, device=device)
    if device != "cpu":
        torch.cuda.synchronize()
    return photos


def rate(batch: int, size: int, device: str, seconds: float) -> float:
    """Photos a second over at least `seconds`."""
    codes = genotype_codes(batch, device)
    draw(batch, 0, size, device, codes)
    start, done = time.perf_counter(), 0
    while time.perf_counter() - start < seconds:
        draw(batch, done, size, device, codes)
        done += batch
    return done / (time.perf_counter() - start)


def step_times(batch: int, size: int, device: str) -> dict[str, float]:
    """Milliseconds a photo spent in each step."""
    spent = dict.fromkeys((*STEPS, RESPONSE), 0.0)
    domains, domain = module.BY_NAME, module.BY_NAME["training"]
    originals = {name: getattr(module, name) for name in STEPS} | {RESPONSE: domain.respond}

    def timed(name: str):
        def call(*arguments, **keywords):
            if device != "cpu":
                torch.cuda.synchronize()
            start = time.perf_counter()
            result = originals[name](*arguments, **keywords)
            if device != "cpu":
                torch.cuda.synchronize()
            spent[name] += time.perf_counter() - start
            return result

        return call

    threads = torch.get_num_threads()
    if device == "cpu":
        torch.set_num_threads(1)
    codes = genotype_codes(batch, device)
    try:
        for name in STEPS:
            setattr(module, name, timed(name))
        module.BY_NAME = domains | {"training": dataclasses.replace(domain, respond=timed(RESPONSE))}
        start = time.perf_counter()
        draw(batch, 0, size, device, codes)
        whole = time.perf_counter() - start
    finally:
        for name in STEPS:
            setattr(module, name, originals[name])
        module.BY_NAME = domains
        torch.set_num_threads(threads)
    spent["everything else"] = whole - sum(spent.values())
    return {name: 1000 * value / batch for name, value in spent.items()}


def main() -> None:
    """Parse the command line and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--device", default="cpu")
    parser.add_argument("--batch", type=int, default=0, help="photos a call; default 16 on a CPU, 512 on a GPU")
    parser.add_argument("--seconds", type=float, default=5.0)
    parser.add_argument("--sizes", type=int, nargs="+", default=[128, 224])
    arguments = parser.parse_args()
    batch = arguments.batch or (16 if arguments.device == "cpu" else 512)
    for size in arguments.sizes:
        per_second = rate(batch, size, arguments.device, arguments.seconds)
        print(f"{size} px, {batch} a call, {torch.get_num_threads()} threads, {arguments.device}: {per_second:.1f} photos/s")
        for name, milliseconds in step_times(batch, size, arguments.device).items():
            print(f"    {name:16s} {milliseconds:8.3f} ms a photo")
    codes = genotype_codes(12, arguments.device)
    together = draw(12, 0, 128, arguments.device, codes)
    worst = 0.0
    for number in range(12):
        alone = draw(1, number, 128, arguments.device, codes[number : number + 1])
        worst = max(worst, float((alone.images[0] - together.images[number]).abs().max()))
    print(f"largest difference between a photo drawn alone and in a batch of 12: {worst}")
    if arguments.device != "cpu":
        there = draw(12, 0, 128, "cpu", codes.cpu())
        gap = (there.images - together.images.cpu()).abs()
        print(f"CPU against {arguments.device}: mean difference {float(gap.mean()):.5f}, largest {float(gap.max()):.3f}")


if __name__ == "__main__":
    main()
