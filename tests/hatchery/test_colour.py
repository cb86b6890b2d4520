"""What genes do to colour, measured in CIE L*a*b* by colour-science. The facts: common practice, no source."""

import colour
import numpy as np
import pytest
import torch

from triage.hatchery import draws, encode, render
from triage.hatchery.domains import BY_NAME
from triage.hatchery.express import express
from triage.hatchery.skin import make_skin
from triage.species.drawing import usual_looks

LOOKS = usual_looks()


def lab_of_skin(genotype, domain):
    """L*a*b* of the skin maps of eight animals, all texels, (n, 3)."""
    seeds = draws.seed_tensor(range(8), "cpu")
    look = express(encode([genotype] * 8), seeds, torch.zeros(8), LOOKS)
    skin = make_skin(look, seeds, (160, 48), BY_NAME[domain].draw_markings, BY_NAME[domain].reflect)
    linear = skin.permute(0, 2, 3, 1).reshape(-1, 3).double().numpy()
    return colour.XYZ_to_Lab(colour.RGB_to_XYZ(linear, "sRGB"))


def chroma(lab):
    return np.hypot(lab[:, 1], lab[:, 2])


@pytest.mark.parametrize("domain", list(BY_NAME))
def test_pigment_genes_do_what_their_names_say(domain):
    wild = lab_of_skin({}, domain)
    assert np.percentile(wild[:, 0], 5) < 30  # a wild type has near-black
    albino = lab_of_skin({"albino": ("albino", "albino")}, domain)
    assert albino[:, 0].min() > 55  # no dark melanin anywhere
    axanthic = lab_of_skin({"axanthic line A": ("axanthic line A", "axanthic line A")}, domain)
    most, deepest = (0.55, 20) if domain == "varied" else (0.4, 14)  # its browns differ from animal to animal
    assert np.percentile(chroma(axanthic), 95) < deepest < 20.1 < np.percentile(chroma(wild), 90)
    assert chroma(axanthic).mean() < most * chroma(wild).mean()
    white = lab_of_skin({"fire series": ("fire", "fire")}, domain)
    assert white[:, 0].min() > 80 and chroma(white).max() < 15
    black = lab_of_skin({"dark series": ("black pastel", "black pastel")}, domain)
    upper = np.percentile(black[:, 0], 60)
    assert upper < np.percentile(wild[:, 0], 60)
    lavender = lab_of_skin({"lavender albino": ("lavender albino", "lavender albino")}, domain)
    assert lavender[:, 1].mean() > albino[:, 1].mean()  # towards red-violet
    snow = lab_of_skin({"albino": ("albino", "albino"), "axanthic line A": ("axanthic line A",) * 2}, domain)
    assert chroma(snow).mean() < 0.5 * chroma(albino).mean()


@pytest.mark.parametrize("domain", list(BY_NAME))
def test_incomplete_dominants_go_the_same_way_further(domain):
    """Two copies of pastel, enchi and orange dream change the mean colour further than one."""
    wild = lab_of_skin({}, domain).mean(0)
    for gene in ("pastel", "enchi", "orange dream"):
        one = lab_of_skin({gene: ("normal", gene)}, domain).mean(0)
        two = lab_of_skin({gene: (gene, gene)}, domain).mean(0)
        assert np.linalg.norm(two - wild) > 1.2 * np.linalg.norm(one - wild) > 1.2


def test_look_alikes_look_alike():
    """Lesser and butter cannot be told apart; cinnamon and pastel can."""
    lesser, butter, cinnamon, pastel = (
        lab_of_skin({locus: ("normal", allele)}, "training")
        for locus, allele in (
            ("blue-eyed-leucistic series", "lesser"), ("blue-eyed-leucistic series", "butter"),
            ("dark series", "cinnamon"), ("pastel", "pastel"),
        )
    )  # fmt: skip
    same = colour.delta_E(lesser, butter, method="CIE 2000").mean()
    assert same < 1.0 < 5.0 < colour.delta_E(cinnamon, pastel, method="CIE 2000").mean()


def test_the_photo_follows_the_skin():
    """In the masked pixels of photos too: an albino has no dark, an axanthic little colour."""
    genotypes = [{}, {"albino": ("albino", "albino")}, {"axanthic line A": ("axanthic line A",) * 2}]
    lightness, colourfulness = [], []
    for genotype in genotypes:
        photos = render([genotype] * 6, range(6), [75, 61, 64, 70, 77, 81], size=96, stage="after first shed")
        inside = photos.masks[:, 0] > 0.99
        pixels = photos.images.permute(0, 2, 3, 1)[inside].double().numpy()
        lab = colour.XYZ_to_Lab(colour.sRGB_to_XYZ(pixels))
        lightness.append(np.percentile(lab[:, 0], 10))
        colourfulness.append(chroma(lab).mean())
    assert lightness[1] > lightness[0] + 20
    assert colourfulness[2] < 0.7 * colourfulness[0]
