"""Printed boards, rendered by Poppler and Chromium and measured by OpenCV: true scale or not."""

from __future__ import annotations

import re
import shutil
import subprocess
import xml.etree.ElementTree as ET
from collections.abc import Callable
from dataclasses import replace
from functools import cache, lru_cache
from pathlib import Path

import cv2
import numpy as np
import pytest

from engine.boards.detect import detect
from engine.boards.pattern import Board, charuco_layout, symmetries
from engine.errors import StationbookError, UsageError
from engine.report.board_layout import Sheet, artwork, paper_size, sheets
from engine.report.board_print import board_sheet

DPI = 300
PX_PER_MM = DPI / 25.4
PITCH_TOLERANCE_MM = 0.05

CHESS = Board("chessboard", 11, 8, 20.0)
CHESS_EVEN = Board("chessboard", 9, 7, 15.0)
CIRCLES = Board("circles", 9, 7, 20.0, diameter_mm=10.0)
STAGGERED = Board("circles-staggered", 4, 11, 40.0, diameter_mm=15.0)
CHARUCO = Board("charuco", 11, 8, 20.0, dictionary="DICT_5X5_100", marker_mm=15.0)
LEGACY = replace(CHARUCO, rows=7, legacy_layout=True)
BOARDS = {
    "chessboard": CHESS,
    "chessboard-even": CHESS_EVEN,
    "circles": CIRCLES,
    "circles-staggered": STAGGERED,
    "charuco": CHARUCO,
    "charuco-legacy": LEGACY,
}

needs_poppler = pytest.mark.skipif(not shutil.which("pdftoppm"), reason="poppler-utils missing")
needs_chromium = pytest.mark.skipif(not shutil.which("chromium"), reason="chromium missing")


@cache
def printed(board: Board, fmt: str = "pdf") -> tuple[bytes, ...]:
    """Return the files of a board: a PDF takes half a second, most of it for its fonts."""
    return board_sheet(board, fmt=fmt)


def rendered(pdf: bytes, folder: Path, dpi: int = DPI) -> list[np.ndarray]:
    (folder / "b.pdf").write_bytes(pdf)
    command = ["pdftoppm", "-r", str(dpi), "-gray", "b.pdf", "page"]
    subprocess.run(command, cwd=folder, check=True, timeout=60)
    return [cv2.imread(str(p), cv2.IMREAD_GRAYSCALE) for p in sorted(folder.glob("page*.pgm"))]


@pytest.fixture(scope="module")
def first_page(tmp_path_factory: pytest.TempPathFactory) -> Callable[[Board], np.ndarray]:
    """Return a function that renders the first page of a board's PDF, once for each board."""

    @lru_cache
    def render(board: Board) -> np.ndarray:
        return rendered(printed(board)[0], tmp_path_factory.mktemp("page"))[0]

    return render


def detected(image: np.ndarray, board: Board) -> np.ndarray:
    """Return the points (count, 2) [px] in the detector's order, by OpenCV alone."""
    size = (board.columns, board.rows)
    if board.pattern == "chessboard":
        small = cv2.resize(image, None, fx=1 / 3, fy=1 / 3, interpolation=cv2.INTER_AREA)
        found, rough = cv2.findChessboardCorners(small, size)
        stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 50, 1e-3)
        points = cv2.cornerSubPix(image, rough * 3 + 1, (9, 9), (-1, -1), stop)
    elif board.pattern == "charuco":
        detector = cv2.aruco.CharucoDetector(charuco_layout(board))
        points, ids, _, _ = detector.detectBoard(image)
        found = ids is not None and (ids.ravel() == np.arange(board.count)).all()
    else:
        staggered = board.pattern == "circles-staggered"
        flag = cv2.CALIB_CB_ASYMMETRIC_GRID if staggered else cv2.CALIB_CB_SYMMETRIC_GRID
        parameters = cv2.SimpleBlobDetector_Params()
        parameters.maxArea = 1e6
        found, points = cv2.findCirclesGrid(
            image, size, flags=flag, blobDetector=cv2.SimpleBlobDetector_create(parameters)
        )
    assert found
    return points.reshape(-1, 2)


def on_page_mm(points_px: np.ndarray, scale: float = PX_PER_MM) -> np.ndarray:
    return (points_px + 0.5) / scale  # pixel (0, 0) is the centre of the first pixel


def first_page_points(board: Board) -> np.ndarray:
    return board.points()[:, :2] + first_sheet(board).origin


def first_sheet(board: Board) -> Sheet:
    return sheets(artwork(board).outline, max(5.0, board.pitch_mm / 2), "A4", tiling=False)[0]


@needs_poppler
@pytest.mark.parametrize("name", BOARDS)
def test_printed_pdf_has_the_pitch_it_states(
    name: str, first_page: Callable[[Board], np.ndarray]
) -> None:
    board = BOARDS[name]
    page = first_page(board)
    seen = on_page_mm(detected(page, board))
    ideal = first_page_points(board)
    # Detectors may start at the other end of a board (half a turn); distances do not care.
    order = min((seen, seen[::-1]), key=lambda points: float(np.abs(points - ideal).max()))
    assert np.abs(order - ideal).max() < 0.1
    grid = order.reshape(board.rows, board.columns, 2)
    along = np.linalg.norm(grid[:, -1] - grid[:, 0], axis=1) / (board.columns - 1)
    assert along == pytest.approx(board.pitch_mm, abs=PITCH_TOLERANCE_MM)
    down = np.linalg.norm(grid[-1] - grid[0], axis=1) / (board.rows - 1)
    step = board.pitch_mm / 2 if board.pattern == "circles-staggered" else board.pitch_mm
    assert down == pytest.approx(step, abs=PITCH_TOLERANCE_MM)


@needs_poppler
@pytest.mark.parametrize("legacy", [False, True])
@pytest.mark.parametrize("rows", [7, 8])
def test_charuco_sheet_is_the_picture_opencv_draws(rows: int, legacy: bool, tmp_path: Path) -> None:
    board = replace(CHARUCO, rows=rows, legacy_layout=legacy)
    page = rendered(printed(board)[0], tmp_path, dpi=254)[0]  # 10 px per mm
    made = charuco_layout(board)
    wide, high = (board.columns + 1) * 200, (board.rows + 1) * 200
    drawn = made.generateImage((wide, high), marginSize=0, borderBits=1)
    x, y = np.rint((first_page_points(board)[0] - board.pitch_mm) * 10).astype(int)
    cut = page[y : y + high, x : x + wide]
    assert np.mean(np.abs(cut.astype(int) - drawn) > 128) < 0.02  # edges only


@needs_poppler
def test_check_ruler_is_100_mm_long(first_page: Callable[[Board], np.ndarray]) -> None:
    page = first_page(STAGGERED)
    baseline = page[page.shape[0] - round(7.0 * PX_PER_MM) - 4 :]
    dark = np.argwhere((baseline < 128).sum(axis=0) > 0).ravel()
    assert (dark.max() - dark.min()) / PX_PER_MM == pytest.approx(100.0, abs=0.25)


@needs_poppler
@pytest.mark.parametrize("board", [CHESS, CHESS_EVEN, CHARUCO, CIRCLES, STAGGERED])
def test_mark_stands_at_point_0_and_dark_square_beside_it(
    board: Board, first_page: Callable[[Board], np.ndarray]
) -> None:
    page = first_page(board)
    ideal = first_page_points(board)
    outline = artwork(board).outline
    corner = ideal[0] + outline[:2]

    def grey(mm: np.ndarray) -> int:
        return int(page[tuple(np.rint(mm * PX_PER_MM - 0.5).astype(int)[::-1])])

    assert grey(corner - 2.2) < 50  # the arrow head
    other = ideal[0] + np.array([outline[2] + 2.2, outline[3] + 2.2])
    assert grey(other) > 200
    if board.pattern in ("chessboard", "charuco"):
        assert grey(ideal[0] - board.pitch_mm / 2) < 50


@needs_poppler
def test_tiles_join_to_the_whole_board(tmp_path: Path) -> None:
    board = Board("chessboard", 17, 12, 30.0)
    placed = sheets(artwork(board).outline, 15.0, "A4", tiling=True)
    pages = rendered(board_sheet(board, tiling=True)[0], tmp_path, dpi=127)  # 5 px per mm
    assert len(pages) == len(placed) + 1
    x0, y0 = placed[0].window[:2]
    x1, y1 = placed[-1].window[2:]
    joined = np.full((round((y1 - y0) * 5), round((x1 - x0) * 5)), 255, np.uint8)
    for sheet, page in zip(placed, pages, strict=False):
        box = np.array(sheet.window)
        px = np.rint((box + np.tile(sheet.origin, 2)) * 5).astype(int)
        part = page[px[1] : px[3], px[0] : px[2]]
        at = np.rint((box[:2] - (x0, y0)) * 5).astype(int)
        goal = joined[at[1] : at[1] + part.shape[0], at[0] : at[0] + part.shape[1]]
        goal[:] = np.minimum(goal, part[: goal.shape[0], : goal.shape[1]])
    points = on_page_mm(detected(joined, board), 5.0).reshape(12, 17, 2)
    along = np.linalg.norm(points[:, -1] - points[:, 0], axis=1) / 16
    assert along == pytest.approx(30.0, abs=PITCH_TOLERANCE_MM)
    down = np.linalg.norm(points[-1] - points[0], axis=1) / 11
    assert down == pytest.approx(30.0, abs=PITCH_TOLERANCE_MM)


def test_every_tile_overlaps_its_neighbours_and_fits_the_paper() -> None:
    placed = sheets((-30.0, -30.0, 510.0, 360.0), 15.0, "A3", tiling=True)
    for sheet in placed:
        x0, _, x1, y1 = sheet.window
        ox, oy = sheet.origin
        assert x0 + ox == pytest.approx(6.0)
        assert x1 + ox <= sheet.size[0] - 6.0 + 1e-9
        assert y1 + oy <= sheet.strip[1]
        if sheet.column > 1:
            left = next(s for s in placed if (s.row, s.column) == (sheet.row, sheet.column - 1))
            assert left.window[2] - x0 == pytest.approx(10.0)
    assert placed[-1].window[2:] == pytest.approx((525.0, 375.0))


def svg_paths_mm(svg: bytes) -> tuple[tuple[float, float], np.ndarray]:
    """Return page size [mm] and the vertices [mm] of the largest filled path of an SVG."""
    root = ET.fromstring(svg)
    sizes = [float(root.get(key, "").removesuffix("pt")) for key in ("width", "height")]
    assert root.get("viewBox") == "0 0 " + " ".join(
        root.get(key, "").removesuffix("pt") for key in ("width", "height")
    )
    paths = [e.get("d", "") for e in root.iter("{http://www.w3.org/2000/svg}path")]
    numbers = [float(n) for n in re.findall(r"-?\d+\.?\d*", max(paths, key=len))]
    to_mm = 25.4 / 72
    return (sizes[0] * to_mm, sizes[1] * to_mm), np.reshape(numbers, (-1, 2)) * to_mm


@pytest.mark.parametrize("name", BOARDS)
def test_svg_coordinates_are_true_scale(name: str) -> None:
    board = BOARDS[name]
    size, vertices = svg_paths_mm(printed(board, "svg")[0])
    assert sorted(size) == pytest.approx([210.0, 297.0], abs=1e-3)
    art = artwork(board)
    shift = first_page_points(board)[0] - board.points()[0, :2]
    assert vertices.min(axis=0) == pytest.approx(shift + art.outline[:2], abs=1e-3)
    assert vertices.max(axis=0) == pytest.approx(shift + art.outline[2:], abs=1e-3)


@needs_chromium
def test_svg_shown_by_a_browser_has_the_pitch_it_states(tmp_path: Path) -> None:
    (tmp_path / "b.svg").write_bytes(printed(CHESS, "svg")[0])
    command = ["chromium", "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars"]
    command += ["--force-device-scale-factor=2", "--window-size=1123,794"]
    command += [f"--screenshot={tmp_path / 's.png'}", f"--user-data-dir={tmp_path / 'profile'}"]
    subprocess.run(
        [*command, (tmp_path / "b.svg").as_uri()], check=True, timeout=60, capture_output=True
    )
    image = cv2.imread(str(tmp_path / "s.png"), cv2.IMREAD_GRAYSCALE)
    points = on_page_mm(detected(image, CHESS), 2 * 96 / 25.4).reshape(8, 11, 2)
    along = np.linalg.norm(points[:, -1] - points[:, 0], axis=1) / 10
    assert along == pytest.approx(20.0, abs=PITCH_TOLERANCE_MM)


@needs_poppler
@pytest.mark.parametrize("name", BOARDS)
def test_our_detector_numbers_the_printed_points_from_the_mark(name: str, tmp_path: Path) -> None:
    board = BOARDS[name]
    page = rendered(printed(board)[0], tmp_path, dpi=127)[0]  # 5 px per mm
    x0, y0, x1, y1 = first_sheet(board).strip
    page[int(y0 * 5) : int(y1 * 5) + 1, int(x0 * 5) : int(x1 * 5) + 1] = 255  # as when mounted
    found = detect(page, board)
    seen, ideal = on_page_mm(found.pixels, 5.0), first_page_points(board)[found.ids]
    turned = [ideal, *(ideal[turn.permutation] for turn in symmetries(board))]
    assert len(found.ids) == board.count
    assert min(np.abs(seen - points).max() for points in turned) < 0.1


def test_board_too_big_is_refused_and_says_both_sizes() -> None:
    with pytest.raises(StationbookError, match=r"540 × 390 mm.*A4.*tiling"):
        board_sheet(Board("chessboard", 17, 12, 30.0))


@pytest.mark.parametrize(
    ("board", "words"),
    [
        (Board("circles", 9, 7, 20.0), "diameter"),
        (Board("circles-staggered", 4, 11, 20.0, diameter_mm=15.0), "touch their neighbours"),
        (replace(CHARUCO, dictionary="7"), "unknown marker dictionary"),
        (replace(CHARUCO, marker_mm=25.0), "does not fit a square"),
        (replace(CHARUCO, dictionary="DICT_5X5_50"), "has 50 markers"),
        (Board("chessboard", 1, 8, 20.0), "too few"),
        (Board("chessboard", 11, 8, float("nan")), "not a length"),
        (Board("chessboard", 100, 90, 200.0), "more than 100 sheets"),
    ],
)
def test_boards_that_cannot_be_drawn_are_refused(board: Board, words: str) -> None:
    with pytest.raises(StationbookError, match=words):
        board_sheet(board, tiling=True)


def test_unknown_file_kind_is_refused() -> None:
    with pytest.raises(UsageError, match="png"):
        board_sheet(CHESS, fmt="png")


@pytest.mark.parametrize(
    ("paper", "size"),
    [
        ("a4", (210, 297)),
        ("Letter", (215.9, 279.4)),
        ("300x500", (300, 500)),
        ("300.5 × 500 mm", (300.5, 500)),
    ],
)  # ISO 216:2007 table 1; letter 8.5 × 11 in
def test_paper_sizes_are_read(paper: str, size: tuple[float, float]) -> None:
    assert paper_size(paper) == pytest.approx(size)


@pytest.mark.parametrize("paper", ["", "A9", "10x10", "-5x300", "9999x9999", "A4x"])
def test_unknown_paper_is_refused(paper: str) -> None:
    with pytest.raises(StationbookError):
        paper_size(paper)


def test_captions_and_record_page_state_pitch_and_point_0(tmp_path: Path) -> None:
    if not shutil.which("pdftotext"):
        pytest.skip("poppler-utils missing")
    (tmp_path / "b.pdf").write_bytes(board_sheet(CHESS, title="line $2$ <infeed>")[0])
    text = subprocess.run(
        ["pdftotext", "-layout", "b.pdf", "-"], cwd=tmp_path, capture_output=True, check=True
    ).stdout.decode()
    assert "line $2$ <infeed>" in text
    assert "pitch 20 mm from one point to the next" in text
    assert "print at 100 %" in text
    assert "point 0 to 10: nominal 200.000 mm" in text
    assert "nominal 140.000 mm" in text
    assert "Flat within 0.1 mm" in text


@pytest.mark.parametrize("paper", ["A5", "A0", "112x160"])
@needs_poppler
def test_record_page_fits_every_paper(paper: str, tmp_path: Path) -> None:
    small = Board("chessboard", 4, 3, 8.0)
    page = rendered(board_sheet(small, paper=paper)[0], tmp_path, dpi=60)[1]
    dark = np.argwhere(page < 128)
    assert dark.max(axis=0)[0] < page.shape[0] - 3
    assert dark.max(axis=0)[1] < page.shape[1] - 3


def test_same_board_gives_the_same_bytes() -> None:
    assert board_sheet(CHARUCO) == printed(CHARUCO)
    assert board_sheet(CIRCLES, fmt="svg") == printed(CIRCLES, "svg")
