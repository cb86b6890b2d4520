"""Names that a terminal would obey are shown by every command, and nothing is lost of them."""

import io
import json
import sys

import pytest

from triage.cli.main import main
from triage.signs import escaped_json, shown

NAME = "Cl\x1b[2Jo\x9bve\u202e\u200b\x7f\x07\r\ufeff"
SHOWN = r"Cl\x1b[2Jo\x9bve<U+202E><U+200B>\x7f\x07\x0d<U+FEFF>"
SHEET = f"""
species: ball python
dam: {{name: {json.dumps("of " + NAME)}, genes: pastel}}
sires: [{{name: Basil, genes: enchi}}]
eggs: [{{label: {json.dumps(NAME)}, call: pastel}}]
"""


@pytest.fixture(autouse=True)
def folder(monkeypatch, tmp_path):
    monkeypatch.setenv("TRIAGE_DATA", str(tmp_path / "data"))
    monkeypatch.setenv("COLUMNS", "200")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def said(capsys):
    def run(*words, status=0):
        assert main(list(words)) == status, capsys.readouterr()
        out, err = capsys.readouterr()
        assert set(out + err) <= {"\n", *filter(str.isprintable, out + err)}, words
        return out, err

    return run


def test_what_is_shown_and_what_stays():
    assert shown(NAME) == SHOWN and shown("\udcff") == "<U+DCFF>" and shown("\U000e0041") == "<U+E0041>"
    plain = "Ünïcödé 名前 🐍 \u0627\u0644\u0641\u200c\u200d x"
    assert shown(plain) == plain and shown("a\nb\tc", keep="\n\t") == "a\nb\tc" and shown("a\u2028b\nc") == r"a<U+2028>b\x0ac"
    assert json.loads(escaped_json(json.dumps({NAME: plain}, ensure_ascii=False))) == {NAME: plain}


def test_commands_show_them(said, folder):
    said("animal", "add", "--name", NAME, "--sex", "female", "--origin", NAME)
    for words in (("animal", "list"), ("animal", "show", NAME), ("known",), ("history",), ("known", NAME), ("label", NAME)):
        assert SHOWN in said(*words)[0], words
    assert NAME == json.loads(said("animal", "list", "--json")[0])["entries"][0]["name"]
    (folder / "sheet.yaml").write_text(SHEET)
    assert SHOWN in said("sort", "sheet.yaml")[0]
    assert json.loads(said("sort", "sheet.yaml", "--json")[0])["eggs"][0]["label"] == NAME
    said("keep", "sheet.yaml", "--name", NAME)
    assert SHOWN in said("clutch", "list")[0] and SHOWN in said("egg", "list")[0]


def test_refusals_show_them(said, folder):
    asked = (("animal", "show", NAME), ("sort", NAME + ".yaml"), (NAME,), ("animal", "list", "--" + NAME), ("plan", NAME), ("genes", NAME))
    for words in asked:
        err = said(*words, status=2)[1]
        assert err.count("\n") == 1 and "2Jo" in err, words


def test_a_terminal_in_colour_obeys_none(monkeypatch, folder):
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.delenv("NO_COLOR", raising=False)
    (folder / "sheet.yaml").write_text(SHEET)
    out = io.StringIO()
    monkeypatch.setattr(sys, "stdout", out)
    assert main(["sort", "sheet.yaml"]) == 0
    assert "\x1b[1m" in out.getvalue() and "\x1b[2J" not in out.getvalue() and "Cl\\x1b[2Jo" in out.getvalue()
