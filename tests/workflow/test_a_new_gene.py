"""A gene and its look added by data alone: nothing of a photo without it moves, and no photo is refused for it."""

import shutil
from pathlib import Path

import pytest
import torch

import triage.species
from triage.species import load_species, loader
from triage.workflow.demo import demo_sheet_path
from triage.workflow.photos import load_reader
from triage.workflow.sheet import load_sheet
from triage.workflow.sort import sort_clutch

DUSK = """
[[locus]]
name = "dusk"

[[locus.allele]]
name = "dusk"
mode = "incomplete dominant"
look_for = "a smoky veil over the whole animal"
[[locus.allele.evidence]]
source = "keeper_practice"
supports = "mode"
grade = "single_claim"
"""
EMBER = """
[[locus.allele]]
name = "ember"
mode = "incomplete dominant"
look_for = "as fire, redder"
[[locus.allele.evidence]]
source = "keeper_practice"
supports = "mode"
grade = "single_claim"

"""


@pytest.fixture(scope="module")
def reader():
    """On one thread: with several the last bits of a reading depend on how the work was split."""
    threads = torch.get_num_threads()
    torch.set_num_threads(1)
    yield load_reader(load_species("ball python"))
    torch.set_num_threads(threads)


@pytest.fixture(scope="module")
def before(reader):
    return sort_clutch(load_sheet(demo_sheet_path()), reader=reader, explain=False)


@pytest.fixture
def more_genes(tmp_path, monkeypatch):
    """The catalogue with a locus and an allele of a known series more, as somebody would add them to its files."""
    data = tmp_path / "data"
    shutil.copytree(Path(triage.species.__file__).parent / "data", data)
    genes = data / "python_regius" / "genes.toml"
    text = genes.read_text("utf-8")
    series = text.index('name = "fire series"')
    place = min(found for word in ("[[locus]]", "[[locus.compound]]") if (found := text.find(word, series)) > 0)
    end = text.index("[[combination]]")
    genes.write_text(text[:place] + EMBER.lstrip() + text[place:end] + DUSK.lstrip() + "\n" + text[end:], "utf-8")
    monkeypatch.setattr(loader, "_DATA", data)
    caches = (loader._species_files, loader._shipped, loader._usual_key)
    for cache in caches:
        cache.cache_clear()
    yield load_species("ball python")
    monkeypatch.undo()
    for cache in caches:
        cache.cache_clear()


def test_photos_without_it_are_read_as_before(before, reader, more_genes):
    assert more_genes.has_locus("dusk")
    after = sort_clutch(load_sheet(demo_sheet_path()), reader=reader, explain=False)
    for one, other in zip(before.photos, after.photos, strict=True):
        for photo, again in zip(one, other, strict=True):
            assert again.remarks == photo.remarks
            known = {call.name: value for call, value in again.evidence.log_likelihoods.items()}
            assert known == pytest.approx({call.name: value for call, value in photo.evidence.log_likelihoods.items()}, rel=0, abs=1e-6)
    for one, other in zip(before.eggs, after.eggs, strict=True):
        assert {c.call.name: c.probability for c in other.calls} == pytest.approx(
            {c.call.name: c.probability for c in one.calls}, rel=0, abs=1e-6
        )


@pytest.mark.parametrize("gene", ["dusk", "ember"])
def test_a_clutch_with_it_is_sorted_and_no_photo_is_refused(gene, reader, more_genes):
    path = demo_sheet_path()
    text = path.read_text("utf-8").replace("genes: pastel, 66% het clown", f"genes: pastel, 66% het clown, {gene}")
    for egg in ("a1", "a2", "a3", "a4", "a5", "a6", "a7"):
        text = text.replace(f"[{egg}.jpg]", f"[{path.parent / egg}.jpg]")
    report = sort_clutch(load_sheet(text=text.replace("call: pastel", f"call: pastel {gene}")), reader=reader, explain=False)
    for egg, (photo,) in zip(report.eggs, report.photos, strict=True):
        assert photo.evidence is not None and "photo" in egg.rests_on
        assert any(remark.startswith("the photo model never learnt") and gene in remark for remark in photo.remarks), photo.remarks
        by_name = {call.name: value for call, value in photo.evidence.log_likelihoods.items()}
        if gene == "dusk":  # a locus it never learnt: nothing for or against
            assert by_name["pastel dusk"] == pytest.approx(by_name["pastel"], abs=1e-9)
    a1 = report.egg("A1")
    assert a1.calls[0].call.name == f"pastel {gene}" or gene == "ember"  # the keeper's own call decides what the photo cannot
