"""How much work a picture's file asks of its decoder, told before it is decoded: a small file can ask for minutes."""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator

#: Most pixels decoded, counted once for each scan of a progressive JPEG: twenty scans of the largest picture.
MOST_WORK = 1_600_000_000
#: Most pieces that a file may consist of: decoders walk and keep them one by one.
_MOST_PIECES = 20_000
#: Most bytes between two pieces of a JPEG before its picture begins.
_WIDEST_GAP = 4096
#: Largest GIF: each of its blocks can be five bytes long.
_LARGEST_GIF = 10 * 2**20
_SCAN, _END = 0xDA, 0xD9
_MARKER = re.compile(rb"\xff([^\x00\xd0-\xd7\xff])")  # neither a byte that is data, nor a restart within it


def too_many_pieces(data: bytes) -> str:
    """What is wrong with the pieces of a picture's file, in words; empty where they are as photos have them."""
    pieces: Iterator[int | bytes | None] = iter(())
    if data.startswith(b"\xff\xd8"):
        pieces = _jpeg_markers(data)
    elif data.startswith(b"\x89PNG"):
        pieces = _png_chunks(data)
    elif data.startswith(b"GIF") and len(data) > _LARGEST_GIF:
        return f"a GIF of {len(data) / 2**20:.0f} MiB; up to {_LARGEST_GIF // 2**20} are read"
    for number, piece in enumerate(pieces):
        if piece is None:
            return f"over {_WIDEST_GAP:,} bytes that say nothing stand before its picture"
        if number == _MOST_PIECES:
            return f"the file has over {_MOST_PIECES:,} pieces"
    return ""


def scans_of(data: bytes) -> int:
    """How many scans a JPEG, or the JPEGs in a TIFF, are decoded in; 1 for any other file."""
    if data.startswith(b"\xff\xd8"):
        return max(1, sum(marker == _SCAN for marker in _jpeg_markers(data)))
    return max(1, data.count(bytes([0xFF, _SCAN]))) if data[:4] in (b"II*\0", b"MM\0*") else 1


def _jpeg_markers(data: bytes) -> Iterator[int | None]:
    """The markers of a JPEG up to its end; None, and no more, where too much lies between two before its first scan."""
    at, scanning = 2, False
    while found := _MARKER.search(data, at):
        marker = found[1][0]
        if not scanning and found.end() - at > _WIDEST_GAP:
            yield None
            return
        yield marker
        if marker == _END:
            return
        scanning |= marker == _SCAN
        size = data[found.end() : found.end() + 2]
        at = found.end() + (struct.unpack(">H", size)[0] if len(size) == 2 and marker != 1 else 0)
    if not scanning and len(data) - at > _WIDEST_GAP:
        yield None


def _png_chunks(data: bytes) -> Iterator[bytes]:
    at = 8
    while at + 8 <= len(data):
        yield data[at + 4 : at + 8]
        at += 12 + struct.unpack(">I", data[at : at + 4])[0]
