"""What the tests of training share: the shipped reader, and a copy of its folder to write in."""

import shutil

import pytest

from triage.species.shipped import usual_reader_files
from triage.training.bench import Bench
from triage.vision.weights import SHIPPED


@pytest.fixture(scope="session")
def bench():
    return Bench(SHIPPED, note=lambda words: None)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A folder with the shipped reader and its gate, and nothing measured."""
    directory, names = tmp_path_factory.mktemp("models"), usual_reader_files()
    for name in (names.weights, names.sidecar, names.gate_weights, names.gate_sidecar):
        shutil.copy(SHIPPED / name, directory)
    return directory
