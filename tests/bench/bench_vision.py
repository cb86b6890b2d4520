"""Time reading on this machine: `python tests/bench/bench_vision.py`. From JPEG bytes to likelihoods, beside the bare
backbone's forward pass on the same batch, in one run: as it was trained, and as the reader keeps it (norms and padding
folded into the convolutions, channels last)."""

import io
import os
import time

import numpy as np
import torch
from PIL import Image

from triage.hatchery import render
from triage.species import load_species, parse_call
from triage.vision.intake import open_photo
from triage.vision.reader import PhotoReader, padded_square, sample
from triage.vision.weights import load_model

PHOTOS, REPEATS = 16, 5


def fastest_seconds(works):
    """Least time of each work, the works taken in turn so that other load on the machine meets all alike."""
    best = [float("inf")] * len(works)
    for _ in range(REPEATS):
        for number, work in enumerate(works):
            start = time.perf_counter()
            work()
            best[number] = min(best[number], time.perf_counter() - start)
    return best


def main():
    torch.set_num_threads(2)
    start = time.perf_counter()
    reader = PhotoReader.load()
    print(f"load: {time.perf_counter() - start:.2f} s on {os.cpu_count()} cores, torch {torch.__version__}")
    drawn = render([{}] * PHOTOS, range(PHOTOS), range(PHOTOS), size=512)
    files = []
    for image in drawn.images:
        data = io.BytesIO()
        Image.fromarray((image.permute(1, 2, 0).numpy() * 255).astype(np.uint8)).save(data, "JPEG", quality=90)
        files.append(data.getvalue())
    species = load_species("ball python")
    calls = [parse_call(species, words)[0] for words in ("normal", "pastel", "super pastel", "clown")]
    squares = torch.stack([sample(padded_square(open_photo(f)), (0, 0, 1), reader.input_px) for f in files])
    squares = squares.contiguous(memory_format=torch.channels_last)  # as the reader keeps its network
    network = reader._network

    trained, first = load_model().network.backbone, squares.contiguous()

    def bare():
        with torch.inference_mode():
            network.backbone((squares * 255 - 127) / 128)

    def as_trained():
        with torch.inference_mode():
            trained((first * 255 - 127) / 128)

    def whole():
        for reading in reader.read([open_photo(f) for f in files]):
            reading.evidence(calls, species)

    opened = [open_photo(f) for f in files]
    cut = sum(r.box[2] < 1 for r in reader.read(opened))
    works = {
        "backbone as trained": as_trained,
        "backbone as read with": bare,
        "whole network once": lambda: reader.read_square(squares),
        "opened photo to reading": lambda: reader.read(opened),
        "JPEG to likelihoods": whole,
    }
    times = dict(zip(works, fastest_seconds(list(works.values()))))
    print(f"{PHOTOS} photos of 512 px, {cut} of them cut out and so read twice:")
    for name, seconds in times.items():
        ratio = seconds / times["backbone as read with"]
        print(
            f"  {name:24s} {1000 * seconds / PHOTOS:7.2f} ms a photo  {PHOTOS / seconds:6.1f} photos/s  {ratio:.2f} x backbone"
        )


if __name__ == "__main__":
    main()
