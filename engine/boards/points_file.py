"""Points as CSV: what was detected (id,u_px,v_px), and points in space (id,x_mm,y_mm,z_mm).

The latter are a board as measured, in its own frame, or what a 3-D camera saw, in the camera's.
"""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Callable, Iterator, Sequence
from functools import lru_cache, partial
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..camera.lens import project
from ..camera.model import Camera
from ..errors import FileError
from ..files import KEPT, content
from .pattern import MOST_POINTS, Board

DETECTED = ("id", "u_px", "v_px")
SPREAD = ("uu_px2", "uv_px2", "vv_px2")  # of the covariance [px²], where it is known
DEPTH = ("z_mm",)  # along the camera's axis, empty where not measured
MEASURED = ("id", "x_mm", "y_mm", "z_mm")
LEAST_POINTS = 4  # a flat board's pose has 6 unknowns; 4 points give 8 equations
LARGEST = 1e6  # px or mm; more is a slipped decimal point
MOST_BYTES = 4 * 2**20  # a hundred thousand points; a board has at most some ten thousand


class Points(NamedTuple):
    """Detected points: ids (n,), pixels (n, 2), covariances (n, 2, 2) [px²] or None.

    ``depths`` (n,) [mm] along the camera's axis, NaN where not measured, or None. ``places``
    (n, 3) [mm] in the camera frame, where the points were measured in space; the rest then follows
    from them.
    """

    ids: NDArray[np.int64]
    pixels: Array
    covariances: Array | None = None
    depths: Array | None = None
    places: Array | None = None


NO_POINTS = (None,) * len(Points._fields)  # in the place of points


def read_points(path: Path | str, board: Board, camera: Camera | None = None) -> Points:
    """Return detected points, n >= 4, in the file's order; ``camera`` None: none in space.

    Raises FileError naming the line: missing, no text, wrong header, a row with the wrong count, an
    id that the board does not have or that comes twice, a value that is no finite number, a
    covariance that none can be, a point in space that is not before the camera.
    """
    quick = plain_table(_content(path))
    if quick is not None and quick.ids.max() < board.count:
        return quick
    headers = [DETECTED, DETECTED + SPREAD, DETECTED + DEPTH, DETECTED + SPREAD + DEPTH]
    header, rows = _rows(path, headers if camera is None else [*headers, MEASURED], board)
    if len(rows) < LEAST_POINTS:
        points = "1 point" if len(rows) == 1 else f"{len(rows)} points"
        raise FileError(
            path,
            f"holds {points}, at least {LEAST_POINTS} are needed",
            "Detect the board again.",
        )
    table = np.array(rows)
    ids = table[:, 0].astype(np.int64)
    if header == MEASURED and camera is not None:
        places = table[:, 1:]  # mm, in the camera frame
        return Points(ids, project(places, camera), None, places[:, 2], places)
    spread = table[:, [3, 4, 4, 5]].reshape(-1, 2, 2) if SPREAD[0] in header else None
    return Points(ids, table[:, 1:3], spread, table[:, -1] if header[-1:] == DEPTH else None)


_NUMBER = rb"-?[0-9]+(?:\.[0-9]+)?(?:e-?[0-9]+)?"
_PLAIN = [
    (
        len(header),
        re.compile(
            rb"%s\n(?:[0-9]+(?:,%s){%d}\n)+" % (",".join(header).encode(), _NUMBER, len(header) - 1)
        ),
    )
    for header in (DETECTED, DETECTED + SPREAD)
]


@lru_cache(maxsize=KEPT)
def plain_table(data: bytes) -> Points | None:
    """Return the points of a file as this program writes them; None: to be read line by line.

    Those found last are kept, and belong to everybody: their arrays cannot be written to.
    """
    if data.count(b"\n") > MOST_POINTS + 1:  # matching so many takes 1 kB a line
        return None
    count = next((count for count, form in _PLAIN if form.fullmatch(data)), None)
    if count is None:
        return None
    cells = data[data.index(b"\n") + 1 : -1].replace(b"\n", b",")
    table = np.fromstring(cells.decode(), sep=",").reshape(-1, count)
    ids, whole = table[:, 0].astype(np.int64), np.abs(table).max() < LARGEST
    if len(ids) < LEAST_POINTS or len(np.unique(ids)) < len(ids) or not whole:
        return None
    spread = table[:, [3, 4, 4, 5]].reshape(-1, 2, 2) if count > len(DETECTED) else None
    if spread is not None and not _positive(table[:, 3:6]).all():
        return None
    points = Points(ids, table[:, 1:3], spread)
    for part in points:
        if part is not None:
            part.flags.writeable = False
    return points


def _positive(spread: Array) -> NDArray[np.bool_]:
    """Tell which variances and covariances uu, uv, vv (..., 3) are positive definite."""
    uu, uv, vv = np.moveaxis(spread, -1, 0)
    return np.asarray((uu > 0) & (vv > 0) & (uu * vv > uv * uv))


def read_board_points(path: Path | str, board: Board) -> tuple[tuple[float, ...], ...]:
    """Return the measured board points as rows (id, x, y, z) [mm], for `Board.measured`.

    Points that are not listed keep their ideal coordinates. Raises FileError as `read_points` does.
    """
    _, rows = _rows(path, [MEASURED], board)
    if not rows:
        raise FileError(path, "holds no points", "One line for each measured point.")
    return tuple(rows)


def points_text(
    ids: NDArray[np.int64],
    pixels: Array,
    covariances: Array | None = None,
    depths: Array | None = None,
    places: Array | None = None,
) -> str:
    """Return detected points as CSV, to 1e-4 px or mm: far below any detector's noise."""
    if places is not None:
        rows = [
            f"{int(i)},{x:.4f},{y:.4f},{z:.4f}" for i, (x, y, z) in zip(ids, places, strict=True)
        ]
        return "\n".join([",".join(MEASURED), *rows]) + "\n"
    lines = [f"{int(i)},{u:.4f},{v:.4f}" for i, (u, v) in zip(ids, pixels, strict=True)]
    names: tuple[str, ...] = DETECTED
    if covariances is not None:
        names += SPREAD
        three = covariances[:, [0, 0, 1], [0, 1, 1]]
        lines = [
            f"{line},{uu:.4g},{uv:.4g},{vv:.4g}"
            for line, (uu, uv, vv) in zip(lines, three, strict=True)
        ]
    if depths is not None:
        names += DEPTH
        shown = ["" if np.isnan(z) else f"{z:.4f}" for z in depths]
        lines = [f"{line},{z}" for line, z in zip(lines, shown, strict=True)]
    return "\n".join([",".join(names), *lines]) + "\n"


def _rows(
    path: Path | str, headers: Sequence[tuple[str, ...]], board: Board
) -> tuple[tuple[str, ...], list[tuple[float, ...]]]:
    """Return which of the ``headers`` the file has, the first by default, and its rows."""
    lines = _lines(path)
    _, first = next(lines, (1, []))
    header = next((each for each in headers if list(each) == first), headers[0])
    refuse_other_header(path, first, header)
    rows: dict[int, tuple[float, ...]] = {}
    for line, cells in lines:
        fail = partial(FileError, path, line=line)
        row = _row(fail, cells, header, board)
        if SPREAD[0] in header and not _positive(np.array(row[3:6])):
            problem = "{:g},{:g},{:g} is no covariance of a point".format(*row[3:6])
            raise fail(problem, "Leave the three columns out where it is not known.")
        if DEPTH[0] in header and header != headers[0] and row[-1] <= 0:
            problem = f"z_mm is {cells[-1]}: the point does not lie before the camera"
            raise fail(problem, "Points stand in the camera frame, z away from the camera.")
        if int(row[0]) in rows:
            raise fail(f"id {cells[0]} comes twice", "Keep one of them.")
        rows[int(row[0])] = row
    return header, list(rows.values())


def refuse_other_header(path: Path | str, first: Sequence[str], header: Sequence[str]) -> None:
    """Refuse a CSV file whose first line ``first`` is not ``header``; semicolons are named."""
    cells, expected = [cell.strip() for cell in first], list(header)
    if cells == expected:
        return
    shown, columns = ",".join(cells), ",".join(header)
    problem = f"the header is {shown!r}, expected {columns!r}"
    remedy = f"The first line names the columns: {columns}."
    if [cell.strip() for cell in shown.split(";")] == expected:
        problem = "semicolons stand between the values, expected commas"
        remedy = "Save it with commas between the values and decimal points."
    raise FileError(path, problem, remedy, line=1)


def _lines(path: Path | str) -> Iterator[tuple[int, list[str]]]:
    """Yield (line number, stripped cells) of the lines that are not blank."""
    try:
        reader = csv.reader(_content(path).decode("utf-8-sig").splitlines())
    except UnicodeDecodeError as error:
        raise FileError(path, "is no UTF-8 text", "A points file is CSV text.") from error
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                yield reader.line_num, [cell.strip() for cell in cells]
    except csv.Error as error:
        raise FileError(path, f"no comma-separated text ({error})", line=reader.line_num) from error


def _content(path: Path | str) -> bytes:
    return content(Path(path), MOST_BYTES, "A points file is far smaller.").data


def _row(
    fail: Callable[[str, str], FileError], cells: list[str], header: tuple[str, ...], board: Board
) -> tuple[float, ...]:
    """Return the numbers of a line; ``fail`` makes the complaint about it."""
    if len(cells) != len(header):
        problem = f"{len(cells)} values, expected {len(header)}"
        raise fail(problem, "Values stand between commas, with decimal points.")
    try:
        last = "nan" if header[-1:] == DEPTH and header[:3] == DETECTED else ""  # not measured
        number, values = int(cells[0]), [float(cell or last) for cell in cells[1:]]
    except ValueError as error:
        remedy = "A whole number, then numbers with decimal points, between commas."
        raise fail(f"{','.join(cells)!r} is not all numbers", remedy) from error
    if not 0 <= number < board.count:
        known = f"Its {board.columns} × {board.rows} points have the ids 0 to {board.count - 1}."
        raise fail(f"id {cells[0]} is not on the board", known)
    for name, cell, value in zip(header[1:], cells[1:], values, strict=True):
        if cell and not math.isfinite(value):
            remedy = "Leave the line of a point out that was not found."
            raise fail(f"{name} is {cell}, which is no number", remedy)
        if cell and abs(value) >= LARGEST:
            problem = f"{name} {cell} is out of all proportion"
            raise fail(problem, "Check the decimal point and the unit.")
    return (float(number), *values)
