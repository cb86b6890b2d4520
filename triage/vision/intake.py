"""Open a photo safely: size checked before decoding, upright, in sRGB, and free of everything but its pixels."""

from __future__ import annotations

import io
import warnings
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import NoReturn

import numpy as np
from PIL import Image, ImageCms, ImageOps

from triage.errors import PhotoError
from triage.files import read_file
from triage.vision.bounds import MOST_WORK, scans_of, too_many_pieces

#: Largest file, in bytes, and largest picture, in pixels, that is decoded at all: as a JPEG, which is reduced while it is decoded, and
#: as any other kind, which is decoded whole.
LARGEST_BYTES = 40 * 2**20
LARGEST_PIXELS = 80_000_000
LARGEST_WHOLE = 52_000_000
#: Smallest side, in pixels, and most elongated shape that can show a hatchling.
SMALLEST_SIDE = 64
LONGEST_SHAPE = 5.0
#: Photos are kept at most this long on their longer side; no reading needs more.
KEPT_SIDE = 1600
_FORMATS = ("JPEG", "PNG", "WEBP", "HEIF", "BMP", "TIFF", "GIF")
_LARGEST_PROFILE = 4 * 2**20


@dataclass(frozen=True, eq=False)
class Photo:
    """Pixels of one photo and nothing else of the file.

    `pixels` uint8 (height, width, 3), sRGB, upright. `taken_size` is (width, height) before it was reduced to KEPT_SIDE.
    `remarks` are things done on the way that a reader may want to know ("first of 3 frames").
    """

    name: str
    pixels: np.ndarray
    taken_size: tuple[int, int]
    format: str
    remarks: tuple[str, ...] = ()

    def to_image(self) -> Image.Image:
        """As a Pillow image that carries no tags."""
        return Image.fromarray(self.pixels)


def open_photo(source: Path | str | bytes, *, name: str | None = None) -> Photo:
    """Open a photo from a file or from its bytes.

    The orientation tag is applied, colours are brought to sRGB, and every tag (place, time, camera) is dropped.

    Raises
    ------
    PhotoError
        One line: which file, what was found, what is needed and what to do.
    """
    if isinstance(source, bytes):
        name = name or "photo"
        data = source
    else:
        name = name or Path(source).name
        data = photo_bytes(Path(source), name)
    if not data:
        _refuse(name, "the file is empty (0 bytes)", "copy it from the camera again")
    if len(data) > LARGEST_BYTES:
        limit = LARGEST_BYTES // 2**20
        _refuse(name, f"the file has {len(data) / 2**20:.0f} MiB; up to {limit} MiB are read", "save a smaller copy")
    found = too_many_pieces(data)
    if found:
        _refuse(name, found, "save it again as a JPEG")
    return _decode(data, name)


def cut_to(photo: Photo, crop: tuple[float, float, float, float]) -> Photo:
    """The part of a photo in a frame drawn by hand: left, top, right, bottom as shares 0..1 of its width and height.

    PhotoError if the frame is empty or lies outside, or leaves too few pixels.
    """
    left, top, right, bottom = crop
    if not (0 <= left < right <= 1 and 0 <= top < bottom <= 1):
        _refuse(photo.name, f"the frame {left:g}, {top:g}, {right:g}, {bottom:g} is not inside the photo",
                "give left, top, right, bottom as shares from 0 to 1")  # fmt: skip
    height, width = photo.pixels.shape[:2]
    rows = slice(round(top * height), max(round(bottom * height), round(top * height) + 1))
    columns = slice(round(left * width), max(round(right * width), round(left * width) + 1))
    pixels = np.ascontiguousarray(photo.pixels[rows, columns])
    if min(pixels.shape[:2]) < SMALLEST_SIDE:
        _refuse(photo.name, f"the frame leaves {pixels.shape[1]} x {pixels.shape[0]} pixels; both sides need "
                f"{SMALLEST_SIDE} or more", "draw a larger frame, or take a closer photo")  # fmt: skip
    return Photo(photo.name, pixels, photo.taken_size, photo.format, photo.remarks)


def photo_bytes(path: Path, name: str | None = None) -> bytes:
    """A photo's file as it was taken; PhotoError where it cannot be read, or is larger than a photo."""
    cure = "needed: a photo file of its usual size that is open to you."
    return read_file(path, at_most=LARGEST_BYTES, needed=cure, name=name or path.name, error=PhotoError)


def _decode(data: bytes, name: str) -> Photo:
    _load_decoders()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # Pillow's remarks about odd tags; its size limit is replaced by ours
            with Image.open(io.BytesIO(data), formats=_FORMATS) as image:
                _refuse_work(image, data, name)
                return _pixels(image, name)
    except PhotoError:
        raise
    except Image.DecompressionBombError:
        _refuse(name, f"the picture has over {LARGEST_PIXELS // 10**6} million pixels", "save a smaller copy")
    except Image.UnidentifiedImageError:
        _refuse(name, f"it is not a photo ({_guess(data)})", "give a JPEG, PNG, WebP or HEIC file")
    except MemoryError:
        _refuse(name, "the picture is too large for this machine's memory", "save a smaller copy")
    except Exception as error:  # decoders raise nearly anything on damaged data; all of it means the same to a keeper
        reason = " ".join(str(error).split())[:120] or type(error).__name__
        _refuse(name, f"the picture is damaged or cut short ({reason})", "copy it from the camera again")


def _refuse_work(image: Image.Image, data: bytes, name: str) -> None:
    width, height = image.size
    most = LARGEST_PIXELS if image.format in ("JPEG", "MPO") else LARGEST_WHOLE
    if width * height > most:
        _refuse(name, f"the picture has {width} x {height} pixels; up to {most // 10**6} million are read", "save a smaller copy")
    scans = scans_of(data)
    if width * height * scans > MOST_WORK:
        _refuse(name, f"the picture of {width} x {height} pixels is decoded {scans:,} times over", "save it again as a JPEG")


def _pixels(image: Image.Image, name: str) -> Photo:
    width, height = image.size
    if min(width, height) < SMALLEST_SIDE:
        _refuse(name, f"the picture has {width} x {height} pixels; both sides need {SMALLEST_SIDE} or more",
                "give the photo itself, not a thumbnail")  # fmt: skip
    if max(width, height) > LONGEST_SHAPE * min(width, height):
        _refuse(name, f"the picture is {width} x {height} pixels, more than {LONGEST_SHAPE:.0f} times as long as wide",
                "cut it to the animal")  # fmt: skip
    remarks = []
    if image.format not in ("MPO", "HEIF") and getattr(image, "is_animated", False):
        remarks.append("first of several frames")  # how many would take to walk them all
    if image.format in ("JPEG", "MPO"):
        image.draft("RGB", (KEPT_SIDE, KEPT_SIDE))  # decode large JPEGs at a half or quarter of their size
    image.load()
    kind = image.format or "unknown"
    profile = image.info.get("icc_profile")
    upright = ImageOps.exif_transpose(_shrink(image))
    plain = _to_srgb(upright, profile)
    turned = image.size[0] != image.size[1] and (upright.size[0] > upright.size[1]) != (width > height)
    taken = (height, width) if turned else (width, height)
    return Photo(name, np.array(plain, np.uint8), taken, kind, tuple(remarks))


def _shrink(image: Image.Image) -> Image.Image:
    """At most KEPT_SIDE long; modes that do not average (palette, 1 bit) are widened first."""
    exif = image.getexif()
    if image.mode.startswith("I;16") or image.mode in ("I", "F"):
        values = np.asarray(image)
        top = 65535.0 if np.nanmax(values) > 255 else 255.0
        bright = np.empty(values.shape, np.uint8)
        for row, one in enumerate(values):  # by rows, or a large picture would stand here eight times over
            bright[row] = np.nan_to_num(one.astype(np.float64)).clip(0, top) * (255.0 / top)
        image = Image.fromarray(bright)
    elif image.mode in ("P", "PA", "1", "LA", "La", "RGBa", "RGBA") or "transparency" in image.info:
        rgba = image if image.mode == "RGBA" else image.convert("RGBA")
        image = Image.new("RGB", rgba.size, (128, 128, 128))  # what shows through is neither dark nor bright
        image.paste(rgba, mask=rgba.getchannel("A"))
    if max(image.size) > KEPT_SIDE:
        scale = KEPT_SIDE / max(image.size)
        size = (max(1, round(image.width * scale)), max(1, round(image.height * scale)))
        image = image.resize(size, Image.Resampling.LANCZOS, reducing_gap=2.0)
    turn = exif.get(0x0112, 1)
    copy = image.copy() if image.mode in ("RGB", "L", "CMYK", "YCbCr", "LAB", "HSV") else image.convert("RGB")
    copy.info.clear()
    copy.getexif().clear()
    if turn in range(2, 9):
        copy.getexif()[0x0112] = turn
    return copy


def _to_srgb(image: Image.Image, profile: bytes | None) -> Image.Image:
    """Convert by the embedded colour profile where it is sound; phones store wide-gamut colours."""
    if profile and len(profile) <= _LARGEST_PROFILE:
        try:
            embedded = ImageCms.ImageCmsProfile(io.BytesIO(profile))
            return ImageCms.profileToProfile(image, embedded, ImageCms.createProfile("sRGB"), outputMode="RGB")
        except (ImageCms.PyCMSError, OSError, ValueError, TypeError):
            pass  # a profile that does not fit its picture is ignored, as picture viewers do
    return image.convert("RGB")


@cache
def _load_decoders() -> None:
    import pillow_heif

    Image.init()  # Pillow loads most of its decoders only when asked
    pillow_heif.register_heif_opener()


def _guess(data: bytes) -> str:
    """What a file that is no photo seems to be, in words."""
    for start, words in ((b"%PDF", "a PDF"), (b"PK\x03\x04", "a zip archive"), (b"\x1f\x8b", "a compressed archive"),
                         (b"<svg", "a drawing"), (b"<", "a web page or drawing"), (b"%!PS", "a PostScript file")):  # fmt: skip
        if data.lstrip()[: len(start)].lower() == start.lower():
            return words
    if data[4:8] == b"ftyp":
        return "a video or an unknown picture kind"
    if b"\0" not in data[:512]:
        return "text"
    return "unknown contents"


def _refuse(name: str, found: str, cure: str) -> NoReturn:
    raise PhotoError(f"{name}: {found}; {cure}.")
