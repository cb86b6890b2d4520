"""Clutch sheets drawn at random, of everything that the loader accepts: for properties that must hold of every one."""

import random

import yaml

from triage.records import PhotoEvidence
from triage.workflow.clutch import PhotoSource, ReadPhoto
from triage.workflow.demo import FOLDER

BALL = {
    "recessive": ["clown", "piebald"],
    "visible": ["pastel", "enchi", "spider"],
    "series": ["mojave", "lesser", "fire", "vanilla"],
    "sexed": ["banana"],
    "looks": ["normal", "pastel", "clown", "banana", "mojave", "lesser mojave", "pastel enchi", "blue-eyed leucistic", "fire", "firefly"],
}
CORN = {
    "recessive": ["amel", "anery", "hypo"],
    "visible": ["tessera"],
    "series": ["motley", "stripe"],
    "sexed": [],
    "looks": ["normal", "amel", "anery", "snow", "tessera", "motley"],
}


def genes(draw, words, n):
    """Shorthand of up to `n` genes."""
    found = []
    if draw.random() < 0.6:
        gene = draw.choice(words["recessive"])
        found.append(draw.choice([f"het {gene}", f"66% het {gene}", f"50% het {gene}", gene, f"33% het {gene}"]))
    if n > 1 and draw.random() < 0.6:
        found.append(draw.choice(words["visible"]))
    if n > 1 and draw.random() < 0.4:
        found.append(draw.choice(words["series"] if words is BALL else [f"het {w}" for w in words["series"]]))
    if n > 1 and words is BALL and draw.random() < 0.15:
        found.append(draw.choice(["axanthic", "het axanthic", "66% het axanthic"]))
    return ", ".join(found) or "normal"


def parent(draw, words, name, male):
    """A parent's entry: by genes, by descent, or by its look."""
    way = draw.random()
    entry = {"name": name}
    if way < 0.65:
        entry["genes"] = genes(draw, words, 3)
        if "axanthic" in entry["genes"] and draw.random() < 0.5:
            entry["line"] = "one house"
        if male and words["sexed"] and draw.random() < 0.35:
            entry["genes"] += ", " + draw.choice(["banana", "male-maker banana", "female-maker banana"])
    elif way < 0.85:
        entry["offspring_of"] = {"dam": genes(draw, words, 1), "sire": {"genes": genes(draw, words, 1)}}
        if draw.random() < 0.5:
            entry["offspring_of"]["sire"] = genes(draw, words, 1)
    else:
        entry["looks"] = draw.choice(words["visible"])
        if draw.random() < 0.5:
            entry["background"] = draw.choice([0.05, 0.1])
    if draw.random() < 0.2:
        entry["unknown_hets"] = {draw.choice(words["recessive"]): draw.choice([0.05, 0.3])}
    if draw.random() < 0.2:
        entry["laboratory"] = [test(draw, words)]
    if draw.random() < 0.15:
        entry["evidence"] = {draw.choice(words["visible"]): 0.6, "normal": 0.3, "otherwise": 0.2}
    return entry


def test(draw, words):
    """A laboratory's result that rules nothing out."""
    return {"gene": draw.choice(words["recessive"]), "copies": draw.choice([0, 1, 1, 2]), "false_positive": 0.03, "false_negative": 0.05}


test.__test__ = False


def egg(draw, words, label):
    """An egg's entry: lost, or with some of sex, call, evidence, laboratory."""
    if draw.random() < 0.12:
        return {"label": label, "hatched": False}
    entry = {"label": label}
    if draw.random() < 0.4:
        entry["sex"] = draw.choice(["male", "female"])
    if draw.random() < 0.6:
        entry["call"] = draw.choice(words["looks"])
    if draw.random() < 0.25:
        looks = ["normal", "clown", "pastel"] if words is BALL else ["normal", "amel", "anery"]
        entry["evidence"] = {look: round(draw.uniform(0.1, 1), 2) for look in draw.sample(looks, 2)} | {"otherwise": 0.05}
    if draw.random() < 0.2:
        entry["laboratory"] = [test(draw, words)]
    return entry


def drawn_sheet(seed):
    """The text of a sheet; several in a hundred need more memory than a clutch may and are for the caller to pass over."""
    draw = random.Random(seed)
    words = BALL if draw.random() < 0.75 else CORN
    sheet = {"species": "ball python" if words is BALL else "corn snake", "dam": parent(draw, words, "Juniper", False)}
    sires = [parent(draw, words, name, True) for name in ("Basil", "Thyme")[: draw.choice([1, 1, 2])]]
    if draw.random() < 0.2:
        sires.append({"unrecorded": True, **({"background": 0.05} if draw.random() < 0.5 else {})})
    if words is BALL and draw.random() < 0.2:
        sires.append({"parthenogenesis": True, **({"kept_heterozygosity": 0.2} if draw.random() < 0.5 else {})})
    how = draw.random()
    if len(sires) > 1 and how < 0.5:
        shares = [0.6, 0.3, 0.07, 0.03] if len(sires) == 4 else {2: [0.85, 0.15], 3: [0.7, 0.2, 0.1]}[len(sires)]
        for sire, share in zip(sires, shares, strict=True):
            sire["share"] = share
    elif len(sires) > 1 and how < 0.8:
        sheet["laid"] = "2031-03-14"
        for n, sire in enumerate(sires):
            sire["paired"] = [f"2031-0{1 + n % 2}-1{n}"]
    sheet["sires"] = sires
    if draw.random() < 0.6:
        sheet["mixed"] = draw.choice([0, 0.25, 0.5, 1])
    if words is BALL and draw.random() < 0.4:
        sheet["crossover"] = {"banana": draw.choice([0, 0.02, 0.2])}
    if draw.random() < 0.25 and not any("parthenogenesis" in sire for sire in sires):
        pair = ["pastel", "clown"] if words is BALL else ["amel", "tessera"]
        linked = {"genes": pair, "recombination": draw.choice([0.1, {"female": 0.1, "male": 0.3}])}
        if draw.random() < 0.6:
            linked["phase"] = {"Juniper": draw.choice(["coupling", "repulsion"])}
        sheet["linked"] = [linked]
    if draw.random() < 0.3:
        sheet["other_loss"] = 0.25
    sheet["eggs"] = [egg(draw, words, f"A{n}") for n in range(1, draw.choice([2, 3, 4, 6]))]
    if all("hatched" in one for one in sheet["eggs"]):
        sheet["eggs"].append({"label": "A9", "call": "normal"})
    return yaml.safe_dump(sheet, sort_keys=False)


def drawn_photos(seed, sheet, model):
    """Photos of a sheet's eggs as a reader might have read them: none, one or several, some unread."""
    draw = random.Random(seed)
    found = []
    for one in sheet.eggs:
        photos = []
        for n in range(draw.choice([0, 0, 1, 2, 3]) if one.hatched else 0):
            source = PhotoSource(f"{one.label}-{n}.jpg", path=FOLDER / draw.choice(["a1.jpg", "a3.jpg"]))
            if draw.random() < 0.2:
                photos.append(ReadPhoto(source, None, ("too dark",)))
                continue
            spoken_of = [call for call in model.calls if draw.random() < 0.8] or model.calls[:1]
            logs = {call: draw.uniform(-4, 0) for call in spoken_of}
            photos.append(ReadPhoto(source, PhotoEvidence(logs, 2e-4, 0.65, 0.9, "weights")))
        found.append(tuple(photos))
    return found
