"""Reading photos: evidence over visual calls, blind to what cannot be seen and to what was never learnt, the same in any batch."""

import hashlib
import io
from dataclasses import replace

import numpy as np
import pytest
import torch
from PIL import Image

from triage.genetics.readings import photo_reading
from triage.hatchery import render
from triage.records import VisualCall
from triage.species import load_species
from triage.species.shipped import usual_reader_files
from triage.vision.crop import boxes_of, cut, stay_inside
from triage.vision.intake import open_photo
from triage.vision.quality import Fault, judge
from triage.vision.reader import CAUTIOUS, TRAINING_DOMAIN, PhotoReader, corner_box, padded_square, sample
from triage.vision.weights import SHIPPED

GENOTYPES = [
    {},
    {"albino": ("albino", "albino")},
    {"spider": ("normal", "spider")},
    {"piebald": ("piebald", "piebald")},
]
CALLS = [VisualCall(), *(VisualCall(((name, name),)) for name in ("albino", "spider", "piebald"))]
SERIES = "blue-eyed-leucistic series"
BALL = load_species("ball python")


@pytest.fixture(scope="module")
def reader():
    return PhotoReader.load()


def as_photo(image, name="photo", kind="PNG"):
    data = io.BytesIO()
    Image.fromarray((image.permute(1, 2, 0).numpy() * 255).round().astype(np.uint8)).save(data, kind)
    return open_photo(data.getvalue(), name=name)


def evidence(reading, calls=CALLS):
    """What a photo says of calls, float64 (n,), before the floor is laid."""
    found = reading.evidence(calls, BALL).log_likelihoods
    return np.array([found[call] for call in calls])


def told(readings, calls=CALLS):
    """Likelihoods of one animal's photos, summing to 1."""
    found = photo_reading([one.evidence(calls, BALL) for one in readings]).likelihoods
    listed = np.array([found[call] for call in calls])
    return listed / listed.sum()


def told_by_shots(reading, n):
    """The same of n shots that happen to say the same."""
    photos = [replace(reading.evidence(CALLS, BALL), shot=f"{bits:025x}") for bits in (0, 2**50 - 1, 2**99 - 2**50)[:n]]
    found = photo_reading(photos).likelihoods
    listed = np.array([found[call] for call in CALLS])
    return listed / listed.sum()


@pytest.fixture(scope="module")
def photos():
    drawn = render(GENOTYPES * 2, range(8), range(100, 108), size=256, stage="after first shed")
    return [as_photo(image, f"{n}.png") for n, image in enumerate(drawn.images)]


@pytest.fixture(scope="module")
def readings(reader, photos):
    return reader.read(photos)


def test_striking_looks_are_read_right(readings):
    """Albino, spider and piebald are told from the wild look and from one another on most of eight renders."""
    found = [int(evidence(r).argmax()) for r in readings]
    assert sum(f == n % 4 for n, f in enumerate(found)) >= 6


def test_an_unseen_het_changes_not_a_bit(reader):
    """A het clown is drawn with the same pixels as a wild type, and no call can name it: the reading is the same."""
    drawn = render(
        [{}, {"clown": ("clown", "normal"), "axanthic line A": ("axanthic line A", "normal")}], [5, 5], [9, 9], size=192
    )
    a, b = reader.read([as_photo(image) for image in drawn.images])
    assert np.array_equal(evidence(a), evidence(b))


def test_a_reading_does_not_depend_on_its_batch(reader, photos, readings):
    for photo, together in zip(photos[:3], readings):
        alone = reader.read([photo])[0]
        assert evidence(alone) == pytest.approx(evidence(together), abs=1e-3)


def test_evidence_follows_the_calls_in_any_order(readings):
    out = evidence(readings[0])
    assert np.isfinite(out).all() and len(set(out)) == 4
    assert evidence(readings[0], CALLS[::-1]) == pytest.approx(out[::-1], abs=1e-12)


def test_calls_that_look_alike_get_the_same_evidence(readings):
    alike = [VisualCall(((SERIES, look),)) for look in ("lesser", "butter", "lesser mojave", "super lesser")]
    out = evidence(readings[0], alike)
    assert out[0] == out[1] and out[2] == out[3] != out[0]


def test_evidence_carries_how_far_it_is_believed_and_what_read_it(readings):
    found, calibration = readings[0].evidence(CALLS, BALL), readings[0].calibration
    weights = hashlib.sha256((SHIPPED / usual_reader_files().weights).read_bytes()).hexdigest()
    assert found.weights == weights[:12]
    assert (found.floor, found.exponent, found.shortlist) == (calibration.eps, calibration.photo_exponent, calibration.shortlist)


@pytest.mark.parametrize("copies", [1, 2, 3])
def test_photos_of_one_animal_are_joined_by_the_learned_exponent(readings, copies):
    """(1 - eps) L^beta / norm + eps / n by hand, with L to the power n^(1 - exponent) for n photos alike."""
    calibration = readings[0].calibration
    raw = calibration.beta * readings[0].raw_log_likelihoods(CALLS) * copies ** (1 - calibration.photo_exponent)
    scaled = np.exp(raw - raw.max())
    wanted = (1 - calibration.eps) * scaled / scaled.sum() + calibration.eps / 4
    assert told_by_shots(readings[0], copies) == pytest.approx(wanted, rel=1e-9)
    assert told_by_shots(readings[0], copies).min() >= calibration.eps / 4 * (1 - 1e-9)
    assert told([readings[0]] * copies) == pytest.approx(told_by_shots(readings[0], 1), rel=1e-12), "one photo listed often is one"


def with_look(call, locus, look):
    return VisualCall((*(pair for pair in call.looks if pair[0] != locus), (locus, look)))


def test_a_look_at_a_locus_never_learnt_says_nothing(readings):
    for reading in readings:
        assert evidence(reading, [with_look(call, "dusk", "dusk") for call in CALLS]) == pytest.approx(evidence(reading), abs=1e-12)


@pytest.mark.parametrize("locus", ["pastel", SERIES])
def test_a_new_look_of_a_known_locus_says_what_the_known_ones_say_on_average(readings, reader, locus):
    """The mean of likelihoods over its classes, look words that no photo can tell apart counted once, the rest of the call as it is."""
    one_word = {number: word for word, number in reader.vocabulary.class_of[locus].items()}
    for reading in readings[:2]:
        for call in CALLS:
            known = [with_look(call, locus, word) if word else call for word in one_word.values()]
            wanted = np.log(np.exp(reading.calibration.beta * reading.raw_log_likelihoods(known)).mean())
            (found,) = evidence(reading, [with_look(call, locus, "purple")])
            assert found == pytest.approx(wanted, abs=1e-9)


def test_unlearnt_calls_beside_known_ones_do_not_move_them(readings):
    strange = [with_look(call, *look) for look in (("dusk", "dusk"), ("pastel", "purple")) for call in CALLS]
    for reading in readings:
        for calls in ([*CALLS, *strange], [*strange, *CALLS]):
            found = reading.evidence(calls, BALL).log_likelihoods
            assert [found[call] for call in CALLS] == pytest.approx(evidence(reading), abs=1e-12)


def test_the_reader_says_which_looks_it_never_learnt(reader):
    strange = [with_look(with_look(CALLS[1], "dusk", "dusk"), "pastel", "purple"), with_look(CALLS[2], "dusk", "dusk")]
    assert reader.unlearnt([*CALLS, *strange]) == ("dusk", "purple")
    assert reader.unlearnt(CALLS) == ()


def test_cautious_is_less_sure_than_the_training_domain(photos):
    cautious, sure = (PhotoReader.load(calibration=c).read(photos[:4]) for c in (CAUTIOUS, TRAINING_DOMAIN))
    spread = [[told([r]).max() for r in rows] for rows in (cautious, sure)]
    assert np.mean(spread[0]) < np.mean(spread[1])


def test_what_else_a_reading_says(readings):
    for r in readings:
        assert sum(r.stages.values()) == pytest.approx(1, abs=1e-5) and set(r.stages) >= {"in the egg", "just hatched"}
        assert 0.005 < r.animal_share < 0.9 and 0 <= r.visible_share <= 1
        left, top, side = r.box
        assert left >= 0 and top >= 0 and 0 < side <= 1 and left + side <= 1 + 1e-6 and top + side <= 1 + 1e-6
        assert r.attention.sum((1, 2)) == pytest.approx(np.ones(len(r.attention)), abs=1e-3)


def test_masks_find_the_animal(reader):
    """Intersection over union of found and true masks, mean of eight renders."""
    drawn = render(GENOTYPES * 2, range(20, 28), range(200, 208), size=256, stage="three months")
    found = reader.read([as_photo(i) for i in drawn.images])
    true = torch.nn.functional.adaptive_avg_pool2d(drawn.masks, found[0].mask.shape)[:, 0].numpy() >= 0.5
    shown = np.stack([r.mask >= 0.5 for r in found])
    iou = (shown & true).sum((1, 2)) / np.maximum((shown | true).sum((1, 2)), 1)
    assert iou.mean() > 0.75


def test_a_small_animal_is_cut_out_and_a_plain_field_has_none(reader, photos):
    found = []
    for photo in photos:
        field = Image.new("RGB", (640, 640), tuple(int(v) for v in photo.pixels[0].mean(0)))
        field.paste(padded_square(photo).resize((96, 96)), (60, 400))
        box = reader.read([open_photo(png(field))])[0].box
        found.append(box[2] < 0.6 and abs(box[0] + box[2] / 2 - 108 / 640) < 0.15)
    assert sum(found) >= 6, found  # of 8; one that is missed is read in its whole frame
    empty = open_photo(png(Image.new("RGB", (300, 300), (120, 118, 116))))
    faults = [r.fault for r in judge(empty, reader.read([empty])[0])]
    assert Fault.NO_ANIMAL in faults or Fault.SMALL_ANIMAL in faults or Fault.BLURRED in faults


def png(image):
    data = io.BytesIO()
    image.save(data, "PNG")
    return data.getvalue()


@pytest.mark.parametrize("shape", [(400, 300), (300, 400), (600, 130), (257, 255)])
def test_any_shape_is_read(reader, shape):
    noise = np.random.default_rng(0).integers(0, 255, (shape[1] // 10, shape[0] // 10, 3), np.uint8)
    reading = reader.read([open_photo(png(Image.fromarray(noise).resize(shape)))])[0]
    assert np.isfinite(evidence(reading)).all()


def test_cutting_in_torch_and_in_pillow_agree():
    """Training cuts with torch, reading with Pillow: the same square of a smooth picture must come out the same."""
    y, x = np.mgrid[0:200, 0:200] / 200
    pixels = (np.stack([x, y, 1 - x], 2) * 255).astype(np.uint8)
    box = stay_inside(torch.tensor([[0.3, 0.95, 0.4]]))
    one = cut(torch.from_numpy(pixels).permute(2, 0, 1)[None].float() / 255, box, 96)[0]
    two = sample(Image.fromarray(pixels), corner_box(box[0].tolist()), 96)
    assert float((one - two).abs().max()) < 0.02


def test_boxes_hold_the_animal_and_an_empty_mask_gives_the_frame():
    masks = torch.zeros(2, 1, 40, 40)
    masks[0, 0, 10:20, 4:12] = 1
    boxes = boxes_of(masks, 0.0)
    assert boxes[0].tolist() == pytest.approx([8 / 40, 15 / 40, 10 / 40]) and boxes[1].tolist() == [0.5, 0.5, 1.0]
