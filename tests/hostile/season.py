"""A small season's records, made once and copied for each attempt; and what the records say, whoever asks."""

from __future__ import annotations

import json
import random
from pathlib import Path

import rich.console  # noqa: F401  (what every fork needs is loaded once)
from sqlalchemy.dialects import sqlite  # noqa: F401

import triage.cli.main
import triage.storage.verify
import triage.workflow.exchange
import triage.workflow.gene_use
import triage.workflow.known  # noqa: F401
from tests.hostile.harness import Ran, program
from triage.species import load_species, usual_species
from triage.storage.archive import Archive
from triage.storage.database import FILE, Database
from triage.storage.kinds import Photo
from triage.storage.photo_files import FOLDER, PhotoFiles

load_species(usual_species())

AT = "2031-08-01T10:00:00+00:00"
#: Words that nobody enters in good faith.
NASTY = (
    "", " ", "../../secret", "/etc/passwd", "-1", "=1+1", "@SUM(A1)", "a\0b", "\x1b[31mred", "\u202etxt", "\ud800", "\udcff", "x" * 5000,
    "' OR 1=1; --", "![x](http://127.0.0.1:9/x)", "<script>", "NaN", "1e999", "\U0001f40d" * 50, "\r\n", "%s%n", "${HOME}", "null",
)  # fmt: skip
#: Values of every type, for wherever another one belongs.
STRANGE = (None, True, -1, 0, 1e308, 2**63, 10**400, float("nan"), float("inf"), [], {}, [[]], [None], {"": ""}, *NASTY)


def season(folder: Path) -> Path:
    """A data folder with a clutch, its parents, calls, readings by nobody, a sort, a hold, notes, and two photos."""
    data = folder / "season"
    (folder / "clutch.yaml").write_text("""\
species: ball python
dam: {name: Juniper, genes: "pastel, 66% het clown"}
sires: [{name: Basil, genes: "het clown", share: 0.7}, {name: Thyme, genes: mojave, share: 0.3}]
eggs: [{label: A1, call: pastel}, {label: A2, call: clown, sex: female}, {label: A3, call: mojave}]
""")
    for words in (
        ("keep", "clutch.yaml", "--name", "2031-1", "--hatched", "2031-08-01"),
        ("hold", "add", "--about", "2031-1/A1", "--note", "pretty"),
        ("note", "add", "--about", "2031-1/A2", "--text", "first meal"),
        ("outcome", "add", "--animal", "Juniper", "--says", "het clown=1"),
        ("animal", "change", "Juniper", "--weight-g", "1500"),
    ):
        ran = program(*words, cwd=folder, data=data)
        assert ran.status == 0, ran.err
    archive, photos = Archive(Database(f"sqlite:///{data / FILE}")), PhotoFiles(data / FOLDER)
    draw = random.Random(0)
    for number, egg in enumerate(archive.all("egg")[:2]):
        sha256 = photos.add(draw.randbytes(3000))
        with archive.change("photo") as draft:
            draft.add(Photo(about=egg.id, sha256=sha256, source_sha256=f"{number:064x}", name="a.jpg", added=AT))
    assert archive.faults() == ()
    return data


def exported(cwd: Path, data: Path) -> tuple[Ran, object]:
    """What the records hold, as `triage export` says it; None where it says nothing."""
    to = cwd / "said.json"
    to.unlink(missing_ok=True)
    ran = program("export", str(to), cwd=cwd, data=data)
    return ran, json.loads(to.read_text("utf-8")) if ran.status == 0 else None


def everything_but(folder: Path, data: Path) -> dict[str, bytes]:
    """Every file of a folder that is not below the records: none of them is theirs to write."""
    return {str(path): path.read_bytes() for path in folder.rglob("*") if path.is_file() and data not in path.parents}
