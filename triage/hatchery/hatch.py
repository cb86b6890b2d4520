"""Writes rendered photos to a folder, with masks and a table of the truth."""

import csv
import io
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from PIL import Image

from triage.errors import PhotoError
from triage.hatchery.express import Genotype
from triage.hatchery.render import render
from triage.outputs import written_whole

TRUTH_FILE = "truth.csv"
COLUMNS = (
    "file", "mask", "label", "genotype", "animal_seed", "photo_seed", "stage", "domain", "size_px",
    "visible_share", "coverage", "accompanied",
)  # fmt: skip
_BATCH = 16


@dataclass(frozen=True)
class HatchSpec:
    """One photo to take: `label` names the file; `stage` None is drawn from the photo's seed."""

    label: str
    genotype: Genotype
    animal_seed: int
    photo_seed: int
    stage: str | None = None


@dataclass(frozen=True)
class HatchedPhoto:
    """One row of the truth table; `visible_share` and `coverage` (of the picture, by the animal) are 0..1."""

    spec: HatchSpec
    photo: Path
    mask: Path
    stage: str
    visible_share: float
    coverage: float
    accompanied: bool


def hatch(
    specs: Sequence[HatchSpec],
    directory: Path,
    *,
    size: int = 512,
    domain: str = "training",
    jpeg_quality: int | None = None,
    device: torch.device | str = "cpu",
    progress: Callable[[int, int], None] | None = None,
) -> tuple[HatchedPhoto, ...]:
    """Render `specs` into `directory`, and return one row each, as in the table written beside them (truth.csv).

    Photos are PNG, or JPEG at `jpeg_quality` 1..95 (decoders differ by a shade); masks are always PNG, white where the
    animal is seen. The same specs, size and domain give the same pictures. `progress(done, total)` is called after each
    batch. Labels must differ and be usable as file names (ValueError). PhotoError if the folder cannot be written or
    already holds one of the files.
    """
    labels = [spec.label for spec in specs]
    for label in labels:
        if not label or label in (".", "..") or any(sign in label for sign in '/\\:\0'):
            raise ValueError(f"label {label!r} cannot be a file name; use letters, digits, spaces, '-', '_' and '.'")
    if len({label.casefold() for label in labels}) != len(labels):
        raise ValueError("two photos have the same label; give each its own")
    if jpeg_quality is not None and not 1 <= jpeg_quality <= 95:
        raise ValueError(f"jpeg_quality {jpeg_quality}: needed 1..95, or None for PNG")
    ending = ".png" if jpeg_quality is None else ".jpg"
    try:
        directory.mkdir(parents=True, exist_ok=True)
        for name in [TRUTH_FILE, *(label + end for label in labels for end in (ending, ".mask.png"))]:
            if (directory / name).exists():
                raise PhotoError(f"{directory / name} exists already and is not overwritten; name an empty folder.")
        rows = []
        for start in range(0, len(specs), _BATCH):
            rows += _hatch_batch(specs[start : start + _BATCH], directory, ending, size, domain, jpeg_quality, device)
            if progress is not None:
                progress(len(rows), len(specs))
        _write_truth(rows, directory / TRUTH_FILE, size, domain)
    except OSError as error:
        raise PhotoError(f"{directory}: cannot be written ({error.strerror or error}); name another folder.") from error
    return tuple(rows)


def _hatch_batch(
    specs: Sequence[HatchSpec], directory: Path, ending: str, size: int, domain: str, jpeg_quality: int | None, device
) -> list[HatchedPhoto]:
    photos = _render_by_stage(specs, size, domain, device)
    rows = []
    for spec, (image, mask, stage, share, accompanied) in zip(specs, photos, strict=True):
        photo_path, mask_path = directory / f"{spec.label}{ending}", directory / f"{spec.label}.mask.png"
        pixels = (image * 255 + 0.5).to(torch.uint8).permute(1, 2, 0).cpu().numpy()
        picture = Image.fromarray(np.ascontiguousarray(pixels))
        with written_whole(photo_path, error=PhotoError) as file:
            if jpeg_quality is None:
                picture.save(file, "PNG")
            else:
                picture.save(file, "JPEG", quality=jpeg_quality, subsampling=0)
        with written_whole(mask_path, error=PhotoError) as file:
            Image.fromarray((mask[0] * 255 + 0.5).to(torch.uint8).cpu().numpy()).save(file, "PNG")
        coverage = float(mask.double().mean())
        rows.append(HatchedPhoto(spec, photo_path, mask_path, stage, share, coverage, accompanied))
    return rows


def _render_by_stage(specs: Sequence[HatchSpec], size: int, domain: str, device) -> list[tuple]:
    """Photos in the order of `specs`; a stage of None and named stages are separate calls, which changes no photo."""
    result: list[tuple] = [()] * len(specs)
    for named in (False, True):
        places = [place for place, spec in enumerate(specs) if (spec.stage is not None) == named]
        if not places:
            continue
        chosen = [specs[place] for place in places]
        photos = render(
            [spec.genotype for spec in chosen],
            [spec.animal_seed for spec in chosen],
            [spec.photo_seed for spec in chosen],
            size=size, stage=[spec.stage for spec in chosen] if named else None, device=device, domain=domain,
        )  # fmt: skip
        shares, accompanied = photos.visible_share.tolist(), photos.accompanied.tolist()
        for row, place in enumerate(places):
            result[place] = photos.images[row], photos.masks[row], photos.stages[row], shares[row], accompanied[row]
    return result


def _write_truth(rows: Sequence[HatchedPhoto], path: Path, size: int, domain: str) -> None:
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(COLUMNS)
    for row in rows:
        genotype = {locus: list(pair) for locus, pair in sorted(row.spec.genotype.items())}
        writer.writerow([
            row.photo.name, row.mask.name, row.spec.label, json.dumps(genotype), row.spec.animal_seed,
            row.spec.photo_seed, row.stage, domain, size, round(row.visible_share, 4), round(row.coverage, 4),
            "yes" if row.accompanied else "no",
        ])  # fmt: skip
    with written_whole(path, error=PhotoError) as file:
        file.write(text.getvalue().encode())
