"""Depth files read as independent writers wrote them, and every damaged one refused in a sentence.

References: tifffile, meshio (PLY) and pypcd4 (PCD, its packing included), numpy for NPY; OpenCV
writes the PNG.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.camera.model import DepthCamera
from engine.depth.reading import MOST_BYTES, Depth, decode_depth, depth_bytes
from engine.errors import FileError

SIZE = (24, 18)  # px, of the image
METRES = DepthCamera(1000.0, "camera")
RNG = np.random.default_rng(5)
XYZ = np.stack(
    [
        *np.meshgrid(np.linspace(-0.2, 0.2, SIZE[0]), np.linspace(-0.1, 0.1, SIZE[1])),
        0.7 + 0 * RNG.random(SIZE[::-1]),
    ],
    axis=-1,
).astype(np.float32)
XYZ[..., 2] += RNG.random(SIZE[::-1]).astype(np.float32) / 10
XYZ[4, 7], XYZ[5, 8] = np.nan, 0.0
WANTED = np.where(np.isfinite(XYZ[..., 2]) & (XYZ[..., 2] > 0), 1000 * XYZ[..., 2], np.nan)


def tiff(values: np.ndarray, path: Path, **more: object) -> bytes:
    tifffile = pytest.importorskip("tifffile", reason="tifffile is not installed")
    tifffile.imwrite(path, values, **more)
    return path.read_bytes()


def npy(values: np.ndarray, path: Path) -> bytes:
    np.save(path.with_suffix(".npy"), values)
    return path.with_suffix(".npy").read_bytes()


def ply(values: np.ndarray, path: Path, binary: bool) -> bytes:
    meshio = pytest.importorskip("meshio", reason="meshio is not installed")
    points = values.reshape(-1, 3)
    cells = [("vertex", np.arange(len(points), dtype=np.int32)[:, None])]
    meshio.Mesh(points, cells).write(path.with_suffix(".ply"), binary=binary)
    return path.with_suffix(".ply").read_bytes()


def pcd(values: np.ndarray, path: Path, encoding: str) -> bytes:
    pypcd4 = pytest.importorskip("pypcd4", reason="pypcd4 is not installed")
    cloud = pypcd4.PointCloud.from_xyz_points(values.reshape(-1, 3))
    cloud.metadata.height, cloud.metadata.width = values.shape[:2]
    cloud.save(path.with_suffix(".pcd"), encoding=pypcd4.Encoding[encoding])
    return path.with_suffix(".pcd").read_bytes()


WRITERS: dict[str, Callable[[Path], bytes]] = {
    "tiff float": lambda path: tiff(XYZ[..., 2], path),
    "tiff double, big-endian": lambda path: tiff(XYZ[..., 2].astype(float), path, byteorder=">"),
    "tiff x y z": lambda path: tiff(XYZ, path, photometric="rgb"),
    "tiff packed": lambda path: tiff(XYZ[..., 2], path, compression="zlib"),
    "npy float": lambda path: npy(XYZ[..., 2].astype(np.float64), path),
    "npy by columns": lambda path: npy(np.asfortranarray(XYZ), path),
    "npy big-endian": lambda path: npy(XYZ.astype(">f4"), path),
    "ply binary": lambda path: ply(XYZ, path, True),
    "ply ascii": lambda path: ply(XYZ, path, False),
    "pcd ascii": lambda path: pcd(XYZ, path, "ASCII"),
    "pcd binary": lambda path: pcd(XYZ, path, "BINARY"),
    "pcd packed": lambda path: pcd(XYZ, path, "BINARY_COMPRESSED"),
}


def read(data: bytes, camera: DepthCamera = METRES, size: tuple[int, int] = SIZE) -> Depth:
    return decode_depth(data, "003.any", camera, size)


DEPTH_ALONE = ("tiff float", "tiff double, big-endian", "tiff packed", "npy float")


@pytest.mark.parametrize("kind", WRITERS)
def test_a_file_reads_as_its_writer_meant_it(kind: str, tmp_path: Path) -> None:
    found = read(WRITERS[kind](tmp_path / "a.tif"))
    np.testing.assert_allclose(found.z(), WANTED, rtol=1e-6)
    assert found.binning == 1
    xy = found.xy()
    if xy is not None:
        there = np.isfinite(WANTED)
        np.testing.assert_allclose(xy[there], 1000 * XYZ[there][:, :2], rtol=1e-5, atol=1e-4)
    assert (xy is None) == (kind in DEPTH_ALONE)


def test_sixteen_bit_images_count_in_steps_and_may_be_binned(tmp_path: Path) -> None:
    levels = RNG.integers(0, 65536, (9, 12)).astype(np.uint16)
    levels[0, 0] = 0
    wanted = np.where(levels > 0, levels * 0.1, np.nan)
    camera = DepthCamera(0.1, "camera")
    for data in (bytes(cv2.imencode(".png", levels)[1]), tiff(levels, tmp_path / "b.tif")):
        found = read(data, camera)
        np.testing.assert_allclose(found.z(), wanted, rtol=1e-6)
        assert found.binning == 2


def test_a_packed_cloud_with_long_repeats_is_unpacked(tmp_path: Path) -> None:
    flat = np.full_like(XYZ, 0.5)
    found = read(pcd(flat, tmp_path / "a.pcd", "BINARY_COMPRESSED"))
    assert (found.z() == 500.0).all()


PLY = (
    b"ply\nformat ascii 1.0\nelement vertex 432\n"
    b"property float x\nproperty float y\nproperty float z\nend_header\n"
)
PCD = (
    b"VERSION .7\nFIELDS x y z\nSIZE 4 4 4\nTYPE F F F\nCOUNT 1 1 1\nWIDTH 24\nHEIGHT 18\n"
    b"POINTS 432\nDATA binary\n"
)
PACKED = PCD.replace(b"binary", b"binary_compressed")
ROWS = b"0.1 0.2 0.7\n" * 432


def png_of(width: int, height: int, bits: int, colour: int) -> bytes:
    head = struct.pack(">IIBBBBB", width, height, bits, colour, 0, 0, 0)
    chunks = b""
    for kind, content in ((b"IHDR", head), (b"IDAT", zlib.compress(b"")), (b"IEND", b"")):
        checked = kind + content
        chunks += struct.pack(">I", len(content)) + checked + struct.pack(">I", zlib.crc32(checked))
    return b"\x89PNG\r\n\x1a\n" + chunks


def npy_header(kind: str, shape: str) -> bytes:
    text = f"{{'descr': {kind}, 'fortran_order': False, 'shape': ({shape}), }}\n"
    return b"\x93NUMPY\x01\x00" + struct.pack("<H", len(text)) + text.encode()


DAMAGED: dict[str, tuple[bytes, str]] = {
    "empty": (b"", "the file is empty"),
    "something else": (b"GIF89a" + bytes(90), "not a depth file"),
    "eight bits": (bytes(cv2.imencode(".png", np.ones((18, 24), np.uint8))[1]), "8-bit grey"),
    "colour": (bytes(cv2.imencode(".png", np.ones((18, 24, 3), np.uint16))[1]), "16-bit colour"),
    "huge PNG": (png_of(40_000, 40_000, 16, 0), "more than 25 million"),
    "PNG without pixels": (png_of(24, 18, 16, 0), "not a readable image"),
    "PNG of no size": (png_of(0, 18, 16, 0), "0 × 18 values"),
    "pickle": (npy_header("'|O'", "18, 24"), "object values"),
    "huge NPY": (npy_header("'<f4'", "99999, 99999"), "more than 25 million"),
    "NPY of five sides": (npy_header("'<f4'", "18, 24, 5"), "18 × 24 × 5 values"),
    "NPY with a wild header": (npy_header("__import__('os')", "18, 24"), "header cannot be read"),
    "NPY cut off": (npy_header("'<f4'", "18, 24") + bytes(99), "cut off"),
    "NPY with a truth for a count": (npy_header("'<f4'", "True, 5") + bytes(20), "holds 5 × 1"),
    "PNG larger than the image": (png_of(4_500, 4_500, 16, 0), "4500 × 4500 values, the image"),
    "PLY without end": (PLY[:60], "no line 'end_header'"),
    "PLY of another count": (PLY.replace(b"432", b"400") + ROWS, "not organised"),
    "PLY without z": (PLY.replace(b"float z", b"float w") + ROWS, "'x y w', not x y z"),
    "PLY with a list": (PLY.replace(b"float z", b"list uchar int z") + ROWS, "property list"),
    "PLY cut off": (PLY + ROWS[:-50], "cut off"),
    "PLY with words": (PLY + ROWS.replace(b"0.2", b"abc", 1), "not all numbers"),
    "binary PLY cut off": (PLY.replace(b"ascii", b"binary_little_endian") + bytes(100), "cut off"),
    "PLY that begins with faces": (PLY.replace(b"vertex", b"face"), "begins with 'face'"),
    "PLY of a huge count": (PLY.replace(b"432", b"9" * 40) + ROWS, "not organised"),
    "PCD without DATA": (PCD.replace(b"DATA", b"DATE"), "no line 'DATA'"),
    "PCD without WIDTH": (PCD.replace(b"WIDTH", b"WIDE"), "names no WIDTH"),
    "PCD of a wild width": (PCD.replace(b"WIDTH 24", b"WIDTH -24"), "WIDTH is '-24'"),
    "huge PCD": (PCD.replace(b"WIDTH 24", b"WIDTH 99999999"), "more than 25 million"),
    "PCD cut off": (PCD + bytes(50), "cut off"),
    "PCD of odd fields": (PCD.replace(b"SIZE 4 4 4", b"SIZE 4 4"), "do not match"),
    "PCD of strange numbers": (PCD.replace(b"SIZE 4 4 4", b"SIZE 4 4 3"), "is ['F', '3', '1']"),
    "PCD of another packing": (PCD.replace(b"DATA binary", b"DATA zip"), "data are 'zip'"),
    "packed PCD of another size": (PACKED + bytes(50), "unpacks to 0 bytes"),
    "packed PCD, damaged": (
        PACKED + struct.pack("<II", 40, 5184) + bytes(range(255, 215, -1)),
        "packed points are damaged",
    ),
    "packed PCD of too many runs": (
        PACKED + struct.pack("<II", 2**24 + 2, 5184) + bytes(2**24 + 2),
        "packed points are damaged",
    ),
    "PCD with an escape": (PCD.replace(b"FIELDS x", b"FIELDS \x1b[2Jx"), "'0.0 y z', not x y z"),
    "packed PCD with x twice": (PACKED.replace(b"x y z", b"x x z"), "'x x z', not x y z"),
    "unorganised PCD": (PCD.replace(b"24\nHEIGHT 18", b"431\nHEIGHT 1"), "not organised"),
}


@pytest.mark.parametrize("kind", DAMAGED)
def test_a_damaged_file_is_refused_with_one_sentence(kind: str) -> None:
    data, said = DAMAGED[kind]
    with pytest.raises(FileError) as caught:
        read(data)
    assert said in caught.value.clause
    assert str(caught.value).isprintable()
    assert caught.value.remedy


@pytest.mark.parametrize("kind", WRITERS)
def test_a_file_cut_anywhere_is_refused(kind: str, tmp_path: Path) -> None:
    whole = WRITERS[kind](tmp_path / "a.tif")
    if kind.startswith("ply"):
        whole = whole.replace(b"element face 432\nproperty list uint8 int32 vertex_indices\n", b"")
        size = 12 * 432 if "binary" in kind else len(b"".join(whole.splitlines(True)[-432:]))
        whole = whole[: whole.index(b"end_header\n") + 11 + size]
    for share in (0.02, 0.3, 0.7, 0.95):
        with pytest.raises(FileError):
            read(whole[: int(share * len(whole))])


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(sorted(DAMAGED)), st.data())
def test_no_bytes_raise_anything_but_a_sentence(kind: str, draw: st.DataObject) -> None:
    data = bytearray(DAMAGED[kind][0] or PCD)
    for at in draw.draw(st.lists(st.integers(0, len(data) - 1), max_size=8)):
        data[at] = draw.draw(st.integers(0, 255))
    with suppress(FileError):
        assert read(bytes(data)).z().size * read(bytes(data)).binning ** 2 == SIZE[0] * SIZE[1]


def test_depth_of_another_size_than_the_image_is_refused(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="24 × 18 values, the image has 25 × 18 px"):
        read(npy(XYZ[..., 2], tmp_path / "a"), size=(25, 18))


def test_a_file_is_not_read_before_its_size_is_known(tmp_path: Path) -> None:
    path = tmp_path / "a.ply"
    with path.open("wb") as stream:
        stream.truncate(MOST_BYTES + 1)
    with pytest.raises(FileError, match="the limit is 144"):
        depth_bytes(path)
    with pytest.raises(FileError, match="no such file"):
        depth_bytes(tmp_path / "none.ply")
    with pytest.raises(FileError, match="this is a folder"):
        depth_bytes(tmp_path)
