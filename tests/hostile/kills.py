"""Kill -9 while entries are made: whatever was confirmed is there afterwards, and ``triage verify`` finds nothing wrong."""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import sys
import time
from collections.abc import Iterator
from itertools import count
from pathlib import Path

from tests.hostile.harness import Attempt, judge, program
from tests.hostile.season import AT, season
from tests.storage.conftest import started_postgres
from triage.cli.main import main
from triage.storage.kinds import Photo
from triage.storage.photo_files import PhotoFiles
from triage.workflow.book import open_archive

SQLITE, POSTGRESQL = 300, 60
FULL = SQLITE + POSTGRESQL
_AFRESH = 20  # kills; then other records, as it takes longer to look at many entries


def attempts(n: int, seed: int, folder: Path) -> Iterator[Attempt]:
    """Kill a program that enters, ``n`` times over: five times in six with SQLite, otherwise with PostgreSQL."""
    draw = random.Random(seed)
    filled = season(folder)
    on_postgres = n * POSTGRESQL // FULL
    yield from _killed(n - on_postgres, draw, folder, filled, "SQLite", lambda _: {})
    if on_postgres:
        with started_postgres() as server:
            yield from _killed(on_postgres, draw, folder, filled, "PostgreSQL", lambda name: {"TRIAGE_DATABASE": server(name)})


def _killed(n: int, draw: random.Random, folder: Path, filled: Path, kind: str, env_of) -> Iterator[Attempt]:
    backup = folder / "season.zip"
    if not backup.exists():
        assert program("backup", str(backup), cwd=folder, data=filled).status == 0
    confirmed: set[str] = set()
    for number in range(n):
        if number % _AFRESH == 0:
            data, env = folder / f"{kind} {number}", env_of(f"kills{number}")
            confirmed = set()
            ran = program("restore", str(backup), cwd=folder, data=data, env=env)
            assert ran.status == 0, ran.err
        confirmed |= _enter_until_killed(draw.uniform(0, 0.4), data, env, folder)
        parts = [path for path in data.rglob("*") if path.name.endswith(".part")]
        ran = program("verify", "--json", cwd=folder, data=data, env=env)
        fault = "" if ran.status == 0 else f"verify: {ran.out[:300]}"
        to = folder / "said.json"
        to.unlink(missing_ok=True)
        program("export", str(to), cwd=folder, data=data, env=env)
        there = {entry["id"] for entry in json.loads(to.read_text("utf-8"))["entries"]}
        if not confirmed <= there:
            fault = f"{len(confirmed - there)} confirmed entries are lost"
        if any(path.exists() for path in parts):
            fault = fault or "a part of an ended program stays"
        yield judge(f"{kind} {number}", ran, f"{kind}, nothing lost", fault, statuses=(0, 1))
        if number % _AFRESH == _AFRESH - 1:
            shutil.rmtree(data)


def _enter_until_killed(seconds: float, data: Path, env: dict[str, str], cwd: Path) -> set[str]:
    """Ids that a program confirmed before it was killed, so long after its first."""
    read_end, write_end = os.pipe()
    child = os.fork()
    if not child:
        try:
            os.close(read_end)
            os.environ.update({"TRIAGE_DATA": str(data), **env})
            os.chdir(cwd)
            with open(os.devnull, "w") as nowhere:
                sys.stdout = sys.stderr = nowhere
                _enter(write_end)
        finally:
            os._exit(1)
    os.close(write_end)
    with os.fdopen(read_end) as lines:
        first = lines.readline()
        time.sleep(seconds)
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        return {line.strip() for line in (first, *lines) if line.endswith("\n")}


def _enter(pipe: int) -> None:
    """A command, then entries with a photo, over and over; each id is told when its change is made."""
    archive, photos, draw = open_archive(), PhotoFiles(), random.Random(os.getpid())
    for number in count():
        before = {entry.id for entry in archive.all("note")}
        assert main(["note", "add", "--about", "Juniper", "--text", f"meal {number}"]) == 0
        told = [entry.id for entry in archive.all("note") if entry.id not in before]
        sha256 = photos.add(draw.randbytes(200_000))
        with archive.change("photo") as draft:
            whose = archive.all("egg")[0].id
            told.append(draft.add(Photo(about=whose, sha256=sha256, source_sha256=sha256, name="a.jpg", added=AT)))
        os.write(pipe, "".join(f"{id}\n" for id in told).encode())
