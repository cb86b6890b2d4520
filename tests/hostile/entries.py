"""Hostile entries of a season's folder: each stands beside a good photo, which is kept; the entry is told by its name or read."""

from __future__ import annotations

import json
import os
import random
import shutil
import socket
import stat
from collections.abc import Callable, Iterator
from pathlib import Path

from PIL import Image

import rich.console  # noqa: F401  (what every fork needs is loaded once)

import triage.cli.main
import triage.workflow.season  # noqa: F401
from tests.hostile.harness import Attempt, judge, program
from triage.species import load_species, usual_species

load_species(usual_species())
load_species("corn snake")

FULL = 60
_SHEET = """\
species: corn snake
dam: {name: Juniper, genes: normal}
sires: [{name: Basil, genes: normal}]
eggs: [{label: A1, call: normal}, {label: A2, call: normal}]
"""
_NAMES = (b"A2.jpg", b"a2.PNG", b"A2-belly.webp", b"A2 \xff\xfe.jpg", b"A2" + b"x" * 245 + b".jpg", b"A2\n.jpg", b"A2\x1b[31m.jpg",
          "A2 \u202egpj.jpg".encode(), b"A2 '; rm -rf.jpg", b"A2 ![x](y).jpg", "A2 \u00e4\U0001f40d.jpg".encode(), b"A2=1+1.jpg")  # fmt: skip


def attempts(n: int, seed: int, folder: Path) -> Iterator[Attempt]:
    """Read a season with one hostile entry, ``n`` times over."""
    draw = random.Random(seed)
    records = folder / "records"
    (folder / "clutch.yaml").write_text(_SHEET)
    kept = program("keep", "clutch.yaml", "--name", "2031-1", cwd=folder, data=records)
    assert kept.status == 0, kept.err
    for number in range(n):
        way = _WAYS[number % len(_WAYS)]
        name = draw.choice(_NAMES) if number >= len(_WAYS) else _NAMES[0]
        home = folder / str(number)
        inside = home / "season/2031-1"
        inside.mkdir(parents=True)
        shutil.copytree(records, home / "data")
        _photo(inside / "A1.jpg")
        path = os.fsencode(inside) + b"/" + name
        way(path)
        ran = program("read", "season", "--workers", "1", "--json", cwd=home, data=home / "data")
        outcome, fault = "", ""
        if ran.status == 0:
            told = json.loads(ran.out)
            found = {**told["unread"], **told["unmatched"]}
            shown = "2031-1/" + os.fsdecode(name)
            said = found.get(shown, "")
            if not found.get("2031-1/A1.jpg", "").startswith("kept as a record"):
                fault = "the good photo was not kept"
            elif not said:
                fault = "is not told of"
            outcome = "kept" if said.startswith("kept as a record") else "told by name"
        else:
            fault = f"the season was refused: {ran.err[-200:]}"
        yield judge(f"{number} ({way.__name__.strip('_')}, {name[:30]!r})", ran, outcome, fault)
        shutil.rmtree(home)


def _photo(path: Path | bytes) -> None:
    with open(path, "wb") as file:
        Image.effect_noise((80, 80), 60).save(file, "JPEG")


def _folder(path: bytes) -> None:
    os.mkdir(path)
    _photo(path + b"/A2.jpg")


def _link_to(target: str) -> Callable[[bytes], None]:
    def link(path: bytes) -> None:
        os.symlink(target, path)

    link.__name__ = f"link to {target[:20]}"
    return link


def _ring(path: bytes) -> None:
    os.symlink(path + b".2", path)
    os.symlink(path, path + b".2")


def _link_to_itself(path: bytes) -> None:
    os.symlink(os.path.basename(path), path)


def _pipe(path: bytes) -> None:
    os.mkfifo(path)


def _socket(path: bytes) -> None:
    there = os.getcwd()
    os.chdir(os.path.dirname(path))
    try:
        with socket.socket(socket.AF_UNIX) as listening:
            listening.bind(os.path.basename(path)[:100])
        os.rename(os.path.basename(path)[:100], os.path.basename(path))
    finally:
        os.chdir(there)


def _device(path: bytes) -> None:
    try:
        os.mknod(path, stat.S_IFCHR | 0o600, os.makedev(1, 5))
    except PermissionError:  # only root may make one
        os.symlink("/dev/zero", path)


def _sparse(path: bytes) -> None:
    with open(path, "wb") as file:
        file.truncate(5 * 2**30)


def _empty(path: bytes) -> None:
    open(path, "wb").close()


def _closed(path: bytes) -> None:
    """Unreadable: for root, who may read everything, a file whose first byte cannot be read by anybody."""
    if os.getuid() == 0:
        os.symlink("/proc/self/mem", path)
    else:
        _photo(path)
        os.chmod(path, 0)


def _text(path: bytes) -> None:
    with open(path, "wb") as file:
        file.write(b"A2 is a clown\n")


def _photo_linked(path: bytes) -> None:
    _photo(path + b".kept")
    os.symlink(path + b".kept", path)


def _photo_twice(path: bytes) -> None:
    _photo(path + b".kept")
    os.link(path + b".kept", path)


def _cut_short(path: bytes) -> None:
    _photo(path)
    os.truncate(path, 300)


_WAYS: tuple[Callable[[bytes], None], ...] = (
    _folder, _link_to("nowhere.jpg"), _ring, _link_to_itself, _pipe, _socket, _device, _sparse, _empty, _closed, _text, _photo,
    _photo_linked, _photo_twice, _cut_short, _link_to("/dev/zero"), _link_to("/dev/tty"), _link_to("/dev/full"), _link_to("/etc/passwd"),
    _link_to("/proc/kmsg"), _link_to("/"), _link_to(".."), _link_to("/proc/self/pagemap"), _link_to("x" * 300),
)  # fmt: skip
