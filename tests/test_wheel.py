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
    pytest.importorskip("hatchling", reason="a wheel is built with hatchling, which is not installed")
    folder = tmp_path_factory.mktemp("wheel")
    build = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)]
    subprocess.run(build, cwd=ROOT, check=True, capture_output=True)
    (path,) = folder.glob("*.whl")
    return path


def test_every_file_that_a_reader_and_the_demo_need_is_in_it(wheel):
    names = set(zipfile.ZipFile(wheel).namelist())
    readers = [files for name in species_names() if (files := reader_files(load_species(name).key)) is not None]
    models = {f"triage/models/{name}" for files in readers for name in astuple(files)}
    demo = {f"triage/demo_images/{path.name}" for path in FOLDER.iterdir() if path.suffix in (".yaml", ".jpg", ".md")}
    package = {path.relative_to(ROOT).as_posix() for path in (ROOT / "triage").rglob("*") if path.is_file() and path.suffix != ".pyc"}
    assert len(models) >= 4 and len(demo) >= 9 and any(name.endswith(".mako") for name in package)
    # and nothing else: no picture, card or measure of a model, no test
    assert {name for name in names if ".dist-info/" not in name} == models | demo | package
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
