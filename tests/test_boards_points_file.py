"""Points as CSV: what is written reads back, and a damaged file says where."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from engine.boards.pattern import MOST_POINTS, Board
from engine.boards.points_file import (
    plain_table,
    points_text,
    read_board_points,
    read_points,
)
from engine.errors import FileError

BOARD = Board("chessboard", 9, 6, 25.0)
GOOD = "id,u_px,v_px\n0,1.5,2\n1,3,4\n9,5,6\n10,7,8\n"


def file(folder: Path, text: str | bytes) -> Path:
    path = folder / "points.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def test_points_read_back_as_written(tmp_path: Path) -> None:
    rng = np.random.default_rng(0)
    ids, pixels = rng.permutation(BOARD.count)[:30], rng.uniform(-5, 3000, (30, 2))
    read_ids, read_pixels, *_ = read_points(file(tmp_path, points_text(ids, pixels)), BOARD)
    np.testing.assert_array_equal(read_ids, ids)
    assert read_ids.dtype == np.int64
    np.testing.assert_allclose(read_pixels, pixels, atol=5.1e-5)


def test_covariances_read_back_as_written(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    ids, pixels, roots = np.arange(9), rng.uniform(0, 900, (9, 2)), rng.normal(0, 0.1, (9, 2, 3))
    covariances = roots @ np.swapaxes(roots, 1, 2)
    found = read_points(file(tmp_path, points_text(ids, pixels, covariances)), BOARD)
    np.testing.assert_allclose(found.covariances, covariances, rtol=1e-3)


def test_what_no_covariance_can_be_is_refused_with_its_line(tmp_path: Path) -> None:
    text = points_text(np.arange(4), np.ones((4, 2)), np.tile(np.eye(2), (4, 1, 1)))
    for wrong in ("1,2,1", "-1,0,1", "0,0,1"):
        with pytest.raises(FileError, match=r"line 3.*no covariance"):
            read_points(
                file(tmp_path, text.replace("1,1.0000,1.0000,1,0,1", f"1,1,1,{wrong}")), BOARD
            )


@pytest.mark.parametrize(
    "text", [GOOD.replace("\n", "\r\n"), "\ufeff" + GOOD, GOOD.replace(",", " , "), GOOD + "\n\n"]
)
def test_files_from_other_programs_are_read(tmp_path: Path, text: str) -> None:
    ids, pixels, *_ = read_points(file(tmp_path, text), BOARD)
    assert ids.tolist() == [0, 1, 9, 10]
    assert pixels[0].tolist() == [1.5, 2.0]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "line 1: the header is ''"),
        ("id,u_px,v_px\n", "holds 0 points, at least 4"),
        ("id,u_px,v_px\n0,1,2\n1,2,3\n2,3,4\n", "holds 3 points"),
        (GOOD.replace("id,u_px,v_px", "id,x,y"), "the header is 'id,x,y'"),
        (GOOD.split("\n", 1)[1], "the header is '0,1.5,2'"),
        (GOOD.replace("9,5,6", "54,5,6"), "line 4: id 54 is not on the board"),
        (GOOD.replace("9,5,6", "-1,5,6"), "line 4: id -1 is not on the board"),
        (GOOD.replace("9,5,6", "1,5,6"), "line 4: id 1 comes twice"),
        (GOOD.replace("9,5,6", "9,nan,6"), "line 4: u_px is nan, which is no number"),
        (GOOD.replace("9,5,6", "9,5,inf"), "line 4: v_px is inf, which is no number"),
        (GOOD.replace("9,5,6", "9,5,1e9"), "line 4: v_px 1e9 is out of all proportion"),
        (GOOD.replace(",", ";"), "line 1: semicolons stand between the values, expected commas"),
        (GOOD.replace("9,5,6", "9;5;6"), "line 4: 1 values, expected 3. Values stand between"),
        (GOOD.replace("9,5,6", "9,five,6"), "line 4: '9,five,6' is not all numbers"),
        (GOOD.replace("9,5,6", "9.5,5,6"), "line 4: '9.5,5,6' is not all numbers"),
        (GOOD.replace("9,5,6", "9,5"), "line 4: 2 values, expected 3"),
        (GOOD.replace("1.5", "1,5"), "line 2: 4 values, expected 3"),
        (b"id,u_px,v_px\n0,\xff,2\n", "is no UTF-8 text"),
        (b"id,u_px,v_px\n0,1\x00,2\n", "points.csv"),
    ],
)
def test_damaged_file_says_where_and_what(tmp_path: Path, text, message: str) -> None:
    with pytest.raises(FileError) as caught:
        read_points(file(tmp_path, text), BOARD)
    assert message in str(caught.value)


def test_missing_file_and_folder_say_so(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="no such file"):
        read_points(tmp_path / "none.csv", BOARD)
    with pytest.raises(FileError, match="this is a folder"):
        read_points(tmp_path, BOARD)


@given(data=st.binary(max_size=300), cut=st.integers(0, 60))
def test_any_bytes_give_points_or_a_clear_error(tmp_path_factory, data: bytes, cut: int) -> None:
    folder = tmp_path_factory.mktemp("p")
    for text in (data, GOOD.encode()[:cut] + data):
        try:
            ids, pixels, *_ = read_points(file(folder, text), BOARD)
        except FileError:
            continue
        assert len(ids) >= 4
        assert np.isfinite(pixels).all()


def test_measured_board_replaces_ideal_coordinates(tmp_path: Path) -> None:
    text = "id,x_mm,y_mm,z_mm\n0,0.0100,-0.0200,0.0000\n10,25.1000,24.9000,0.3000\n"
    measured = read_board_points(file(tmp_path, text), BOARD)
    points = replace(BOARD, measured=measured).points()
    assert points[10].tolist() == [25.1, 24.9, 0.3]
    assert points[11].tolist() == [50.0, 25.0, 0.0]
    with pytest.raises(FileError, match="line 3: id 0 comes twice"):
        read_board_points(file(tmp_path, "id,x_mm,y_mm,z_mm\n0,1,2,3\n0,1,2,3\n"), BOARD)
    with pytest.raises(FileError, match="expected 'id,x_mm"):
        read_board_points(file(tmp_path, GOOD), BOARD)


def test_a_plain_file_is_read_at_once_and_says_what_it_says_line_by_line(tmp_path: Path) -> None:
    path = tmp_path / "points.csv"
    pixels = np.random.default_rng(3).uniform(-5.0, 1300.0, (54, 2))
    for spread in (None, np.tile([[2e-5, 1e-6], [1e-6, 0.3]], (54, 1, 1))):
        text = points_text(np.arange(54)[::-1], pixels, spread)
        path.write_text(text, encoding="utf-8")
        quick = plain_table(text.encode())
        assert quick is not None
        assert not any(part.flags.writeable for part in quick if part is not None)
        path.write_text(text.replace(",", ", "), encoding="utf-8")  # spaces: line by line
        slow = read_points(path, BOARD)
        assert slow.pixels.flags.writeable
        for a, b in zip(quick, slow, strict=True):
            assert (a is None) == (b is None)
            assert a is None or np.array_equal(a, b)


@pytest.mark.parametrize("row", ["0,1,1", "88,1,1", "5,1e7,1", "5,nan,1", "5,1", "5,1_0,1"])
def test_what_is_not_plain_is_left_to_the_line_by_line_reader(tmp_path: Path, row: str) -> None:
    good = points_text(np.arange(4), np.arange(8.0).reshape(4, 2))
    path = tmp_path / "points.csv"
    path.write_text(good + row + "\n", encoding="utf-8")
    if row == "5,1_0,1":
        assert len(read_points(path, BOARD).ids) == 5
    else:
        with pytest.raises(FileError):
            read_points(path, BOARD)


def test_more_lines_than_a_board_has_points_are_not_matched_at_once() -> None:
    lines = [f"{number},{number % 997}.5,2.25" for number in range(MOST_POINTS + 1)]
    few, many = ("\n".join(["id,u_px,v_px", *lines[:part], ""]) for part in (100, None))
    assert plain_table(few.encode()) is not None
    assert plain_table(many.encode()) is None
