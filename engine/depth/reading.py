"""Depth files as 3-D cameras save them: a depth image, or a cloud with one point for each pixel.

16-bit PNG and TIFF are decoded by OpenCV, NPY by numpy without pickles; PLY and PCD are read here.
What a header announces is checked against the limits and the length of the file before anything is
decoded. Every value belongs to a pixel of the image taken with it; 0 and NaN are holes.
"""

from __future__ import annotations

import io
import struct
import tokenize
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from ..camera.model import DepthCamera
from ..errors import FileError
from ..files import read_bytes
from ..images.load import cut_off, decoded, is_whole, tiff_tags

Values = NDArray[Any]
Window = tuple[slice, slice]
EVERYTHING: Window = (slice(None), slice(None))

SUFFIXES = (".png", ".tif", ".tiff", ".npy", ".ply", ".pcd")
MOST_PIXELS = 25_000_000  # px; twice what the largest 3-D cameras deliver (from memory)
MOST_BYTES = 144 * 2**20  # bytes of a file, and of what it unpacks to: a cloud of 12 million
BYTES_A_POINT = 12  # of a cloud that is read: three floats
MOST_RUNS = 8_000_000  # of a packed cloud, at most 3.3 s of CPU
MOST_HEADER = 2**16  # bytes; headers of clouds have a few hundred
MOST_BINNING = 8  # image pixels along one side of a depth pixel; 3-D cameras bin 2 or 4
_PNG, _NPY, _PLY = b"\x89PNG\r\n\x1a\n", b"\x93NUMPY", b"ply"
_TIFF = (b"II*\0", b"MM\0*")
_AGAIN = "Save it again: 16-bit PNG, TIFF, NPY, or an organised PLY or PCD."
_ORGANISED = "Save one point for each pixel, row by row, holes as 0 or NaN."


@dataclass(frozen=True, slots=True, eq=False)
class Depth:
    """Depth on the pixels of an image, or on blocks of ``binning`` × ``binning`` of them.

    ``values`` (h, w), or (h, w, 3) for x y z, in units of ``scale_mm`` as the file holds them: only
    the part that is asked for becomes millimetres.
    """

    values: Values
    scale_mm: float
    binning: int = 1

    @property
    def size(self) -> tuple[int, int]:
        """Return rows and columns."""
        rows, columns = self.values.shape[:2]
        return rows, columns

    def z(self, window: Window = EVERYTHING) -> NDArray[np.float32]:
        """Return depth along the camera's axis (rows, columns) [mm], NaN where there is none."""
        part = self.values[window] if self.values.ndim == 2 else self.values[(*window, 2)]
        with np.errstate(all="ignore"):  # what overflows is a hole
            z = np.multiply(part, self.scale_mm, dtype=np.float32)
            z[~(z > 0) | np.isinf(z)] = np.nan
        return z

    def xy(self, window: Window = EVERYTHING) -> NDArray[np.float32] | None:
        """Return x and y (rows, columns, 2) [mm]; None where the file holds no points."""
        if self.values.ndim == 2:
            return None
        with np.errstate(all="ignore"):
            part = self.values[(*window, slice(0, 2))]
            return np.multiply(part, self.scale_mm, dtype=np.float32)


def depth_bytes(path: Path | str) -> bytes:
    """Return the content of a depth file. Raises FileError where there is none or too much."""
    return read_bytes(Path(path), MOST_BYTES, _AGAIN)


def decode_depth(
    data: bytes, name: object, camera: DepthCamera, image_size_px: tuple[int, int]
) -> Depth:
    """Return the depth in a file's content, taken with an image of ``image_size_px``.

    ``camera`` says what a unit of the file is. Raises FileError for what is no depth, cut off,
    larger than the limits, not organised, or does not lie on the image's pixels.
    """
    if not data:
        raise FileError(name, "the file is empty", "Wait until the camera has written it.")
    values = _reader(data, name)(data, name, image_size_px)
    height, width = values.shape[:2]
    return Depth(values, camera.scale_mm, _binning(name, width, height, image_size_px))


def _binning(name: object, width: int, height: int, size: tuple[int, int]) -> int:
    """Return how many image pixels lie along one side of a value; raises FileError for no grid."""
    binning = max(size[0] // max(width, 1), 1)
    if binning > MOST_BINNING or (width * binning, height * binning) != tuple(size):
        raise FileError(
            name,
            f"holds {width} × {height} values, the image has {size[0]} × {size[1]} px",
            "Let the camera deliver depth on the pixels of the image (registered).",
        )
    return binning


Reader = Callable[[bytes, object, tuple[int, int]], Values]


def _reader(data: bytes, name: object) -> Reader:
    if data.startswith(_PNG):
        return _png
    if data[:4] in _TIFF:
        return _tiff
    if data.startswith(_NPY):
        return _npy
    if data[:4] in (b"ply\n", b"ply\r"):
        return _ply
    if data[:256].lstrip().startswith((b"# .PCD", b"#.PCD", b"VERSION", b"FIELDS")):
        return _pcd
    raise FileError(name, "not a depth file that this program knows", _AGAIN)


def _check_count(name: object, width: int, height: int, bytes_each: int = 2) -> None:
    if width < 1 or height < 1:
        raise FileError(name, f"its header says {width} × {height} values", _AGAIN)
    if width * height > MOST_PIXELS:
        raise FileError(
            name,
            f"its header says {width} × {height} values, more than {MOST_PIXELS // 10**6} million",
            _AGAIN,
        )
    if width * height * bytes_each > MOST_BYTES:
        size = width * height * bytes_each // 2**20
        problem = f"its header says {size} MB of values, more than {MOST_BYTES // 2**20} MB"
        raise FileError(name, problem, _AGAIN)


# ---- depth images ------------------------------------------------------------------------------


def _png(data: bytes, name: object, size: tuple[int, int]) -> Values:
    if len(data) < 33:
        raise cut_off(name)
    width, height, bits, colour = struct.unpack(">IIBB", data[16:26])  # ISO/IEC 15948, IHDR
    _check_count(name, width, height)
    if (bits, colour) != (16, 0):
        kind = {0: "grey", 2: "colour", 3: "palette"}.get(colour, "other")
        problem = f"a PNG with {bits}-bit {kind} levels, not depth"
        raise FileError(name, problem, "Depth is a grey PNG with 16 bits.")
    _binning(name, width, height, size)  # before it is unpacked
    return decoded(data, name, cv2.IMREAD_UNCHANGED, _AGAIN)


def _tiff(data: bytes, name: object, size: tuple[int, int]) -> Values:
    if not is_whole(data):
        raise cut_off(name)
    tags = {tag: int(values[0]) for tag, values in tiff_tags(data).items() if len(values)}
    width, height = tags.get(256, 0), tags.get(257, 0)
    _check_count(name, width, height)
    kind = (tags.get(339, 1), tags.get(258, 1), tags.get(277, 1))
    if kind not in ((1, 16, 1), (3, 32, 1), (3, 64, 1), (3, 32, 3)):
        problem = f"a TIFF with {kind[2]} × {kind[1]}-bit values, not depth"
        raise FileError(name, problem, "Depth is a TIFF with 16-bit whole numbers or floats.")
    _check_count(name, width, height, kind[1] // 8 * kind[2])
    _binning(name, width, height, size)  # before it is unpacked
    values = decoded(data, name, cv2.IMREAD_UNCHANGED, _AGAIN)
    return values[..., ::-1] if values.ndim == 3 else values  # OpenCV turns the channels round


# What numpy raises on headers that are none.
_NPY_DAMAGE = (
    ValueError, KeyError, EOFError, struct.error, SyntaxError, TypeError, tokenize.TokenError,
    MemoryError, RecursionError, OverflowError,
)  # fmt: skip


def _npy(data: bytes, name: object, size: tuple[int, int]) -> Values:
    stream = io.BytesIO(data)
    read = {
        (1, 0): np.lib.format.read_array_header_1_0,
        (2, 0): np.lib.format.read_array_header_2_0,
    }
    try:
        with warnings.catch_warnings(action="ignore"):
            shape, fortran, dtype = read[np.lib.format.read_magic(stream)](stream)
            shape = tuple(map(int, shape))  # True counts as a whole number there
    except _NPY_DAMAGE as error:
        raise FileError(name, "its NPY header cannot be read", _AGAIN) from error
    if dtype.kind not in "fiu" or dtype.hasobject:
        raise FileError(name, f"holds {dtype} values, not numbers of depth", _AGAIN)
    if not (len(shape) == 2 or (len(shape) == 3 and shape[2] == 3)):
        shown = " × ".join(map(str, shape)) or "one value"
        raise FileError(
            name, f"holds {shown} values", "Depth is rows × columns, or rows × columns × 3."
        )
    _check_count(name, shape[1], shape[0])
    count = int(np.prod(shape))
    if len(data) - stream.tell() < count * dtype.itemsize:
        raise cut_off(name)
    flat = np.frombuffer(data, dtype, count, stream.tell())
    return flat.reshape(shape, order="F" if fortran else "C")


# ---- clouds ------------------------------------------------------------------------------------


def _header(data: bytes, name: object, last: bytes) -> tuple[list[list[str]], int]:
    """Return the words of each line up to the one that begins with ``last``, and where it ends."""
    lines: list[list[str]] = []
    at = 0
    while at < MOST_HEADER:
        end = data.find(b"\n", at, MOST_HEADER)
        if end < 0:
            break
        line, at = data[at:end], end + 1
        lines.append(line.decode("ascii", "replace").split())
        if line.startswith(last):
            return lines, at
    raise FileError(name, f"its header has no line {last.decode()!r}", _AGAIN)


# The scalar types of PLY, as numpy's without the order of bytes, by both of their names.
_PLY_NAMES = {
    "i1": ("char", "int8"), "u1": ("uchar", "uint8"), "i2": ("short", "int16"),
    "u2": ("ushort", "uint16"), "i4": ("int", "int32"), "u4": ("uint", "uint32"),
    "f4": ("float", "float32"), "f8": ("double", "float64"),
}  # fmt: skip
_PLY_TYPES = {name: kind for kind, names in _PLY_NAMES.items() for name in names}
_PLY_FORMS = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}


def _ply(data: bytes, name: object, size: tuple[int, int]) -> Values:
    lines, start = _header(data, name, b"end_header")
    form, count, grid = None, None, dict[str, int]()
    fields: list[tuple[str, str]] = []
    inside = ""
    for words in lines[1:-1]:
        match words:
            case ["format", shown, "1.0"] if shown in _PLY_FORMS:
                form = shown
            case ["element", "vertex", number] if not inside and number.isdecimal():
                inside, count = "vertex", int(number[:12])
            case ["element", other, *_]:
                inside = inside and other
                if count is None:
                    raise FileError(
                        name, f"begins with {other[:20]!r}, not with its points", _AGAIN
                    )
            case ["property", kind, field] if inside == "vertex" and kind in _PLY_TYPES:
                fields.append((field, _PLY_TYPES[kind]))
            case ["property", *_] if inside != "vertex":
                pass
            case ["obj_info" | "comment", "num_cols" | "width", number] if number.isdecimal():
                grid["width"] = int(number[:12])
            case ["obj_info" | "comment", "num_rows" | "height", number] if number.isdecimal():
                grid["height"] = int(number[:12])
            case ["obj_info" | "comment", *_] | []:
                pass
            case _:
                raise FileError(name, f"its header has the line {' '.join(words)[:60]!r}", _AGAIN)
    if form is None or count is None:
        raise FileError(name, "its header names no format or no points", _AGAIN)
    width, height = _grid(name, count, grid, size)
    order = _PLY_FORMS[form]
    return _points(data, start, name, fields, order, width, height)


def _grid(name: object, count: int, told: dict[str, int], size: tuple[int, int]) -> tuple[int, int]:
    """Return columns and rows of a list of points: as told, or as the image's pixels count."""
    if len(told) == 2 and told["width"] * told["height"] == count:
        _check_count(name, told["width"], told["height"])
        return told["width"], told["height"]
    for k in range(1, MOST_BINNING + 1):
        if size[0] % k == 0 and size[1] % k == 0 and count == (size[0] // k) * (size[1] // k):
            return size[0] // k, size[1] // k
    raise FileError(
        name,
        f"holds {count} points, the image has {size[0]} × {size[1]} px: it is not organised",
        _ORGANISED,
    )


def _points(
    data: bytes,
    start: int,
    name: object,
    fields: list[tuple[str, str]],
    order: str,
    width: int,
    height: int,
) -> Values:
    """Return x y z (h, w, 3) of records in ASCII (``order`` "") or in bytes."""
    names = _named(name, fields)
    _check_count(name, width, height, BYTES_A_POINT)
    count = width * height
    if not order:
        return _ascii(data, start, name, names, count).reshape(height, width, 3)
    record = np.dtype([(field, order + kind) for field, kind in fields])
    if len(data) - start < count * record.itemsize:
        raise cut_off(name)
    table = np.frombuffer(data, record, count, start)
    return _stacked(table).reshape(height, width, 3)


def _named(name: object, fields: list[tuple[str, str]]) -> list[str]:
    """Return the names of the fields; refuses points without x y z, or with one of them twice."""
    names = [field for field, _ in fields]
    if len(set(names)) < len(names) or not {"x", "y", "z"} <= set(names):
        raise FileError(name, f"its points have {' '.join(names)[:60]!r}, not x y z", _AGAIN)
    return names


def _stacked(table: Any) -> Values:
    return np.stack([np.asarray(table[axis], np.float32) for axis in "xyz"], axis=-1)


def _ascii(data: bytes, start: int, name: object, names: list[str], count: int) -> Values:
    columns = [names.index(axis) for axis in "xyz"]
    stream = io.BytesIO(data)
    stream.seek(start)
    text = io.TextIOWrapper(stream, "ascii", errors="replace")
    lines = islice((line for line in text if line.strip()), count)
    try:
        table = np.loadtxt(lines, np.float32, usecols=columns, ndmin=2, comments=None)
    except (ValueError, IndexError) as error:
        raise FileError(name, "a line of it is not all numbers", _AGAIN) from error
    if len(table) < count:
        raise cut_off(name)
    return np.asarray(table)


_PCD_TYPES = {"I": "i", "U": "u", "F": "f"}
_PCD_KEYS = ("FIELDS", "SIZE", "TYPE", "WIDTH", "HEIGHT", "DATA")


def _pcd(data: bytes, name: object, size: tuple[int, int]) -> Values:
    lines, start = _header(data, name, b"DATA")
    told = {words[0]: words[1:] for words in lines if words and not words[0].startswith("#")}
    if missing := [key for key in _PCD_KEYS if not told.get(key)]:
        raise FileError(name, f"its header names no {missing[0]}", _AGAIN)
    width, height = (_whole(name, key, told[key][0]) for key in ("WIDTH", "HEIGHT"))
    if height == 1:
        width, height = _grid(name, width, {}, size)
    fields = _pcd_fields(name, told)
    form = told["DATA"][0]
    if form == "binary_compressed":
        return _compressed(data, start, name, fields, width, height)
    if form not in ("ascii", "binary"):
        raise FileError(name, f"its data are {form!r}", "ascii, binary or binary_compressed.")
    return _points(data, start, name, fields, "<" if form == "binary" else "", width, height)


def _whole(name: object, key: str, text: str) -> int:
    if not text.isdecimal() or len(text) > 9:
        raise FileError(name, f"its {key} is {text[:20]!r}, not a count", _AGAIN)
    return int(text)


def _pcd_fields(name: object, told: dict[str, list[str]]) -> list[tuple[str, str]]:
    """Return name and numpy type of every number of a record; those of longer fields numbered."""
    fields: list[tuple[str, str]] = []
    counts = told.get("COUNT") or ["1"] * len(told["FIELDS"])
    lists = (told["FIELDS"], told["SIZE"], told["TYPE"], counts)
    if len({len(each) for each in lists}) != 1:
        raise FileError(name, "its FIELDS, SIZE, TYPE and COUNT do not match", _AGAIN)
    for number, (field, size, kind, times) in enumerate(zip(*lists, strict=True)):
        many = _whole(name, "COUNT", times)
        if size not in ("1", "2", "4", "8") or kind not in _PCD_TYPES or not 1 <= many <= 4096:
            raise FileError(name, f"its field {field[:20]!r} is {[kind, size, times]}", _AGAIN)
        if kind == "F" and size not in ("4", "8"):
            raise FileError(name, f"its field {field[:20]!r} is {[kind, size]}", _AGAIN)
        own = (
            [field]
            if field in ("x", "y", "z") and many == 1
            else [f"{number}.{k}" for k in range(many)]
        )
        fields += [(part, _PCD_TYPES[kind] + size) for part in own]
    return fields


def _compressed(
    data: bytes,
    start: int,
    name: object,
    fields: list[tuple[str, str]],
    width: int,
    height: int,
) -> Values:
    """Return x y z of `binary_compressed`: one field after the other, packed together (LZF)."""
    _named(name, fields)
    count = width * height
    record = np.dtype([(field, "<" + kind) for field, kind in fields])
    _check_count(name, width, height, record.itemsize)
    if len(data) < start + 8:
        raise cut_off(name)
    packed, whole = struct.unpack_from("<II", data, start)
    if whole != count * record.itemsize:
        raise FileError(name, f"unpacks to {whole} bytes, {count} points have more or less", _AGAIN)
    if len(data) < start + 8 + packed:
        raise cut_off(name)
    plain = _lzf(data, start + 8, start + 8 + packed, whole, name)
    columns, at = {}, 0
    for field, kind in fields:
        columns[field] = np.frombuffer(plain, "<" + kind, count, at)
        at += count * np.dtype(kind).itemsize
    return _stacked(columns).reshape(height, width, 3)


def _lzf(packed: bytes, at: int, end: int, size: int, name: object) -> bytearray:
    """Unpack the LZF format from ``at``: literal runs, and copies of what was unpacked before."""
    out, runs = bytearray(), 0
    broken = FileError(name, "its packed points are damaged", _AGAIN)
    try:
        while at < end and len(out) <= size:
            control = packed[at]
            at += 1
            runs += 1
            if runs > MOST_RUNS:
                raise FileError(name, "its points are packed too finely", "Save it as binary.")
            if control < 32:  # so many bytes and one more as they are
                out += packed[at : at + control + 1]
                at += control + 1
                continue
            length = control >> 5
            if length == 7:
                length += packed[at]
                at += 1
            back = len(out) - ((control & 31) << 8) - packed[at] - 1
            at += 1
            if back < 0:
                raise broken
            length += 2
            part = out[back : back + length]  # shorter where the copy runs into what it makes
            out += (part * -(-length // len(part)))[:length]
    except IndexError:
        raise broken from None
    if len(out) != size:
        raise broken
    return out
