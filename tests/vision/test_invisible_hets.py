"""Over hundreds of photos, a het that cannot be seen stays where Mendel puts it, to 1e-9. HET_PHOTOS=1000 reads as many."""

import os

import torch

from triage.genetics.clutch.exact import infer
from triage.genetics.clutch.model import compile_cross
from triage.genetics.readings import photo_reading
from triage.hatchery import render
from triage.records import Cross, Egg, Genotype, Sex
from triage.species import load_species, parse_parent
from triage.vision.intake import Photo
from triage.vision.reader import PhotoReader
from triage.workflow.photos import evidence_of

PHOTOS, PX, STEP = int(os.environ.get("HET_PHOTOS", 240)), 96, 40


def test_photos_do_not_move_what_cannot_be_seen():
    torch.set_num_threads(1)
    species, reader = load_species("ball python"), PhotoReader.load()
    dam = parse_parent(species, "pastel, 66% het piebald, het albino", name="Dam", sex=Sex.FEMALE)
    sire = parse_parent(species, "enchi, mojave", name="Sire", sex=Sex.MALE)
    model = compile_cross(Cross(species, dam, (sire,), (1,), 0))
    genes = [{}, {"pastel": ("normal", "pastel")}, {"enchi": ("enchi", "normal")},
             {"blue-eyed-leucistic series": ("mojave", "normal"), "pastel": ("normal", "pastel")}]  # fmt: skip
    moved = 0
    for start in range(0, PHOTOS, STEP):
        seeds = range(start, start + STEP)
        drawn = render([genes[seed % 4] for seed in seeds], seeds, seeds, size=PX)
        pixels = (drawn.images * 255).round().to(torch.uint8).permute(0, 2, 3, 1).numpy()
        photos = [Photo(str(seed), image, (PX, PX), "PNG") for seed, image in zip(seeds, pixels, strict=True)]
        for found in reader.read(photos, batch=STEP):
            reading = photo_reading([evidence_of(model, (), reader, found)])
            (egg,) = infer(model, [Egg("A1", readings=(reading,))]).eggs
            pied, albino = egg.loci["piebald"], egg.loci["albino"]
            assert abs(pied[Genotype("normal", "piebald")] - 1 / 3) < 1e-9
            assert abs(albino[Genotype("albino", "normal")] - 1 / 2) < 1e-9
            moved += abs(egg.loci["pastel"][Genotype("normal", "pastel")] - 0.5) > 0.1
    assert moved > PHOTOS / 2  # the same photos do move what can be seen
