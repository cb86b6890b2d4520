"""The one file of what was measured: by name, runs with their provenance and figures."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from triage.errors import ModelFileError
from triage.training.bench import Bench
from triage.training.options import command_line
from triage.training.provenance import commit_of_code, data_hashes, device_name
from triage.vision.weights import sha256_of

if TYPE_CHECKING:
    from triage.training.measures import Measure

FILE = "measures.json"


def read_results(directory: Path) -> dict[str, list[dict[str, Any]]]:
    """Runs by the name of their measure, the first one first; empty where nothing was measured. ModelFileError if it is no JSON."""
    path = directory / FILE
    try:
        return json.loads(path.read_text("utf-8")) if path.is_file() else {}
    except (UnicodeDecodeError, json.JSONDecodeError) as error:
        raise ModelFileError(f"{path}: cannot be read as JSON ({error}); restore it from the repository.") from error


def run(measure: Measure, options: Any, bench: Bench) -> dict[str, Any]:
    """Measure, and keep the figures with their provenance; returns the run. Other measures' runs stay as they are.

    What the same command measured at the same commit on the same data is one run: a share's figures join those of the others.
    """
    told = provenance(measure, options, bench)
    figures = measure.figures(bench, options)
    found = read_results(bench.directory)  # only now: another measure may have ended meanwhile
    earlier = found.get(measure.name, [])
    same = next((one for one in earlier if {name: value for name, value in one.items() if name != "figures"} == told), None)
    whole = {**told, "figures": {**(same["figures"] if same else {}), **figures}}
    others = [] if measure.of_reader else [one for one in earlier if one is not same]
    found[measure.name] = [*others, whole]
    bench.directory.mkdir(parents=True, exist_ok=True)
    path = bench.directory / FILE
    path.with_suffix(".part").write_text(json.dumps(dict(sorted(found.items())), indent=1) + "\n", "utf-8")
    path.with_suffix(".part").replace(path)
    bench.note(f"{measure.name}: figures are in {path}")
    return whole


def provenance(measure: Measure, options: Any, bench: Bench) -> dict[str, Any]:
    """What makes a run again: command, options, commit, hashes of data and reader, device."""
    data = data_hashes() | {f"{path.stem}_sha256": sha256_of(path) for path in measure.drawn_by}
    told = {
        "command": command_line(f"measures {measure.name}", asdict(options)),
        "options": asdict(options),
        "commit": commit_of_code(),
        "data": data,
        "device": device_name() if bench.device != "cpu" else "CPU",
    }
    if measure.of_reader:
        sidecar = bench.files.sidecar
        believed = json.dumps(sidecar["calibration"], sort_keys=True)
        told |= {"reader_sha256": sidecar["sha256"], "calibration_sha256": hashlib.sha256(believed.encode()).hexdigest()}
    return told
