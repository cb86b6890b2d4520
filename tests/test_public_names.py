"""What `import triage` offers, and that the README's example of it runs."""

import re
import shutil
from pathlib import Path

import pytest

import triage
from triage.errors import SheetError, StorageError

ROOT = Path(__file__).parents[1]


def test_every_public_name_is_there_and_others_are_refused_by_name():
    for name in triage.__all__:
        assert getattr(triage, name) is not None and name in dir(triage)
    with pytest.raises(AttributeError, match="no attribute 'sort_clutch'; it offers load_species"):
        _ = triage.sort_clutch


def test_the_example_of_the_readme_runs(tmp_path, monkeypatch, capsys):
    (example,) = re.findall(r"```python\n(.*?)```", (ROOT / "README.md").read_text("utf-8"), re.DOTALL)
    shutil.copytree(ROOT / "demo_images", tmp_path / "demo_images")
    monkeypatch.chdir(tmp_path)
    names = {}
    exec(compile(example, "README.md", "exec"), names)
    printed = capsys.readouterr().out.splitlines()
    assert printed[1] == "A2 label clown 1.00" and printed[-1] == "0.1; clown" and "het clown" in printed[-2]
    assert names["picture"].size == (512, 512)
    assert names["collection"].clutches() == ["2031-1"] and names["collection"].sort("2031-1").egg("A2").label_text == "0.1; clown"


def test_a_collection_knows_every_species_it_holds_and_refuses_a_lost_egg(tmp_path):
    collection = triage.open_collection(tmp_path)
    sheet = """
species: corn snake
dam: {name: Maize, genes: het amel}
sires: [{name: Sorrel, genes: het amel}]
eggs: [{label: A1, call: amel}, {label: A2, hatched: false}]
"""
    collection.keep(triage.sort(triage.read_sheet(sheet)), "2031-1")
    assert set(collection.known("2031-1/A1")["amel"]) == {"amel", "het amel", "no amel"}
    assert "the call amel is not settled" in collection.label("2031-1/A1").reason
    with pytest.raises(StorageError, match="2031-1/A2: is no clutch, animal or hatched egg of the corn snake"):
        collection.known("2031-1/A2")


def test_a_drawn_hatchling_is_read():
    species = triage.load_species("ball python")
    picture = triage.draw_hatchling(species, "clown", seed=3)
    assert list(picture.getdata())[:50] == list(triage.draw_hatchling(species, "clown", seed=3).getdata())[:50]
    with pytest.raises(SheetError, match="leaves clown open"):
        triage.draw_hatchling(species, "66% het clown")


def test_a_photo_is_read_over_the_calls_asked_about():
    species = triage.load_species("ball python")
    answer = triage.read_photo(species, ROOT / "demo_images" / "a2.jpg", ["clown", "normal", "pastel"])
    assert max(answer.likelihoods, key=answer.likelihoods.get) == "clown" and answer.likelihoods["clown"] == 1
    corn = triage.load_species("corn snake")
    assert triage.read_photo(corn, ROOT / "demo_images" / "a2.jpg", ["amel"]).likelihoods == {}
