"""The records as a keeper uses them: a clutch into them, a season's photos, cards, export and import, every command."""

import csv
import io
import json
import os
import shutil
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from triage.cli.main import main
from triage.errors import StorageError, TriageError, UnknownNameError
from triage.records import Genotype
from triage.species.wording import chances_in_words
from triage.storage.archive import Archive
from triage.storage.database import Database
from triage.storage.kinds import KINDS, Animal, Call, Line
from triage.storage.photo_files import PhotoFiles
from triage.workflow.book import Book, add_entry, change_entry
from triage.workflow.cards import Card, cards_of, cards_pdf
from triage.workflow.demo import FOLDER
from triage.workflow.exchange import from_csv, from_json, guarded, import_entries, to_csv, to_json, unguarded
from triage.workflow.keep import keep_clutch
from triage.workflow.known import ids_of, known_of
from triage.workflow.label import sale_labels
from triage.workflow.names import find_entry
from triage.workflow.recorded import cross_of
from triage.workflow.season import egg_of, read_folder
from triage.workflow.settings import Settings
from triage.workflow.sheet import load_sheet
from triage.workflow.sort import sort_clutch
from triage.workflow.sort_again import sort_recorded

SHEET = """
species: ball python
dam: {name: Juniper, genes: "pastel, 66% het clown"}
sires: [{name: Basil, genes: "enchi", share: 0.8}, {name: Thyme, genes: mojave, share: 0.2}]
eggs:
  - {label: A1, call: pastel, photos: [a1.jpg]}
  - {label: A2, call: normal, sex: female}
  - {label: A3, hatched: false}
"""


def put(draft, kind, content):
    return draft.add(KINDS[kind].from_json(content))


def keep(archive, photos, sheet, **more):
    return keep_clutch(archive, photos, sort_clutch(sheet, explain=False), **more)


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
    kept = keep(archive, photos, sheet, name="2031-1", hatched="2031-08-01")
    assert [entry.content.state for entry in archive.all("egg")] == ["hatched", "hatched", "dead"]
    assert {entry.content.name for entry in archive.all("animal")} == {"Juniper", "Basil", "Thyme"}
    (call,) = archive.all("call", about=kept.eggs["A1"])
    assert (call.content.call, call.content.by) == ("pastel", "keeper")
    assert cross_of(archive, archive.find(kept.clutch)) == sheet.cross
    assert archive.faults() == ()
    with pytest.raises(StorageError, match="'2031-1' is in the records already"):
        keep(archive, photos, sheet, name="2031-1")
    archive.undo(1)
    assert archive.all() == ()


def test_a_second_clutch_uses_the_parents_that_are_there(archive, photos, sheet):
    first = keep(archive, photos, sheet, name="2031-1")
    second = keep(archive, photos, sheet, name="2032-1", again=True)
    assert first.parents == second.parents and len(archive.all("animal")) == 3


def test_keeping_reads_no_photo_again(archive, photos, sheet, monkeypatch):
    report = sort_clutch(sheet)
    monkeypatch.setattr("triage.vision.reader.PhotoReader.read", None)
    kept = keep_clutch(archive, photos, report)
    (reading,) = archive.all("reading")
    assert reading.content.about == kept.eggs["A1"] and reading.content.weights


def test_what_was_shown_is_kept_with_its_bars_and_labels_go_by_them(archive, photos):
    """A call at 90 % is settled at this keeper's bar of 85 %: shown, kept, sorted again and printed so."""
    sheet = load_sheet(text=SHEET.replace(", photos: [a1.jpg]", ""))
    report = sort_clutch(sheet, settings=Settings(label_threshold=0.85))
    assert report.eggs[0].label_text and not sort_clutch(sheet).eggs[0].label_text
    kept = keep_clutch(archive, photos, report, name="2031-1")
    (said,) = archive.all("sort")
    assert said.content.settings.label_threshold == 0.85
    assert [egg.label_text or "" for egg in said.content.eggs] == [egg.label_text for egg in report.eggs]
    (label,) = sale_labels(known_of(archive), [kept.eggs["A1"]])
    assert label.text == report.eggs[0].label_text


def test_a_call_that_means_several_looks_is_kept_as_it_was_said(archive, photos):
    text = SHEET.replace("genes: mojave", "genes: mojave lesser").replace("call: pastel, photos: [a1.jpg]", "call: blue-eyed leucistic")
    report = sort_clutch(load_sheet(text=text))
    kept = keep_clutch(archive, photos, report, name="2031-1")
    (call,) = archive.all("call", about=kept.eggs["A1"])
    assert call.content.call == "blue-eyed leucistic"
    known = known_of(archive)
    for locus, table in report.eggs[0].loci.items():
        for genotype, p in table.items():
            assert known.posterior.chance(kept.eggs["A1"], locus, genotype) == pytest.approx(p, rel=0, abs=1e-9)


def test_an_unrecorded_sire_is_nobody_s_father_elsewhere(archive, photos):
    text = SHEET.replace("genes: mojave, share: 0.2}", "genes: mojave, share: 0.1}, {unrecorded: true, share: 0.1}")
    for name in ("2031-1", "2032-1"):
        keep(archive, photos, load_sheet(text=text.replace(", photos: [a1.jpg]", "")), name=name, again=True)
    assert {entry.content.name for entry in archive.all("animal")} == {"Juniper", "Basil", "Thyme"}
    known = known_of(archive)
    strangers = [id for id in known.collection.animals if id not in known.entries]
    assert len(strangers) == 2 and not set(strangers) & set(known.animals)


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"genes": "pastel, 50% het clown"}, "Juniper: the clutch says 'pastel, 66% het clown', the records say 'pastel, 50% het clown'; "
                                             "needed: the same in both. Either change the records"),
        ({"unknown_hets": {"clown": 0.25}, "genes": "pastel"}, "the records say 'pastel', 25 % unrecorded het clown; needed: the same"),
        ({"sex": "male"}, "Juniper: is female here and male in the records"),
    ],
)  # fmt: skip
def test_a_parent_that_contradicts_the_records_stops_with_both_versions(archive, photos, sheet, changed, words):
    content = {"name": "Juniper", "species": "ball python", "sex": "female", "genes": "pastel, 66% het clown", **changed}
    add_entry(archive, Animal.from_json(content))
    before = archive.all()
    with pytest.raises(StorageError, match=words):
        keep(archive, photos, sheet, name="2031-1")
    assert archive.all() == before


def test_two_animals_of_one_name_are_both_listed(archive, photos, sheet):
    ids = [add_entry(archive, Animal(name="Juniper", species="ball python", sex="female", genes=genes)).id for genes in ("pastel", "clown")]
    with pytest.raises(StorageError, match=r"Juniper: two animals of that name") as caught:
        keep(archive, photos, sheet, name="2031-1")
    assert all(id in str(caught.value) for id in ids)
    with pytest.raises(StorageError, match="'Juniper' names 2 entries") as caught:
        find_entry(archive, "Juniper")
    assert all(id in str(caught.value) for id in ids)


def test_a_parent_from_a_clutch_here_is_not_overwritten_by_a_sheet(archive, photos, sheet):
    kept = keep(archive, photos, sheet, name="2031-1")
    add_entry(archive, Animal(name="Clove", species="ball python", sex="female", egg=kept.eggs["A2"]))
    text = SHEET.replace("Juniper", "Clove").replace(", photos: [a1.jpg]", "")
    with pytest.raises(StorageError, match="Clove: is from clutch 2031-1 in the records, which say more of it"):
        keep(archive, photos, load_sheet(text=text), name="2033-1")


def test_the_same_eggs_kept_twice_are_noticed(archive, photos, sheet):
    keep(archive, photos, sheet, name="2031-1")
    with pytest.raises(StorageError, match=r"photo a1.jpg of A1 is in the records already, as one of 2031-1/A1; .*--again"):
        keep(archive, photos, sheet, name="2031-2")
    bare = load_sheet(text=SHEET.replace(", photos: [a1.jpg]", ""))
    with pytest.raises(StorageError, match=r"the same eggs of the same parents are in the records already, as clutch 2031-1"):
        keep(archive, photos, bare, name="2031-2")
    other = load_sheet(text=SHEET.replace(", photos: [a1.jpg]", "").replace("call: normal", "call: pastel"))
    assert keep(archive, photos, other, name="2031-2").clutch


def test_the_day_of_laying_told_beside_the_sheet_tells_clutches_apart_as_well(archive, photos):
    bare = load_sheet(text=SHEET.replace(", photos: [a1.jpg]", ""))
    keep(archive, photos, bare, name="2031-1", laid="2031-03-14")
    with pytest.raises(StorageError, match="the same eggs of the same parents are in the records already, as clutch 2031-1"):
        keep(archive, photos, bare, name="2031-2", laid="2031-03-14")
    assert keep(archive, photos, bare, name="2031-2", laid="2031-09-14").clutch


def test_one_unreadable_photo_leaves_the_others_and_its_egg_goes_by_the_keeper_s_call(archive, photos, tmp_path):
    rows = []
    for n in range(1, 7):
        if n == 3:
            (tmp_path / "p3.jpg").write_bytes(b"no picture")
        else:
            shutil.copy(FOLDER / f"a{n}.jpg", tmp_path / f"p{n}.jpg")
        rows.append(f"  - {{label: A{n}, photos: [p{n}.jpg]{', call: fire' if n == 3 else ''}}}")
    head = """
species: ball python
dam: {name: Juniper, genes: "pastel, 66% het clown"}
sires: [{name: Basil, genes: "pastel, fire, mojave, het clown"}]
eggs:
"""
    (tmp_path / "clutch.yaml").write_text(head + "\n".join(rows))
    report = sort_clutch(load_sheet(tmp_path / "clutch.yaml"))
    egg = report.egg("A3")
    assert egg.rests_on == ("parents", "keeper's call") and egg.calls[0].call.name == "fire"
    assert len(egg.photo_remarks) == 1 and egg.photo_remarks[0].startswith("p3.jpg: not read:")
    assert all("photo" in one.rests_on for one in report.eggs if one.label != "A3")
    kept = keep_clutch(archive, photos, report, name="2031-1")
    assert kept.photos == 5 and kept.remarks[0].startswith("photo p3.jpg of A3 was not kept")


def test_a_clutch_is_sorted_again_as_photos_sheds_and_outcomes_come_in(archive, photos, sheet, tmp_path):
    """Each sort is kept as what was said that day; what came in since is in the next."""
    kept = keep(archive, photos, sheet, name="2031-1")
    clutch = find_entry(archive, "2031-1")
    first = sort_recorded(archive, clutch)
    folder = tmp_path / "season"
    folder.mkdir()
    shutil.copy(FOLDER / "a5.jpg", folder / "A2.jpg")
    read_folder(archive, photos, folder, clutch, workers=1)
    second = sort_recorded(archive, clutch)
    assert "photo" in second.egg("A2").rests_on and "photo" not in first.egg("A2").rests_on
    with archive.change("shed, laboratory") as draft:
        draft.add(Call(about=kept.eggs["A2"], call="pastel", by="keeper", at="2199-01-01T00:00:00+00:00", stage="after first shed"))
        put(draft, "laboratory", {"about": kept.eggs["A1"], "gene": "clown", "copies": 1, "at": "2031-09-01T00:00:00+00:00"})
    third = sort_recorded(archive, clutch)
    assert "laboratory" in third.egg("A1").rests_on and third.egg("A1").loci["clown"][Genotype("clown", "normal")] == pytest.approx(1)
    assert third.sheet.eggs[1].words == "pastel" and len(archive.all("sort")) == 4
    with archive.change("proved") as draft:
        put(draft, "outcome", {"animal": kept.eggs["A2"], "says": {"het clown": 1.0}, "at": "2033-09-01T00:00:00+00:00"})
    assert "proving" in sort_recorded(archive, clutch).egg("A2").rests_on
    dam = next(parent for parent in third.parents if parent.role == "dam")
    assert dam.after["clown"][Genotype("clown", "normal")] == pytest.approx(1)


def test_a_clutch_sorted_again_without_a_word_keeps_the_bars_of_its_last_sort(archive, photos):
    keep(archive, photos, load_sheet(text=SHEET.replace(", photos: [a1.jpg]", "")), name="2031-1")
    clutch = find_entry(archive, "2031-1")
    sort_recorded(archive, clutch, settings=Settings(label_threshold=0.85))
    assert sort_recorded(archive, clutch).settings.label_threshold == 0.85


def test_names_find_entries_and_ambiguity_is_listed(archive, photos, sheet):
    kept = keep(archive, photos, sheet, name="2031-1")
    keep(archive, photos, sheet, name="2031-2", again=True)
    assert find_entry(archive, "2031-1/A1").id == kept.eggs["A1"] and find_entry(archive, "junip").id == kept.parents["Juniper"]
    assert find_entry(archive, kept.clutch).id == kept.clutch and find_entry(archive, "2031-1", ("clutch",)).id == kept.clutch
    with pytest.raises(StorageError, match=r"'2031' names 2 entries: 2031-1 \(clutch, of Juniper, clutch-.*; needed: the full name"):
        find_entry(archive, "2031", ("clutch",))
    with pytest.raises(UnknownNameError, match=r"'Junper': no animal or egg of that name is in the records; did you mean 'Juniper'"):
        find_entry(archive, "Junper", ("animal", "egg"))


def test_an_unsexed_hatchling_s_sex_linked_gene_is_one_line(archive, photos):
    """Banana from a male-maker sire: carried on either chromosome it is banana, and sorting and records say it alike."""
    text = """
species: ball python
dam: {name: Juniper, genes: normal}
sires: [{name: Basil, genes: male-maker banana}]
eggs: [{label: A1, call: banana}]
"""
    report = sort_clutch(load_sheet(text=text))
    kept = keep_clutch(archive, photos, report, name="2031-1")
    known = known_of(archive)
    words = chances_in_words(known.collection.species, "banana", known.posterior.loci[kept.eggs["A1"]]["banana"])
    assert list(words) == ["banana", "no banana"]
    assert words["banana"] == pytest.approx(report.eggs[0].calls[0].probability, rel=0, abs=1e-9)
    assert known.posterior.sex[kept.eggs["A1"]] == pytest.approx(dict(report.eggs[0].sex), rel=0, abs=1e-9)


def test_a_species_without_pictures_keeps_photos_unread(archive, photos, tmp_path):
    shutil.copy(FOLDER / "a1.jpg", tmp_path / "a1.jpg")
    (tmp_path / "corn.yaml").write_text(
        "species: corn snake\ndam: {name: Juniper, genes: amel}\nsires: [{name: Basil, genes: het amel}]\n"
        "eggs: [{label: A1, photos: [a1.jpg], call: amel}]\n"
    )
    report = sort_clutch(load_sheet(tmp_path / "corn.yaml"))
    assert report.eggs[0].photo_remarks == ("a1.jpg: kept as a record of what was seen: no photo model reads the corn snake yet",)
    kept = keep_clutch(archive, photos, report)
    assert kept.photos == 1 and archive.all("reading") == ()


def test_an_import_of_an_unknown_kind_is_refused_by_name(archive):
    with pytest.raises(StorageError, match="x-1: 'dragon' is no kind of entry; needed: one of line, animal"):
        import_entries(archive, [{"id": "x-1", "kind": "dragon", "content": {}}])


def test_the_place_a_photo_was_taken_at_is_not_kept(archive, photos, sheet):
    keep(archive, photos, sheet)
    (photo,) = archive.all("photo")
    kept = Image.open(io.BytesIO(photos.read(photo.content.sha256)))
    assert len(kept.getexif()) == 0 and b"a phone" not in photos.read(photo.content.sha256)


def test_a_folder_is_read_once_and_goes_on_where_it_stopped(archive, photos, sheet, tmp_path):
    clutch = archive.find(keep(archive, photos, sheet).clutch)
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
    assert reading.content.exponent == 0.65 and len(reading.content.log_likelihoods) > 4
    assert read_folder(archive, photos, folder, clutch, workers=1).read == ()


def test_a_season_s_folder_has_a_folder_for_each_clutch(archive, photos, sheet, tmp_path):
    """Over two worker processes; photos that are nobody's say why; a table names the clutch too; nothing is read twice."""
    with pytest.raises(StorageError, match="no clutch is in the records"):
        read_folder(archive, photos, tmp_path)
    first, second = (keep(archive, photos, sheet, name=name, again=True) for name in ("2031-1", "2031-2"))
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
    about = {entry.content.name: entry.content.about for entry in archive.all("photo")}
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
    clutch = archive.find(keep(archive, photos, sheet).clutch)
    folder, table = tmp_path / "season", tmp_path / "table.csv"
    folder.mkdir()
    # Demo photos are in the records already; another file of the same picture is not.
    (folder / "a1 from phone.jpg").write_bytes((FOLDER / "a3.jpg").read_bytes() + b" ")
    table.write_text("photo,egg\na1 from phone.jpg,A3\n")
    assert read_folder(archive, photos, folder, clutch, table=table, workers=1).read == ("a1 from phone.jpg",)
    (a3,) = archive.all("egg", clutch=clutch.id, label="A3")
    assert archive.all("photo", name="a1 from phone.jpg")[0].content.about == a3.id
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


def _green():
    file = io.BytesIO()
    Image.new("RGB", (60, 60), (10, 200, 10)).save(file, "JPEG")
    return file.getvalue()


def test_cards_hold_what_the_records_support_and_the_id(archive, photos, sheet):
    kept = keep(archive, photos, sheet, name="2031-1", hatched="2031-08-01")
    known = known_of(archive)
    labels = sale_labels(known, ids_of(known, [kept.clutch]))
    cards = cards_of(labels, known.book, photos)
    assert [card.title for card in cards] == [f"{'Work slip: ' * (not label.text)}{label.name}" for label in labels]
    assert {bool(label.text) for label in labels} == {True, False}, "a card and a slip"
    (entry,) = archive.all("photo")
    assert [bool(card.photo) for card in cards] == [card.id == entry.content.about for card in cards]
    other = photos.add(_green())
    add_entry(archive, replace(entry.content, sha256=other, source_sha256="1" * 64))
    (newer,) = [card.photo for card in cards_of(labels, Book.of(archive), photos) if card.photo]
    assert Image.open(io.BytesIO(newer)).getpixel((5, 5))[1] > 150, "the newest photo"
    photos.path(entry.content.sha256).unlink()
    assert not any(card.photo for card in cards_of(labels, known.book, photos)), "a missing photo leaves the card without"
    for card, label, egg in zip(cards, labels, sort_clutch(sheet).eggs, strict=False):
        assert card.lines[0] == (label.text or f"no label yet: {label.reason}")
        assert "100%" not in card.lines[0] and card.id == kept.eggs[egg.label]
        assert "dam Juniper; sire Basil or Thyme" in card.lines and "hatched 2031-08-01" in card.lines
    pdf = cards_pdf(cards)
    assert pdf.startswith(b"%PDF") and cards_pdf(cards) == pdf  # the same cards, the same bytes
    many = cards_pdf([Card(f"egg-{n}", "long title " * 20, ("a long line " * 40,)) for n in range(23)])
    assert many.count(b"/Type /Page\n") == 3


def test_words_are_brought_to_the_catalogue_s_or_refused(archive):
    animal = add_entry(archive, Animal(name="J", species="Ball Python", sex="female", genes="het CLOWN, pastel"))
    assert animal.content.genes == "pastel, het clown" and animal.content.species == "ball python"
    with pytest.raises(TriageError, match="pastle"):
        change_entry(archive, animal.id, {"genes": "pastle"})
    with pytest.raises(StorageError, match="at version 1, not 3"):
        change_entry(archive, animal.id, {"weight_g": 5.0}, version=3)
    call = add_entry(archive, Call(about=animal.id, call="enchi pastel", by="keeper", at="2031-06-02T10:00:00+00:00"))
    assert call.content.call == "pastel enchi"


@given(NASTY)
def test_guarded_text_is_no_formula_and_comes_back(text):
    assert not guarded(text).startswith(("=", "+", "-", "@", "\t", "\r", "\n"))
    assert unguarded(guarded(text)) == text


def test_export_and_import_are_exact_both_ways(archive, photos, sheet, tmp_path):
    keep(archive, photos, sheet, name="=2+2", hatched="2031-08-01")
    add_entry(archive, Line(name="@SUM(A1)", note='\'quoted\r\nsecond, "line"'))
    data = to_json(archive)
    other = Archive(Database(f"sqlite:///{tmp_path / 'other.sqlite'}"))
    shuffled = from_json(json.dumps({**data, "entries": data["entries"][::-1]}), "x.json")
    assert import_entries(other, shuffled) == (len(data["entries"]), 0, 0)
    key = lambda e: e["id"]  # noqa: E731
    assert sorted(to_json(other)["entries"], key=key) == sorted(data["entries"], key=key)
    fourth = Archive(Database(f"sqlite:///{tmp_path / 'fourth.sqlite'}"))
    import_entries(fourth, data["entries"])
    assert to_json(fourth) == data  # in the same order: the later is the newer
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


PHOTO_OF_A_PATH = json.dumps({"format": 1, "entries": [{"id": "photo-1", "kind": "photo", "content": {
    "about": "egg-1", "sha256": "../../secret", "source_sha256": "0" * 64, "name": "a.jpg", "added": "2031-06-02T10:00:00+00:00"}}]})  # fmt: skip


def test_a_long_line_of_descent_is_imported_in_any_order(archive):
    rows = []
    for number in range(300):
        animal = {"name": f"N{number}", "species": "ball python", "sex": "female", **({"egg": f"e{number}"} if number else {})}
        rows.append({"id": f"a{number}", "kind": "animal", "content": animal})
        rows.append({"id": f"p{number}", "kind": "pairing", "content": {"dam": f"a{number}", "sires": [{"unrecorded": True}]}})
        rows.append({"id": f"c{number}", "kind": "clutch", "content": {"name": f"C{number}", "pairing": f"p{number}"}})
        rows.append({"id": f"e{number + 1}", "kind": "egg", "content": {"clutch": f"c{number}", "label": "A1", "state": "hatched"}})
    assert import_entries(archive, rows[::-1]) == (1200, 0, 0) and archive.faults() == ()


def test_a_file_that_is_none_is_not_imported(monkeypatch, tmp_path, capsys):
    monkeypatch.setenv("TRIAGE_DATA", str(tmp_path / "data"))
    os.mkfifo(tmp_path / "pipe.json")
    (tmp_path / "folder.csv").mkdir()
    with open(tmp_path / "large.json", "wb") as file:
        file.truncate(5 * 2**30)
    for name, words in (("pipe.json", "it is a pipe"), ("folder.csv", "it is a folder"), ("large.json", "up to 64 MiB are read")):
        assert main(["import", str(tmp_path / name)]) == 2
        assert words in capsys.readouterr().err


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("a.csv", "name,species\n", "must begin with id, kind"),
        ("a.csv", "id,kind,name\nx,line\n", "row 2: 2 cells; needed: 3"),
        ("a.csv", "id,kind,weight_g\nx,animal,heavy\n", "row 2, 'weight_g': 'heavy' cannot be read"),
        ("a.csv", "id,kind,colour\nx,animal,brown\n", "'animal' has no field 'colour'"),
        ("a.json", "{}", "not records that 'triage export' wrote"),
        ("a.json", '{"format": 7, "entries": []}', "format 7"),
        ("a.json", "[" * 100_000, "not records that 'triage export' wrote (RecursionError"),
        ("a.json", "[" + "1," * 4_000_001 + "1]", "has over 4,000,000 values"),
        ("a.csv", "id,kind,name\nx,line," + "y" * 200_000, "cannot be read as a table (field larger"),
        ("a.csv", f"id,kind,sires\nx,pairing,{'[' * 100_000}", "row 2, 'sires'"),
        ("a.csv", "id,kind,name\nx,line,a\nx,line,b\n", "x: stands twice in the file"),
        ("a.csv", "id,kind,name\n../x,line,a\n", "line '../x': that is no id"),
        ("a.csv", f"id,kind,name\n{'x' * 41},line,a\n", "that is no id; needed: up to 40 letters"),
        ("a.csv", "id,kind,name,species,sex,egg\na,animal,A,ball python,male,e\n", "field 'egg': 'e' is nothing"),
        ("a.json", PHOTO_OF_A_PATH, "field 'sha256' is '../../secret'; needed: 64 hexadecimal digits"),
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
    pairing = run("pair", "add", "--dam", dam, "--sires", f"{sire}=1.0", "--begun", "2031-01-10")["id"]
    clutch = run("clutch", "add", "--name", "2031-1", "--pairing", pairing)["id"]
    egg = run("egg", "add", "--clutch", clutch, "--label", "A1", "--state", "laid")["id"]
    assert run("egg", "change", egg, "--state", "hatched")["version"] == 2
    run("call", "add", "--about", egg, "--call", "pastel", "--by", "keeper")
    run("hold", "add", "--about", egg, "--note", "pretty")
    run("outcome", "add", "--animal", dam, "--says", "het clown=1")
    run("note", "add", "--about", egg, "--text", "first meal")
    assert [one["id"] for one in run("animal", "list", "--where", "sex=male")["entries"]] == [sire]
    (label,) = run("label", clutch)["labels"]  # the keeper's word alone: nine in ten
    assert label["text"] == "" and label["reason"] == "the call pastel is not settled: the records give it 90 %"
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


@pytest.mark.parametrize("id", ["=1+1", "+1", "-1", "@a", "\t=1", "\r=1", "＝1", "＠a", "'=1"])
def test_an_identifier_is_no_formula_either(archive, id):
    """No import makes one such; records of older versions may hold it."""
    with archive.change("as an older version wrote it") as draft:
        draft.add(Line(name="＋north"), id=id)
    table = to_csv(archive, "line")
    cells = [cell for row in csv.reader(io.StringIO(table, newline="")) for cell in row]
    assert not any(cell.startswith(("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")) for cell in cells)
    assert import_entries(archive, from_csv(table, "lines.csv")) == (0, 0, 1)
