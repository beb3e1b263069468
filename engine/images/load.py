"""Read an image file as grey levels, as the camera wrote it, or say why it cannot be read."""

from __future__ import annotations

import io
import os
import struct
import time
import warnings
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from ..arrays import Grey
from ..errors import FileError
from ..files import LARGEST_FILE, read_bytes

DEPTHS = (8, 10, 12, 14, 16)  # bits that cameras deliver, stored in 16-bit files
HOT_SHARE = 1e-4  # [-] of the pixels may be hot: always white, whatever the light
SILENT = cv2.utils.logging.LOG_LEVEL_SILENT  # messages would land amid the screen
_PNG = b"\x89PNG\r\n\x1a\n"
_JPEG = b"\xff\xd8\xff"
_JPEG_END = b"\xff\xd9"
_JPEG_SCAN = b"\xff\xda"
_BMP = b"BM"
_TIFF = {b"II*\0": "<", b"MM\0*": ">", b"II+\0": "<", b"MM\0+": ">"}  # and the order of bytes
_STARTS = {_PNG: ".png", _JPEG: ".jpg", _BMP: ".bmp", **dict.fromkeys(_TIFF, ".tif")}
MOST_PIXELS = 150e6  # the largest industrial sensor has 150 million
PIXELS_VARIABLE = "STATIONBOOK_MEGAPIXELS"  # raises that limit on a machine that needs it
MOST_MEMORY = 340 * 2**20  # bytes of file and picture together; searching it takes as much again
LARGE = 256 * 2**20  # bytes; below that a picture with all its colours is no burden
MOST_BYTES_A_PIXEL = 8  # four colours of 16 bits
KEPT = 2  # decoded pictures that are kept for whoever asks next: the one shown and a newer one
MOST_KEPT = 64 * 2**20  # bytes of each
MOST_DECODING = 480 * 2**20  # bytes of file, picture and what the decoder holds beside them
MOST_HEAD = 2**21  # bytes in which a file says how large its picture is; 64 kB a block of metadata
MOST_CHUNKS = 500_000  # of a PNG; the smallest that programs write have 1 kB of a picture each
MOST_PARTS = 1_000_000  # strips or tiles of a TIFF; 150 megapixels have 590,000 of 16 × 16
MOST_SCANNED = 2e9  # pixels times scans of a JPEG; a progressive one has ten scans
MOST_WAVELETS = 20 * 2**20  # bytes of a JPEG 2000; they take 0.17 s of CPU a MB to unpack
_AS_GREY = cv2.IMREAD_GRAYSCALE | cv2.IMREAD_ANYDEPTH | cv2.IMREAD_IGNORE_ORIENTATION
_FORMATS = ("PNG", "JPEG", "TIFF", "BMP", "WEBP", "PPM", "JPEG2000")
_ONE_BYTE = ("1", "L", "P")  # Pillow's names for images of one byte a pixel
Image.MAX_IMAGE_PIXELS = None  # the limit is held here
# What Pillow's readers raise on damaged heads.
_DAMAGE = (
    OSError, ValueError, SyntaxError, struct.error, OverflowError, IndexError, KeyError, TypeError,
    EOFError, ZeroDivisionError, MemoryError, RuntimeError, NotImplementedError,
)  # fmt: skip
_RETAKE = "Save the image again; PNG, TIFF and BMP keep it unchanged."


def settled(path: Path | str, wait_s: float, sleep: Callable[[float], None] = time.sleep) -> bool:
    """Tell whether a file is there, not empty, and kept size and time for ``wait_s`` [s]."""
    before = _state(path)
    sleep(wait_s)
    return before is not None and before[0] > 0 and before == _state(path)


def _state(path: Path | str) -> tuple[int, int] | None:
    try:
        state = Path(path).stat()
    except OSError:
        return None
    return state.st_size, state.st_mtime_ns


@dataclass(frozen=True, slots=True, eq=False)
class Levels:
    """An image as grey levels (h, w), and how much of the camera's range its brightest part has.

    ``used`` [-]: 1 is full white; hot pixels do not count.
    """

    grey: Grey
    used: float


def decode_image(data: bytes, name: object, bits: int | None = None) -> Grey:
    """Return the image in ``data`` as grey levels (h, w) uint8; ``name`` for messages.

    Orientation tags are ignored, because the lens data belong to the sensor's own rows and columns.
    16-bit files are scaled from the camera's bit depth: ``bits``, or the smallest of `DEPTHS` that
    holds all but the hot pixels. Raises FileError for what is empty, cut off or no image.
    """
    return decode_levels(data, name, bits).grey


def decode_levels(data: bytes, name: object, bits: int | None = None) -> Levels:
    """Return the image in ``data`` as `decode_image` does, and the range that it uses.

    ``bits`` of a pixel that the camera delivers in 16-bit files; None: not known. Grey levels are
    then scaled from the smallest of `DEPTHS` that holds them, and the range is that of the file.
    """
    global _kept
    known = next((one for one in _kept if one.data is data), None)
    if known is None or known.bits != bits:
        pixels = _pixels(data, name) if known is None else known.pixels
        known = _Kept(data, pixels, bits, _eight_bits(pixels, bits))
        known.levels.grey.flags.writeable = pixels.flags.writeable = False  # several look at it
    others = [one for one in _kept if one.data is not data][: KEPT - 1]
    _kept = (known, *others) if known.pixels.nbytes <= MOST_KEPT else tuple(others)
    return known.levels


@dataclass(frozen=True, slots=True, eq=False)
class _Kept:
    """A picture as it was decoded, and the very object that held its file."""

    data: bytes
    pixels: NDArray[np.integer[Any]]
    bits: int | None
    levels: Levels


# The newest first: a source decodes an image to see that it is whole, then it is judged, then shown
# small, again and again for each size and outline.
_kept: tuple[_Kept, ...] = ()


def _pixels(data: bytes, name: object) -> NDArray[np.integer[Any]]:
    """Return the grey levels (h, w) in the file's own range. Raises FileError."""
    pixels = decoded(data, name, _AS_GREY if is_large(data, name) else cv2.IMREAD_UNCHANGED)
    if pixels.dtype not in (np.uint8, np.uint16):
        raise FileError(name, f"holds {pixels.dtype} numbers, not grey levels", _RETAKE)
    return _grey(pixels, name)


def decoded(data: bytes, name: object, how: int, remedy: str = _RETAKE) -> NDArray[Any]:
    """Return what OpenCV makes of a file whose size is known by now. Raises FileError."""
    if not is_whole(data):
        raise cut_off(name)
    cv2.utils.logging.setLogLevel(SILENT)
    try:
        pixels = cv2.imdecode(np.frombuffer(data, np.uint8), how)
    except cv2.error as error:
        raise FileError(name, f"not a readable image ({error.err})", remedy) from error
    if pixels is None:
        raise FileError(name, "not a readable image", remedy)
    return np.asarray(pixels)


class _Head(NamedTuple):
    """What a file says of its picture: bytes of a pixel once read, and beside it while decoding."""

    width: int
    height: int
    bytes_each: int
    beside: float


def _head(data: bytes) -> _Head:
    """Read the head of an image file, no further; raises one of `_DAMAGE` for none.

    Tables of a TIFF and all of a WebP are read here, as Pillow would unpack them on opening. What a
    decoder holds was measured with OpenCV 4.14 (docs/trust.md).
    """
    if data[:4] in _TIFF:
        return _tiff_head(data)
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return _webp_head(data)
    with (
        warnings.catch_warnings(action="ignore"),
        Image.open(io.BytesIO(data[:MOST_HEAD]), formats=_FORMATS) as image,
    ):
        eight = image.format in ("JPEG", "MPO", "BMP") or image.mode in _ONE_BYTE
        beside = 0.0
        if image.format == "JPEG2000":
            beside = 5 * len(image.getbands())
            if len(data) > MOST_WAVELETS:
                raise ValueError("more than is unpacked in 5 s")
        elif "progressive" in image.info:
            sides = [(across, down) for _, across, down, _ in image.layer]  # type: ignore[attr-defined]
            most = max(across for across, _ in sides) * max(down for _, down in sides)
            beside = 2 * sum(across * down for across, down in sides) / most
            if image.width * image.height * data.count(_JPEG_SCAN) > MOST_SCANNED:
                raise ValueError("more scans than a picture has")
        return _Head(image.width, image.height, 1 if eight else 3, beside)


def _count(data: bytes, name: object) -> int:
    """Return how many pixels a file has by its head.

    Raises FileError for more than `MOST_PIXELS`, or more memory than `MOST_MEMORY` or
    `MOST_DECODING`, and for one without a head.
    """
    if not data:
        raise FileError(name, "the file is empty", "Wait until the camera has written it.")
    try:
        head = _head(data)
    except _DAMAGE:
        if not is_whole(data):
            raise cut_off(name) from None
        raise FileError(name, "not a readable image", _RETAKE) from None
    pixels, most = head.width * head.height, _most_pixels()
    if pixels > most:
        raise FileError(
            name,
            f"has {pixels / 1e6:.0f} million pixels, the limit is {most / 1e6:.0f}",
            f"Where a camera has that many, set {PIXELS_VARIABLE} to the millions it has.",
        )
    raised = max(most / MOST_PIXELS, 1)
    kept = len(data) + pixels * head.bytes_each  # of 16 bits also the 8 bits made of them
    for needed, limit in ((kept, MOST_MEMORY), (kept + pixels * head.beside, MOST_DECODING)):
        if needed > limit * raised:
            raise FileError(name, f"needs {needed / 2**20:.0f} MB to be read", _RETAKE)
    return pixels


def cut_off(name: object) -> FileError:
    """Return the complaint about a file that ends too early."""
    return FileError(name, "the file is cut off", "Wait until it is written, or save it again.")


def is_large(data: bytes, name: object) -> bool:
    """Tell whether a picture takes so much memory that only one such at a time is to be read.

    Its colours are turned into grey levels as they are read. Raises FileError as `decode_image`.
    """
    return _count(data, name) * MOST_BYTES_A_PIXEL > LARGE


def decode_upright(data: bytes, name: object) -> NDArray[np.uint8]:
    """Return a picture for people (h, w, 3), turned as its file says.

    A large one as grey levels (h, w) as they are. Raises FileError as `decode_image` does.
    """
    if _count(data, name) * 3 > LARGE:
        return decode_image(data, name)
    return np.asarray(decoded(data, name, cv2.IMREAD_COLOR), np.uint8)


def _most_pixels() -> float:
    said = os.environ.get(PIXELS_VARIABLE) or ""
    return float(said) * 1e6 if said.isdecimal() else MOST_PIXELS


def encode_png(grey: Grey | NDArray[np.uint16]) -> bytes:
    """Return a grey image (h, w) of 8 or 16 bits as the content of a PNG file."""
    return bytes(cv2.imencode(".png", grey)[1])


def file_suffix(data: bytes) -> str:
    """Return the usual suffix of an image file's content, ".png" for kinds not told apart."""
    return next((suffix for start, suffix in _STARTS.items() if data.startswith(start)), ".png")


def is_whole(data: bytes) -> bool:
    """Tell whether an image file reaches its end mark; true for kinds that have none.

    Decoders fill what is missing with grey and say nothing, so this is looked at here.
    """
    if data.startswith(_PNG):
        return _png_is_whole(data)
    if data.startswith(_JPEG):
        return data.rstrip(b"\x00\r\n").endswith(_JPEG_END)
    if data.startswith(_BMP):
        return len(data) >= int.from_bytes(data[2:6], "little")
    if data[:4] in _TIFF:
        return _tiff_is_whole(data)
    return True


def _png_is_whole(data: bytes) -> bool:
    """Walk the chunks (ISO/IEC 15948): length, kind, content, checksum, up to IEND."""
    at = len(_PNG)
    for _ in range(MOST_CHUNKS):
        if at + 12 > len(data):
            return False
        length, kind = int.from_bytes(data[at : at + 4], "big"), data[at + 4 : at + 8]
        end = at + 8 + length
        checksum = data[end : end + 4]
        if len(checksum) < 4 or zlib.crc32(data[at + 4 : end]) != int.from_bytes(checksum, "big"):
            return False
        if kind == b"IEND":
            return True
        at = end + 4
    return False


# TIFF 6.0: where strips or tiles begin, and how many bytes each has; whole numbers and their sizes.
_TIFF_OFFSETS, _TIFF_COUNTS = (273, 324), (279, 325)
_TIFF_NUMBERS = {3: "H", 4: "I", 16: "Q"}
_TIFF_BYTES = (1, 2, 6, 7)  # kinds of tags that nobody unpacks into numbers


def tiff_tags(data: bytes) -> dict[int, NDArray[np.unsignedinteger[Any]]]:
    """Return the whole numbers of the first directory's tags.

    Of a tag that comes twice the first, as libtiff has it. Raises ValueError, or what `struct`
    raises, for one that is cut off or larger than any picture.
    """
    order, big = _TIFF[data[:4]], b"+" in data[:4]  # BigTIFF has places and counts of 8 bytes
    far, number, most, size, room = ("Q", "Q", 8, 20, 8) if big else ("I", "H", 4, 12, 4)
    (at,) = struct.unpack_from(order + far, data, most)
    (entries,) = struct.unpack_from(order + number, data, at)
    first = at + struct.calcsize(order + number)
    tags: dict[int, NDArray[np.unsignedinteger[Any]]] = {}
    for place in range(first, first + size * min(entries, 2**16), size):
        tag, kind, count = struct.unpack_from(f"{order}HH{far}", data, place)
        if count > MOST_PARTS and kind not in _TIFF_BYTES:
            raise ValueError(f"tag {tag} has {count} values")
        if kind in _TIFF_NUMBERS and tag not in tags:
            form, there = np.dtype(order + _TIFF_NUMBERS[kind]), place + size - room
            if form.itemsize * count > room:
                (there,) = struct.unpack_from(order + far, data, there)
            tags[tag] = np.frombuffer(data, form, count, there)
    return tags


def _tiff_head(data: bytes) -> _Head:
    tags = tiff_tags(data)

    def most(tag: int, default: int) -> int:
        return max(map(int, tags.get(tag, ())), default=default)

    width, height, bits, samples = (most(tag, 1) for tag in (256, 257, 258, 277))
    across, down = most(322, width), min(most(323, most(278, height)), MOST_PARTS)
    if 322 not in tags:
        down = min(down, height)
    held = samples * bits / 8 if bits > 8 else samples * bits / 8 + 4  # it makes RGBA of 8 bits
    one = 1 if bits * samples <= 8 else max(3, bits // 8)
    return _Head(width, height, one, held * across * down / max(width * height, 1))


def _webp_head(data: bytes) -> _Head:
    """Read the head of a WebP file (RFC 9649): of the canvas, or of the one picture."""
    kind = data[12:16]
    if kind == b"VP8X":
        width, height = (1 + int.from_bytes(data[at : at + 3], "little") for at in (24, 27))
        return _Head(width, height, 1, 12 if data[20] & 2 else 4)  # 2: moving pictures
    if kind == b"VP8L":
        sides = int.from_bytes(data[21:25], "little")
        return _Head(1 + (sides & 0x3FFF), 1 + (sides >> 14 & 0x3FFF), 1, 4)
    if kind == b"VP8 ":
        width, height = struct.unpack_from("<HH", data, 26)
        return _Head(width & 0x3FFF, height & 0x3FFF, 1, 4)
    raise ValueError("no WebP")


def _tiff_is_whole(data: bytes) -> bool:
    """Tell whether the first picture's directory and all its strips or tiles are there."""
    try:
        found = tiff_tags(data)
    except (struct.error, ValueError):
        return False
    offsets, counts = (
        next((found[tag].astype(np.int64) for tag in tags if tag in found), np.zeros(0, np.int64))
        for tags in (_TIFF_OFFSETS, _TIFF_COUNTS)
    )
    parts = min(len(offsets), len(counts))
    return bool((offsets[:parts] + counts[:parts] <= len(data)).all())


def image_bytes(path: Path | str) -> bytes:
    """Return the content of an image file. Raises FileError where there is none."""
    return read_bytes(Path(path), LARGEST_FILE, "An image has fewer.")


def _grey(pixels: NDArray[Any], name: object) -> NDArray[np.integer[Any]]:
    if pixels.ndim == 2:
        return pixels
    channels = pixels.shape[2]
    if channels == 1:
        return pixels[..., 0]
    codes = {3: cv2.COLOR_BGR2GRAY, 4: cv2.COLOR_BGRA2GRAY}
    if channels not in codes:
        raise FileError(name, f"has {channels} channels, expected 1, 3 or 4", _RETAKE)
    return np.asarray(cv2.cvtColor(pixels, codes[channels]))


def _eight_bits(grey: NDArray[np.integer[Any]], bits: int | None) -> Levels:
    hot = int(grey.size * HOT_SHARE)  # so many pixels at most
    values = 2**8 if grey.dtype == np.uint8 else 2**16
    counts = sum(np.bincount(row, minlength=values) for row in grey)
    brightest = int(np.searchsorted(np.cumsum(counts), grey.size - 1 - hot, side="right"))
    if values == 2**8:
        return Levels(grey.astype(np.uint8, copy=False), brightest / 255)
    fits = next(2**bits - 1 for bits in DEPTHS if brightest < 2**bits)
    full = fits if bits is None else max(fits, 2**bits - 1)
    levels = (np.minimum(np.arange(values), full) * 255 + full // 2) // full
    used = brightest / (values - 1 if bits is None else full)
    return Levels(np.asarray(levels.astype(np.uint8)[grey], np.uint8), used)
