"""Renew the golden photo after training anew: `python tests/vision/make_golden.py`. Look at the picture it writes."""

import json
from pathlib import Path

import numpy as np
from PIL import Image

from triage.genetics.readings import photo_reading
from triage.hatchery import render
from triage.species import load_species, parse_call
from triage.vision.intake import open_photo
from triage.vision.reader import PhotoReader, padded_square, sample

FOLDER = Path(__file__).parent / "golden"
WORDS = ("normal", "pastel", "super pastel", "enchi", "pastel enchi", "clown", "spider", "pastel spider")
BALL = load_species("ball python")
CALLS = [parse_call(BALL, words)[0] for words in WORDS]


def log_likelihoods(reading):
    """What one photo says of the calls: logarithms of likelihoods that sum to 1."""
    likelihoods = photo_reading([reading.evidence(CALLS, BALL)]).likelihoods
    found = np.array([likelihoods[call] for call in CALLS])
    return np.log(found / found.sum())


if __name__ == "__main__":
    drawn = render(
        [{"pastel": ("normal", "pastel"), "enchi": ("enchi", "normal")}], [41], [42], size=448, stage="after first shed"
    )
    FOLDER.mkdir(exist_ok=True)
    picture = (drawn.images[0].permute(1, 2, 0).numpy() * 255).round().astype(np.uint8)
    Image.fromarray(picture).save(FOLDER / "photo.jpg", quality=92)
    reader = PhotoReader.load()
    photo = open_photo(FOLDER / "photo.jpg")
    square = sample(padded_square(photo), (0.0, 0.0, 1.0), reader.input_px)
    stored = (square.permute(1, 2, 0).numpy() * 255).round().astype(np.uint8)
    Image.fromarray(stored).save(FOLDER / "square.png")
    outputs = reader.read_square(square[None])
    reading = reader.read([photo])[0]
    answer = {
        "weights": reader.sidecar["sha256"],
        "looks": [round(float(v), 5) for v in outputs.looks[0]],
        "pairs": [round(float(v), 5) for v in outputs.pairs[0]],
        "log_likelihoods": [round(float(v), 5) for v in log_likelihoods(reading)],
    }
    (FOLDER / "reading.json").write_text(json.dumps(answer, indent=1) + "\n")
