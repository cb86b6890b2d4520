"""The records as one collection: what is known of everybody, why, what an outcome changes, and plans from it."""

import json

import pytest

from triage.cli.main import main
from triage.errors import ShorthandError, StorageError, WorkTooLargeError
from triage.genetics.clutch.exact import infer
from triage.genetics.clutch.model import compile_cross
from triage.genetics.readings import proving_reading
from triage.records import Egg, Genotype, Mode
from triage.species import load_species
from triage.storage.archive import Archive
from triage.storage.database import Database
from triage.storage.kinds import KINDS
from triage.workflow.known import known_of, news, news_words, why
from triage.workflow.prove import plan_for, prices_from, worth_of
from triage.workflow.recorded import cross_of

from triage.proving.plans.worth import Costs  # isort: skip

SPECIES = load_species("ball python")
HET = Genotype("clown", "normal")
AT = "2031-08-01T10:00:00+00:00"


def put(draft, kind, content):
    return draft.add(KINDS[kind].from_json(content))


@pytest.fixture
def archive(tmp_path):
    return Archive(Database(f"sqlite:///{tmp_path / 'records.sqlite'}"))


@pytest.fixture
def ids(archive):
    """A possible het and a het, their three eggs, one of them sold."""
    with archive.change("season") as draft:
        found = {
            "dam": put(draft, "animal", {"name": "Juniper", "species": "ball python", "sex": "female", "genes": "66% het clown"}
            )
        }
        found["sire"] = put(draft, "animal", {"name": "Basil", "species": "ball python", "sex": "male", "genes": "het clown"}
        )
        pairing = put(draft, "pairing", {"dam": found["dam"], "sires": [{"animal": found["sire"], "share": 1.0}]})
        found["clutch"] = put(draft, "clutch", {"name": "2031-1", "pairing": pairing, "hatched": "2031-08-01"})
        for label, call in (("A1", "normal"), ("A2", "normal"), ("A3", "")):
            found[label] = put(draft, "egg", {"clutch": found["clutch"], "label": label, "state": "hatched", "sex": "female"}
            )
            if call:
                put(draft, "call", {"about": found[label], "call": call, "by": "keeper", "at": AT})
        found["sold"] = put(draft, "animal", {
                "name": "A1",
                "species": "ball python",
                "sex": "female",
                "egg": found["A1"],
                "state": "sold",
                "buyer": "a buyer",
            },
        )
    return found


def test_one_clutch_is_what_the_clutch_engine_says(archive, ids):
    known = known_of(archive)
    clutch = infer(
        compile_cross(cross_of(archive, archive.find(ids["clutch"]))),
        [
            Egg(label, readings=known.collection.animals[id].readings)
            for label, id in (("A1", ids["sold"]), ("A2", ids["A2"]), ("A3", ids["A3"]))
        ],
    )
    for label, id in (("A1", ids["sold"]), ("A2", ids["A2"]), ("A3", ids["A3"])):
        (egg,) = (e for e in clutch.eggs if e.label == label)
        assert known.posterior.chance(id, "clown", HET) == pytest.approx(egg.loci["clown"][HET], abs=1e-12)
    assert known.posterior.exact and ids["A1"] not in known.posterior.loci  # the sold animal is the egg


def test_an_outcome_reaches_parents_siblings_and_sold_relatives(archive, ids):
    before = known_of(archive)
    with archive.change("proved") as draft:
        put(draft, "outcome", {"animal": ids["A3"], "says": {"clown": 1.0}, "at": AT})
    after = known_of(archive, previous=before)
    assert after.posterior.chance(ids["dam"], "clown", HET) == pytest.approx(1)
    told = {one.id: news_words(one) for one in news(before, after) if one.what == "het clown"}
    assert told[ids["dam"]].startswith("Juniper: het clown proven")
    assert told[ids["sold"]].startswith("tell the buyer of A1 (a buyer): het clown now")
    assert ids["A2"] in told
    reasons = why(after, ids["dam"], "clown").chances
    assert reasons[0][0].startswith("het clown 100 %") and reasons[0][1][0].observer == "proving"


def test_what_an_outcome_says_is_of_one_locus():
    reading = proving_reading(SPECIES, {"het clown": 1.0, "no clown": 0.25})
    assert reading.locus == "clown" and reading.likelihoods == {HET: 1.0, Genotype("normal", "normal"): 0.25}
    for says in ({"het clown": 1.0, "pastel": 1.0}, {"normal": 1.0}):
        with pytest.raises(ShorthandError, match="speaks of one locus"):
            proving_reading(SPECIES, says)


def test_a_plan_ranks_the_collection_s_mates_and_is_worth_what_its_parts_are(archive, ids):
    known = known_of(archive)
    answer = plan_for(known, ids["A3"])
    names = [one.mate.name for one in answer.ranked]
    assert names[0] == "any visual clown" and "Basil" in names and "Juniper" not in names
    assert sum(answer.held.answers.values()) == pytest.approx(1)
    assert plan_for(known, ids["A3"], mate="Basil").plan.mate.name == "Basil"
    prices = prices_from({"het clown": 300.0, "66% het clown": 120.0, "plain": 60.0}, "het clown")
    assert prices.possible == {0.66: 120.0} and prices.proved == {"het clown": 300.0}
    rich, poor = (worth_of(answer, prices, Costs(cost)) for cost in (0.0, 200.0))
    assert rich.gain > poor.gain and not poor.hold
    with pytest.raises(StorageError, match="not in question"):
        worth_of(answer, prices_from({}, "het pied"), Costs(1.0))
    with pytest.raises(StorageError, match="no mate called 'Nobody'"):
        plan_for(known, ids["A3"], mate="Nobody")
    with pytest.raises(StorageError, match="nothing that breeding could settle"):
        plan_for(known, ids["sire"])


def test_a_plan_with_too_much_open_says_so_and_what_to_do(archive):
    recessive = [a.name for one in SPECIES.loci for a in one.alleles[:1] if a.mode is Mode.RECESSIVE]
    genes = ", ".join(f"50% het {name}" for name in recessive[:12])
    with archive.change("two of which little is known") as draft:
        dam = put(draft, "animal", {"name": "Juniper", "species": "ball python", "sex": "female", "genes": genes})
        put(draft, "animal", {"name": "Basil", "species": "ball python", "sex": "male", "genes": genes})
    with pytest.raises(WorkTooLargeError, match=r"Juniper: 12 genes are open, .*; name fewer genes in question, of clown"):
        plan_for(known_of(archive), dam)
    assert plan_for(known_of(archive), dam, genes=("clown",)).plan.mate.name == "any visual clown"


def test_the_commands(monkeypatch, tmp_path, capsys):
    monkeypatch.setenv("TRIAGE_DATA", str(tmp_path / "data"))

    def run(*words):
        assert main([*words, "--json"]) == 0, words
        return json.loads(capsys.readouterr().out)

    assert run("known")["animals"] == []
    dam = run(
        "animal", "add", "--name", "J", "--species", "ball python", "--sex", "female", "--genes", "66% het clown"
    )["id"]
    sire = run("animal", "add", "--name", "B", "--species", "ball python", "--sex", "male", "--genes", "het clown")[
        "id"
    ]
    pairing = run("pair", "add", "--dam", dam, "--sires", f"{sire}=1")["id"]
    clutch = run("clutch", "add", "--name", "c", "--pairing", pairing, "--hatched", "2031-08-01")["id"]
    egg = run("egg", "add", "--clutch", clutch, "--label", "A1", "--state", "hatched", "--sex", "male")["id"]
    plan = run("plan", egg, "--price", "het clown=300", "--price", "plain=60", "--of", "het clown", "--keeping", "10")
    assert (
        plan["mates"][0]["mate"] == "any visual clown" and plan["earliest"]["paired"] > "2031-08-01" and plan["worth"]
    )
    assert len(plan["chart"]) == 39 and plan["chart"][0]["today"] == 60 and plan["kept"] is None
    assert main(["plan", egg, "--price", "het clown=300", "--price", "plain=60", "--of", "het clown", "--keep"]) == 0
    words = capsys.readouterr().out
    (kept,) = run("history")["revisions"][-1:]
    assert "| is today's price, 60" in words and f"--plan {kept['id']}" in words
    assert kept["content"]["prior"] == pytest.approx(plan["open"])
    told = run("outcome", "add", "--animal", egg, "--says", "clown=1", "--plan", kept["id"])
    assert {"J"} <= {one["name"] for one in told["news"]}
    known = run("known", dam, "--why", "clown")
    assert known["animals"][0]["loci"]["clown"] == {"het clown": 1.0} and known["exact"]
    assert main(["outcome", "add", "--animal", sire, "--says", "no clown=1"]) == 2  # he was entered as a het
    assert "exclude" in capsys.readouterr().err
    assert len(run("outcome", "list")["entries"]) == 1  # nothing of it was kept
    assert main(["known"]) == 0 and "het clown 100 %" in capsys.readouterr().out
    assert main(["plan", egg]) == 2 and "nothing that breeding could settle" in capsys.readouterr().err
