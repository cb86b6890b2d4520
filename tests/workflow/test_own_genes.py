"""A gene of the keeper's own in the records: computed like one of the catalogue, taken out and back, never lost."""

import json
import shutil
from pathlib import Path

import pytest

import triage
import triage.species
from triage.cli.main import main
from triage.errors import CatalogueError, StorageError, TriageError
from triage.genetics.clutch.model import compile_cross
from triage.records import Cross, Genotype, Sex, VisualCall
from triage.species import load_species, load_species_file, loader, parse_parent
from triage.storage.archive import Archive
from triage.storage.backup import back_up, restore
from triage.storage.database import Database
from triage.storage.kinds import KINDS, Animal, Gene, Outcome
from triage.storage.photo_files import PhotoFiles
from triage.vision.intake import open_photo
from triage.workflow.book import Book, add_entry, change_entry, keepers_species, now, open_archive
from triage.workflow.demo import FOLDER
from triage.workflow.exchange import from_csv, from_json, import_entries, to_csv, to_json
from triage.workflow.gene_use import remove_entry, undo_change
from triage.workflow.keep import keep_clutch
from triage.workflow.known import known_of
from triage.workflow.label import sale_labels
from triage.workflow.own_genes import species_named
from triage.workflow.photos import evidence_of, load_reader
from triage.workflow.prove import plan_for
from triage.workflow.sheet import load_sheet
from triage.workflow.sort import sort_clutch
from triage.workflow.sort_again import sort_recorded

EVIDENCE = 'evidence = [{ source = "keeper_practice", supports = "mode", grade = "single_claim" }]\n'
#: The same genes as somebody would write them into the catalogue: a locus of its own, and an allele of a series.
DUSK = f'\n[[locus]]\nname = "dusk"\n[[locus.allele]]\nname = "dusk"\nmode = "recessive"\nlook_for = "smoky"\n{EVIDENCE}'
HAZE = f'[[locus.allele]]\nname = "haze"\nmode = "incomplete dominant"\nlook_for = "pale"\n{EVIDENCE}\n'
SHEET = """
species: ball python
dam: {name: Juniper, genes: "pastel, 66% het dusk, haze"}
sires: [{name: Basil, genes: "enchi, het dusk, mojave", share: 0.8}, {name: Thyme, genes: "dusk", share: 0.2}]
eggs:
  - {label: A1, call: pastel}
  - {label: A2, call: dusk mojave haze, sex: female, evidence: {dusk mojave haze: 1, otherwise: 0.001}}
  - {label: A3, call: normal}
  - {label: A4, evidence: {haze: 0.6, mojave: 0.2, otherwise: 0.01}}
"""
#: A clutch of genes of the catalogue alone.
WITHOUT = SHEET.replace(", haze", "").replace(" haze", "").replace("dusk", "clown").replace("{haze: 0.6, ", "{")


def shipped_with(path, *, dusk=DUSK, haze=HAZE):
    """The catalogue's file with the genes in it."""
    text = (Path(triage.species.__file__).parent / "data" / "python_regius" / "genes.toml").read_text("utf-8")
    series = text.index('name = "blue-eyed-leucistic series"')
    place = min(found for word in ("[[locus]]", "[[locus.compound]]") if (found := text.find(word, series)) > 0)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text[:place] + haze + text[place:] + dusk, "utf-8")
    return path


@pytest.fixture
def archive(tmp_path):
    return Archive(Database(f"sqlite:///{tmp_path / 'records.sqlite'}"))


@pytest.fixture
def photos(tmp_path):
    return PhotoFiles(tmp_path / "photos")


@pytest.fixture
def genes(archive):
    """The two genes entered, their ids by name."""
    dusk = Gene(name="Dusk", species="Ball Python", mode="recessive", two_copies="smoky", synonyms=("night-veil",), note="from a find")
    haze = Gene(name="haze", species="ball python", mode="incomplete dominant", one_copy="pale", series="mojave")
    return {entry.content.name: entry.id for entry in (add_entry(archive, dusk), add_entry(archive, haze))}


def sheet_of(archive):
    return load_sheet(text=SHEET, name="clutch", species_named=lambda name: species_named(archive, name))


def kept(archive, photos):
    return keep_clutch(archive, photos, sort_clutch(sheet_of(archive), explain=False), name="2031-1")


def said_by(report):
    return [
        (egg.label, egg.tray, egg.reasons, egg.label_text, [(c.call.name, c.probability) for c in egg.calls],
         {locus: {str(g): p for g, p in table.items()} for locus, table in egg.loci.items()}, egg.sires, egg.struck_out)
        for egg in report.eggs
    ]  # fmt: skip


def test_it_sorts_exactly_like_the_same_gene_of_a_catalogue_file(archive, genes, tmp_path):
    shipped = load_species_file(shipped_with(tmp_path / "python_regius" / "genes.toml"))
    one = sort_clutch(sheet_of(archive), explain=True)
    other = sort_clutch(load_sheet(text=SHEET, name="clutch", species_named=lambda _: shipped), explain=True)
    assert said_by(one) == said_by(other) and one.log_evidence == other.log_evidence and one.luck == other.luck
    assert [(p.name, p.news) for p in one.parents] == [(p.name, p.news) for p in other.parents]
    assert one.egg("A2").calls[0].call.name == "mojave haze dusk" and one.egg("A2").calls[0].probability > 0.99


def test_the_records_give_one_species_and_without_genes_the_shipped_one(archive):
    ball = load_species("ball python")
    add_entry(archive, Animal(name="Juniper", species="ball python", sex="female", genes="pastel"))
    assert species_named(archive, "ball python") is ball and known_of(archive).collection.species is ball
    add_entry(archive, Gene(name="dusk", species="ball python", mode="dominant"))
    made = species_named(archive)
    assert made is not ball and made is Book.of(archive).species_named(None) is known_of(archive).collection.species
    assert species_named(archive, "corn snake") is load_species("corn snake")


def test_it_is_kept_known_labelled_planned_and_proved(archive, photos, genes):
    clutch = kept(archive, photos)
    first = sort_clutch(sheet_of(archive), explain=False)
    assert said_by(sort_recorded(archive, archive.find(clutch.clutch))) == said_by(first)
    known = known_of(archive)
    (two,) = [egg.id for egg in archive.all("egg") if egg.content.label == "A2"]
    assert sale_labels(known, [two])[0].text.startswith("0.1; mojave haze dusk")
    three = clutch.eggs["A3"]
    assert 0.3 < known.posterior.loci[three]["dusk"][Genotype("dusk", "normal")] < 1
    assert "het dusk" in plan_for(known, three, sex=Sex.MALE).held.answers
    add_entry(archive, Outcome(animal=three, says={"het dusk": 1.0}, at=now()))
    assert known_of(archive).posterior.loci[three]["dusk"] != known.posterior.loci[three]["dusk"]


def test_it_goes_out_and_in_and_into_a_backup(archive, photos, genes, tmp_path):
    kept(archive, photos)
    said = {id: dict(table) for id, table in known_of(archive).posterior.loci.items()}
    tables = [row for kind in reversed(list(KINDS)) for row in from_csv(to_csv(archive, kind), kind)]
    for number, rows in enumerate((from_json(json.dumps(to_json(archive)), "all.json"), tables)):
        other = Archive(Database(f"sqlite:///{tmp_path / f'other{number}.sqlite'}"))
        import_entries(other, rows)
        assert {id: dict(table) for id, table in known_of(other).posterior.loci.items()} == said
        assert import_entries(other, rows) == (0, 0, len(rows))
    back_up(archive, photos, tmp_path / "all.zip")
    third = Archive(Database(f"sqlite:///{tmp_path / 'third.sqlite'}"))
    restore(tmp_path / "all.zip", third, PhotoFiles(tmp_path / "photos3"))
    assert third.all("gene") == archive.all("gene") and known_of(third).collection.species is known_of(archive).collection.species


def test_it_is_undone_like_any_entry(archive, genes):
    remove_entry(archive, genes["haze"])
    assert not any("haze" in locus.allele_names for locus in species_named(archive).loci)
    undo_change(archive, archive.history()[-1].change)
    assert species_named(archive).locus_of("haze").name == "blue-eyed-leucistic series"
    change_entry(archive, genes["dusk"], {"name": "gloam"})
    undo_change(archive, archive.history()[-1].change)
    assert archive.find(genes["dusk"]).content.name == "dusk"


def refused(function, *arguments):
    with pytest.raises(TriageError) as refusal:
        function(*arguments)
    return str(refusal.value)


def test_a_gene_that_the_records_name_is_neither_taken_out_nor_renamed(archive, photos, genes):
    kept(archive, photos)
    before = archive.all()
    for act in (lambda: remove_entry(archive, genes["dusk"]), lambda: change_entry(archive, genes["dusk"], {"name": "gloam"}),
                lambda: undo_change(archive, 1)):  # fmt: skip
        said = refused(act)
        assert said.startswith("your own gene dusk: Juniper, Basil, Thyme, call of 2031-1/A2 and 1 more could not be read any more (")
        assert said.endswith("; needed: other words there first") and archive.all() == before
    assert "Juniper, call of 2031-1/A2, evidence of 2031-1/A2, evidence of 2031-1/A4 could" in refused(remove_entry, archive, genes["haze"])


def test_a_look_that_the_records_name_must_stay_one(archive, genes):
    add_entry(archive, Animal(name="Juniper", species="ball python", sex="female", genes="super haze"))
    said = refused(change_entry, archive, genes["haze"], {"mode": "recessive", "one_copy": None})
    assert said.startswith("your own gene haze: Juniper could not be read any more ('super haze' in 'super haze': haze is recessive")
    change_entry(archive, genes["haze"], {"note": "seen twice"})  # what breaks nothing is no matter


def test_a_base_of_a_series_is_not_taken_from_under_its_allele(archive, genes):
    add_entry(archive, Gene(name="ember", species="ball python", mode="recessive", series="dusk"))
    assert refused(remove_entry, archive, genes["dusk"]).startswith("your own gene ember: its series 'dusk' is unknown; needed: ")
    assert "each of these names the other as its series" in refused(change_entry, archive, genes["dusk"], {"series": "ember"})
    assert "its series is itself" in refused(change_entry, archive, genes["dusk"], {"series": "dusk"})


def test_a_gene_that_clashes_is_refused_before_it_is_kept(archive, genes, tmp_path):
    before = archive.all()
    for name, words in (("pastel", "'pastel' already means"), ("night veil", "'night veil' already means"), ("super", "'super' already")):
        with pytest.raises(CatalogueError, match=words):
            add_entry(archive, Gene(name=name, species="ball python", mode="dominant"))
        row = {"id": "gene-new", "kind": "gene", "content": {"name": name, "species": "ball python", "mode": "dominant"}}
        with pytest.raises(CatalogueError, match=words):
            import_entries(archive, [row])
    with pytest.raises(StorageError, match=r"gene, field 'mode' is 'codominant'; needed: one of recessive, incomplete dominant, dominant"):
        Gene(name="gloam", species="ball python", mode="codominant")
    assert archive.all() == before


def test_a_program_reads_sheets_with_the_genes_of_its_collection(tmp_path):
    collection = triage.open_collection(tmp_path / "season")
    with pytest.raises(TriageError, match="'dusk' in 'pastel, 66% het dusk, haze' is no known gene"):
        collection.read_sheet(SHEET)
    add_entry(collection.archive, Gene(name="dusk", species="ball python", mode="recessive"))
    add_entry(collection.archive, Gene(name="haze", species="ball python", mode="incomplete dominant", series="mojave"))
    collection.keep(triage.sort(collection.read_sheet(SHEET)), "2031-1")
    assert collection.known("Juniper")["dusk"]["het dusk"] > 2 / 3 and collection.species() is collection.read_sheet(SHEET).species


def test_a_clutch_read_with_a_gene_that_these_records_lack_is_not_kept(archive, photos, genes, tmp_path):
    report = sort_clutch(sheet_of(archive), explain=False)
    other = Archive(Database(f"sqlite:///{tmp_path / 'other.sqlite'}"))
    with pytest.raises(StorageError, match="clutch: was read with your own gene haze, which the records do not hold as it was then"):
        keep_clutch(other, photos, report, name="2031-1")
    assert other.all() == ()


def test_a_photo_says_nothing_for_or_against_it(archive, genes):
    """No photo guesses it where no parent carries it; where one does, each call stands with and without it, equally likely."""
    ball, own = load_species("ball python"), species_named(archive)
    reader = load_reader(own)
    reading = reader.read([open_photo(FOLDER / "a6.jpg")])[0]

    def read(species, dam):
        parents = (parse_parent(species, dam, name="D", sex=Sex.FEMALE), parse_parent(species, "enchi, dusk", name="S", sex=Sex.MALE)
                   if "dusk" in dam else parse_parent(species, "enchi", name="S", sex=Sex.MALE))  # fmt: skip
        return evidence_of(compile_cross(Cross(species, parents[0], (parents[1],), (1,), 0)), (), reader, reading)

    assert read(own, "fire") == read(ball, "fire")
    found = read(own, "fire, het dusk").log_likelihoods
    pairs = [(call, VisualCall(tuple(pair for pair in call.looks if pair[0] != "dusk"))) for call in found if call.look("dusk")]
    assert pairs and all(found[call] == pytest.approx(found[without], abs=1e-12) for call, without in pairs)


@pytest.fixture
def newer_catalogue(tmp_path, monkeypatch):
    """Brings the catalogue to a version that has words of the keeper's own."""
    data = tmp_path / "data"
    shutil.copytree(Path(triage.species.__file__).parent / "data", data)
    caches = (loader._species_files, loader._shipped, loader._usual_key)

    def update(**genes):
        shipped_with(data / "python_regius" / "genes.toml", **genes)
        monkeypatch.setattr(loader, "_DATA", data)
        for cache in caches:
            cache.cache_clear()

    yield update
    monkeypatch.undo()
    for cache in caches:
        cache.cache_clear()


def test_after_an_update_that_has_its_name_the_records_open_and_a_new_name_takes_them_along(archive, photos, genes, newer_catalogue):
    kept(archive, photos)
    said = known_of(archive).posterior.loci
    newer_catalogue(dusk=DUSK.replace("recessive", "incomplete dominant"), haze="")
    refusal = refused(known_of, archive)
    assert "\n" not in refusal and refusal.startswith("your own gene dusk: 'dusk' already means something for the ball python; needed: ")
    assert "'triage gene change NAME --name ...' takes the records along" in refusal
    assert len(to_json(archive)["entries"]) == len(archive.all()) and archive.faults() == ()
    change_entry(archive, genes["dusk"], {"name": "gloam"})
    assert archive.find(genes["dusk"]).content.name == "gloam"
    genes_of = {entry.content.name: entry.content.genes for entry in archive.all("animal")}
    assert genes_of == {"Juniper": "pastel, 66% het gloam, haze", "Basil": "enchi, het gloam, mojave", "Thyme": "gloam"}
    now_said = known_of(archive).posterior.loci
    for id, loci in said.items():
        now = {str(g): p for g, p in now_said[id]["gloam"].items()}
        assert now == pytest.approx({str(g).replace("dusk", "gloam"): p for g, p in loci["dusk"].items()}, abs=1e-12)
    undo = archive.history(genes["dusk"])[-1].change
    assert "already means something" in refused(undo_change, archive, undo)  # there is no way back to a name that is taken


def test_several_that_fit_no_more_are_renamed_or_taken_out_one_after_another(archive, photos, genes, newer_catalogue):
    kept(archive, photos)
    add_entry(archive, Gene(name="ember", species="ball python", mode="recessive", series="dusk"))
    newer_catalogue(dusk=DUSK.replace("recessive", "incomplete dominant"))
    assert "your own gene" in refused(known_of, archive)
    assert "'pastel' already means" in refused(change_entry, archive, genes["haze"], {"name": "pastel"})
    change_entry(archive, genes["haze"], {"name": "mist"})
    assert "your own gene dusk: 'dusk' already means" in refused(known_of, archive)
    change_entry(archive, genes["dusk"], {"name": "gloam"})
    assert {entry.content.name: entry.content.series for entry in archive.all("gene")} == {
        "gloam": None, "mist": "blue-eyed-leucistic series", "ember": "gloam",
    }  # fmt: skip
    assert known_of(archive).collection.species.locus("gloam").allele_names == ("gloam", "ember")


def test_no_command_breaks_where_a_gene_fits_no_more(said, tmp_path):
    said("animal", "add", "--name", "Juniper", "--sex", "female", "--genes", "clown")
    with open_archive().change("of an older version") as draft:
        draft.add(Gene(name="pastel", species="ball python", mode="recessive"))
        draft.add(Animal(name="Clove", species="ball python", sex="female", genes="66% het pastel"))
    (tmp_path / "clutch.yaml").write_text(WITHOUT)
    for words in (["animal", "list"], ["animal", "show", "Clove"], ["gene", "list"], ["gene", "show", "pastel"], ["history"], ["verify"],
                  ["export", str(tmp_path / "all.json")], ["backup", str(tmp_path / "all.zip")], ["genes"], ["genes", "pastel"],
                  ["known", "--species", "corn snake"]):  # fmt: skip
        said(*words)
    for words in (["known"], ["plan", "Juniper"], ["label", "Juniper"], ["sort", str(tmp_path / "clutch.yaml")]):
        error = said(*words, code=2)
        assert "your own gene pastel: 'pastel' already means something" in error and error.count("\n") == 1
        assert "'triage gene change NAME --name ...' takes the records along, or 'triage gene remove NAME'" in error
    assert "changed: gloam" in said("gene", "change", "pastel", "--name", "gloam")
    assert "het gloam 67 %" in said("known", "Clove")


def test_a_sheet_is_sorted_where_the_records_cannot_be_opened(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("TRIAGE_DATA", str(tmp_path))
    (tmp_path / "records.sqlite").write_bytes(b"no database at all, but long enough to be taken for one" * 40)
    (tmp_path / "clutch.yaml").write_text(WITHOUT)
    for words in (["sort", str(tmp_path / "clutch.yaml")], ["genes"]):
        assert main(words) == 0
        told = capsys.readouterr()
        assert "clown" in told.out and "without genes of your own, as the records cannot be opened: " in " ".join(told.err.split())


def test_after_an_update_that_ships_the_gene_the_own_one_goes_and_the_words_mean_the_catalogues(archive, photos, genes, newer_catalogue):
    kept(archive, photos)
    said = {id: {name: dict(table) for name, table in loci.items()} for id, loci in known_of(archive).posterior.loci.items()}
    newer_catalogue(haze="")
    remove_entry(archive, genes["dusk"])
    assert {id: {name: dict(table) for name, table in loci.items()} for id, loci in known_of(archive).posterior.loci.items()} == said


@pytest.fixture
def said(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("TRIAGE_DATA", str(tmp_path / "data"))

    def run(*words, code=0):
        assert main(list(words)) == code, capsys.readouterr()
        out = capsys.readouterr()
        return out.err if code else out.out

    return run


def test_the_commands(said, tmp_path):
    (tmp_path / "clutch.yaml").write_text(SHEET)
    assert "'dusk' in 'pastel, 66% het dusk, haze' is no known gene" in said("sort", str(tmp_path / "clutch.yaml"), code=2)
    assert not (tmp_path / "data").exists()  # looking makes no records
    assert keepers_species() is load_species("ball python")
    assert "kept: dusk (version 1)" in said("gene", "add", "--name", "Dusk", "--mode", "recessive", "--two-copies", "smoky")
    said("gene", "add", "--name", "haze", "--mode", "incomplete dominant", "--series", "lesser")
    assert "blue-eyed-leucistic series" in said("gene", "show", "haze") and "recessive" in said("gene", "list")
    assert "of your own" in said("genes", "dusk") and "of your own" in said("genes")
    listed = json.loads(said("genes", "--json"))["genes"]
    assert [gene["name"] for gene in listed if gene["own"]] == ["haze", "dusk"]
    assert "A2" in said("sort", str(tmp_path / "clutch.yaml"))
    said("keep", str(tmp_path / "clutch.yaml"), "--name", "2031-1")
    assert "dusk" in said("known", "Juniper", "--why", "dusk") and "A2" in said("sort", "2031-1")
    assert "needed: other words there first" in said("gene", "remove", "dusk", code=2)
    assert "needed: other words there first" in said("undo", "1", code=2)
    assert "changed: dusk" in said("gene", "change", "dusk", "--synonyms", "night veil")
    assert "66% het dusk" in said("animal", "add", "--name", "Fern", "--sex", "male", "--genes", "66% het night-veil")
    error = said("gene", "add", "--name", "pastel", "--mode", "dominant", code=2)
    assert error.startswith("triage: your own gene pastel: 'pastel' already means") and error.count("\n") == 1
    assert "one of recessive, incomplete dominant, dominant" in said("gene", "add", "--name", "x", "--mode", "odd", code=2)
