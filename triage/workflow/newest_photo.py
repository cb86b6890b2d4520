"""The newest photo of an animal or egg, small."""

from __future__ import annotations

import io

from PIL import Image, ImageOps

from triage.errors import StorageError
from triage.storage.photo_files import PhotoFiles
from triage.workflow.book import Book


def newest_photo(book: Book, files: PhotoFiles, id: str, side_px: int) -> bytes:
    """A square JPEG of the newest photo that can be read; nothing where there is none."""
    for entry in reversed(book.about(id, "photo")):
        try:
            return squared(files.read(entry.content.sha256), side_px)
        except (StorageError, OSError):  # missing or damaged, as 'triage verify' says
            continue
    return b""


def squared(data: bytes, side_px: int) -> bytes:
    """The middle of a photo of the records as a square JPEG; OSError where it is no picture."""
    with Image.open(io.BytesIO(data)) as picture:
        square = ImageOps.fit(picture.convert("RGB"), (side_px, side_px), Image.Resampling.LANCZOS)
    file = io.BytesIO()
    square.save(file, "JPEG", quality=85)
    return file.getvalue()
