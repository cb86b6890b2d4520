"""Hostile pictures: each stands in a clutch sheet that is kept; it is kept as clean pixels or refused by name, and its egg goes on."""

from __future__ import annotations

import io
import json
import random
import shutil
import struct
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
from PIL import Image

import rich.console  # noqa: F401  (what every fork needs is loaded once)

import triage.cli.main
import triage.workflow.keep
import triage.workflow.photos  # noqa: F401
from tests.hostile.harness import Attempt, judge, program
from triage.species import load_species, usual_species

load_species(usual_species())
load_species("corn snake")

FULL = 250
_SECRET = b"51.5007 N 0.1246 W"
_SHEET = """\
species: {species}
dam: {{name: Juniper, genes: normal}}
sires: [{{name: Basil, genes: normal}}]
eggs: [{{label: A1, call: normal, photos: [{photo}]}}]
"""
_ENDINGS = ("jpg", "png", "webp", "heic", "gif", "bmp", "tif", "txt", "jpeg", "JPG")


def attempts(n: int, seed: int, folder: Path) -> Iterator[Attempt]:
    """Keep a clutch with one hostile picture, ``n`` times over."""
    draw = random.Random(seed)
    ways, records = list(_WAYS), folder / "records"
    program("history", cwd=folder, data=records)  # empty ones, made once
    for number in range(n):
        way = ways[number % len(ways)]
        data = way(draw)
        home = folder / str(number)
        shutil.copytree(records, home / "data")
        name = f"a{number}.{draw.choice(_ENDINGS)}"
        (home / name).write_bytes(data)
        species = "ball python" if number % 25 == 24 else "corn snake"  # the first has a photo model, which costs seconds
        (home / "clutch.yaml").write_text(_SHEET.format(species=species, photo=name))
        ran = program("keep", "clutch.yaml", "--json", cwd=home, data=home / "data")
        kept, fault = False, ""
        if ran.status == 0:
            kept = json.loads(ran.out)["photos"] == 1
            stored = [path.read_bytes() for path in (home / "data/photos").rglob("*") if path.is_file()]
            if any(_SECRET in one for one in stored):
                fault = "a tag of the picture was kept"
            elif kept != bool(stored) or not kept and f"photo {name} of A1 was not kept" not in ran.err:
                fault = "neither kept nor refused by name"
        else:
            fault = f"the clutch was refused with its photo: {ran.err[-200:]}"
        shutil.rmtree(home)
        yield judge(f"{number} ({way.__name__.strip('_')})", ran, "kept" if kept else "refused by name", fault)


def _picture(draw: random.Random, mode: str = "RGB") -> Image.Image:
    width, height = draw.randrange(64, 300), draw.randrange(64, 300)
    noise = np.random.default_rng(draw.randrange(2**32)).integers(0, 255, (height // 8, width // 8, 3), np.uint8)
    return Image.fromarray(noise).resize((width, height)).convert(mode)


def _saved(picture: Image.Image, kind: str, **options: object) -> bytes:
    file = io.BytesIO()
    picture.save(file, kind, **options)
    return file.getvalue()


def _base(draw: random.Random) -> bytes:
    kind = draw.choice(("JPEG", "JPEG", "PNG", "WEBP", "GIF", "BMP", "TIFF", "HEIF"))
    if kind == "HEIF":
        import pillow_heif

        pillow_heif.register_heif_opener()
    options = {"JPEG": {"progressive": draw.random() < 0.5, "comment": _SECRET}, "TIFF": {"compression": draw.choice((None, "jpeg", "tiff_lzw"))}}
    return _saved(_picture(draw), kind, **options.get(kind, {}))


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def _whole(draw: random.Random) -> bytes:
    return _base(draw)


def _truncated(draw: random.Random) -> bytes:
    data = _base(draw)
    return data[: draw.randrange(len(data))]


def _flipped(draw: random.Random) -> bytes:
    data = bytearray(_base(draw))
    for _ in range(draw.choice((1, 1, 3, 30, 300))):
        data[draw.randrange(len(data))] ^= 1 << draw.randrange(8)
    return bytes(data)


def _flipped_header(draw: random.Random) -> bytes:
    data = bytearray(_base(draw))
    for _ in range(draw.randrange(1, 5)):
        data[draw.randrange(min(len(data), 60))] = draw.randrange(256)
    return bytes(data)


def _spliced(draw: random.Random) -> bytes:
    one, other = _base(draw), _base(draw)
    return one[: draw.randrange(len(one))] + other[draw.randrange(len(other)) :]


def _declared_huge(draw: random.Random) -> bytes:
    """A small file whose header says that its picture is huge."""
    side = draw.choice((7_300, 20_000, 65_535, 2**31 - 1))
    other = draw.choice((side, 64, 8_000))
    kind = draw.choice(("png", "bmp", "gif", "jpeg"))
    if kind == "png":
        head = _chunk(b"IHDR", struct.pack(">IIBBBBB", side, other, draw.choice((8, 16)), draw.choice((0, 2, 6)), 0, 0, draw.randrange(2)))
        return b"\x89PNG\r\n\x1a\n" + head + _chunk(b"IDAT", zlib.compress(bytes(2_000_000), 9)) + _chunk(b"IEND", b"")
    if kind == "bmp":
        return b"BM" + struct.pack("<IHHIIiiHHIIiiII", 0, 0, 0, 54, 40, side, other, 1, 24, 0, 0, 0, 0, 0, 0) + bytes(5000)
    side, other = min(side, 65_535), min(other, 65_535)
    if kind == "gif":
        return b"GIF89a" + struct.pack("<HHBBB", side, other, 0x80, 0, 0) + bytes(6) + b",\0\0\0\0" + struct.pack("<HHB", side, other, 0) + bytes(99)
    data = _saved(_picture(draw), "JPEG")
    at = data.index(b"\xff\xc0")
    return data[: at + 5] + struct.pack(">HH", side, other) + data[at + 9 :]


def _inflating(draw: random.Random) -> bytes:
    """As large as is decoded at all, from a file of kilobytes."""
    mode, kind, more = draw.choice((("RGBA", "PNG", {}), ("RGBA", "WEBP", {"lossless": True}), ("F", "TIFF", {"compression": "tiff_lzw"}),
                                    ("I;16", "PNG", {}), ("RGB", "JPEG", {"progressive": True}), ("1", "TIFF", {"compression": "group4"})))  # fmt: skip
    return _saved(Image.new(mode, (8_000, 6_400)), kind, **more)


def _scans(draw: random.Random) -> bytes:
    """A progressive JPEG whose last scan stands there over and over."""
    plain = _saved(Image.new("L", (draw.choice((600, 4_000, 8_000)), 3_000), 128), "JPEG", progressive=True)
    tables = plain.rindex(b"\xff\xc4", 0, plain.rindex(b"\xff\xda"))
    return plain[:-2] + plain[tables:-2] * draw.choice((10, 100, 5_000, 30_000)) + b"\xff\xd9"


def _pieces(draw: random.Random) -> bytes:
    """A file of very many pieces that say nothing."""
    many = draw.choice((1_000, 300_000, 3_000_000))
    if draw.random() < 0.6:
        return b"\xff\xd8" + draw.choice((b"\xff\xfe\0\x02", b"\xff\xef\0\x02", b"\xff", b"\xff\0", b"\xff\xe1\0\x02")) * many + _saved(_picture(draw), "JPEG")[2:]
    if draw.random() < 0.5:
        data = _saved(_picture(draw), "PNG")
        return data[:33] + _chunk(draw.choice((b"abCd", b"tEXt", b"IDAT")), b"") * (many // 3) + data[33:]
    return _saved(_picture(draw, "P"), "GIF")[:-1] + b"!\xfe\x01a\0" * (many // 2) + b";"


def _animated(draw: random.Random) -> bytes:
    frames = [_picture(draw).resize((90, 90)) for _ in range(draw.choice((2, 5, 200)))]
    return _saved(frames[0], draw.choice(("GIF", "WEBP", "PNG", "TIFF")), save_all=True, append_images=frames[1:])


def _odd_mode(draw: random.Random) -> bytes:
    mode, kind = draw.choice((("CMYK", "JPEG"), ("CMYK", "TIFF"), ("L", "JPEG"), ("LA", "PNG"), ("P", "PNG"), ("1", "PNG"), ("RGBA", "PNG"),
                              ("I;16", "PNG"), ("I", "TIFF"), ("F", "TIFF"), ("LAB", "TIFF"), ("YCbCr", "JPEG")))  # fmt: skip
    if mode == "LAB":
        return _saved(Image.new("LAB", (90, 90), (120, 3, 9)), kind)
    if mode == "F":
        values = np.random.default_rng(draw.randrange(2**32)).normal(0, 1e30, (90, 90)).astype(np.float32)
        values[0, :3] = np.nan, np.inf, -np.inf
        return _saved(Image.fromarray(values), kind)
    picture = _picture(draw, "L" if mode == "I;16" else mode)
    return _saved(Image.fromarray(np.asarray(picture, np.uint16) * 257) if mode == "I;16" else picture, kind)


def _tags(draw: random.Random) -> bytes:
    """EXIF that lies, loops or is noise, with the place in it."""
    noise = draw.randbytes(draw.choice((8, 60, 5_000)))
    lies = (b"II*\0\xff\xff\xff\xff" + noise, b"II*\0\x08\0\0\0\0\0\x08\0\0\0", b"MM\0*\0\0\0\x08" + noise, noise,
            b"II*\0\x08\0\0\0\x01\0\x12\x01\x03\0\xff\xff\xff\xff" + noise)  # fmt: skip
    return _saved(_picture(draw), draw.choice(("JPEG", "WEBP")), exif=b"Exif\0\0" + draw.choice(lies) + _SECRET)


def _profile(draw: random.Random) -> bytes:
    from PIL import ImageCms

    real = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile(draw.choice(("sRGB", "LAB", "XYZ")))).tobytes())
    for _ in range(draw.choice((0, 1, 20, 200))):
        real[draw.randrange(len(real))] = draw.randrange(256)
    profile = draw.choice((bytes(real), bytes(real) * 40, draw.randbytes(3_000), b""))
    return _saved(_picture(draw, draw.choice(("RGB", "CMYK", "L"))), "JPEG", icc_profile=profile)


def _two_in_one(draw: random.Random) -> bytes:
    tail = draw.choice((b"PK\x03\x04" + bytes(400), b"<script>fetch('//x')</script>" * 40, b"%PDF-1.7\n", b"\x7fELF" + bytes(99)))
    data = _base(draw)
    return draw.choice((data + tail, tail + data, data + _base(draw), data[:2] + tail + data[2:]))


def _unwanted(draw: random.Random) -> bytes:
    kind = draw.choice(("ICO", "PPM", "PCX", "TGA", "JPEG2000", "ICNS", "PDF", "EPS", "words"))
    if kind == "words":
        words = (b"<svg xmlns='http://www.w3.org/2000/svg'/>", b"%!PS-Adobe-3.0 EPSF-3.0\n", b"8BPS\0\1" + bytes(60), b"\0\0\0\x18ftypmp42" + bytes(99), b"",
                 b"\x1f\x8b" + bytes(50), "norm\u00e4l".encode() * 90, draw.randbytes(5_000), bytes(5_000))  # fmt: skip
        return draw.choice(words)
    return _saved(_picture(draw).resize((128, 128)), kind)


_WAYS: tuple[Callable[[random.Random], bytes], ...] = (
    _whole, _truncated, _flipped, _flipped_header, _spliced, _declared_huge, _inflating, _scans, _pieces, _animated, _odd_mode, _tags,
    _profile, _two_in_one, _unwanted, _flipped, _truncated,
)  # fmt: skip
