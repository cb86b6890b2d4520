"""Copies of one shot count once; another photo of the same animal does not. Measured on renders: 24 animals, two photos each."""

import io
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from triage.errors import StorageError
from triage.genetics.readings import SAME_SHOT, photo_reading, shots
from triage.hatchery import render
from triage.records import PhotoEvidence, VisualCall
from triage.storage.kinds import Reading
from triage.vision.intake import open_photo
from triage.vision.reader import PhotoReader
from triage.workflow.sheet import load_sheet
from triage.workflow.sort import sort_clutch

LOOKS = [
    {}, {"spider": ("normal", "spider")}, {"pastel": ("normal", "pastel")}, {"clown": ("clown", "clown")},
    {"albino": ("albino", "albino")}, {"piebald": ("piebald", "piebald")},
] * 4  # fmt: skip
DEMO = Path(__file__).parents[2] / "demo_images"


def pictures(photo_seeds):
    drawn = render(LOOKS, range(24), photo_seeds, size=448, stage="after first shed")
    return [Image.fromarray((image.permute(1, 2, 0).numpy() * 255).round().astype(np.uint8)) for image in drawn.images]


def jpeg(image, quality=92):
    data = io.BytesIO()
    image.save(data, "JPEG", quality=quality)
    return data.getvalue()


def trimmed(image):
    return image.crop((22, 11, 441, 425))


def next_frame(image, draw):
    """A hand that moved: a degree, some pixels, a little light, noise."""
    mean = tuple(int(v) for v in np.asarray(image).mean((0, 1)))
    moved = image.rotate(draw.normal() * 2, Image.Resampling.BICUBIC, translate=tuple(draw.normal(size=2) * 8), fillcolor=mean)
    noisy = np.asarray(moved, float) * (1 + 0.04 * draw.normal()) + draw.normal(size=(*moved.size[::-1], 1)) * 4
    return Image.fromarray(noisy.clip(0, 255).astype(np.uint8))


def differing(ones, others):
    return np.array([(int(a, 16) ^ int(b, 16)).bit_count() for a, b in zip(ones, others, strict=True)])


def test_copies_have_the_fingerprint_of_the_shot_and_other_photos_do_not():
    reader, draw = PhotoReader.load(), np.random.default_rng(0)

    def prints(files):
        return [reading.shot for reading in reader.read([open_photo(file) for file in files])]

    taken = pictures(range(100, 124))
    shot = prints([jpeg(image) for image in taken])
    same = {
        "compressed": [jpeg(image, 40) for image in taken],
        "half the size": [jpeg(image.resize((224, 224))) for image in taken],
        "next frame": [jpeg(next_frame(image, draw)) for image in taken],
        "trimmed": [jpeg(trimmed(image)) for image in taken],
    }
    shares = {name: float((differing(shot, prints(files)) <= SAME_SHOT).mean()) for name, files in same.items()}
    assert shares["compressed"] == shares["half the size"] == 1
    assert shares["next frame"] >= 0.9 and shares["trimmed"] >= 0.9
    assert not (differing(shot, prints([jpeg(image) for image in pictures(range(500, 524))])) <= SAME_SHOT).any(), "another photo"
    pairs = [(i, j) for i in range(24) for j in range(i)]
    assert (differing([shot[i] for i, _ in pairs], [shot[j] for _, j in pairs]) <= SAME_SHOT).mean() < 0.05, "other animals"


def evidence(p, shot):
    clown = VisualCall((("clown", "clown"),))
    return PhotoEvidence({VisualCall(): np.log(1 - p), clown: np.log(p)}, 0.0, 0.5, 1.0, "w", shot)


def test_copies_say_their_mean_once():
    one, near, other = (f"{bits:025x}" for bits in (0, 2**SAME_SHOT - 1, 2**99 - 1))
    photos = [evidence(0.8, one), evidence(0.6, other), evidence(0.9, near)]
    assert sorted(len(group) for group in shots(photos)) == [1, 2]
    merged = evidence(0.5, one)
    mean = {call: (photos[0].log_likelihoods[call] + photos[2].log_likelihoods[call]) / 2 for call in merged.log_likelihoods}
    wanted = photo_reading([replace(merged, log_likelihoods=mean), photos[1]]).likelihoods
    assert photo_reading(photos).likelihoods == pytest.approx(wanted, rel=1e-12)
    for order in ((0, 1, 2), (2, 1, 0), (1, 2, 0)):
        assert photo_reading([photos[i] for i in order]).likelihoods == pytest.approx(wanted, rel=1e-12)


def test_a_photo_read_before_fingerprints_is_known_by_what_it_says():
    assert len(shots([evidence(0.8, ""), evidence(0.8, ""), evidence(0.7, "")])) == 2


@pytest.mark.parametrize("copies", [2, 6])
def test_one_file_listed_often_moves_no_egg(tmp_path, copies):
    name = sorted(path.name for path in DEMO.glob("*4*.jpg"))[0]
    for n in range(copies):
        shutil.copy(DEMO / name, tmp_path / f"{n}.jpg")

    def sort(photos):
        sheet = tmp_path / "sheet.yaml"
        sheet.write_text(
            "species: ball python\ndam: {name: Dam, genes: 'pastel, 66% het clown'}\nsires: [{name: Sire, genes: 'pastel, fire'}]\n"
            f"eggs:\n  - {{label: E1, photos: [{', '.join(photos)}]}}\n", "utf-8",
        )  # fmt: skip
        return sort_clutch(load_sheet(sheet)).eggs[0]

    once, often = sort(["0.jpg"]), sort([f"{n}.jpg" for n in range(copies)])
    assert [(c.call, c.probability) for c in often.calls] == [(c.call, pytest.approx(c.probability, rel=1e-4)) for c in once.calls]
    assert often.tray is once.tray
    assert f"{copies} photos show 1 shot: copies of one count once" in often.photo_remarks


def test_a_fingerprint_that_is_none_is_refused():
    fields = {"about": "x", "at": "2031-06-02T18:04:11+00:00", "log_likelihoods": {"normal": 0}, "floor": 0, "exponent": 0, "shortlist": 1}
    with pytest.raises(StorageError, match="reading, field 'shot' is 'zz'; needed: 25 hexadecimal digits"):
        Reading(**fields, shot="zz")
