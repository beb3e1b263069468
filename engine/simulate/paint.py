"""What stands behind a board in a simulated image: pieces of a plant, none of them a board."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from ..boards.pattern import Board, charuco_layout

TABLE_PX = 1200  # px; the table's picture is square
TABLE_MM = 1800.0  # mm; its side, centred on the board's point 0
TABLE_UNIT_PX = 400  # px; what lies on the table is this small against its side
ROOM_PIECES, TABLE_PIECES = 26, 90  # how many things stand or lie about
SOFT_PX = 1.0  # px; least softness of edges
GRAIN = 0.012  # [-] standard deviation of the cloudiness of surfaces


@lru_cache(maxsize=2)
def room(size_px: tuple[int, int], seed: int) -> Shades:
    """Return the reflectance (h, w) of a wall with machine parts, as a fixed camera sees it."""
    return _scattered(*size_px, max(size_px), ROOM_PIECES, seed)


@lru_cache(maxsize=2)
def table(seed: int) -> Shades:
    """Return the reflectance (TABLE_PX, TABLE_PX) of a table top with things lying on it."""
    return _scattered(TABLE_PX, TABLE_PX, TABLE_UNIT_PX, TABLE_PIECES, seed)


def _scattered(width: int, height: int, unit: int, pieces: int, seed: int) -> Shades:
    """Return a surface (height, width) with ``pieces`` on it, sized in shares of ``unit`` [px]."""
    rng = np.random.default_rng([seed, 71])
    scene = _clouds(width, height, rng)
    for _ in range(pieces):
        _piece(scene, rng, unit)
    return np.clip(cv2.GaussianBlur(scene, (0, 0), max(unit / 900, SOFT_PX)), 0.02, 0.9)


def _clouds(width: int, height: int, rng: np.random.Generator) -> Shades:
    """Return a grey surface that gets lighter to one side and is a little uneven."""
    coarse = rng.normal(0, GRAIN, (12, 16)).astype(np.float32)
    fine = rng.normal(0, GRAIN / 2, (90, 120)).astype(np.float32)
    scene = 0.22 + sum(
        cv2.resize(part, (width, height), interpolation=cv2.INTER_CUBIC) for part in (coarse, fine)
    )
    return np.asarray(scene + np.linspace(-0.04, 0.04, width, dtype=np.float32), np.float32)


def _piece(scene: Shades, rng: np.random.Generator, unit: int) -> None:
    """Draw one pipe, panel or bolt head on ``scene``, in place."""
    height, width = scene.shape
    at = rng.uniform(0, 1, 2) * (width, height)
    shade = float(rng.uniform(0.08, 0.5))
    angle = float(rng.uniform(0, 180))
    kind = rng.integers(3)
    if kind == 0:  # a pipe with a highlight along it
        way = unit * rng.uniform(0.1, 0.5) * np.array([np.cos(angle), np.sin(angle)])
        thick = int(unit * rng.uniform(0.008, 0.03))
        _line(scene, at - way, at + way, shade, thick)
        _line(scene, at - way, at + way, shade + 0.15, max(thick // 4, 1))
    elif kind == 1:  # a panel
        size = unit * rng.uniform(0.03, 0.16, 2)
        corners = cv2.boxPoints((tuple(at), tuple(size), angle)).astype(np.int32)
        cv2.fillConvexPoly(scene, corners, shade)
    else:  # a bolt head
        centre = (int(at[0]), int(at[1]))
        radius = int(unit * rng.uniform(0.006, 0.02))
        cv2.circle(scene, centre, radius, shade, -1)
        cv2.circle(scene, centre, radius // 2, shade / 2, -1)


def _line(scene: Shades, start: np.ndarray, end: np.ndarray, shade: float, thick: int) -> None:
    a, b = (tuple(int(c) for c in p) for p in (start, end))
    cv2.line(scene, a, b, shade, thick)


Shades = NDArray[np.floating[Any]]  # single precision in practice: 1e-5 mm on a board is plenty

WHITE = 0.80  # [-] reflectance of matt paper; common practice, no source
BLACK = 0.06  # [-] of printer's black
PLATE = 0.42  # [-] of the brushed plate that the print is glued to
QUIET_PITCHES = 0.6  # [pitch] white margin around the outermost squares or circles
RIM_MM = 9.0  # mm of bare plate around the print
LEAST_MM2 = np.float32(1e-9)  # mm²/px²; keeps footprints at a lens model's fold from vanishing
NOTHING_MM = -1e4  # mm; the radius of a circle that is not there
HOLE_MM = 2.4  # mm radius of the fixing holes in the rim's corners


@dataclass(frozen=True, slots=True, eq=False)
class Footprints:
    """Where pixels fall in the board's plane, and how large they are there.

    Attributes:
        x, y: (h, w) board coordinates of the pixel centres [mm].
        xx, xy, yy: (h, w) scalar products of the gradients of x and y over the image [mm²/px²].
    """

    x: Shades
    y: Shades
    xx: Shades
    xy: Shades
    yy: Shades


def print_limits(board: Board) -> tuple[float, float, float, float]:
    """Return the white print's rectangle x_min, y_min, x_max, y_max [mm] in the board frame."""
    points = board.points()[:, :2]
    pitch, margin = board.pitch_mm, QUIET_PITCHES * board.pitch_mm
    reach = pitch if not board.has_circles else float(board.diameters().max()) / 2
    low, high = points.min(axis=0) - reach - margin, points.max(axis=0) + reach + margin
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def plate_limits(board: Board) -> tuple[float, float, float, float]:
    """Return the whole plate's rectangle x_min, y_min, x_max, y_max [mm] in the board frame."""
    x0, y0, x1, y1 = print_limits(board)
    return x0 - RIM_MM, y0 - RIM_MM, x1 + RIM_MM, y1 + RIM_MM


def painted(board: Board, at: Footprints, *, back: bool = False) -> tuple[Shades, Shades]:
    """Return reflectance and cover (h, w) [0 to 1] of the board's plate; ``back``: from behind."""
    cover = _rectangle(at, plate_limits(board))
    plate = np.full_like(at.x, PLATE)
    if back:
        return plate, cover
    plate -= (PLATE - BLACK) * _holes(at, plate_limits(board))
    white = _rectangle(at, print_limits(board))
    ink = _INK[board.pattern](board, at)
    ink = 1 - ink if board.light else ink
    paper = WHITE - (WHITE - BLACK) * ink
    return plate + white * (paper - plate), cover


@lru_cache(maxsize=4)
def _radii(board: Board) -> Shades:
    """Return the circles' radii (rows, columns) [mm]; far below 0 where there is none."""
    radii = board.diameters().astype(np.float32) / 2
    radii[list(board.missing)] = NOTHING_MM
    return radii.reshape(board.rows, board.columns)


def _radius_at(board: Board, row: Shades, column: Shades) -> Shades:
    return np.asarray(_radii(board)[row.astype(np.intp), column.astype(np.intp)])


def _rectangle(at: Footprints, limits: tuple[float, float, float, float]) -> Shades:
    x0, y0, x1, y1 = limits
    return _span(at.x, at.xx, x0, x1) * _span(at.y, at.yy, y0, y1)


def _span(c: Shades, square: Shades, low: float, high: float) -> Shades:
    """Return the share of each pixel that lies between two straight edges."""
    width = np.sqrt(square)
    inside = np.minimum(c - np.float32(low), np.float32(high) - c)
    share: Shades = np.clip(inside / width + np.float32(0.5), 0, 1)
    return share


def _disc(at: Footprints, dx: Shades, dy: Shades, radius: float | Shades) -> Shades:
    """Return the share of each pixel covered by a disc whose centre is at (−dx, −dy)."""
    rho2 = np.maximum(dx * dx + dy * dy, np.float32(1e-12))
    square = (dx * dx * at.xx + 2 * dx * dy * at.xy + dy * dy * at.yy) / rho2
    slope = np.sqrt(np.maximum(square, LEAST_MM2))
    share: Shades = np.clip(
        (np.asarray(radius, np.float32) - np.sqrt(rho2)) / slope + np.float32(0.5), 0, 1
    )
    return share


def _holes(at: Footprints, limits: tuple[float, float, float, float]) -> Shades:
    x0, y0, x1, y1 = limits
    inset = RIM_MM / 2
    dx = np.where(at.x < (x0 + x1) / 2, at.x - (x0 + inset), at.x - (x1 - inset))
    dy = np.where(at.y < (y0 + y1) / 2, at.y - (y0 + inset), at.y - (y1 - inset))
    return _disc(at, dx.astype(np.float32), dy.astype(np.float32), HOLE_MM)


def _cells(c: Shades, width: Shades, count: int) -> tuple[NDArray[np.int32], Shades]:
    """Split footprints of ``width`` around ``c`` [in cells 0 to ``count``] between two cells.

    Returns the lower cell and the share that falls into the next one. Footprints beyond the outer
    cells are moved inside: the caller trims the rim.
    """
    width = np.minimum(width, np.float32(1))
    upper = np.clip(c + width / 2, width, np.float32(count))
    edge = np.floor(upper)
    share = np.minimum((upper - edge) / width, np.float32(1))
    return edge.astype(np.int32) - 1, share


def _checks(board: Board, at: Footprints, *, first_dark: bool = True) -> Shades:
    """Return the share of dark squares; ``first_dark``: the square before point 0 is dark."""
    pitch = np.float32(board.pitch_mm)
    i, right = _cells(at.x / pitch + 1, np.sqrt(at.xx) / pitch, board.columns + 1)
    j, below = _cells(at.y / pitch + 1, np.sqrt(at.yy) / pitch, board.rows + 1)
    sign = 1 - 2 * ((i + j + (not first_dark)) & 1).astype(np.float32)
    dark: Shades = (1 + sign * (1 - 2 * right) * (1 - 2 * below)) / 2
    return dark


def _squares(board: Board, at: Footprints) -> Shades:
    p = board.pitch_mm
    return _rectangle(at, (-p, -p, board.columns * p, board.rows * p))


def _chessboard(board: Board, at: Footprints) -> Shades:
    return _checks(board, at) * _squares(board, at)


def _circles(board: Board, at: Footprints) -> Shades:
    pitch = np.float32(board.pitch_mm)
    column = np.clip(np.rint(at.x / pitch), 0, board.columns - 1)
    row = np.clip(np.rint(at.y / pitch), 0, board.rows - 1)
    radius = _radius_at(board, row, column)
    return _disc(at, at.x - column * pitch, at.y - row * pitch, radius)


def _staggered(board: Board, at: Footprints) -> Shades:
    """Every pixel lies in a disc of the row above it or of the row below it, or in none."""
    half = np.float32(board.pitch_mm / 2)
    ink = np.zeros_like(at.x)
    above = np.floor(at.y / half)
    for candidate in (above, above + 1):
        row = np.clip(candidate, 0, board.rows - 1)
        shift = np.mod(row, 2)
        column = np.clip(np.rint((at.x / half - shift) / 2), 0, board.columns - 1)
        dx, dy = at.x - (2 * column + shift) * half, at.y - row * half
        ink = np.maximum(ink, _disc(at, dx, dy, _radius_at(board, row, column)))
    return ink


def _charuco(board: Board, at: Footprints) -> Shades:
    first_dark = not _markers(board).starts_white
    return (_checks(board, at, first_dark=first_dark) + _marker_ink(board, at)) * _squares(
        board, at
    )


def _marker_ink(board: Board, at: Footprints) -> Shades:
    """Return the ink of the markers in the white squares, to 1/32: OpenCV's interpolation."""
    markers = _markers(board)
    u = _marker_cells(at.x, at.xx, board.pitch_mm, board.columns, markers)
    v = _marker_cells(at.y, at.yy, board.pitch_mm, board.rows, markers)
    ink = cv2.remap(markers.ink, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(ink, np.float32)


def _marker_cells(
    c: Shades, square: Shades, pitch_mm: float, inner: int, markers: _Markers
) -> Shades:
    """Return where footprints lie along one side of the markers' picture [cells].

    A whole number lies in one cell, a broken one in two.
    """
    count, cell = markers.cells + 2, np.float32(markers.width_mm / markers.cells)
    pitch = np.float32(pitch_mm)
    first = np.float32((pitch_mm - markers.width_mm) / 2) - cell  # mm from the square's side
    number = np.clip(np.floor(c / pitch), -1, inner - 1)
    lower, share = _cells((c - number * pitch - first) / cell, np.sqrt(square) / cell, count)
    return np.asarray((number + 1) * count + lower + share, np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class _Markers:
    """The markers of a charuco board, one pixel a cell.

    Attributes:
        ink: 1 where dark; each square has the marker's cells and one empty cell at either end.
        cells: cells along a marker.
        width_mm: width of a marker.
        starts_white: the square before point 0 is white.
    """

    ink: Shades
    cells: int
    width_mm: float
    starts_white: bool


@lru_cache(maxsize=4)
def _markers(board: Board) -> _Markers:
    """Return the markers where OpenCV's own layout puts them: in the white squares."""
    layout = charuco_layout(board)
    dictionary = layout.getDictionary()
    cells = dictionary.markerSize + 2
    ink = np.zeros((board.rows + 1, cells + 2, board.columns + 1, cells + 2), np.float32)
    for marker, corners in zip(np.ravel(layout.getIds()), layout.getObjPoints(), strict=True):
        column, row = (np.mean(corners, axis=0)[:2] // board.pitch_mm).astype(int)
        image = dictionary.generateImageMarker(int(marker), cells)
        ink[row, 1:-1, column, 1:-1] = image < 128
    starts_white = bool(ink[0, :, 0].any())
    picture = ink.reshape((board.rows + 1) * (cells + 2), -1)
    return _Markers(picture, cells, float(layout.getMarkerLength()), starts_white)


_INK: dict[str, Callable[[Board, Footprints], Shades]] = {
    "chessboard": _chessboard,
    "circles": _circles,
    "circles-staggered": _staggered,
    "charuco": _charuco,
}
