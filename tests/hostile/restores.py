"""Hostile backups: restored so that verify finds nothing, or without the photos they lost, or refused in one line with nothing written."""

from __future__ import annotations

import io
import json
import os
import random
import shutil
import struct
import warnings
import zipfile
from collections.abc import Callable, Iterator
from hashlib import sha256
from pathlib import Path

from tests.hostile.harness import Attempt, judge, program
from tests.hostile.season import NASTY, STRANGE, everything_but, exported, season
from triage.storage.archive import FIRST_HASH, as_json, hash_of

FULL = 200
Members = dict[str, bytes]


def attempts(n: int, seed: int, folder: Path) -> Iterator[Attempt]:
    """Restore one hostile backup ``n`` times over: into nothing, into its own records without a photo, or into others."""
    draw = random.Random(seed)
    filled = season(folder)
    _, whole = exported(folder, filled)
    assert program("backup", str(folder / "good.zip"), cwd=folder, data=filled).status == 0
    good = (folder / "good.zip").read_bytes()
    others = folder / "others"
    assert program("animal", "add", "--name", "Sorrel", "--species", "ball python", "--sex", "male", cwd=folder, data=others).status == 0
    _, theirs = exported(folder, others)
    for number in range(n):
        home, into = folder / str(number), draw.choice(("nothing", "nothing", "nothing", "its own", "others"))
        data, way = home / "data", _WAYS[number % len(_WAYS)]
        home.mkdir()
        before = {"nothing": {"format": 1, "entries": []}, "its own": whole, "others": theirs}[into]
        if into != "nothing":
            shutil.copytree(filled if into == "its own" else others, data)
        if into == "its own":
            next((data / "photos").rglob("*.jpg")).unlink()
        path = home / "a.zip"
        way(draw, path, good)
        outside = everything_but(home, data) if path.is_file() and path.stat().st_size < 10**9 else {}
        ran = program("restore", str(path), "--json", cwd=home, data=data)
        looked = program("verify", "--json", cwd=home, data=data)
        _, after = exported(home, data)
        (home / "said.json").unlink(missing_ok=True)
        faults = json.loads(looked.out)["faults"] if looked.status in (0, 1) else [looked.err]
        if way is _strange_contents:  # what cannot be read stays, is left out wherever it is asked for, and is told of
            faults = [one for one in faults if "cannot be read" not in one]
        lost = [one for one in faults if not one.startswith("photo ")]
        fault = ""
        if lost:
            fault = f"verify afterwards: {lost[0]}"
        elif after is None:
            fault = "nothing can be exported afterwards"
        elif ran.status == 2 and after != before:
            fault = "refused, but something was restored"
        elif ran.status != 2 and into == "others":
            fault = "other records were restored into"
        elif ran.status == 0 and faults:
            fault = f"restored as if whole: {faults[0]}"
        elif ran.status == 1 and not json.loads(ran.out)["missing"]:
            fault = "something was wrong, and nobody was told what"
        elif ran.status != 2 and after != whole and way not in _OTHER_CONTENTS:
            fault = "what was restored is not what was kept"
        elif outside and everything_but(home, data) != outside:
            fault = "a file outside of the records was written"
        outcome = {0: "restored", 1: "restored but for photos", 2: "refused"}.get(ran.status, "ended")
        yield judge(f"{number}: {way.__name__.strip('_')} into {into}", ran, outcome, fault, statuses=(0, 1, 2))
        shutil.rmtree(home)


def _read(good: bytes) -> Members:
    with zipfile.ZipFile(io.BytesIO(good)) as file:
        return {name: file.read(name) for name in file.namelist()}


def _write(path: Path, members: Members, extra=(), method: int = zipfile.ZIP_DEFLATED) -> None:
    with warnings.catch_warnings(), zipfile.ZipFile(path, "w", method) as file:
        warnings.simplefilter("ignore")  # of names that stand twice
        for name, data in (*members.items(), *extra):
            how = zipfile.ZIP_STORED if name.startswith("photos/") and method == zipfile.ZIP_DEFLATED else method
            file.writestr(name, data, how)


def _sealed(members: Members) -> Members:
    """With a list that fits whatever is in it."""
    manifest = json.loads(members["manifest.json"])
    manifest["sha256"] = {name: sha256(data).hexdigest() for name, data in members.items() if name != "manifest.json"}
    return {**members, "manifest.json": json.dumps(manifest).encode()}


def _chained(lines: list[dict]) -> bytes:
    """Changes with hashes that fit whatever is in them."""
    previous = FIRST_HASH
    for one in lines:
        one["previous"] = previous
        previous = one["hash"] = hash_of(previous, one["at"], one["who"], one["reason"], one["revisions"])
    return b"".join(json.dumps(one).encode() + b"\n" for one in lines)


def _lines(members: Members) -> list[dict]:
    return [json.loads(line) for line in members["changes.jsonl"].splitlines()]


def _flipped(draw, path, good) -> None:
    data = bytearray(good)
    for _ in range(draw.choice((1, 1, 1, 5, 100))):
        data[draw.randrange(len(data))] ^= 1 << draw.randrange(8)
    path.write_bytes(data)


def _flipped_list(draw, path, good) -> None:
    """Bits of the zip file's own list of members."""
    data = bytearray(good)
    start = good.rindex(b"PK\1\2" if draw.random() < 0.5 else b"PK\5\6")
    for _ in range(draw.choice((1, 2, 8))):
        data[draw.randrange(start, len(data))] ^= 1 << draw.randrange(8)
    path.write_bytes(data)


def _cut_off(draw, path, good) -> None:
    at, to = sorted((draw.randrange(len(good)), draw.randrange(len(good))))
    path.write_bytes(draw.choice((good[:at], good[at:], good[:at] + good[to:], good + good, good + draw.randbytes(at), draw.randbytes(at) + good)))


def _a_strange_list(draw, path, good) -> None:
    """Another manifest."""
    members = _read(good)
    manifest = json.loads(members["manifest.json"])
    how = draw.choice(("value", "format", "sums", "text"))
    if how == "value":
        manifest[draw.choice(list(manifest))] = draw.choice(STRANGE)
    elif how == "format":
        manifest["format"] = draw.choice((*STRANGE, 2))
    elif how == "sums":
        manifest["sha256"][draw.choice((*manifest["sha256"], *NASTY))] = draw.choice(STRANGE)
    text = json.dumps(manifest) if how != "text" else draw.choice(("", "[" * 200_000, "{}", "null", "\ufeff{}", '{"format":' + "9" * 5000))
    _write(path, {**members, "manifest.json": text.encode(errors="replace")})


def _strange_members(draw, path, good) -> None:
    names = ("../../x", "/etc/x", "photos/../../x.jpg", "photos/" + "0" * 64 + ".jpg/", "C:\\x", "photos/a.jpg", "changes.jsonl", "manifest.json",
             "x" * 5000, "photos/" + "A" * 64 + ".jpg", "photos", ".", "..", "a\nb", "\x1b[31m", "\u202e")  # fmt: skip
    extra = [(draw.choice(names), draw.randbytes(draw.choice((0, 10)))) for _ in range(draw.choice((1, 5)))]
    _write(path, _read(good), extra)


def _missing_members(draw, path, good) -> None:
    members = _read(good)
    for name in draw.sample(list(members), draw.choice((1, 2))):
        del members[name]
    _write(path, members)


def _another_packing(draw, path, good) -> None:
    _write(path, _read(good), method=draw.choice((zipfile.ZIP_STORED, zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA)))


def _says_otherwise(draw, path, good) -> None:
    """Flags, methods and sizes of a member as they are not: encrypted, of no known packing, of 4 GB, all at one place."""
    data = bytearray(good)
    start = good.index(b"PK\1\2")
    for _ in range(draw.choice((0, 1, 2))):
        start = good.find(b"PK\1\2", start + 4) if good.find(b"PK\1\2", start + 4) > 0 else start
    at, form, value = draw.choice((
        (8, "<H", 1), (8, "<H", 0xFFFF), (10, "<H", draw.choice((1, 6, 9, 12, 14, 93, 99, 0xFFFF))), (16, "<I", 0), (20, "<I", draw.choice((0, 2**32 - 2))),
        (24, "<I", draw.choice((0, 2**31, 2**32 - 2, 2**32 - 1))), (28, "<H", 0xFFFF), (30, "<H", 0xFFFF), (42, "<I", draw.choice((0, 2**32 - 2))),
        (6, "<H", 0xFFFF),
    ))  # fmt: skip
    struct.pack_into(form, data, start + at, value)
    path.write_bytes(data)


def _far_larger_than_it_looks(draw, path, good) -> None:
    """Members of zeros, of which a few kilobytes make hundreds of megabytes."""
    members = _read(good)
    how = draw.choice(("changes", "manifest", "photos", "one line", "spaces"))
    n_bytes = draw.choice((200, 600)) * 10**6
    if how == "photos":
        many = [(f"photos/{number:064x}.jpg", bytes(n_bytes // 3)) for number in range(3)]
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as file:
            for name, data in (*members.items(), *many):
                file.writestr(name, data)
        return
    data = {"changes": bytes(n_bytes), "manifest": b" " * n_bytes, "one line": b"[" * n_bytes, "spaces": b"\n" * n_bytes}[how]
    _write(path, {**members, ("manifest.json" if how == "manifest" else "changes.jsonl"): data})


def _very_many_members(draw, path, good) -> None:
    with zipfile.ZipFile(path, "w") as file:
        for name, data in _read(good).items():
            file.writestr(name, data)
        for number in range(draw.choice((2_000, 70_000))):
            file.writestr(f"photos/{number:064x}.jpg", b"")


def _one_long_change(draw, path, good) -> None:
    """Changes that fit their hashes and list, with a note of very many characters or of very many values."""
    members = _read(good)
    lines = _lines(members)
    revision = next(row for one in lines for row in one["revisions"] if row[1] == "note")
    content = json.loads(revision[3])
    noise = draw.randbytes(2**20).hex()
    revision[3] = draw.choice((
        as_json({**content, "text": noise * 20}), as_json({**content, "text": noise * 1}), "[" + "[]," * 1_000_000 + noise + "]", "[" * 1_000_000 + noise,
    ))  # fmt: skip
    _write(path, _sealed({**members, "changes.jsonl": _chained(lines)}))


def _very_many_changes(draw, path, good) -> None:
    members = _read(good)
    lines = _lines(members)
    note = next(row for one in lines for row in one["revisions"] if row[1] == "note")
    for number in range(draw.choice((500, 4_000))):
        lines.append({**lines[-1], "id": len(lines) + 1, "reason": draw.randbytes(30).hex(), "revisions": [[f"note-{number}", "note", 1, note[3]]]})
    _write(path, _sealed({**members, "changes.jsonl": _chained(lines)}))


def _strange_contents(draw, path, good) -> None:
    """Changes that fit their hashes and list, with contents that nobody entered."""
    members = _read(good)
    lines = _lines(members)
    for _ in range(draw.choice((1, 3))):
        row = draw.choice(draw.choice(lines)["revisions"])
        if not (row[3] or "").startswith('{"'):
            continue  # made strange already
        content = json.loads(row[3])
        how = draw.choice(("value", "text", "id", "kind", "version", "reference", "photo"))
        if how == "value":
            content[draw.choice(list(content))] = draw.choice([one for one in STRANGE if one == one and abs(one if type(one) is float else 0) < 1e308])
            row[3] = json.dumps(content)
        elif how == "text":
            row[3] = draw.choice(("", "{", "null", "[]", "[" * 100_000, "NaN", '{"a":1e999}'))
        elif how == "reference" and "about" in content:
            row[3] = as_json({**content, "about": draw.choice((*NASTY[:-1], row[0]))})
        elif how == "photo" and row[1] == "photo":
            row[3] = as_json({**content, "sha256": draw.choice(("../../a.zip", "0" * 63 + "/", *NASTY))})
        else:
            place, values = {"id": (0, NASTY), "kind": (1, (*NASTY, "animal")), "version": (2, (0, -1, 2, 2**31, 2**64, True, 1.5, "1"))}.get(
                how, (2, (7,))
            )
            row[place] = draw.choice(values)
    try:
        _write(path, _sealed({**members, "changes.jsonl": _chained(lines)}))
    except UnicodeEncodeError:  # no text that could stand in a file
        path.write_bytes(b"")


def _strange_changes(draw, path, good) -> None:
    """Changes left out, twice, turned round, cut, or with other fields, in a list that fits."""
    members = _read(good)
    lines = _lines(members)
    how = draw.choice(("left out", "twice", "turned", "field", "no field", "more", "cut", "empty line"))
    at = draw.randrange(len(lines))
    if how == "left out":
        del lines[at]
    elif how == "twice":
        lines.insert(at, lines[at])
    elif how == "turned":
        lines.reverse()
    elif how == "field":
        lines[at][draw.choice(list(lines[at]))] = draw.choice([one for one in STRANGE if one == one])
    elif how == "no field":
        del lines[at][draw.choice(list(lines[at]))]
    elif how == "more":
        lines[at][draw.choice(NASTY[:-1])] = 1
    text = b"".join(json.dumps(one).encode() + b"\n" for one in lines)
    text = text[: draw.randrange(len(text))] if how == "cut" else text.replace(b"\n", b"\n\n", 2) if how == "empty line" else text
    _write(path, _sealed({**members, "changes.jsonl": text}))


def _another_photo(draw, path, good) -> None:
    """A photo of other bytes, with and without a list that fits."""
    members = _read(good)
    name = draw.choice([name for name in members if name.startswith("photos/")])
    members[name] = draw.choice((b"", b"other", draw.randbytes(100_000), members[name][:-1]))
    _write(path, draw.choice((_sealed, dict))(members))


def _no_file(draw, path, good) -> None:
    how = draw.choice(("pipe", "folder", "dead", "circle", "zero", "sparse", "none", "empty", "records"))
    if how == "pipe":
        os.mkfifo(path)
    elif how == "folder":
        path.mkdir()
    elif how == "sparse":
        with path.open("wb") as file:
            file.truncate(5 * 2**30)
    elif how == "empty":
        path.touch()
    elif how == "records":
        path.write_bytes(b"SQLite format 3\0" + bytes(4000))
    elif how != "none":
        path.symlink_to({"dead": "nowhere", "circle": path.name, "zero": "/dev/zero"}[how])


def _good(draw, path, good) -> None:
    path.write_bytes(good)


_OTHER_CONTENTS = (_strange_contents, _very_many_changes, _one_long_change, _strange_changes)
_WAYS: tuple[Callable[..., None], ...] = (
    _flipped, _flipped_list, _cut_off, _a_strange_list, _strange_members, _missing_members, _another_packing, _says_otherwise,
    _far_larger_than_it_looks, _one_long_change, _strange_contents, _strange_changes, _another_photo, _no_file, _flipped, _strange_contents,
    _says_otherwise, _very_many_changes, _very_many_members, _good,
)  # fmt: skip
