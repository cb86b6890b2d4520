"""The records as a keeper uses them: a clutch into them, a season's photos, cards, export and import, every command."""

import io
import json
import shutil
import subprocess

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from triage.cli.main import main
from triage.errors import StorageError, TriageError
from triage.genetics.clutch.exact import infer
from triage.genetics.clutch.model import compile_cross
from triage.records import Egg, Sex
from triage.storage.archive import Archive
from triage.storage.database import Database
from triage.storage.marks import HoldJournal
from triage.storage.photo_files import PhotoFiles
from triage.workflow.cards import Card, cards_of, cards_pdf
from triage.workflow.demo import FOLDER
from triage.workflow.exchange import from_csv, from_json, guarded, import_entries, to_csv, to_json, unguarded
from triage.workflow.keep import cross_of, keep_sheet
from triage.workflow.known import known_of, outcome_reading
from triage.workflow.label import ids_of, sale_labels
from triage.workflow.records import add_entry, change_entry, take_over_marks
from triage.workflow.season import egg_of, read_folder
from triage.workflow.sheet import load_sheet

SHEET = """
species: ball python
dam: {name: Juniper, genes: "pastel, 66% het clown"}
sires: [{name: Basil, genes: "enchi", share: 0.8}, {name: Thyme, genes: mojave, share: 0.2}]
eggs:
  - {label: A1, call: pastel, photos: [a1.jpg]}
  - {label: A2, call: normal, sex: female}
  - {label: A3, hatched: false}
"""
NASTY = st.text(st.characters(codec="utf-8", exclude_characters="\x00"), max_size=12)


@pytest.fixture
def archive(tmp_path):
    return Archive(Database(f"sqlite:///{tmp_path / 'records.sqlite'}"))


@pytest.fixture
def photos(tmp_path):
    return PhotoFiles(tmp_path / "photos")


@pytest.fixture
def sheet(tmp_path):
    photo = Image.open(FOLDER / "a1.jpg")
    tags = photo.getexif()
    tags[0x8825] = {1: "N", 2: (51.0, 30.0, 0.0)}  # where it was taken
    tags[0x010F] = "a phone"
    photo.save(tmp_path / "a1.jpg", exif=tags)
    (tmp_path / "clutch.yaml").write_text(SHEET)
    return load_sheet(tmp_path / "clutch.yaml")


def test_a_sheet_is_kept_whole_and_can_be_undone(archive, photos, sheet):
    kept = keep_sheet(archive, photos, sheet, name="2031-1", hatched="2031-08-01")
    assert [entry["state"] for entry in archive.all("egg")] == ["hatched", "hatched", "dead"]
    assert {entry["name"] for entry in archive.all("animal")} == {"Juniper", "Basil", "Thyme"}
    calls = archive.all("call", about=kept.eggs["A1"])
    assert {entry["by"].split()[0] for entry in calls} == {"sorting", "keeper"}
    assert {entry["tray"] for entry in archive.all("tray")} == {egg.tray.value for egg in kept.report.eggs}
    cross = cross_of(archive, archive.find(kept.clutch))
    assert cross.shares == (0.8, 0.2) and cross.dam == sheet.cross.dam
    assert archive.faults() == ()
    with pytest.raises(StorageError, match="'2031-1' is in the records already"):
        keep_sheet(archive, photos, sheet, name="2031-1")
    archive.undo(1)
    assert archive.all() == ()


def test_laboratory_results_of_a_sheet_are_kept_as_outcomes(archive, photos, tmp_path):
    """What the records then say of the young is what sorting the sheet said."""
    path = tmp_path / "laboratory.yaml"
    path.write_text(SHEET.replace("photos: [a1.jpg]", "laboratory: [{gene: clown, copies: 1, false_positive: 0.01, false_negative: 0.02}]")
                    .replace("share: 0.2}", "share: 0.2, laboratory: [{gene: mojave, copies: 1}]}"))  # fmt: skip
    sheet = load_sheet(path)
    kept = keep_sheet(archive, photos, sheet, name="2031-1")
    outcomes = {entry["animal"]: entry for entry in archive.all("outcome")}
    assert set(outcomes) == {kept.eggs["A1"], kept.parents["Thyme"]}
    assert {entry["by"] for entry in outcomes.values()} == {"laboratory"}
    (told,) = next(egg.laboratory for egg in sheet.eggs if egg.label == "A1")
    again = outcome_reading(sheet.species, outcomes[kept.eggs["A1"]]["says"])
    for genotype in sheet.species.locus("clown").genotypes():
        assert again.likelihoods.get(genotype, 0.0) == told.likelihoods.get(genotype, told.otherwise)
    known = known_of(archive)
    readings = {label: known.collection.animals[kept.eggs[label]].readings for label in ("A1", "A2")}
    clutch = infer(
        compile_cross(cross_of(archive, archive.find(kept.clutch))),
        [Egg("A1", readings=readings["A1"]), Egg("A2", Sex.FEMALE, readings=readings["A2"])],
    )
    for genotype, p in clutch.eggs[0].loci["clown"].items():
        assert known.posterior.chance(kept.eggs["A1"], "clown", genotype) == pytest.approx(p, abs=1e-9)


def test_a_second_clutch_uses_the_parents_that_are_there(archive, photos, sheet):
    first = keep_sheet(archive, photos, sheet, name="2031-1")
    second = keep_sheet(archive, photos, sheet, name="2032-1")
    assert first.parents == second.parents and len(archive.all("animal")) == 3


def test_the_place_a_photo_was_taken_at_is_not_kept(archive, photos, sheet):
    keep_sheet(archive, photos, sheet)
    (photo,) = archive.all("photo")
    kept = Image.open(io.BytesIO(photos.read(photo["sha256"])))
    assert len(kept.getexif()) == 0 and b"a phone" not in photos.read(photo["sha256"])


def test_a_folder_is_read_once_and_goes_on_where_it_stopped(archive, photos, sheet, tmp_path):
    clutch = archive.find(keep_sheet(archive, photos, sheet).clutch)
    folder = tmp_path / "season"
    folder.mkdir()
    shutil.copy(FOLDER / "a1.jpg", folder / "A1-2.jpg")
    shutil.copy(FOLDER / "a2.jpg", folder / "a2.jpg")
    shutil.copy(FOLDER / "a3.jpg", folder / "unknown.jpg")
    (folder / "a2_broken.jpg").write_bytes((FOLDER / "a2.jpg").read_bytes()[:500])
    (folder / "notes.txt").write_text("no photo")
    stop = RuntimeError("stopped")

    def interrupt(done, total):
        assert total == 3
        if done == 2:
            raise stop

    with pytest.raises(RuntimeError):
        read_folder(archive, photos, folder, clutch, workers=1, progress=interrupt)
    assert len(archive.all("reading")) == 2  # that of the sheet, and the first of the folder
    again = read_folder(archive, photos, folder, clutch, workers=1)
    assert len(again.known) == 1 and again.unmatched == {"unknown.jpg": "begins with no egg's label"}
    assert list(again.unread) == ["a2_broken.jpg"] and "damaged" in again.unread["a2_broken.jpg"]
    assert len(archive.all("reading")) == 3 and archive.faults() == ()
    reading = archive.all("reading")[0]
    assert reading["observer"] == "photo" and max(reading["likelihoods"].values()) == 1
    assert read_folder(archive, photos, folder, clutch, workers=1).read == ()


def test_a_season_s_folder_has_a_folder_for_each_clutch(archive, photos, sheet, tmp_path):
    """Over two worker processes; photos that are nobody's say why; a table names the clutch too; nothing is read twice."""
    with pytest.raises(StorageError, match="no clutch is in the records"):
        read_folder(archive, photos, tmp_path)
    first, second = (keep_sheet(archive, photos, sheet, name=name) for name in ("2031-1", "2031-2"))
    season, table = tmp_path / "season", tmp_path / "table.csv"
    for inside, files in (("2031-1", ["A2.jpg"]), (second.clutch, ["a2 belly.jpg", "z9.jpg"]), ("old", ["a1.jpg"])):
        (season / inside).mkdir(parents=True)
        for name in files:
            shutil.copy(FOLDER / "a3.jpg", season / inside / name)
    shutil.copy(FOLDER / "a2.jpg", season / "phone 7.jpg")
    done = read_folder(archive, photos, season, workers=2)
    assert done.read == ("2031-1/A2.jpg", f"{second.clutch}/a2 belly.jpg") and not done.unread
    assert done.unmatched == {
        "old/a1.jpg": "its folder is named after no clutch",
        "phone 7.jpg": "stands in no clutch's folder",
        f"{second.clutch}/z9.jpg": "begins with no egg's label",
    }
    about = {entry["name"]: entry["about"] for entry in archive.all("photo")}
    assert about["2031-1/A2.jpg"] == first.eggs["A2"] and about[f"{second.clutch}/a2 belly.jpg"] == second.eggs["A2"]
    table.write_text("photo,clutch,egg\nphone 7.jpg,2031-2,A1\n")
    again = read_folder(archive, photos, season, table=table, workers=1)
    assert again.read == ("phone 7.jpg",) and len(again.known) == 2 and "phone 7.jpg" not in again.unmatched
    for text, words in (
        ("photo,egg\nphone 7.jpg,A1\n", "line 1: the columns are photo, egg; needed: .* photo, clutch and egg"),
        ("photo,clutch,egg\nphone 7.jpg,2030-9,A1\n", "line 2: no clutch '2030-9' in the records"),
    ):
        table.write_text(text)
        with pytest.raises(StorageError, match=words):
            read_folder(archive, photos, season, table=table, workers=1)


def test_a_table_says_whose_photo_it_is(archive, photos, sheet, tmp_path):
    clutch = archive.find(keep_sheet(archive, photos, sheet).clutch)
    folder, table = tmp_path / "season", tmp_path / "table.csv"
    folder.mkdir()
    # Demo photos are in the records already; another file of the same picture is not.
    (folder / "a1 from phone.jpg").write_bytes((FOLDER / "a3.jpg").read_bytes() + b" ")
    table.write_text("photo,egg\na1 from phone.jpg,A3\n")
    assert read_folder(archive, photos, folder, clutch, table=table, workers=1).read == ("a1 from phone.jpg",)
    (a3,) = archive.all("egg", clutch=clutch.id, label="A3")
    assert archive.all("photo", name="a1 from phone.jpg")[0]["about"] == a3.id
    for text, words in (
        ("file,egg\nx.jpg,A3\n", "line 1: the columns are file, egg"),
        ("photo,egg\na1 from phone.jpg,Z9\n", "line 2: no egg 'Z9'"),
        ("photo,egg\nx.jpg,A3\n", "names x.jpg, which is no photo in"),
        ("photo,egg\nx.jpg,A3\nx.jpg,A2\n", "line 3: photo 'x.jpg' stands twice"),
    ):
        table.write_text(text)
        with pytest.raises(StorageError, match=words):
            read_folder(archive, photos, folder, clutch, table=table, workers=1)


@pytest.mark.parametrize(
    ("stem", "found"),
    [
        ("a1", "e1"),
        ("A1-2", "e1"),
        ("a1_belly", "e1"),
        ("a12", "e12"),
        ("A12 x", "e12"),
        ("b1", None),
        ("1", None),
        ("a1b", None),
    ],
)
def test_photos_are_matched_to_eggs_by_their_names(stem, found):
    assert egg_of(stem, {"A1": "e1", "A12": "e12"}) == found


def test_cards_hold_what_the_records_support_and_the_id(archive, photos, sheet):
    kept = keep_sheet(archive, photos, sheet, name="2031-1", hatched="2031-08-01")
    known = known_of(archive)
    labels = sale_labels(known, ids_of(archive, known, [kept.clutch]))
    cards = cards_of(labels)
    assert [card.title for card in cards] == ["2031-1 A1", "2031-1 A2"]
    for card, label, egg in zip(cards, labels, kept.report.eggs, strict=False):
        assert card.lines[0] == (label.text or f"no label yet: {label.reason}")
        assert "100%" not in card.lines[0] and card.id == kept.eggs[egg.label]
        assert "dam Juniper; sire Basil or Thyme" in card.lines and "hatched 2031-08-01" in card.lines
    pdf = cards_pdf(cards)
    assert pdf.startswith(b"%PDF") and cards_pdf(cards) == pdf  # the same cards, the same bytes
    many = cards_pdf([Card(f"egg-{n}", "long title " * 20, ("a long line " * 40,)) for n in range(23)])
    assert many.count(b"/Type /Page\n") == 3


def test_words_are_brought_to_the_catalogue_s_or_refused(archive):
    animal = add_entry(
        archive, "animal", {"name": "J", "species": "Ball Python", "sex": "female", "genes": "het CLOWN, pastel"}
    )
    assert animal["genes"] == "pastel, het clown" and animal["species"] == "ball python"
    with pytest.raises(TriageError, match="pastle"):
        change_entry(archive, animal.id, {"genes": "pastle"})
    with pytest.raises(StorageError, match="at version 1, not 3"):
        change_entry(archive, animal.id, {"weight_g": 5.0}, version=3)
    call = add_entry(
        archive, "call", {"about": animal.id, "call": "enchi pastel", "by": "keeper", "at": "2031-06-02T10:00:00+00:00"}
    )
    assert call["call"] == "pastel enchi"


@given(NASTY)
def test_guarded_text_is_no_formula_and_comes_back(text):
    assert not guarded(text).startswith(("=", "+", "-", "@", "\t", "\r", "\n"))
    assert unguarded(guarded(text)) == text


def test_export_and_import_are_exact_both_ways(archive, photos, sheet, tmp_path):
    keep_sheet(archive, photos, sheet, name="=2+2", hatched="2031-08-01")
    add_entry(archive, "line", {"name": "@SUM(A1)", "note": '\'quoted\r\nsecond, "line"'})
    data = to_json(archive)
    other = Archive(Database(f"sqlite:///{tmp_path / 'other.sqlite'}"))
    shuffled = from_json(json.dumps({**data, "entries": data["entries"][::-1]}), "x.json")
    assert import_entries(other, shuffled) == (len(data["entries"]), 0, 0)
    key = lambda e: e["id"]  # noqa: E731
    assert sorted(to_json(other)["entries"], key=key) == sorted(data["entries"], key=key)
    third = Archive(Database(f"sqlite:///{tmp_path / 'third.sqlite'}"))
    rows = [
        row
        for kind in dict.fromkeys(e["kind"] for e in data["entries"])
        for row in from_csv(to_csv(archive, kind), kind)
    ]
    import_entries(third, rows)
    assert sorted(to_json(third)["entries"], key=key) == sorted(data["entries"], key=key)
    assert import_entries(third, rows) == (0, 0, len(rows))
    assert "'=2+2" in to_csv(archive, "clutch") and ",=2+2" not in to_csv(archive, "clutch")


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("a.csv", "name,species\n", "must begin with id, kind"),
        ("a.csv", "id,kind,name\nx,line\n", "row 2: 2 cells; needed: 3"),
        ("a.csv", "id,kind,weight_g\nx,animal,heavy\n", "row 2, 'weight_g': 'heavy' cannot be read"),
        ("a.csv", "id,kind,colour\nx,animal,brown\n", "'animal' has no field 'colour'"),
        ("a.json", "{}", "not records that 'triage export' wrote"),
        ("a.json", '{"format": 7, "entries": []}', "format 7"),
    ],
)
def test_a_bad_file_changes_nothing(monkeypatch, tmp_path, capsys, name, text, words):
    monkeypatch.setenv("TRIAGE_DATA", str(tmp_path / "data"))
    (tmp_path / name).write_text(text)
    assert main(["import", str(tmp_path / name)]) == 2
    assert words in capsys.readouterr().err
    assert main(["history", "--json"]) == 0 and json.loads(capsys.readouterr().out)["revisions"] == []


def test_the_commands_from_first_animal_to_restore(monkeypatch, tmp_path, capsys):
    monkeypatch.setenv("TRIAGE_DATA", str(tmp_path / "data"))

    def run(*words, code=0):
        assert main([*words, "--json"]) == code, words
        return json.loads(capsys.readouterr().out)

    dam = run(
        "animal",
        "add",
        "--name",
        "Juniper",
        "--species",
        "ball python",
        "--sex",
        "female",
        "--genes",
        "pastel, 66% het clown",
    )["id"]
    sire = run("animal", "add", "--name", "Basil", "--species", "ball python", "--sex", "male")["id"]
    pairing = run("pair", "add", "--dam", dam, "--sires", f"{sire}=1.0", "--from", "2031-01-10")["id"]
    clutch = run("clutch", "add", "--name", "2031-1", "--pairing", pairing)["id"]
    egg = run("egg", "add", "--clutch", clutch, "--label", "A1", "--state", "laid")["id"]
    assert run("egg", "change", egg, "--state", "hatched")["version"] == 2
    run("call", "add", "--about", egg, "--call", "pastel", "--by", "keeper")
    run("hold", "add", "--about", egg, "--note", "pretty")
    run("outcome", "add", "--animal", dam, "--says", "het clown=1")
    run("note", "add", "--about", egg, "--text", "first meal")
    assert [one["id"] for one in run("animal", "list", "--where", "sex=male")["entries"]] == [sire]
    assert run("label", clutch)["labels"][0]["text"].startswith("0.0.1; pastel")
    assert run("verify")["faults"] == []
    run("undo")
    assert main(["note", "list"]) == 0 and "None yet" in capsys.readouterr().out
    before = run("export", str(tmp_path / "all.json"))["entries"]
    run("backup", str(tmp_path / "b.zip"))
    monkeypatch.setenv("TRIAGE_DATA", str(tmp_path / "new"))
    run("restore", str(tmp_path / "b.zip"))
    assert run("export", str(tmp_path / "again.json"))["entries"] == before
    assert (tmp_path / "all.json").read_text() == (tmp_path / "again.json").read_text()
    assert len(run("history", egg)["revisions"]) == 2
    assert main(["animal", "add", "--name", "X", "--species", "dragon", "--sex", "male"]) == 2
    assert "dragon" in capsys.readouterr().err


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_scripts_name_every_command(shell, capsys):
    assert main(["completion", shell]) == 0
    script = capsys.readouterr().out
    assert all(
        word in script for word in ("animal", "restore", "sort", "--threshold" if shell != "fish" else "-l threshold")
    )
    if shutil.which(shell) and shell == "bash":
        asked = f"{script}\nCOMP_WORDS=(triage ver); COMP_CWORD=1; _triage; echo ${{COMPREPLY[@]}}"
        assert subprocess.run([shell, "-c", asked], capture_output=True, text=True).stdout.split() == ["verify"]


def test_marks_of_the_app_are_taken_over_once(archive, photos, sheet, tmp_path):
    kept = keep_sheet(archive, photos, sheet, name="2031-1")
    journal = HoldJournal(tmp_path / "marks.jsonl")
    journal.hold("2031-1", "A1", note="pretty")
    journal.hold("another clutch", "B7", note="")
    journal.hold("as typed", "A2", note="")
    assert take_over_marks(archive, journal, kept={"as typed": kept.clutch}) == 1  # the marks of the clutch just kept, no others
    assert [entry["about"] for entry in archive.all("hold")] == [kept.eggs["A2"]]
    assert take_over_marks(archive, journal) == 2 and take_over_marks(archive, journal) == 0
    about = {entry["label"]: entry.get("about") for entry in archive.all("hold")}
    assert about == {"A1": kept.eggs["A1"], "A2": kept.eggs["A2"], "B7": None}
    assert [entry["note"] for entry in archive.all("hold", label="A1")] == ["pretty"]
    assert len(journal.held()) == 3 and archive.faults() == ()
