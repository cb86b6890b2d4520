"""The command that measures: one registry, one file of results; every measure runs, and none touches what another found."""

import itertools
import json
import shlex
from dataclasses import dataclass, fields

import pytest

from triage.errors import ModelFileError
from triage.training.bench import Bench
from triage.training.measures import MEASURES, Measure, __main__, comparison
from triage.training.measures.results import FILE, read_results
from triage.training.options import command_line, option
from triage.vision.weights import SHIPPED, read_sidecar

BY_NAME = {measure.name: measure for measure in MEASURES}
TINY = {
    "ceiling": "--photos 3 --animals 1 --px 96 --seed 1",
    "comparison": "--photos 8 --steps 2 --batch 2 --render-px 64 --input-px 64 --test-photos 4 --rate 0.0015 --seed 5",
    "further": "--sets 1 --photos 2 --px 96 --seed 20 --domain shifted",
    "realism": "--photos 2 --px 64 --seed 1 --looks 'wild type,albino'",
    "report": "--photos 2 --animals 1 --pair-photos 1 --px 64 --seed 1",
    "shift": "--photos 1 --px 64 --seed 11",
    "stranger": "--photos 1 --px 64 --seed 12",
}
PARTS = {
    "ceiling": ["settings seen", "clean photos"],
    "comparison": [comparison.CONTESTANTS[0].name],  # of the share asked for; all are run by their own test
    "further": ["domain", "sets"],
    "realism": ["training", "shifted"],
    "report": ["training", "shifted"],
    "shift": ["training", "training, shifted pattern generator", "training, shifted pigment law", "training, shifted place of the camera",
              "training, shifted light", "training, shifted grounds", "training, shifted camera response", "varied", "shifted"],
    "stranger": ["parents only", "both"],
}  # fmt: skip


def measure(directory, line, *more):
    name, *words = shlex.split(line)
    __main__.main([name, "--directory", str(directory), "--device", "cpu", *words, *more])


@pytest.fixture(scope="module")
def found(folder):
    """Results after each measure, in the order of the registry."""
    states = []
    with pytest.MonkeyPatch.context() as patch:  # the weights to start from are an extra; what is learnt is not tested here
        patch.setattr(comparison, "start_file", lambda: None)
        patch.setattr(comparison, "load_start", lambda network, path: 0)
        for name in BY_NAME:
            measure(folder, f"{name} {TINY[name]}", *(["--share", "0/8"] if name == "comparison" else []))
            states.append(read_results(folder))
    return states


def test_names_and_help_are_unique_and_there():
    assert len(BY_NAME) == len(MEASURES) == len({one.help for one in MEASURES}) == len(TINY)
    assert all(one.name.isidentifier() and len(one.help) > 20 and "\n" not in one.help for one in MEASURES)
    assert all(field.default is not None for one in MEASURES for field in fields(one.options))


def test_the_list_names_every_measure(capsys):
    __main__.main(["--list"])
    lines = capsys.readouterr().out.splitlines()
    assert [line.split()[0] for line in lines] == list(BY_NAME) and all(one.help in line for one, line in zip(MEASURES, lines, strict=True))


@pytest.mark.parametrize("name", BY_NAME)
def test_every_measure_gives_its_figures_with_their_provenance(found, name):
    (run,) = found[-1][name]
    assert run["command"] == f"python -m triage.training.measures {name} {TINY[name]}"
    assert list(run["figures"]) == PARTS[name] and json.loads(json.dumps(run["figures"])) == run["figures"]
    told = {"command", "options", "commit", "data", "device", "figures"}
    of_reader = {"reader_sha256", "calibration_sha256"} if BY_NAME[name].of_reader else set()
    assert set(run) == told | of_reader
    assert set(run["data"]) == {"looks_sha256", "hatchery_sha256"} | ({"stranger_domain_sha256"} if name == "stranger" else set())
    assert not of_reader or run["reader_sha256"] == read_sidecar(SHIPPED)["sha256"]


def test_no_measure_touches_what_another_found(found):
    for number, (before, after) in enumerate(itertools.pairwise(found), 1):
        assert set(after) == set(list(BY_NAME)[: number + 1])
        assert all(after[name] == runs for name, runs in before.items())


def test_figures_say_how_many_photos_they_rest_on(found):
    assert found[-1]["report"][0]["figures"]["shifted"]["whole catalogue"]["both"]["n"] == 2
    assert found[-1]["report"][0]["figures"]["training"]["several photos"]["three photos"]["n"] == 1
    assert found[-1]["realism"][0]["figures"]["training"]["by look"]["albino"]["n"] == 2
    assert {f["n"] for f in found[-1]["shift"][0]["figures"].values()} == {1}


@dataclass(frozen=True)
class Options:
    most: int = option(3, "how far to count")
    backwards: bool = option(False, "from the end")


def counted(bench, options):
    numbers = range(options.most)
    return {str(n): n for n in bench.shared(numbers[::-1] if options.backwards else numbers)}


@pytest.fixture
def counting(monkeypatch, tmp_path):
    """Two measures more, one of a design and one of the reader, and where they write."""
    monkeypatch.setattr(Bench, "files", type("Files", (), {"sidecar": {"sha256": "a" * 64, "calibration": {}}}))
    more = (Measure("counting", "numbers", Options, counted, of_reader=False), Measure("reader", "numbers too", Options, counted))
    monkeypatch.setattr(__main__, "MEASURES", (*MEASURES, *more))
    return tmp_path


def test_a_function_and_a_line_of_the_registry_make_a_measure(counting, capsys):
    measure(counting, "counting --backwards")
    (run,) = read_results(counting)["counting"]
    assert run["figures"] == {"2": 2, "1": 1, "0": 0} and run["options"] == {"most": 3, "backwards": True}
    assert run["command"] == "python -m triage.training.measures counting --most 3 --backwards" and "reader_sha256" not in run
    __main__.main(["--list"])
    assert "counting    numbers" in capsys.readouterr().out


def test_shares_of_one_run_are_put_together(counting):
    measure(counting, "counting --share 0/2")
    measure(counting, "reader --share 1/2")
    measure(counting, "counting --share 1/2")
    found = read_results(counting)
    assert [run["figures"] for run in found["counting"]] == [{"0": 0, "2": 2, "1": 1}]
    assert [run["figures"] for run in found["reader"]] == [{"1": 1}]


def test_runs_of_designs_stand_beside_one_another_and_those_of_a_reader_give_way(counting, monkeypatch):
    for commit in "abab":
        monkeypatch.setenv("GIT_COMMIT", commit)
        for name in ("counting", "reader"):
            measure(counting, name)
    found = read_results(counting)
    assert [run["commit"] for run in found["counting"]] == ["a", "b"]
    assert [run["commit"] for run in found["reader"]] == ["b"]
    measure(counting, "counting --most 4")
    assert [len(run["figures"]) for run in read_results(counting)["counting"]] == [3, 3, 4]


def test_what_cannot_be_run_is_refused_in_words(capsys, tmp_path):
    wrong = {"": "no measure was named; needed one of ceiling", "ceiling --share 2/2": "found '2/2'; needed NUMBER/OF, such as 0/2 or 1/2"}
    for line, words in wrong.items():
        with pytest.raises(SystemExit):
            __main__.main(line.split())
        assert words in capsys.readouterr().err
    (tmp_path / FILE).write_text("{", "utf-8")
    with pytest.raises(ModelFileError, match=rf"{FILE}: cannot be read as JSON .*restore it"):
        read_results(tmp_path)


def test_a_command_line_gives_its_options_back():
    said = command_line("x", {"looks": "wild type", "none": "", "zero": 0, "off": False, "on_top": True})
    assert said == "python -m triage.training.x --looks 'wild type' --zero 0 --on-top"
