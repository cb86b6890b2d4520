"""What is installed is whole: the wheel holds the photo readers and the demo clutch, and finds them far from any checkout."""

import os
import subprocess
import sys
import zipfile
from dataclasses import astuple
from pathlib import Path

import pytest

from triage.species import load_species, species_names
from triage.species.shipped import reader_files
from triage.workflow.demo import FOLDER

ROOT = Path(__file__).parents[1]
CODE = """
import triage
from triage.species.shipped import shipped_folder
from triage.workflow.demo import demo_sheet_path
assert not triage.__file__.startswith({root!r}), triage.__file__
report = triage.sort(triage.read_sheet(demo_sheet_path()))
print(shipped_folder("models"), *(f"{{egg.label}} {{egg.calls[0].call.name}}" for egg in report.eggs), sep="\\n")
"""


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    folder = tmp_path_factory.mktemp("wheel")
    build = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)]
    subprocess.run(build, cwd=ROOT, check=True, capture_output=True)
    (path,) = folder.glob("*.whl")
    return path


def test_every_file_that_a_reader_and_the_demo_need_is_in_it(wheel):
    names = set(zipfile.ZipFile(wheel).namelist())
    readers = [files for name in species_names() if (files := reader_files(load_species(name).key)) is not None]
    wanted = [f"triage/models/{name}" for files in readers for name in astuple(files)]
    wanted += [f"triage/demo_images/{path.name}" for path in FOLDER.iterdir() if path.suffix in (".yaml", ".jpg")]
    assert len(wanted) >= 12 and set(wanted) <= names
    assert {f"triage/{path.relative_to(ROOT / 'triage').as_posix()}" for path in (ROOT / "triage").rglob("*.toml")} <= names
    assert not any("models/pictures" in name or name.startswith("tests") for name in names)
    assert wheel.stat().st_size < 25e6


def test_the_demo_is_sorted_from_it_in_an_empty_folder(wheel, tmp_path):
    zipfile.ZipFile(wheel).extractall(tmp_path / "installed")
    (tmp_path / "empty").mkdir()
    environment = {**os.environ, "PYTHONPATH": str(tmp_path / "installed"), "TRIAGE_DATA": str(tmp_path / "data")}
    done = subprocess.run([sys.executable, "-P", "-c", CODE.format(root=str(ROOT))], cwd=tmp_path / "empty", env=environment, check=True,
                          capture_output=True, text=True)  # fmt: skip
    models, *calls = done.stdout.splitlines()
    assert models == str(tmp_path / "installed" / "triage" / "models")
    assert "A2 clown" in calls and len(calls) == 7
