"""The shipped model: hash, classes and sizes recomputed, not believed; damaged files refused by name."""

import hashlib
import shutil
import subprocess
import sys
from random import Random
from types import SimpleNamespace

import pytest
from safetensors import safe_open

from triage.errors import CatalogueError, ModelFileError
from triage.species import load_species, shipped, species_names
from triage.species.drawing import usual_looks
from triage.species.shipped import reader_files, usual_reader_files
from triage.vision.likelihood import Calibration
from triage.vision.sealed import BrokenSealError, read_sealed, write_sealed
from triage.vision.vocabulary import build
from triage.vision.weights import LARGEST_BYTES, SHIPPED, load_model

WEIGHTS_NAME, SIDECAR_NAME = usual_reader_files().weights, usual_reader_files().sidecar


@pytest.fixture(scope="module")
def files():
    return load_model()


@pytest.fixture
def copy(tmp_path):
    for name in (WEIGHTS_NAME, SIDECAR_NAME):
        shutil.copy(SHIPPED / name, tmp_path / name)
    return tmp_path


def edit(directory, **changes):
    path = directory / SIDECAR_NAME
    sidecar = read_sealed(path)
    for key, value in changes.items():
        if value is None:
            del sidecar[key]
        else:
            sidecar[key] = value
    write_sealed(path, sidecar)


def test_hash_size_and_parameters(files):
    data = (SHIPPED / WEIGHTS_NAME).read_bytes()
    assert hashlib.sha256(data).hexdigest() == files.sidecar["sha256"]
    assert len(data) == files.sidecar["bytes"] < LARGEST_BYTES
    assert sum(p.numel() for p in files.network.parameters()) == files.sidecar["parameters"]
    with safe_open(SHIPPED / WEIGHTS_NAME, "pt") as weights:
        assert {str(weights.get_slice(k).get_dtype()) for k in weights.keys()} == {"F16"}  # noqa: SIM118 - not a mapping


def test_classes_are_those_of_the_catalogue(files):
    assert files.vocabulary == build(load_species("ball python"), usual_looks())


def test_the_mix_is_a_mix_per_locus(files):
    for part in files.log_mix.exp().split(files.vocabulary.n_classes):
        assert float(part.sum()) == pytest.approx(1, abs=1e-4) and float(part.min()) > 0


def test_the_sidecar_says_how_it_was_made(files):
    for key in ("seed", "command", "commit", "data", "licence", "history", "torch", "device"):
        assert files.sidecar[key], key
    assert files.sidecar["command"].startswith("python -m triage.training.train ")
    assert {"cautious", "training domain"} <= set(files.calibrations)
    assert all(isinstance(c, Calibration) for c in files.calibrations.values())
    assert 0 < files.calibrations["cautious"].beta <= files.calibrations["training domain"].beta


def test_the_sidecar_names_no_path_of_a_machine(files):
    text = (SHIPPED / SIDECAR_NAME).read_text()
    assert "/root" not in text and "/tmp" not in text and "/home" not in text


def test_loading_needs_no_network(files):
    """In a process of its own, with sockets forbidden."""
    code = (
        "import socket\n"
        "def no(*a, **k): raise OSError('no network')\n"
        "socket.socket.connect = socket.getaddrinfo = no\n"
        "from triage.vision.reader import PhotoReader\n"
        "print(len(PhotoReader.load().vocabulary.loci))"
    )
    assert int(subprocess.check_output([sys.executable, "-c", code], text=True)) == len(files.vocabulary.loci)


def test_trust_in_other_than_the_loci_there_are_is_refused(copy, files):
    calibration = read_sealed(copy / SIDECAR_NAME)["calibration"]
    calibration["cautious"]["loci"] = calibration["cautious"]["loci"][:-1]
    edit(copy, calibration=calibration)
    with pytest.raises(ModelFileError, match=f"other than the {len(files.vocabulary.loci)} loci"):
        load_model(copy)


def test_missing_files_are_named(tmp_path, copy):
    with pytest.raises(ModelFileError, match=rf"{SIDECAR_NAME}: not found"):
        load_model(tmp_path / "nothing")
    (copy / WEIGHTS_NAME).unlink()
    with pytest.raises(ModelFileError, match=rf"{WEIGHTS_NAME}: not found"):
        load_model(copy)


def test_a_changed_weight_is_noticed(copy):
    data = bytearray((copy / WEIGHTS_NAME).read_bytes())
    data[-1] ^= 1
    (copy / WEIGHTS_NAME).write_bytes(data)
    with pytest.raises(ModelFileError, match="sha256 differs"):
        load_model(copy)


def test_weights_of_something_else_are_refused(copy):
    (copy / WEIGHTS_NAME).write_bytes(b"no tensors")
    edit(copy, sha256=hashlib.sha256(b"no tensors").hexdigest())
    with pytest.raises(ModelFileError, match="does not hold this network's weights"):
        load_model(copy)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"format": 99}, "format 99; this program reads format 1"),
        ({"classes": None}, "'classes' is missing"),
        ({"calibration": {"cautious": {"beta": 0}}}, "not usable"),
        ({"network": {"n_classes": [2], "n_stages": 5, "input_px": 160}}, "disagree"),
        ({"log_mix": [0.0]}, "disagree"),
        ({"log_mix": "words"}, "not usable"),
    ],
)
def test_a_sidecar_that_does_not_fit_is_refused(copy, changes, words):
    edit(copy, **changes)
    with pytest.raises(ModelFileError, match=words):
        load_model(copy)


@pytest.mark.parametrize("name", [SIDECAR_NAME, usual_reader_files().gate_sidecar])
def test_a_flip_anywhere_in_a_description_is_refused(tmp_path, name):
    whole = (SHIPPED / name).read_bytes()
    read_sealed(SHIPPED / name)
    random = Random(13)
    for place in (*range(40), *random.sample(range(len(whole)), 300), *range(len(whole) - 90, len(whole))):
        data = bytearray(whole)
        data[place] ^= 1 << random.randrange(8)
        (tmp_path / name).write_bytes(data)
        with pytest.raises(BrokenSealError):
            read_sealed(tmp_path / name)


@pytest.mark.parametrize("text", ["", "{", "{}", '{\n "seal": 1\n}\n', '{\n "format": 1\n}\n'])
def test_a_sidecar_without_a_seal_is_refused(copy, text):
    (copy / SIDECAR_NAME).write_text(text)
    with pytest.raises(ModelFileError, match=rf"{SIDECAR_NAME}: damaged \(it does not end with a seal\); restore models/"):
        load_model(copy)


def test_a_species_has_a_reader_of_its_own_or_none():
    found = {key: reader_files(key) for key in (load_species(name).key for name in species_names())}
    assert found == {
        **dict.fromkeys(("pantherophis_guttatus", "heterodon_nasicus", "lampropeltis_californiae")), "python_regius": usual_reader_files(),
    }  # fmt: skip


NAMES = 'format = 1\nweights = "w"\nsidecar = "s"\ngate_weights = "g"\ngate_sidecar = "h"\n'


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (NAMES.replace("format = 1", "format = 2"), "'format' is 2; needed: a number from 1 to 1"),
        (NAMES.replace('sidecar = "s"\n', ""), "'sidecar' is missing"),
        (NAMES.replace('"w"', "3"), "'weights' is 3; needed: text"),
        (NAMES + 'gate = "h"\n', "unknown key 'gate'"),
        ("format = = 1", "not valid TOML"),
        (b"weights = '\xff'", "not valid TOML"),
    ],
)
def test_a_file_that_names_no_whole_reader_is_refused(tmp_path, monkeypatch, text, words):
    reader_files.cache_clear()
    path = tmp_path / "data" / "drawn_snake" / "reader.toml"
    path.parent.mkdir(parents=True)
    monkeypatch.setattr(shipped, "resources", SimpleNamespace(files=lambda package: tmp_path))
    path.write_text(NAMES)
    assert reader_files("drawn_snake").gate_sidecar == "h"  # so that each refusal below is due to its one change
    reader_files.cache_clear()
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(CatalogueError, match=rf"^drawn_snake/reader\.toml: {words}"):
        reader_files("drawn_snake")
