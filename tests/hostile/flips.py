"""Single bits flipped in records, write-ahead log and photos: what changes an answer is told by ``triage verify``."""

from __future__ import annotations

import os
import random
import shutil
from collections.abc import Iterator
from pathlib import Path

from tests.hostile.harness import Attempt, judge, program
from tests.hostile.season import exported, season
from triage.storage.archive import Archive
from triage.storage.database import FILE, Database
from triage.storage.kinds import Line

FULL = 1000


def attempts(n: int, seed: int, folder: Path) -> Iterator[Attempt]:
    """Flip one bit of a season's records, ``n`` times over."""
    draw = random.Random(seed)
    closed = season(folder)
    cut_off = folder / "cut off"
    shutil.copytree(closed, cut_off)
    _write_and_be_ended(cut_off)
    whole = {kind: _answers(folder, _copied(kind, folder / "work"))[1] for kind in (closed, cut_off)}
    for number in range(n):
        kind = draw.choice((closed, cut_off))
        data = _copied(kind, folder / "work")
        files = sorted(path for path in data.rglob("*") if path.is_file() and path.stat().st_size and path.suffix != ".sqlite-shm")
        weights = [8 if path.name == FILE else 3 if path.name.endswith("-wal") else 1 for path in files]
        path = draw.choices(files, weights)[0]
        bit = draw.randrange(path.stat().st_size * 8)
        content = bytearray(path.read_bytes())
        content[bit // 8] ^= 1 << bit % 8
        path.write_bytes(content)
        name = f"{number}: bit {bit} of {path.relative_to(data)}, {kind.name}"
        ran = program("verify", cwd=folder, data=data)
        outcome, fault = ("told" if ran.status else "nothing changed"), ""
        if ran.status == 0:
            ended, answers = _answers(folder, data)
            if answers != whole[kind]:
                fault = f"an answer changed and verify said that all is well ({ended})"
        yield judge(name, ran, outcome, fault, statuses=(0, 1, 2))


def _copied(kind: Path, to: Path) -> Path:
    shutil.rmtree(to, ignore_errors=True)
    shutil.copytree(kind, to)
    return to


def _write_and_be_ended(data: Path) -> None:
    """Leave changes in the write-ahead log, as a program that is killed does."""
    if not os.fork():
        archive = Archive(Database(f"sqlite:///{data / FILE}"))
        keeping = archive.database.engine.connect()
        keeping.exec_driver_sql("BEGIN")
        keeping.exec_driver_sql("SELECT count(*) FROM record").all()
        for name in ("north house", "south house"):
            with archive.change("entered") as draft:
                draft.add(Line(name=name))
        os._exit(0)
    os.wait()
    assert (data / f"{FILE}-wal").stat().st_size


def _answers(folder: Path, data: Path) -> tuple[str, tuple]:
    """What the records say: every entry, what is known of everybody, every change, every photo."""
    ran, said = exported(folder, data)
    known = program("known", "--json", cwd=folder, data=data)
    told = program("history", "--json", cwd=folder, data=data)
    photos = sorted((path.name, path.read_bytes()) for path in (data / "photos").rglob("*.jpg"))
    return ran.err + known.err + told.err, (said, known.out, told.out, photos)
