"""What is no known gene: said on label and card with its day, counted in its clutch, and nothing is ever computed from it."""

import json
from datetime import date

import pytest

from triage.cli.main import main
from triage.errors import StorageError
from triage.storage.archive import Archive
from triage.storage.backup import back_up, restore
from triage.storage.database import Database
from triage.storage.kinds import KINDS, Egg, Photo, Trait
from triage.storage.photo_files import PhotoFiles
from triage.workflow.answers.as_json import to_json as report_json
from triage.workflow.book import Book, add_entry, now
from triage.workflow.cards import cards_of, laid_out
from triage.workflow.exchange import from_csv, from_json, import_entries, to_csv, to_json
from triage.workflow.gene_use import remove_entry, undo_change
from triage.workflow.keep import keep_clutch
from triage.workflow.known import known_of
from triage.workflow.label import changed_labels, keep_labels, sale_labels, sell
from triage.workflow.recorded import Clutches
from triage.workflow.sheet import load_sheet
from triage.workflow.sort import sort_clutch
from triage.workflow.sort_again import look_again, sort_recorded
from triage.workflow.traits import seen_of, trait_counts

SHEET = """
species: ball python
dam: {name: Juniper, genes: "pastel, het clown"}
sires: [{name: Basil, genes: "enchi, het clown"}]
eggs:
  - {label: A1, call: pastel, evidence: {pastel: 1, otherwise: 0.0001}}
  - {label: A2, call: normal, sex: female, evidence: {normal: 1, otherwise: 0.0001}}
  - {label: A3, call: enchi}
  - {label: A4, hatched: false}
"""
DAY = "2031-08-03"
SEEN = f"seen {DAY}, no known gene: "


@pytest.fixture
def archive(tmp_path):
    return Archive(Database(f"sqlite:///{tmp_path / 'records.sqlite'}"))


@pytest.fixture
def kept(archive, tmp_path):
    sheet = load_sheet(text=SHEET, name="clutch")
    return keep_clutch(archive, PhotoFiles(tmp_path / "photos"), sort_clutch(sheet, explain=False), name="2031-1")


def see(archive, about, words, seen=DAY, **more):
    return add_entry(archive, Trait(about=about, words=words, seen=seen, **more))


def label_of(archive, id):
    (label,) = sale_labels(known_of(archive), [id])
    return label


@pytest.mark.parametrize("words", ["pastel", "super pastel, 100% het clown", "normal", "kinked"])
def test_no_word_of_a_trait_changes_a_chance(archive, kept, words):
    known, report = known_of(archive), look_again(Clutches(Book.of(archive)), kept.clutch)
    texts = {id: label_of(archive, id).text for id in known.animals}
    for about in (*kept.eggs.values(), *kept.parents.values()):
        see(archive, about, words)
    after = known_of(archive)
    assert after.posterior.loci == known.posterior.loci and after.posterior.log_evidence == known.posterior.log_evidence
    again = look_again(Clutches(Book.of(archive)), kept.clutch)
    assert report_json(again) | {"notes": []} == report_json(report) | {"notes": []}
    assert {id: label_of(archive, id).text for id in known.animals} == texts


def test_label_and_card_say_what_was_seen_that_day_after_the_genes(archive, kept):
    one = kept.eggs["A1"]
    see(archive, one, "line down the back", seen="2031-09-01")
    see(archive, one, "kinked tail")
    label = label_of(archive, one)
    seen = (SEEN + "kinked tail", "seen 2031-09-01, no known gene: line down the back")
    assert label.lines[:2] == seen == label.seen and label.text == "0.0.1; pastel; 66% possible het clown, not proven"
    (card,) = cards_of([label])
    assert card.lines[:3] == (label.text, *seen)
    (other,) = cards_of([label_of(archive, kept.eggs["A2"])])
    assert not any("no known gene" in line for line in other.lines)
    three = kept.eggs["A3"]
    see(archive, three, "scar")
    assert label_of(archive, three).text == "" and cards_of([label_of(archive, three)])[0].lines[1] == SEEN + "scar"


def test_every_scar_is_on_the_card_or_the_next(archive, kept):
    for number in range(30):
        see(archive, kept.eggs["A1"], f"scar {number} behind the head, as long as a finger is wide")
    on_cards = laid_out(cards_of([label_of(archive, kept.eggs["A1"])])[0])
    text = " ".join(part for lines in on_cards for _, part, _ in lines)
    assert len(on_cards) > 1 and all(f"scar {number} behind" in text for number in range(30))


def test_a_label_written_before_the_kink_was_seen_no_longer_holds(archive, kept):
    one = kept.eggs["A1"]
    keep_labels(archive, [label_of(archive, one)])
    assert not label_of(archive, one).changed
    kink = see(archive, one, "kinked tail")
    (changed,) = changed_labels(known_of(archive))
    assert changed.id == one and changed.whole == f"{changed.text}; {SEEN}kinked tail"
    keep_labels(archive, [changed])
    assert label_of(archive, one).written == changed.whole and not label_of(archive, one).changed
    remove_entry(archive, kink.id)
    assert label_of(archive, one).changed


def test_an_animal_sold_keeps_the_traits_of_its_egg(archive, kept):
    one = kept.eggs["A1"]
    see(archive, one, "paradox patch")
    animal = sell(archive, known_of(archive), label_of(archive, one), "somebody")
    book = Book.of(archive)
    assert seen_of(book, animal) == seen_of(book, one) == (SEEN + "paradox patch",)
    assert label_of(archive, animal).written.endswith("paradox patch")
    assert trait_counts(book, kept.clutch) == ("paradox patch: 1 of 3 hatchlings",)


def test_its_clutch_counts_each_hatchling_once(archive, kept):
    for label, words in (("A1", "kinked"), ("A1", "Kinked "), ("A2", "kinked"), ("A4", "KINKED"), ("A3", "scar"), ("A4", "blood")):
        see(archive, kept.eggs[label], words)
    counts = ("kinked: 2 of 3 hatchlings, and 1 egg that did not hatch", "scar: 1 of 3 hatchlings",
              "blood: 0 of 3 hatchlings, and 1 egg that did not hatch")  # fmt: skip
    assert trait_counts(Book.of(archive), kept.clutch) == counts
    assert sort_recorded(archive, archive.find(kept.clutch)).notes[-3:] == tuple(f"Seen, no known gene: {one}" for one in counts)


def test_seven_hatchlings(archive, kept):
    for number in range(4):
        add_entry(archive, Egg(clutch=kept.clutch, label=f"B{number}", state="hatched"))
    for label in ("A1", "A2"):
        see(archive, kept.eggs[label], "kinked")
    assert trait_counts(Book.of(archive), kept.clutch) == ("kinked: 2 of 7 hatchlings",)


def test_a_photo_must_be_one_of_the_animal(archive, kept):
    photos = {}
    for label in ("A1", "A2"):
        content = Photo(about=kept.eggs[label], sha256="0" * 64, source_sha256="1" * 64, name=f"{label}.jpg", added=now())
        photos[label] = add_entry(archive, content).id
    assert see(archive, kept.eggs["A1"], "scar", photo=photos["A1"]).content.photo == photos["A1"]
    with pytest.raises(StorageError, match="trait, field 'photo': is a photo of 2031-1/A2; needed: one of 2031-1/A1"):
        see(archive, kept.eggs["A1"], "scar", photo=photos["A2"])
    with pytest.raises(StorageError, match=r"trait, field 'photo': '.*' is an entry of kind egg; needed: photo"):
        see(archive, kept.eggs["A1"], "scar", photo=kept.eggs["A1"])


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"words": " "}, "trait: field 'words' is missing; needed: text"),
        ({"seen": "yesterday"}, "trait, field 'seen' is 'yesterday'; needed: a date such as 2031-06-02"),
        ({"seen": None}, "trait: field 'seen' is missing; needed: a date"),
    ],
)
def test_bad_input_is_refused(wrong, message):
    with pytest.raises(StorageError) as refusal:
        Trait(**{"about": "egg-1", "words": "scar", "seen": DAY, **wrong})
    assert message in str(refusal.value)


def test_traits_go_out_and_in_into_a_backup_and_are_undone(archive, kept, tmp_path):
    see(archive, kept.eggs["A1"], "=kink", note="at the tip")
    traits = archive.all("trait")
    tables = [row for kind in KINDS for row in from_csv(to_csv(archive, kind), kind)]
    for number, rows in enumerate((from_json(json.dumps(to_json(archive)), "all"), tables)):
        other = Archive(Database(f"sqlite:///{tmp_path / f'other{number}.sqlite'}"))
        import_entries(other, rows)
        assert other.all("trait") == traits
    back_up(archive, PhotoFiles(tmp_path / "photos"), tmp_path / "all.zip")
    third = Archive(Database(f"sqlite:///{tmp_path / 'third.sqlite'}"))
    restore(tmp_path / "all.zip", third, PhotoFiles(tmp_path / "photos3"))
    assert third.all("trait") == traits
    undo_change(archive, archive.history()[-1].change)
    assert archive.all("trait") == () and archive.faults() == ()


def test_the_commands(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("TRIAGE_DATA", str(tmp_path / "data"))
    (tmp_path / "clutch.yaml").write_text(SHEET)

    def said(*words, code=0):
        assert main(list(words)) == code, capsys.readouterr()
        out = capsys.readouterr()
        return out.err if code else out.out

    said("keep", str(tmp_path / "clutch.yaml"), "--name", "2031-1")
    assert "kept: trait of 2031-1/A1" in said("trait", "add", "--about", "2031-1/A1", "--words", "kinked tail", "--seen", DAY)
    said("trait", "add", "--about", "Juniper", "--words", "pastel")
    assert f"seen {date.today().isoformat()}, no known gene: pastel" in said("animal", "show", "Juniper")
    assert SEEN + "kinked tail" in said("egg", "show", "2031-1/A1") and SEEN + "kinked tail" in said("known", "2031-1/A1")
    assert "kinked tail: 1 of 3 hatchlings" in said("clutch", "show", "2031-1")
    assert "kinked tail: 1 of 3 hatchlings" in " ".join(said("sort", "2031-1").split())
    assert SEEN + "kinked tail" in said("label", "2031-1/A1") and "kinked tail" in said("trait", "list")
    assert json.loads(said("known", "2031-1/A1", "--json"))["animals"][0]["seen"] == [SEEN + "kinked tail"]
    assert "needed: a date such as 2031-06-02" in said("trait", "add", "--about", "Juniper", "--words", "scar", "--seen", "then", code=2)
    assert "no animal or egg of that name" in said("trait", "add", "--about", "Nobody", "--words", "scar", code=2)
