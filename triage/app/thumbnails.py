"""Small pictures of the photos, for the form and the trays."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence

from PIL import Image, ImageOps

from triage.errors import PhotoError
from triage.vision.intake import open_photo

SIDE_PX = 480
_LARGE_PX = 1600


def thumbnail(name: str, data: bytes) -> bytes | None:
    """A square JPEG of a photo, or None where the photo cannot be opened (sorting says why)."""
    return _jpeg(name, data, lambda image: ImageOps.fit(image, (SIDE_PX, SIDE_PX), Image.Resampling.LANCZOS), 82)


def enlarged(name: str, data: bytes) -> bytes | None:
    """A whole photo as a JPEG of at most 1,600 pixels a side, or None where it cannot be opened."""
    return _jpeg(name, data, lambda image: ImageOps.contain(image, tuple(min(_LARGE_PX, side) for side in image.size)), 88)


def _jpeg(name: str, data: bytes, fitted: Callable[[Image.Image], Image.Image], quality: int) -> bytes | None:
    try:
        image = open_photo(data, name=name).to_image()
    except PhotoError:
        return None
    file = io.BytesIO()
    fitted(image.convert("RGB")).save(file, "JPEG", quality=quality)
    return file.getvalue()


def thumbnails(photos: Sequence[tuple[str, bytes]]) -> tuple[bytes, ...]:
    """Small pictures of those photos that can be opened."""
    return tuple(small for name, data in photos if (small := thumbnail(name, data)) is not None)
