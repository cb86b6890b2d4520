"""Every species of the catalogue does every job: its words, a clutch sorted, kept, known, sorted again, planned and labelled."""

import pytest

from triage.genetics.clutch.model import compile_cross
from triage.records import Mode
from triage.species import load_species, parse_call, species_names, write_parent
from triage.storage.archive import Archive
from triage.storage.database import Database
from triage.storage.photo_files import PhotoFiles
from triage.workflow.keep import keep_clutch
from triage.workflow.known import known_of
from triage.workflow.label import sale_labels
from triage.workflow.settings import Settings
from triage.workflow.sheet import load_sheet
from triage.workflow.sort import sort_clutch
from triage.workflow.sort_again import sort_recorded


@pytest.mark.parametrize("name", species_names())
def test_a_clutch_of_every_species(name, tmp_path):
    """Dam 66 % het for one recessive, sire visual for it: one egg shows it, which proves her; one does not."""
    species = load_species(name)
    gene = next(a.name for locus in species.loci for a in locus.alleles if a.mode is Mode.RECESSIVE and a.one_copy_name is None)
    shown = next(a.name for locus in species.loci for a in locus.alleles if a.mode is not Mode.RECESSIVE)
    sheet = load_sheet(
        text=f"species: {name}\ndam: {{name: Juniper, genes: '{shown}, 66% het {gene}'}}\nsires: [{{name: Basil, genes: '{gene}'}}]\n"
        f"eggs:\n  - {{label: A1, call: {gene}}}\n  - {{label: A2, call: {shown}}}\n",
        name="first",
    )
    assert write_parent(species, sheet.cross.dam).replace(",", "").split()[0] in f"{shown} 66%".split()
    report = sort_clutch(sheet, settings=Settings(label_threshold=0.7))
    assert [egg.calls[0].call.name for egg in report.eggs] == [gene, shown]
    for key in species.general_cautions:
        assert species.caution(key).text in report.notes
    archive = Archive(Database(f"sqlite:///{tmp_path / 'records.sqlite'}"))
    kept = keep_clutch(archive, PhotoFiles(tmp_path / "photos"), report)
    known = known_of(archive, name)
    locus = species.locus_of(gene).name
    carried = sum(p for genotype, p in known.posterior.loci[kept.parents["Juniper"]][locus].items() if genotype.copies(gene))
    assert carried == pytest.approx(
        sum(p for genotype, p in report.posterior.parent("Juniper").loci[locus].items() if genotype.copies(gene)), abs=1e-9
    )
    again = sort_recorded(archive, archive.find(kept.clutch))
    assert [egg.label_text for egg in again.eggs] == [egg.label_text for egg in report.eggs]
    printed = {label.name: label.text for label in sale_labels(known, kept.eggs.values())}
    assert list(printed.values()) == [egg.label_text for egg in report.eggs]
    assert f"100% het {gene}" in report.eggs[1].label_text


@pytest.mark.parametrize("name", species_names())
def test_every_name_of_a_species_parses_and_shows_what_it_says(name):
    species = load_species(name)
    for locus in species.loci:
        for allele in locus.alleles:
            for words in {allele.two_copies_name, *([allele.one_copy_name] if allele.one_copy_name else [])}:
                assert words in {call.name for call in parse_call(species, words)}


def test_stargazer_is_computed_and_its_caution_shown():
    """Two carriers: one in four, and the caution stands with the egg."""
    sheet = load_sheet(
        text="species: corn snake\ndam: {name: Juniper, genes: het stargazer}\nsires: [{name: Basil, genes: het stargazer}]\n"
        "eggs:\n  - {label: A1, call: stargazer}\n",
        name="s",
    )
    model = compile_cross(sheet.cross)
    assert dict(zip((c.name for c in model.calls), model.expected_calls(), strict=True))["stargazer"] == 0.25
    (egg,) = sort_clutch(sheet).eggs
    assert any("ask a reptile veterinarian" in words for words in egg.cautions)
