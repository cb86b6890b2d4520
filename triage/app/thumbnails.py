"""Small pictures of the photos, for the form and the trays."""

from __future__ import annotations

import io
from collections.abc import Sequence

from PIL import Image, ImageOps

from triage.errors import PhotoError
from triage.vision.intake import open_photo

SIDE_PX = 480
_LARGE_PX = 1600


def thumbnail(name: str, data: bytes) -> bytes | None:
    """A square JPEG of a photo, or None where the photo cannot be opened (sorting says why)."""
    try:
        image = open_photo(data, name=name).to_image()
    except PhotoError:
        return None
    file = io.BytesIO()
    ImageOps.fit(image.convert("RGB"), (SIDE_PX, SIDE_PX), Image.Resampling.LANCZOS).save(file, "JPEG", quality=82)
    return file.getvalue()


def enlarged(name: str, data: bytes) -> bytes | None:
    """A whole photo as a JPEG of at most 1,600 pixels a side, or None where it cannot be opened."""
    try:
        image = open_photo(data, name=name).to_image()
    except PhotoError:
        return None
    file = io.BytesIO()
    ImageOps.contain(image.convert("RGB"), (min(_LARGE_PX, image.width), min(_LARGE_PX, image.height))).save(file, "JPEG", quality=88)
    return file.getvalue()


def thumbnails(photos: Sequence[tuple[str, bytes]]) -> tuple[bytes, ...]:
    """Small pictures of those photos that can be opened."""
    return tuple(small for name, data in photos if (small := thumbnail(name, data)) is not None)
