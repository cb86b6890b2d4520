"""The command line: answers, remarks and one-line errors."""

import io
import json
import os
import re
import socket
import struct
import subprocess
import sys
import zlib

import numpy as np
import pytest
from PIL import Image

from triage.cli import app as app_command
from triage.cli.main import COMMANDS, build_parser, main
from triage.cli.output import error_line

SHEET = """
species: ball python
mixed: 0.1
dam: {name: Juniper, genes: "pastel, 66% het clown"}
sires:
  - {name: Basil, genes: "enchi, het clown", share: 0.8}
  - {name: Thyme, genes: "mojave, yellow belly", share: 0.2}
eggs:
  - {label: A1, sex: female, call: pastel enchi}
  - label: A2
    evidence: {pastel: 0.7, pastel enchi: 0.2, otherwise: 0.01}
  - {label: A3, call: clown}
  - {label: A4, call: spider}
"""


@pytest.fixture
def sheet(tmp_path):
    path = tmp_path / "clutch.yaml"
    path.write_text(SHEET, "utf-8")
    return path


def refused(capsys, *arguments):
    """Run a command that must be refused: exit code 2, nothing answered, one line on standard error."""
    try:
        code = main([str(a) for a in arguments])
    except SystemExit as stop:
        code = stop.code
    said = capsys.readouterr()
    assert code == 2
    assert said.out == ""
    assert said.err.startswith("triage: ") and said.err.count("\n") == 1 and "Traceback" not in said.err
    return said.err


def test_json_follows_the_format(sheet, capsys):
    assert main(["sort", str(sheet), "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["format"] == 1
    assert [egg["label"] for egg in answer["eggs"]] == ["A1", "A2", "A3", "A4"]
    for egg in answer["eggs"]:
        assert sum(c["probability"] for c in egg["calls"]) == pytest.approx(1, abs=1e-12)
        assert all(c["probability"] > 0 for c in egg["calls"])
        assert sum(egg["sires"].values()) == pytest.approx(1, abs=1e-12)
        impossible = {s["call"] for s in egg["struck_out"]}
        assert impossible and impossible.isdisjoint(c["call"] for c in egg["calls"])
    assert {p["name"] for p in answer["parents"]} == {"Juniper", "Basil", "Thyme"}


def test_standard_input_gives_the_same_answer_as_the_file(sheet, capsys, monkeypatch):
    main(["sort", str(sheet), "--json"])
    from_file = capsys.readouterr().out
    monkeypatch.setattr("sys.stdin", io.StringIO(SHEET))
    assert main(["sort", "-", "--json"]) == 0
    assert capsys.readouterr().out == from_file


@pytest.mark.parametrize("columns", [60, 80, 120, 200])
def test_the_table_fits_its_width_and_explains_what_is_struck_out(sheet, capsys, monkeypatch, columns):
    monkeypatch.setenv("COLUMNS", str(columns))
    main(["sort", str(sheet), "--json"])
    answer = json.loads(capsys.readouterr().out)
    assert main(["sort", str(sheet)]) == 0
    table = capsys.readouterr().out
    assert max(map(len, table.splitlines())) <= columns
    assert not re.search(r"[ \t]+$", table, re.MULTILINE)
    words = " ".join(table.split())
    for egg in answer["eggs"]:
        assert egg["label"] in words and egg["tray"] in words
        for struck in egg["struck_out"]:
            assert struck["reason"] in words
            assert struck["call"] in words
    assert answer["luck"] in words


def test_bars_appear_where_there_is_room(sheet, capsys, monkeypatch):
    for columns, there in ((80, False), (120, True)):
        monkeypatch.setenv("COLUMNS", str(columns))
        main(["sort", str(sheet)])
        assert ("█" in capsys.readouterr().out) is there


def test_a_pipe_gets_no_colour_codes_and_a_terminal_none_under_no_color(sheet):
    command = [sys.executable, "-m", "triage.cli.main", "sort", str(sheet)]
    environment = {k: v for k, v in os.environ.items() if k not in ("FORCE_COLOR", "NO_COLOR")}
    piped = subprocess.run(command, capture_output=True, env=environment, check=True).stdout
    assert b"\x1b" not in piped
    coloured = subprocess.run(command, capture_output=True, env={**environment, "FORCE_COLOR": "1"}, check=True).stdout
    assert b"\x1b" in coloured
    both = {**environment, "FORCE_COLOR": "1", "NO_COLOR": "1"}
    plain = subprocess.run(command, capture_output=True, env=both, check=True).stdout
    assert not re.search(rb"\x1b\[[0-9;]*3[0-7]m", plain)


def test_a_reader_that_has_seen_enough_is_no_error(sheet):
    command = f"{sys.executable} -m triage.cli.main sort {sheet} | head -1"
    done = subprocess.run(command, shell=True, capture_output=True, text=True)
    assert done.stdout.strip() == "Ball python" and done.stderr == ""


def test_thresholds_move_hatchlings_between_trays(sheet, capsys):
    trays = []
    for options in ([], ["--threshold", "70%"], ["--threshold", "0.7", "--hold-gene", "piebald"]):
        main(["sort", str(sheet), "--json", *options])
        trays.append([egg["tray"] for egg in json.loads(capsys.readouterr().out)["eggs"]])
    assert trays[1][1] in ("label", "hold back") and trays[0][1] == "look again"
    assert "hold back" in trays[1] and "hold back" not in trays[2]


@pytest.mark.parametrize(
    ("option", "value", "message"),
    [
        ("--threshold", "3", "'3' is no chance; needed: 0 to 1"),
        ("--hold-chance", "much", "'much' is no chance"),
        ("--hold-gene", "klown", "--hold-gene klown: .* did you mean 'clown'"),
        ("--hold-gene", "firefly", "more than one gene"),
        ("--colour", "blue", "unrecognized arguments: --colour blue; see 'triage"),
    ],
)
def test_bad_options_are_refused(sheet, capsys, option, value, message):
    assert re.search(message, refused(capsys, "sort", sheet, option, value))


# Bad sheets and bad photos of issue 2: each names the place and the cure.

EGG = "  - {label: A1, call: pastel}\n"


def with_eggs(eggs, sires='  - {name: Basil, genes: enchi}\n', dam="pastel"):
    return f'species: ball python\ndam: {{name: Juniper, genes: "{dam}"}}\nsires:\n{sires}eggs:\n{eggs}'


@pytest.mark.parametrize(
    ("text", "place", "cure"),
    [
        (with_eggs("  - {label: A1, photos: [gone.jpg]}\n"), "line 6", "needed: an image file at"),
        (with_eggs(EGG, dam="pastle"), "line 2", "did you mean 'pastel'"),
        (
            with_eggs(EGG, sires='  - {name: B, genes: enchi, share: 0.8}\n  - {name: T, genes: fire, share: 0.3}\n'),
            "line 4",
            "needed: a sum of 1",
        ),
        (with_eggs(EGG, dam="lesser, mojave, butter"), "line 2", "needed: at most two"),
        (with_eggs(EGG, dam="clown, het clown"), "line 2", "needed: one of them"),
        (with_eggs(EGG + EGG), "line 7", "needed: a label of its own"),
        (with_eggs("  []\n"), "line 6", "needed: at least one egg"),
        (with_eggs(EGG, sires="  - {name: Basil}\n"), "line 4", "genes: normal"),
        (with_eggs(EGG, sires="  []\n"), "line 4", "needed: at least one candidate sire"),
        (with_eggs("  - {label: A1, call: het clown}\n"), "line 6", "leave it out"),
        (with_eggs("  - {label: A1, colour: red}\n"), "line 6", "unknown key 'colour'"),
        ("", "clutch.yaml", "needed: species, dam, sires and eggs"),
        ("species: [", "line", "not valid YAML"),
        (with_eggs(EGG).replace("ball python", "grass snake"), "line 1", "known: ball python"),
    ],
)
@pytest.mark.parametrize("as_json", [False, True])
def test_a_bad_sheet_is_one_line_with_place_and_cure(tmp_path, capsys, text, place, cure, as_json):
    path = tmp_path / "clutch.yaml"
    path.write_text(text, "utf-8")
    said = refused(capsys, "sort", path, *(["--json"] if as_json else []))
    assert place in said and cure in said


def test_a_missing_sheet_and_a_folder_are_named(tmp_path, capsys):
    assert "no such file" in refused(capsys, "sort", tmp_path / "gone.yaml")
    assert "this is a folder" in refused(capsys, "sort", tmp_path)
    (tmp_path / "latin.yaml").write_bytes("dam: Jürgen".encode("latin-1"))
    assert "UTF-8" in refused(capsys, "sort", tmp_path / "latin.yaml")


def png_of_size(width, height):
    """A PNG whose header promises width x height pixels, without the pixels."""

    def chunk(kind, data):
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(b"\0")) + chunk(b"IEND", b"")


def truncated_jpeg(tmp_path):
    noise = np.random.default_rng(1).integers(0, 255, (256, 256, 3), dtype=np.uint8)
    Image.fromarray(noise).save(tmp_path / "whole.jpg")
    whole = (tmp_path / "whole.jpg").read_bytes()
    return whole[: len(whole) // 2]


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("empty.jpg", lambda _: b""),
        ("words.jpg", lambda _: b"these are words"),
        ("cut.jpg", truncated_jpeg),
        ("huge.png", lambda _: png_of_size(20_000, 20_000)),
    ],
)
def test_a_bad_photo_is_one_line_with_its_name(tmp_path, capsys, name, content):
    (tmp_path / name).write_bytes(content(tmp_path))
    path = tmp_path / "clutch.yaml"
    path.write_text(with_eggs(f"  - {{label: A1, photos: [{name}]}}\n"), "utf-8")
    assert name in refused(capsys, "sort", path)


def test_genes_lists_and_explains(capsys):
    assert main(["genes"]) == 0
    listed = capsys.readouterr().out
    assert "46 genes" in listed and "yellow-belly series" in listed and "firefly" in listed
    assert max(map(len, listed.splitlines())) <= 80
    for name, text in (
        ("clown", "recessive"),
        ("lesser mojave", "one copy each"),
        ("firefly", "pastel, fire"),
        ("blue-eyed leucistic", "does not show its other genes"),
        ("spider", "Cautions"),
    ):
        assert main(["genes", *name.split()]) == 0
        assert text in " ".join(capsys.readouterr().out.split())
    assert main(["genes", "snow", "--species", "corn snake"]) == 0
    assert "anery" in capsys.readouterr().out


def test_genes_as_json(capsys):
    main(["genes", "--json"])
    answer = json.loads(capsys.readouterr().out)
    assert answer["format"] == 1 and len(answer["genes"]) == 46
    main(["genes", "clown", "--json"])
    assert json.loads(capsys.readouterr().out)["kind"] == "gene"


def test_unknown_names_are_answered_with_the_nearest(capsys):
    assert "'clown'" in refused(capsys, "genes", "klown")
    assert "known: ball python" in refused(capsys, "genes", "--species", "grass snake")


def test_hatch_draws_photos_with_masks_and_truth(tmp_path, capsys):
    command = ["hatch", "pastel, enchi", "clown", "--into", str(tmp_path / "drawn"), "--size", "64", "--seed", "3"]
    assert main(command) == 0
    assert "2 photos" in capsys.readouterr().out
    files = sorted(p.name for p in (tmp_path / "drawn").iterdir())
    assert files == ["1.mask.png", "1.png", "2.mask.png", "2.png", "truth.csv"]
    assert "exists already" in refused(capsys, *command)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["66% het clown"], "needed: what the drawn animal is"),
        (["klown"], "did you mean"),
        ([], "needed: genes in trade shorthand"),
        (["pastel", "--stage", "old"], "needed: one of"),
        (["pastel", "--domain", "moon"], "needed: one of training"),
        (["pastel", "--size", "65"], "needed: a multiple of 16"),
        (["pastel", "--seed", "-1"], "is no seed"),
        (["pastel", "--copies", "0"], "is no count"),
    ],
)
def test_hatch_refuses_what_it_cannot_draw(tmp_path, capsys, arguments, message):
    assert message in refused(capsys, "hatch", *arguments, "--into", tmp_path / "drawn")


def test_app_serves_this_machine_and_refuses_a_taken_port(capsys):
    assert app_command.server_command(port=8600, open_browser=False)[-2:] == ["8600", "--no-browser"]
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        assert "another program listens there" in refused(capsys, "app", "--port", port)
    assert "is no usable port" in refused(capsys, "app", "--port", "80")


def test_version_and_help(capsys):
    for arguments in (["--version"], ["--help"]):
        with pytest.raises(SystemExit) as stop:
            main(arguments)
        assert stop.value.code == 0
    said = capsys.readouterr().out
    assert said.startswith("triage 0.1.0") and all(module.NAME in said for module in COMMANDS)


@pytest.mark.parametrize("module", COMMANDS, ids=lambda m: m.NAME)
def test_every_command_has_help_and_examples(module, capsys):
    with pytest.raises(SystemExit):
        build_parser().parse_args([module.NAME, "--help"])
    said = capsys.readouterr().out
    assert "examples:" in said and f"triage {module.NAME}" in said


def test_an_unknown_command_is_refused(capsys):
    assert "'frob'" in refused(capsys, "frob")
    assert "COMMAND" in refused(capsys)


def test_an_error_is_one_line_whatever_it_holds():
    assert error_line("a\n  b\n\n") == "triage: a; b"
