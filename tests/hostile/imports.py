"""Hostile files to import: entered whole or refused whole in one line, and what was entered can be listed, known and exported."""

from __future__ import annotations

import json
import os
import random
import shutil
import socket
from collections.abc import Callable, Iterator
from pathlib import Path

from tests.hostile.harness import Attempt, judge, program
from tests.hostile.season import AT, NASTY, STRANGE, everything_but, exported, season

FULL = 150


def attempts(n: int, seed: int, folder: Path) -> Iterator[Attempt]:
    """Import one hostile file into a season's records, ``n`` times over."""
    draw = random.Random(seed)
    filled = season(folder)
    _, whole = exported(folder, filled)
    tables = {}
    for kind in ("animal", "egg", "call", "pairing", "photo"):
        assert program("export", str(folder / f"{kind}.csv"), "--kind", kind, cwd=folder, data=filled).status == 0
        tables[kind] = (folder / f"{kind}.csv").read_bytes()
    for number in range(n):
        home = folder / str(number)
        data = home / "data"
        home.mkdir()
        shutil.copytree(filled, data)
        way = _WAYS[number % len(_WAYS)]
        path = way(draw, home, json.loads(json.dumps(whole)), tables)
        outside = {} if path.name in _NO_FILES else everything_but(home, data)
        ran = program("import", str(path), cwd=home, data=data)
        looked = program("verify", "--json", cwd=home, data=data)
        _, after = exported(home, data)
        (home / "said.json").unlink(missing_ok=True)
        fault = ""
        if looked.status:
            fault = f"verify afterwards: {looked.out[:200]}{looked.err}"
        elif after is None:
            fault = "nothing can be exported afterwards"
        elif ran.status == 2 and after != whole:
            fault = "refused, but something was entered"
        elif outside and everything_but(home, data) != outside:
            fault = "a file outside of the records was written"
        elif ran.status == 0:
            for words in (("known",), ("animal", "list"), ("history",), ("undo",)):
                said = program(*words, cwd=home, data=data)
                if words != ("known",) or said.status != 2:  # records may say what no parents can give
                    fault = fault or judge("", said, statuses=(0,)).fault
        yield judge(f"{number}: {way.__name__.strip('_')}", ran, "", fault)
        shutil.rmtree(home)


def _json(home: Path, said: object) -> Path:
    (home / "a.json").write_text(json.dumps(said), "utf-8", errors="replace")
    return home / "a.json"


def _bytes(home: Path, name: str, data: bytes) -> Path:
    (home / name).write_bytes(data)
    return home / name


def _places(value: object, at: tuple = ()) -> Iterator[tuple]:
    """The path to every value inside of JSON."""
    for key, inner in value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ():
        yield (*at, key)
        yield from _places(inner, (*at, key))


def _put(whole: object, place: tuple, value: object) -> None:
    for key in place[:-1]:
        whole = whole[key]
    whole[place[-1]] = value


def _a_strange_value(draw, home, whole, tables) -> Path:
    _put(whole, draw.choice(list(_places(whole))), draw.choice(STRANGE))
    return _json(home, whole)


def _strange_values_of_one_entry(draw, home, whole, tables) -> Path:
    entry = draw.choice(whole["entries"])
    for place in list(_places(entry["content"])):
        if draw.random() < 0.3 and len(place) == 1:
            _put(entry["content"], place, draw.choice(STRANGE))
    entry["id"] = ""
    return _json(home, {"format": 1, "entries": [entry]})


def _an_unknown_field(draw, home, whole, tables) -> Path:
    draw.choice(whole["entries"])["content"][draw.choice((*NASTY, "__class__", "KIND", "sha256"))] = draw.choice(STRANGE)
    return _json(home, whole)


def _a_strange_id(draw, home, whole, tables) -> Path:
    for entry in draw.sample(whole["entries"], 3):
        entry["id"] = draw.choice((*NASTY, "A" * 41, "a b", ".hidden", "-x", "note-1", 7, None, ["x"]))
    return _json(home, whole)


def _a_strange_kind(draw, home, whole, tables) -> Path:
    kinds = {entry["kind"] for entry in whole["entries"]}
    draw.choice(whole["entries"])["kind"] = draw.choice((*NASTY, *kinds, None, 3, []))
    return _json(home, whole)


def _references_to_others(draw, home, whole, tables) -> Path:
    ids = [entry["id"] for entry in whole["entries"]]
    for entry in whole["entries"]:
        for name in ("about", "egg", "clutch", "pairing", "dam", "photo", "line"):
            if name in entry["content"] and draw.random() < 0.2:
                entry["content"][name] = draw.choice((*ids, entry["id"], "nothing", *NASTY))
    return _json(home, whole)


def _a_ring(draw, home, whole, tables) -> Path:
    egg = draw.choice([entry["id"] for entry in whole["entries"] if entry["kind"] == "egg"])
    for entry in whole["entries"]:
        if entry["kind"] == "animal" and draw.random() < 0.7:
            entry["content"] = {**{k: v for k, v in entry["content"].items() if k in ("name", "species", "sex")}, "egg": egg}
    return _json(home, whole)


def _a_checksum_that_is_a_path(draw, home, whole, tables) -> Path:
    content = draw.choice([entry for entry in whole["entries"] if entry["kind"] == "photo"])["content"]
    for name in draw.sample(("sha256", "source_sha256"), draw.choice((1, 2))):
        content[name] = draw.choice(("../../a.json", "..", "/etc/passwd", "0" * 63 + "/", "~/x", "A" * 64, "a.jpg", *NASTY))
    return _json(home, whole)


def _numbers_of_every_size(draw, home, whole, tables) -> Path:
    text = json.dumps(whole)
    number = draw.choice(("NaN", "Infinity", "-Infinity", "1e400", "-0.0", "9" * 4000, "9" * 5000, "0.1" + "0" * 5000, "1e-400"))
    places = [at for at in range(len(text) - 4) if text[at : at + 2] == ": " and text[at + 2].isdigit()]
    for at in sorted(draw.sample(places, 2), reverse=True):
        end = next(i for i in range(at + 2, len(text)) if text[i] in ",}")
        text = text[: at + 2] + number + text[end:]
    return _bytes(home, "a.json", text.encode())


def _great_depth(draw, home, whole, tables) -> Path:
    deep = draw.choice(("[", '{"a":', '{"format":1,"entries":[')) * draw.choice((500, 5_000, 200_000))
    return _bytes(home, "a.json", deep.encode())


def _flipped_bits(draw, home, whole, tables) -> Path:
    kind = draw.choice(list(tables))
    name, data = draw.choice((("a.json", bytearray(json.dumps(whole).encode())), ("a.csv", bytearray(tables[kind]))))
    for _ in range(draw.choice((1, 3, 30))):
        data[draw.randrange(len(data))] ^= 1 << draw.randrange(8)
    return _bytes(home, name, data)


def _cut_off(draw, home, whole, tables) -> Path:
    name, data = draw.choice((("a.json", json.dumps(whole).encode()), ("a.csv", tables["animal"])))
    return _bytes(home, name, data[: draw.randrange(len(data))])


def _noise(draw, home, whole, tables) -> Path:
    return _bytes(home, draw.choice(("a.json", "a.csv", "a", "a.zip")), draw.randbytes(draw.choice((0, 1, 100, 100_000))))


def _another_encoding(draw, home, whole, tables) -> Path:
    text = json.dumps(whole, ensure_ascii=False)
    return _bytes(home, "a.json", text.encode(draw.choice(("utf-16", "utf-32", "utf-7", "utf-8-sig", "cp500"))))


def _cells(draw, home, whole, tables) -> Path:
    lines = tables[draw.choice(list(tables))].decode().split("\r\n")
    at = draw.randrange(len(lines))
    cells = lines[at].split(",")
    cells[draw.randrange(len(cells))] = draw.choice((*NASTY, '"', '"""', "[" * 50_000, "y" * 200_000, "'", "''=1", "[1e999]", "{}", ",", "\n"))
    lines[at] = ",".join(cells)
    return _bytes(home, "a.csv", "\r\n".join(lines).encode(errors="surrogatepass"))


def _rows(draw, home, whole, tables) -> Path:
    lines = tables[draw.choice(list(tables))].decode().split("\r\n")
    change = draw.choice(("twice", "head twice", "no head", "turned", "semicolons"))
    lines = {
        "twice": [*lines, *lines[1:]], "head twice": [lines[0], *lines], "no head": lines[1:], "turned": lines[::-1],
        "semicolons": [line.replace(",", ";") for line in lines],
    }[change]  # fmt: skip
    return _bytes(home, "a.csv", "\r\n".join(lines).encode())


def _very_many(draw, home, whole, tables) -> Path:
    note = {"about": next(entry["id"] for entry in whole["entries"] if entry["kind"] == "egg"), "text": "x", "at": AT}
    how = draw.choice(("entries", "text", "table", "values"))
    if how == "entries":
        return _json(home, {"format": 1, "entries": [{"id": "", "kind": "note", "content": note}] * draw.choice((2_000, 5_000))})
    if how == "text":
        return _json(home, {"format": 1, "entries": [{"id": "", "kind": "note", "content": {**note, "text": "x" * 20_000_000}}]})
    if how == "table":
        content = {"about": note["about"], "at": AT, "likelihoods": {f"pastel {i}": 0.5 for i in range(300_000)}, "otherwise": 0.1}
        return _json(home, {"format": 1, "entries": [{"id": "", "kind": "evidence", "content": content}]})
    return _bytes(home, "a.json", b'{"format":1,"entries":[' + b"[]," * 20_000_000 + b"[]]}")


def _times_out_of_all_bounds(draw, home, whole, tables) -> Path:
    for entry in whole["entries"]:
        for name in ("at", "added", "hatched", "laid"):
            if name in entry["content"] and draw.random() < 0.5:
                entry["content"][name] = draw.choice(("0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-14:00", "2031-08-01T10:00:00",
                                                      "2031-02-30", "1970-01-01T00:00:00+00:00", "2031-W01", "now", "20310801"))  # fmt: skip
    return _json(home, whole)


_NO_FILES = ("pipe.json", "socket.json", "folder.json", "dead.json", "circle.json", "zero.json", "sparse.json", "none.json")


def _no_file(draw, home, whole, tables) -> Path:
    path = home / draw.choice(_NO_FILES)
    if path.name == "pipe.json":
        os.mkfifo(path)
    elif path.name == "socket.json":
        with socket.socket(socket.AF_UNIX) as one:
            here = os.getcwd()
            os.chdir(home)  # as a socket's path may not be long
            one.bind(path.name)
            os.chdir(here)
    elif path.name == "folder.json":
        path.mkdir()
    elif path.name == "sparse.json":
        with path.open("wb") as file:
            file.truncate(5 * 2**30)
    elif path.name != "none.json":
        path.symlink_to({"dead.json": "nowhere", "circle.json": "circle.json", "zero.json": "/dev/zero"}[path.name])
    return path


def _a_strange_name(draw, home, whole, tables) -> Path:
    return home / draw.choice(("x" * 5000 + ".json", "\udcff.json", "a.pdf", "-x", "x" * 255, ".json"))


_WAYS: tuple[Callable[..., Path], ...] = (
    _a_strange_value, _strange_values_of_one_entry, _an_unknown_field, _a_strange_id, _a_strange_kind, _references_to_others, _a_ring,
    _a_checksum_that_is_a_path, _numbers_of_every_size, _great_depth, _flipped_bits, _cut_off, _noise, _another_encoding, _cells, _rows,
    _very_many, _times_out_of_all_bounds, _no_file, _a_strange_name,
)  # fmt: skip
