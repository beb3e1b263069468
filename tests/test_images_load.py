"""Reading image files: grey levels as the camera wrote them, and clear errors."""

from __future__ import annotations

import io
import struct
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
from photographs import read_image
from PIL import Image

from engine.errors import FileError
from engine.images.load import (
    decode_image,
    decode_levels,
    decode_upright,
    encode_png,
    is_whole,
    settled,
)
from engine.steps.pictures import painted, thumbnail

GREY = np.random.default_rng(0).integers(0, 256, (48, 64), dtype=np.uint8)


def written(path: Path, pixels: np.ndarray) -> Path:
    path.write_bytes(cv2.imencode(path.suffix, pixels)[1].tobytes())
    return path


@pytest.mark.parametrize("suffix", [".png", ".bmp", ".tif", ".pgm"])
def test_lossless_files_come_back_unchanged(tmp_path: Path, suffix: str) -> None:
    np.testing.assert_array_equal(read_image(written(tmp_path / f"a{suffix}", GREY)), GREY)


def test_name_with_letters_of_any_alphabet_is_read(tmp_path: Path) -> None:
    np.testing.assert_array_equal(read_image(written(tmp_path / "Bild ä 写真.png", GREY)), GREY)


def test_orientation_tag_is_not_followed(tmp_path: Path) -> None:
    # Written by Pillow; tag 0x0112 = 6 asks viewers to turn by 90° (Exif 2.3).
    exif = Image.Exif()
    exif[0x0112] = 6
    Image.fromarray(GREY).save(tmp_path / "a.jpg", exif=exif, quality=100)
    assert cv2.imread(str(tmp_path / "a.jpg"), cv2.IMREAD_GRAYSCALE).shape == (64, 48)
    assert read_image(tmp_path / "a.jpg").shape == GREY.shape


@pytest.mark.parametrize("bits", [8, 10, 12, 14, 16])
def test_sixteen_bit_files_are_scaled_by_the_cameras_depth(tmp_path: Path, bits: int) -> None:
    full = 2**bits - 1
    deep = np.linspace(0, full, 48 * 64).round().astype(np.uint16).reshape(48, 64)
    read = read_image(written(tmp_path / "a.png", deep))
    assert np.abs(read - deep * (255.0 / full)).max() <= 0.5


def test_hot_pixels_do_not_darken_a_sixteen_bit_image(tmp_path: Path) -> None:
    deep = np.full((200, 200), 900, np.uint16)  # of a 10-bit camera
    deep[5, 7] = deep[100, 3] = 65535
    read = read_image(written(tmp_path / "a.png", deep))
    assert read[50, 50] == round(900 * 255 / 1023)
    assert read[5, 7] == 255


@pytest.mark.parametrize("share", [0.02, 0.3, 0.6, 0.99])
@pytest.mark.parametrize("how", [{}, {"compression": "tiff_lzw"}])
def test_half_written_tiff_is_refused_and_nothing_is_printed(share, how, capfd) -> None:
    # Written by Pillow and by OpenCV; the terminal belongs to the screen.
    whole = io.BytesIO()
    Image.fromarray(GREY).save(whole, "TIFF", **how)
    for data in (whole.getvalue(), cv2.imencode(".tif", GREY)[1].tobytes()):
        assert is_whole(data)
        with pytest.raises(FileError):
            decode_image(data[: max(int(len(data) * share), 5)], "a.tif")
    assert capfd.readouterr() == ("", "")


def test_colour_becomes_grey_by_the_television_weights(tmp_path: Path) -> None:
    # ITU-R BT.601: Y = 0.299 R + 0.587 G + 0.114 B; transparency is left aside
    blue_green_red = np.full((40, 40, 4), (200, 100, 50, 255), np.uint8)
    expected = 0.299 * 50 + 0.587 * 100 + 0.114 * 200
    assert read_image(written(tmp_path / "a.png", blue_green_red)).mean() == pytest.approx(
        expected, abs=0.6
    )


def broken(kind: str) -> bytes:
    png, jpeg = (cv2.imencode(s, GREY)[1].tobytes() for s in (".png", ".jpg"))
    flipped = bytearray(png)
    flipped[len(png) // 2] ^= 1
    floats = io.BytesIO()
    Image.fromarray(GREY.astype(np.float32)).save(floats, format="TIFF")
    return {
        "empty": b"",
        "text": b"this is no image",
        "half a png": png[: len(png) // 2],
        "half a jpeg": jpeg[: len(jpeg) // 2],
        "half a bmp": cv2.imencode(".bmp", GREY)[1].tobytes()[:1500],
        "half a tiff": cv2.imencode(".tif", GREY)[1].tobytes()[:400],
        "damaged png": bytes(flipped),
        "floating-point tiff": floats.getvalue(),
    }[kind]


@pytest.mark.parametrize(
    ("kind", "message"),
    [
        ("empty", "the file is empty"),
        ("text", "not a readable image"),
        ("half a png", "cut off"),
        ("half a jpeg", "cut off"),
        ("half a bmp", "cut off"),
        ("half a tiff", "cut off"),
        ("damaged png", "cut off"),
        ("floating-point tiff", "holds float32 numbers"),
    ],
)
def test_unreadable_file_says_what_is_wrong(tmp_path: Path, kind: str, message: str) -> None:
    path = tmp_path / "bad.img"
    path.write_bytes(broken(kind))
    with pytest.raises(FileError, match=message) as caught:
        read_image(path)
    assert str(path) in str(caught.value)


def test_no_cut_of_a_png_or_jpeg_passes_for_whole() -> None:
    for suffix in (".png", ".jpg", ".bmp"):
        data = cv2.imencode(suffix, GREY)[1].tobytes()
        assert is_whole(data)
        assert not any(is_whole(data[:cut]) for cut in range(8, len(data) - 3, 7))


def test_missing_file_and_folder_are_told_apart(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="no such file"):
        read_image(tmp_path / "none.png")
    with pytest.raises(FileError, match="is a folder"):
        read_image(tmp_path)


def test_file_that_grows_or_is_empty_or_missing_is_not_settled(tmp_path: Path) -> None:
    path = tmp_path / "a.png"
    assert not settled(path, 0.0)
    path.write_bytes(b"")
    assert not settled(path, 0.0)
    path.write_bytes(b"x")
    assert not settled(path, 0.1, sleep=lambda _: path.write_bytes(b"xy") and None)
    assert settled(path, 0.0)


def test_an_image_of_a_sixty_fourth_of_the_exposure_is_known_to_be_dark(tmp_path: Path) -> None:
    levels = np.tile(np.linspace(100, 60000, 64).astype(np.uint16), (64, 1))
    data = cv2.imencode(".png", levels)[1].tobytes()
    dark = cv2.imencode(".png", levels // 64)[1].tobytes()
    assert decode_levels(data, "a").used == pytest.approx(60000 / 65535, abs=1e-3)
    assert decode_levels(dark, "a").used == pytest.approx(60000 / 65535 / 64, abs=1e-3)
    # A camera of ten bits makes the same file: then its brightest part is white.
    ten = decode_levels(dark, "a", bits=10)
    assert ten.used == pytest.approx(937 / 1023, abs=1e-3)
    assert ten.grey.max() == round(937 / 1023 * 255)
    assert decode_levels(dark, "a", bits=16).grey.max() <= 4


def marked(kind: bytes, data: bytes = b"") -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def huge(kind: str) -> bytes:
    """Return a small picture in a file that would make its reader work or need memory for long."""
    png = cv2.imencode(".png", GREY)[1].tobytes()
    if kind == "chunks":
        return png[:33] + marked(b"teXt") * 600_000 + png[33:]
    if kind == "remark":
        return b"P5\n#" + b"x" * 3 * 2**20 + b"\n64 48\n255\n" + bytes(64 * 48)
    if kind == "scans":
        head = cv2.imencode(".jpg", np.zeros((1024, 1280)), [cv2.IMWRITE_JPEG_PROGRESSIVE, 1])[1]
        return head.tobytes()[:-2] + b"\xff\xda\0\x08\1\1\0\1\x3f\0" * 1600 + b"\xff\xd9"
    if kind == "wavelets":
        return cv2.imencode(".jp2", GREY)[1].tobytes() + bytes(21 * 2**20)
    if kind == "moving pictures":
        side = (16_000 - 1).to_bytes(3, "little")
        part = b"VP8X" + struct.pack("<I", 10) + bytes([2, 0, 0, 0]) + side + side[:3]
        return b"RIFF" + struct.pack("<I", len(part) + 4) + b"WEBP" + part
    tags = {256: 12_000, 257: 12_000, 258: 8, 259: 1, 262: 1, 273: 8, 277: 1, 278: 12_000, 279: 8}
    count = {282: 2_000_000} if kind == "numbers" else {}
    rows = [struct.pack("<HHII", tag, 4, 1, value) for tag, value in tags.items()]
    rows += [struct.pack("<HHII", tag, 5, many, 8) for tag, many in count.items()]
    return struct.pack("<4sIQH", b"II*\0", 16, 0, len(rows)) + b"".join(rows) + bytes(4)


@pytest.mark.parametrize(
    ("kind", "message"),
    [
        ("chunks", "cut off"),
        ("remark", "not a readable image"),
        ("scans", "not a readable image"),
        ("wavelets", "not a readable image"),
        ("moving pictures", "has 256 million pixels"),
        ("numbers", "cut off"),
        ("one strip", "needs 824 MB"),
    ],
)
def test_what_would_take_the_machine_is_refused_before_it_is_unpacked(
    kind: str, message: str
) -> None:
    with pytest.raises(FileError, match=message):
        decode_image(huge(kind), "x")


def test_a_palette_is_turned_into_grey_levels_as_it_is_read() -> None:
    colours = Image.new("P", (6000, 6000))
    colours.putpalette([90] * 768)
    data = io.BytesIO()
    colours.save(data, "PNG")
    assert set(np.unique(decode_image(data.getvalue(), "x"))) == {90}


@pytest.mark.parametrize("big", [False, True])
def test_tiffs_of_both_sizes_are_read(big: bool) -> None:
    data = io.BytesIO()
    Image.fromarray(GREY).save(data, "TIFF", big_tiff=big)
    np.testing.assert_array_equal(decode_image(data.getvalue(), "x"), GREY)
    assert not any(is_whole(data.getvalue()[:cut]) for cut in range(8, 400, 7))


def test_a_picture_is_decoded_once_for_whoever_looks_at_it(monkeypatch: pytest.MonkeyPatch) -> None:
    decoded, real = [], cv2.imdecode
    monkeypatch.setattr(cv2, "imdecode", lambda *args: decoded.append(1) or real(*args))
    first, second = (
        encode_png(np.full((40, 60), level, np.uint16)) for level in (3000, 900)
    )  # two pictures stay: the one shown, and a newer one that is being judged
    for _ in range(2):
        assert decode_levels(first, "a", bits=12).used == pytest.approx(3000 / 4095)
        assert decode_image(second, "b").max() == 224  # of the ten bits that hold it
        assert thumbnail(first, None, 30, 20).grey.shape == (20, 30)
        assert painted(second, None, None, (12, 8)).shape == (8, 12, 3)
    assert len(decoded) == 2
    with pytest.raises(ValueError, match="read-only"):
        decode_image(first, "a")[0, 0] = 0


def test_a_picture_for_people_is_held_to_the_same_limits() -> None:
    with pytest.raises(FileError, match="needs 824 MB"):
        decode_upright(huge("one strip"), "x")
    colours = np.zeros((48, 64, 3), np.uint8)
    colours[..., 2] = 200
    data = cv2.imencode(".png", colours)[1].tobytes()
    np.testing.assert_array_equal(decode_upright(data, "x"), colours)
