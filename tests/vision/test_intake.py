"""Every kind of bad file is refused in one line or read; none crashes, hangs or swallows the memory."""

import io
import struct
import time
import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageCms

from triage.errors import PhotoError
from triage.vision.intake import KEPT_SIDE, LARGEST_PIXELS, LARGEST_WHOLE, SMALLEST_SIDE, open_photo


def picture(width=160, height=120, mode="RGB", seed=0):
    noise = np.random.default_rng(seed).integers(0, 255, (height // 8, width // 8, 3), np.uint8)
    return Image.fromarray(noise).resize((width, height)).convert(mode)


def encoded(image, kind="JPEG", **options):
    data = io.BytesIO()
    image.save(data, kind, **options)
    return data.getvalue()


def png_chunk(kind, data):
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def png_bomb(width, height):
    """A small file that claims, and would inflate to, a huge picture."""
    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    body = zlib.compress(b"\0" * 100_000, 9)
    return b"\x89PNG\r\n\x1a\n" + png_chunk(b"IHDR", header) + png_chunk(b"IDAT", body) + png_chunk(b"IEND", b"")


def scan_bomb(times):
    """A progressive JPEG whose last scan, of a few bytes, stands there over and over."""
    plain = encoded(Image.new("L", (4000, 3000), 128), progressive=True)
    last = plain.rindex(b"\xff\xda")
    tables = plain.rindex(b"\xff\xc4", 0, last)
    return plain[:-2] + plain[tables:-2] * times + b"\xff\xd9"


def jpeg_of_pieces(piece, times):
    return b"\xff\xd8" + piece * times + encoded(picture())[2:]


SRGB = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


def with_exif(orientation, **tags):
    exif = Image.Exif()
    exif[0x0112] = orientation
    for number, value in tags.items():
        exif[int(number[1:], 16)] = value
    return encoded(picture(), exif=exif)


def gps_photo():
    exif = Image.Exif()
    exif.get_ifd(0x8825)[2] = (52.0, 31.0, 0.0)
    exif[0x010F], exif[0x9003] = "A Camera", "2026:01:01 10:00:00"
    return encoded(picture(), exif=exif)


REFUSED = {
    "empty": (b"", "empty"),
    "one byte": (b"\xff", "not a photo"),
    "text": (b"pastel clown\n" * 20, "text"),
    "html": (b"<html><body>no photo</body></html>", "web page"),
    "svg": (b"<svg xmlns='http://www.w3.org/2000/svg'/>", "drawing"),
    "pdf": (b"%PDF-1.7\n%nothing", "PDF"),
    "zip": (b"PK\x03\x04" + b"\0" * 60, "zip"),
    "gzip": (b"\x1f\x8b" + b"\0" * 60, "archive"),
    "postscript": (b"%!PS-Adobe-3.0 EPSF-3.0\n", "PostScript"),
    "video": (b"\0\0\0\x18ftypmp42" + b"\0" * 60, "video"),
    "noise": (np.random.default_rng(1).bytes(4000), "not a photo"),
    "zeros": (b"\0" * 4000, "not a photo"),
    "jpeg start only": (b"\xff\xd8\xff\xe0", ""),
    "jpeg without picture": (b"\xff\xd8\xff\xd9", ""),
    "png start only": (b"\x89PNG\r\n\x1a\n", ""),
    "webp start only": (b"RIFF\x20\0\0\0WEBPVP8 ", ""),
    "gif start only": (b"GIF89a", ""),
    "bmp start only": (b"BM" + b"\0" * 12, ""),
    "tiff start only": (b"II*\0\x08\0\0\0", ""),
    "heic start only": (b"\0\0\0\x18ftypheic\0\0\0\0mif1heic", ""),
    "one pixel": (encoded(picture(8, 8).resize((1, 1)), "PNG"), "1 x 1 pixels"),
    "too small": (encoded(picture(SMALLEST_SIDE - 8, 200)), "pixels; both sides need"),
    "very long": (encoded(picture(2000, 80)), "times as long as wide"),
    "very tall": (encoded(picture(80, 2000)), "times as long as wide"),
    "20,000 x 20,000 png": (png_bomb(20_000, 20_000), "million"),
    "60,000 x 60,000 png": (png_bomb(60_000, 60_000), "million"),
    "just over the limit": (png_bomb(10_000, LARGEST_PIXELS // 10_000 + 8), "million"),
    "2^31 wide png": (png_bomb(2**31 - 1, 64), ""),
    "png over what is decoded whole": (png_bomb(8_000, LARGEST_WHOLE // 8_000 + 8), "up to 52 million"),
    "jpeg decoded over and over": (scan_bomb(2_000), "is decoded 2,006 times over"),
    "jpeg of comments": (jpeg_of_pieces(b"\xff\xfe\0\x02", 2_000_000), "over 20,000 pieces"),
    "jpeg of fill bytes": (jpeg_of_pieces(b"\xff", 8_000_000), "say nothing"),
    "jpeg of escaped bytes": (jpeg_of_pieces(b"\xff\0", 8_000_000), "say nothing"),
    "jpeg of nothing": (b"\xff\xd8" + b"\xff" * 20_000_000, "say nothing"),
    "png of empty pieces": (encoded(picture(), "PNG")[:33] + png_chunk(b"abCd", b"") * 100_000 + encoded(picture(), "PNG")[33:], "over 20,000 pieces"),
    "tiff decoded over and over": (encoded(picture(4000, 3000), "TIFF", compression="jpeg") + b"\xff\xda" * 1000, "times over"),
    "gif of comments": (encoded(picture(), "GIF")[:-1] + b"!\xfe\x01a\0" * 2_200_000 + b";", "a GIF of 11 MiB"),
    "png cut short": (encoded(picture(), "PNG")[:400], ""),
    "png broken sums": (encoded(picture(), "PNG").replace(b"IDAT", b"IDAX"), ""),
    "webp cut short": (encoded(picture(), "WEBP")[:200], ""),
    "gif cut short": (encoded(picture(), "GIF")[:900], ""),
    "tiff cut short": (encoded(picture(), "TIFF")[:900], ""),
    "bmp cut short": (encoded(picture(), "BMP")[:900], ""),
    "jpeg cut in the tables": (encoded(picture())[:150], ""),
    "jpeg cut in half": (encoded(picture())[: len(encoded(picture())) // 2], "damaged or cut short"),
    "jpeg of another size": (encoded(picture()).replace(struct.pack(">HH", 120, 160), struct.pack(">HH", 65000, 65000)), ""),
    "ico": (encoded(picture(128, 128), "ICO"), "not a photo"),
    "icns": (b"icns\0\0\0\x10" + b"\0" * 40, "not a photo"),
    "psd": (b"8BPS\0\x01" + b"\0" * 40, "not a photo"),
    "text bomb png": (b"\x89PNG\r\n\x1a\n" + png_chunk(b"IHDR", struct.pack(">IIBBBBB", 100, 100, 8, 2, 0, 0, 0))
                      + png_chunk(b"zTXt", b"k\0\0" + zlib.compress(b"a" * 30_000_000, 9)), ""),
}  # fmt: skip

READ = {
    "jpeg": encoded(picture()),
    "jpeg grey": encoded(picture(mode="L")),
    "jpeg cmyk": encoded(picture(mode="CMYK")),
    "jpeg progressive": encoded(picture(), progressive=True),
    "jpeg quality 1": encoded(picture(), quality=1),
    "jpeg with words after it": encoded(picture()) + b"trailing words" * 100,
    "jpeg and zip in one": encoded(picture()) + b"PK\x03\x04" + b"\0" * 200,
    "jpeg with a comment": encoded(picture(), comment=b"x" * 60_000),
    "jpeg damaged exif": encoded(picture(), exif=b"Exif\0\0II*\0\xff\xff\xff\xff" + b"\xff" * 50),
    "jpeg exif loop": encoded(picture(), exif=b"Exif\0\0II*\0\x08\0\0\0\0\0\x08\0\0\0"),
    "jpeg orientation 99": with_exif(99),
    "jpeg two orientations": with_exif(6, t0112=3),
    "jpeg damaged profile": encoded(picture(), icc_profile=b"not a profile" * 100),
    "jpeg sRGB profile": encoded(picture(), icc_profile=SRGB),
    "jpeg Lab profile": encoded(picture(), icc_profile=ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes()),
    "cmyk with an rgb profile": encoded(picture(mode="CMYK"), icc_profile=SRGB),
    "profile within a profile": encoded(picture(), icc_profile=SRGB * 20),
    "png": encoded(picture(), "PNG"),
    "png alpha": encoded(picture(mode="RGBA"), "PNG"),
    "png grey alpha": encoded(picture(mode="LA"), "PNG"),
    "png palette": encoded(picture(mode="P"), "PNG"),
    "png palette, transparent": encoded(picture(mode="P"), "PNG", transparency=0),
    "png 1 bit": encoded(picture(mode="1"), "PNG"),
    "png 16 bit": encoded(Image.fromarray(np.asarray(picture(mode="L"), np.uint16) * 257), "PNG"),
    "png interlaced words": encoded(picture(), "PNG", optimize=True),
    "webp": encoded(picture(), "WEBP"),
    "webp lossless alpha": encoded(picture(mode="RGBA"), "WEBP", lossless=True),
    "gif": encoded(picture(), "GIF"),
    "gif animated": encoded(picture(), "GIF", save_all=True, append_images=[picture(seed=k) for k in range(1, 4)]),
    "webp animated": encoded(picture(), "WEBP", save_all=True, append_images=[picture(seed=4)]),
    "bmp": encoded(picture(), "BMP"),
    "tiff": encoded(picture(), "TIFF"),
    "tiff 16 bit": encoded(Image.fromarray(np.asarray(picture(mode="L"), np.uint16) * 257), "TIFF"),
    "tiff float": encoded(picture(mode="F"), "TIFF"),
    "tiff two pages": encoded(picture(), "TIFF", save_all=True, append_images=[picture(seed=5)]),
    "as long as allowed": encoded(picture(480, 96)),
    "as small as allowed": encoded(picture(64, 64)),
    "large jpeg": encoded(picture(4000, 3000)),
}  # fmt: skip


def test_the_corpus_is_as_large_as_promised():
    assert len(REFUSED) + len(READ) >= 60


@pytest.mark.parametrize("kind", REFUSED)
def test_bad_files_are_refused_in_one_line(kind):
    data, words = REFUSED[kind]
    began = time.process_time()
    with pytest.raises(PhotoError) as caught:
        open_photo(data, name="egg 3.jpg")
    assert time.process_time() - began < (1 if "over" in words or "say nothing" in words else 5)
    message = str(caught.value)
    assert message.startswith("egg 3.jpg: ") and words in message and "\n" not in message and message.endswith(".")


@pytest.mark.parametrize("kind", READ)
def test_odd_files_are_read(kind):
    began = time.monotonic()
    photo = open_photo(READ[kind], name=kind)
    assert time.monotonic() - began < 5
    assert photo.pixels.dtype == np.uint8 and photo.pixels.ndim == 3 and photo.pixels.shape[2] == 3
    assert max(photo.pixels.shape) <= KEPT_SIDE and photo.pixels.std() > 1
    assert photo.to_image().info == {} and len(photo.to_image().getexif()) == 0


def test_memory_stays_under_a_gibibyte():
    """Every file of the corpus, one after another in a process of its own, by its own high-water mark: on Linux getrusage would
    also count the process that started it, which may hold a gibibyte after other tests."""
    import subprocess
    import sys

    code = (
        "import re, resource, sys; sys.path.insert(0, sys.argv[1]); import test_intake as t\n"
        "for d in [*[v[0] for v in t.REFUSED.values()], *t.READ.values()]:\n"
        "    try: t.open_photo(d)\n"
        "    except t.PhotoError: pass\n"
        "try: print(int(re.search(r'VmHWM:\\s+(\\d+) kB', open('/proc/self/status').read())[1]) * 1024)\n"
        "except FileNotFoundError: print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)\n"
    )
    out = subprocess.check_output([sys.executable, "-c", code, str(Path(__file__).parent)], text=True)
    assert 50 * 2**20 < int(out) < 2**30


def test_missing_file_folder_and_file_without_name(tmp_path):
    with pytest.raises(PhotoError, match=r"none\.jpg: no such file at .*none\.jpg; needed: a photo file"):
        open_photo(tmp_path / "none.jpg")
    with pytest.raises(PhotoError, match="it is a folder"):
        open_photo(tmp_path)
    with pytest.raises(PhotoError, match=r"^photo: the file is empty"):
        open_photo(b"")


def test_a_file_too_large_is_not_even_read(tmp_path):
    path = tmp_path / "huge.jpg"
    with path.open("wb") as file:
        file.truncate(10**9)
    with pytest.raises(PhotoError, match="it has 954 MiB; up to 40 MiB are read"):
        open_photo(path)


def test_the_wrong_ending_does_not_matter(tmp_path):
    path = tmp_path / "really a png.jpg"
    path.write_bytes(READ["png"])
    assert open_photo(path).format == "PNG" and open_photo(path).name == "really a png.jpg"


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_is_honoured(orientation):
    """The upright picture has its bright corner at the top left, however the camera was held (EXIF 2.32, tag 274)."""
    upright = np.zeros((96, 128, 3), np.uint8)
    upright[:24, :32] = 255
    stored = {
        1: lambda a: a, 2: lambda a: a[:, ::-1], 3: lambda a: a[::-1, ::-1], 4: lambda a: a[::-1],
        5: lambda a: a.transpose(1, 0, 2), 6: lambda a: np.rot90(a, 1), 7: lambda a: a[::-1, ::-1].transpose(1, 0, 2),
        8: lambda a: np.rot90(a, -1),
    }[orientation](upright)  # fmt: skip
    exif = Image.Exif()
    exif[0x0112] = orientation
    photo = open_photo(encoded(Image.fromarray(np.ascontiguousarray(stored)), "PNG", exif=exif))
    assert photo.pixels.shape[:2] == (96, 128) and photo.taken_size == (128, 96)
    assert photo.pixels[:20, :28].min() > 250 and photo.pixels[30:, 40:].max() < 5


def test_place_time_and_camera_are_dropped():
    data = gps_photo()
    assert b"A Camera" in data
    photo = open_photo(data)
    again = encoded(photo.to_image())
    assert b"A Camera" not in again and b"2026:01:01" not in again and b"Exif" not in again


def test_colours_follow_the_profile():
    """A display-P3 red is more vivid than sRGB can show; read as if it were sRGB it would look dull."""
    pillow_heif = pytest.importorskip("pillow_heif")
    data = io.BytesIO()
    pillow_heif.register_heif_opener()
    picture().save(data, "HEIF", quality=90)
    photo = open_photo(data.getvalue(), name="a.heic")
    assert photo.format == "HEIF" and photo.pixels.shape == (120, 160, 3)
    assert np.abs(photo.pixels.astype(int) - np.asarray(picture()).astype(int)).mean() < 12


def test_frames_after_the_first_are_left_out_and_said():
    assert open_photo(READ["gif animated"]).remarks == ("first of several frames",)
    assert open_photo(READ["jpeg"]).remarks == ()


def test_what_shows_through_is_mid_grey():
    clear = Image.new("RGBA", (100, 100), (255, 0, 0, 0))
    assert (open_photo(encoded(clear, "PNG")).pixels == 128).all()
