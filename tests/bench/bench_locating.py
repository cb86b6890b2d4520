"""How well the animal is found: `python tests/bench/bench_locating.py --photos 200`.

The reader's own mask beside a general network's salience: the class activation map (Zhou et al. 2016, arXiv 1512.04150) of the
17 snake classes in the network of everyday photographs that the gate carries. On lone rendered hatchlings outside the egg: how far
the square each would cut agrees with the square around the true mask (intersection over union), and the time of each.
"""

import argparse
import time

import numpy as np
import torch
import torch.nn.functional as F

from triage.hatchery import render
from triage.vision.crop import MARGIN, boxes_of
from triage.vision.gate import INPUT_PX, SNAKES, Gate
from triage.vision.reader import PhotoReader

_STAGES = ("just hatched", "before shed", "after first shed", "three months")


def overlap(first, second):
    """Intersection over union (B,) of squares (B, 3): centre x, centre y, side."""
    low = torch.maximum(first[:, :2] - first[:, 2:] / 2, second[:, :2] - second[:, 2:] / 2)
    high = torch.minimum(first[:, :2] + first[:, 2:] / 2, second[:, :2] + second[:, 2:] / 2)
    both = (high - low).clamp(min=0).prod(1)
    return both / (first[:, 2] ** 2 + second[:, 2] ** 2 - both)


def by_everyday_network(network, images):
    """Salience 0..1 (B, 1, 7, 7) of snakes: what each place adds to their classes, from nothing to the most of the photo."""
    small = F.interpolate(images, (INPUT_PX, INPUT_PX), mode="bilinear", antialias=True, align_corners=False)
    features = network.backbone((small * 255 - 127) / 128)[2]
    classes = network.classes(features.mean((2, 3))).softmax(1)[:, SNAKES]
    weight = (classes / classes.sum(1, keepdim=True)) @ network.classes.weight[SNAKES]
    places = torch.einsum("bchw,bc->bhw", features, weight).clamp(min=0)
    return (places / places.amax((1, 2), keepdim=True).clamp(min=1e-6))[:, None]


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--photos", type=int, default=200)
    count = parser.parse_args().photos
    torch.set_num_threads(2)
    reader = PhotoReader.load()
    everyday = Gate.load(reader.sidecar["sha256"])._everyday
    for domain in ("training", "shifted"):
        seeds = range(8_000, 8_000 + count)
        drawn = render([{}] * count, seeds, seeds, size=320, domain=domain, stage=[_STAGES[s % 4] for s in seeds])
        lone = ~drawn.accompanied & (drawn.masks.mean((1, 2, 3)) > 0.01)
        images, truth = drawn.images[lone], boxes_of(drawn.masks[lone], MARGIN)
        ways = {"the reader's mask": [], "snake classes of the everyday network": []}
        spent = dict.fromkeys(ways, 0.0)
        with torch.inference_mode():
            for part in images.split(16):
                start = time.perf_counter()
                small = F.interpolate(part, (reader.looking_px,) * 2, mode="bilinear", antialias=True, align_corners=False)
                ways["the reader's mask"].append(boxes_of(reader.read_square(small).mask.sigmoid(), MARGIN))
                middle = time.perf_counter()
                # the level at which a map counts as animal is the one that does best on these photos, so it is flattered
                ways["snake classes of the everyday network"].append(by_everyday_network(everyday, part))
                spent["the reader's mask"] += middle - start
                spent["snake classes of the everyday network"] += time.perf_counter() - middle
        print(f"{domain} domain, {len(images)} lone animals outside the egg:")
        maps = F.interpolate(torch.cat(ways.pop("snake classes of the everyday network")), (40, 40), mode="bilinear")
        levels = {level: overlap(boxes_of((maps / (2 * level)).clamp(0, 1), MARGIN), truth) for level in (0.1, 0.2, 0.3, 0.4, 0.5, 0.6)}
        best = max(levels.values(), key=lambda found: float(found.mean()))
        found = {name: overlap(torch.cat(boxes), truth) for name, boxes in ways.items()} | {"snake classes of the everyday network": best}
        for name, values in found.items():
            good, low = (values > 0.6).float().mean(), np.quantile(values, 0.25)
            print(f"  {name:40s} overlap {values.mean():.2f} (lower quartile {low:.2f}), above 0.6 in {100 * good:.0f} %, "
                  f"{1000 * spent[name] / len(images):.1f} ms a photo")  # fmt: skip


if __name__ == "__main__":
    main()
