"""Labels from the records: what they promise, what they wait for, and which of them a proving changes."""

import json
import math

import pytest

from triage.cli.main import main
from triage.errors import StorageError
from triage.genetics.readings import photo_reading
from triage.records import PhotoEvidence, VisualCall
from triage.species import load_species
from triage.storage.archive import Archive
from triage.storage.database import Database
from triage.storage.kinds import KINDS
from triage.workflow.known import ids_of, known_of
from triage.workflow.label import changed_labels, keep_labels, sale_labels, sell

SPECIES = load_species("ball python")


def put(draft, kind, content):
    return draft.add(KINDS[kind].from_json(content))


def read(draft, about, likelihoods, otherwise=0.0):
    """A photo's reading by likelihoods, as the records keep it; the floor is 0 where nothing else is said."""
    logs = {call: math.log(p) for call, p in likelihoods.items()}
    content = {"about": about, "at": AT, "log_likelihoods": logs, "floor": otherwise, "exponent": 0.65, "shortlist": 1.0}
    return put(draft, "reading", content)


AT, LATER = "2031-08-01T10:00:00+00:00", "2031-09-01T10:00:00+00:00"


@pytest.fixture
def address(tmp_path, monkeypatch):
    address = f"sqlite:///{tmp_path / 'records.sqlite'}"
    monkeypatch.setenv("TRIAGE_DATABASE", address)
    monkeypatch.setenv("TRIAGE_DATA", str(tmp_path))
    return address


@pytest.fixture
def archive(address):
    return Archive(Database(address))


@pytest.fixture
def ids(archive):
    """Two hets of clown, four normal young called at hatch; one sold."""
    with archive.change("season") as draft:
        found = {
            name: put(draft, "animal", {"name": name, "species": "ball python", "sex": sex, "genes": "het clown"})
            for name, sex in (("Juniper", "female"), ("Basil", "male"))
        }
        pairing = put(draft, "pairing", {"dam": found["Juniper"], "sires": [{"animal": found["Basil"], "share": 1.0}]})
        found["clutch"] = put(draft, "clutch", {"name": "2031-1", "pairing": pairing, "hatched": "2031-08-01"})
        for label in ("A1", "A2", "A3", "A4"):
            found[label] = put(draft, "egg", {"clutch": found["clutch"], "label": label, "state": "hatched", "sex": "female"})
        for label in ("A1", "A2", "A3"):
            put(draft, "call", {"about": found[label], "call": "normal", "by": "keeper", "at": AT})
        sold = {"name": "A1", "species": "ball python", "sex": "female", "egg": found["A1"], "state": "sold", "buyer": "a buyer"}
        found["sold"] = put(draft, "animal", sold)
    return found


def label_of(archive, id):
    (label,) = sale_labels(known_of(archive), [id])
    return label


def test_a_label_says_what_the_papers_support_and_what_the_call_rests_on(archive, ids):
    label = label_of(archive, ids["sold"])
    assert label.text == "0.1; normal; 66% possible het clown, not proven" and not label.reason
    assert label.lines == (
        "dam Juniper; sire Basil", "hatched 2031-08-01", "call by sorting its clutch", "rests on parents, keeper's call, sex"
    )  # fmt: skip
    assert (label.buyer, label.written, label.changed) == ("a buyer", "", False)


def test_what_has_not_been_called_or_is_not_settled_has_no_label(archive, ids):
    assert "the call normal is not settled: the records give it 75 %" in label_of(archive, ids["A4"]).reason
    with archive.change("looked") as draft:
        put(draft, "call", {"about": ids["A4"], "call": "clown", "by": "keeper", "at": AT})
        read(draft, ids["A4"], {"clown": 0.05, "normal": 1.0}, 0.001)
    label = label_of(archive, ids["A4"])
    assert label.text == "" and " is not settled: the records give it " in label.reason


def test_a_call_is_settled_as_a_whole_or_not_at_all(archive, ids):
    """Pastel 96 %, enchi 96 %: each look by itself is over the bar, both together (92 %) are not."""
    with archive.change("papers corrected, looked") as draft:
        draft.put(archive.find(ids["Juniper"]), genes="pastel")
        draft.put(archive.find(ids["Basil"]), genes="enchi")
        seen = {"pastel enchi": 0.96**2, "pastel": 0.96 * 0.04, "enchi": 0.04 * 0.96, "normal": 0.04**2}
        read(draft, ids["A4"], seen)
    label = label_of(archive, ids["A4"])
    assert label.text == "" and label.reason == "the call pastel enchi is not settled: the records give it 92 %"


def test_a_photo_never_makes_a_het_surer(archive, ids):
    """A reading that would speak for a hidden het in the parents leaves the promise where papers and proving have it."""
    before = label_of(archive, ids["A2"]).text
    with archive.change("looked") as draft:
        read(draft, ids["A4"], {"clown": 1.0, "normal": 1e-9})
    assert label_of(archive, ids["A2"]).text == before


def test_evidence_against_a_het_lowers_the_promise(archive, ids):
    """A dam that is 66 % het by her papers (3/5 for a normal young), and sixteen normal young more: hardly over one half."""
    with archive.change("papers corrected") as draft:
        draft.put(archive.find(ids["Juniper"]), genes="66% het clown")
    three = 2 / 3 * (3 / 4) ** 3  # a het dam gives three normal young; each is then het at 2/3, else at 1/2
    among_three = (three * 2 / 3 + 1 / 3 * 1 / 2) / (three + 1 / 3)
    assert f"; {int(100 * among_three)}% possible" in label_of(archive, ids["A2"]).text
    with archive.change("a large clutch") as draft:
        pairing = archive.all("pairing")[0]
        clutch = put(draft, "clutch", {"name": "2032-1", "pairing": pairing.id})
        for number in range(16):
            egg = put(draft, "egg", {"clutch": clutch, "label": f"B{number}", "state": "hatched"})
            put(draft, "evidence", {"about": egg, "at": AT, "likelihoods": {"normal": 1.0}, "otherwise": 0.0})
    words = label_of(archive, ids["A2"]).text
    promised = int(words.split("; ")[2].split("%")[0])
    known = known_of(archive)
    everything = sum(p for g, p in known.posterior.loci[ids["A2"]]["clown"].items() if set(g.alleles) == {"clown", "normal"})
    assert promised == int(100 * everything) == 50


def test_a_proving_changes_the_labels_that_were_written(archive, ids, capsys):
    known = known_of(archive)
    labels = sale_labels(known, ids_of(known, [ids["clutch"]]))
    assert keep_labels(archive, labels) == 3 and keep_labels(archive, sale_labels(known_of(archive), [ids["A2"]])) == 0
    assert changed_labels(known_of(archive)) == ()
    assert main(["outcome", "add", "--animal", ids["sold"], "--says", "het clown=1", "--at", LATER, "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    (changed,) = answer["labels"]
    assert changed["written"] == "0.1; normal; 66% possible het clown, not proven"
    assert changed["text"] == "0.1; normal; 100% het clown" and changed["buyer"] == "a buyer"
    (listed,) = changed_labels(known_of(archive))
    assert listed.id == ids["sold"] and "proving of 2031-09-01" in listed.lines[-1]


def test_a_proving_of_a_brother_reaches_the_labels_of_the_others(archive, ids, capsys):
    """Dam 66 % het by her papers and a sire that is none: a het among the young proves her, so the others are 1/2, not 1/3."""
    with archive.change("papers corrected") as draft:
        draft.put(archive.find(ids["Juniper"]), genes="66% het clown")
        draft.put(archive.find(ids["Basil"]), genes="normal")
    known = known_of(archive)
    keep_labels(archive, sale_labels(known, [ids["A2"], ids["A3"]]))
    assert main(["outcome", "add", "--animal", ids["sold"], "--says", "het clown=1", "--at", LATER, "--json"]) == 0
    changed = {one["id"]: one for one in json.loads(capsys.readouterr().out)["labels"]}
    assert set(changed) == {ids["A2"], ids["A3"]}
    assert changed[ids["A2"]]["written"].endswith("33% possible het clown, not proven")
    assert changed[ids["A2"]]["text"].endswith("50% possible het clown, not proven")


def test_what_a_parent_shows_is_a_record_and_what_a_brother_shows_is_not(archive, ids):
    """A4, called clown, makes its young certain hets once it is bred; its sisters' labels stay as they are."""
    with archive.change("looked") as draft:
        put(draft, "call", {"about": ids["A4"], "call": "clown", "by": "keeper", "at": AT})
        read(draft, ids["A4"], {"clown": 1.0, "normal": 0.001})
    sister = label_of(archive, ids["A2"]).text
    with archive.change("bred") as draft:
        kept = put(draft, "animal", {"name": "Clove", "species": "ball python", "sex": "female", "egg": ids["A4"]})
        other = put(draft, "animal", {"name": "Reed", "species": "ball python", "sex": "male", "genes": "normal"})
        pairing = put(draft, "pairing", {"dam": kept, "sires": [{"animal": other, "share": 1.0}]})
        clutch = put(draft, "clutch", {"name": "2034-1", "pairing": pairing})
        young = put(draft, "egg", {"clutch": clutch, "label": "A1", "state": "hatched"})
        put(draft, "call", {"about": young, "call": "normal", "by": "keeper", "at": LATER})
    label = label_of(archive, young)
    assert label.text == "0.0.1; normal; 99% possible het clown, not proven"  # by everything the call is nearly sure, not certain
    assert label_of(archive, ids["A2"]).text == sister


def test_labels_are_written_with_their_cards_and_kept(archive, ids, tmp_path, capsys):
    assert main(["label", ids["clutch"], "--to", str(tmp_path / "cards.pdf"), "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["kept"] == 3 and (tmp_path / "cards.pdf").read_bytes().startswith(b"%PDF")
    assert sorted(one.content.text for one in archive.all("label")) == ["0.1; normal; 66% possible het clown, not proven"] * 3
    assert main(["label", "--changed"]) == 0 and "Every label that was written still holds." in capsys.readouterr().out
    assert main(["label"]) == 2 and "nothing named" in capsys.readouterr().err
    assert main(["label", ids["Juniper"], "--json"]) == 0
    (dam,) = json.loads(capsys.readouterr().out)["labels"]
    assert dam["text"] == "" and "nobody has called it" in dam["reason"]
    with pytest.raises(StorageError, match="is no clutch, animal or hatched egg"):
        ids_of(known_of(archive), [archive.all("pairing")[0].id])


def test_a_sale_keeps_the_animal_the_buyer_and_the_label_in_one_change(archive, ids):
    known = known_of(archive)
    (label,) = sale_labels(known, [ids["A2"]])
    id = sell(archive, known, label, "Someone")
    sold = archive.find(id)
    assert sold.content.egg == ids["A2"] and sold.content.state == "sold" and sold.content.sex == "female"
    after = label_of(archive, id)
    assert (after.buyer, after.written, after.text) == ("Someone", label.text, label.text)
    again = sell(archive, known_of(archive), after, "")  # nobody's name to remember: taken out
    assert again == id and archive.find(id).content.buyer is None and len(archive.all("label", about=id)) == 1
    archive.undo(archive.history(id)[0].change + 1)
    archive.undo(archive.history(id)[0].change)
    assert ids["A2"] in known_of(archive).collection.animals and archive.all("label") == ()


@pytest.mark.parametrize("times", [(AT, LATER), (LATER, AT), (AT, AT)])
def test_the_newest_call_counts_and_only_once_whatever_the_clock_said(archive, ids, times):
    """Clown at hatch, corrected to normal after the shed: one reading of the keeper's, the one entered last."""
    with archive.change("looked again") as draft:
        put(draft, "call", {"about": ids["A4"], "call": "clown", "by": "keeper", "at": times[0], "stage": "at hatch"})
        put(draft, "call", {"about": ids["A4"], "call": "normal", "by": "keeper", "at": times[1], "stage": "after first shed"})
    (reading,) = known_of(archive).collection.animals[ids["A4"]].readings
    assert reading.likelihoods[VisualCall()] == max(reading.likelihoods.values())
    assert label_of(archive, ids["A4"]).text.startswith("0.1; normal")


def test_photos_of_one_animal_are_joined_as_sorting_joins_them(archive, ids):
    clown = VisualCall((("clown", "clown"),))
    evidence = [
        PhotoEvidence({VisualCall(): math.log(0.9), clown: math.log(0.3)}, 0.0, 0.65, 1.0),
        PhotoEvidence({VisualCall(): math.log(0.5), clown: math.log(0.2)}, 0.0, 0.65, 1.0),
    ]
    joined = photo_reading(evidence)
    with archive.change("two photos") as draft:
        read(draft, ids["A4"], {"normal": 0.9, "clown": 0.3})
        read(draft, ids["A4"], {"normal": 0.5, "clown": 0.2})
    (reading,) = known_of(archive).collection.animals[ids["A4"]].readings
    assert dict(reading.likelihoods) == pytest.approx(dict(joined.likelihoods), rel=1e-12)
    assert reading.likelihoods[clown] == pytest.approx((0.3 * 0.2 / 0.9 / 0.5) ** (2**-0.65), rel=1e-12)
