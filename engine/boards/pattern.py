"""The calibration board: its points, what makes it possible, and how it can be numbered."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from ..errors import StationbookError

Pattern = Literal["chessboard", "circles", "circles-staggered", "charuco"]


SCALE_U = 0.0012  # [-] a sheet that prints true to ±0.2 %, rectangular
BOW_U_MM = 0.1  # mm; a sheet on a stiff plate, common practice, no source
HEIGHT_U_MM = 0.3  # mm; a height taken with a rule or a height gauge, common practice, no source


@dataclass(frozen=True, slots=True)
class MountRepeatability:
    """How well the board comes back to its mount (standard deviation, every axis)."""

    position_mm: float
    angle_deg: float


@dataclass(frozen=True, slots=True)
class Larger:
    """Circles larger than the others: which, and how large. They fix the board's numbering."""

    ids: tuple[int, ...]
    diameter_mm: float


class BoardU(NamedTuple):
    """How well a board is known, standard uncertainties; 0: exactly.

    ``scale`` of all its lengths, relative; ``bow_mm`` of its flatness over the diagonal.
    """

    scale: float = SCALE_U
    bow_mm: float = BOW_U_MM


@dataclass(frozen=True, slots=True)
class Board:
    """A flat board of ``columns`` × ``rows`` points.

    ``columns`` and ``rows`` count inner corners (chessboard, charuco) or circles. ``height_mm`` is
    the measured z of point 0 in the flange frame (eye-in-hand: in the base), or None.
    ``scale_u`` is the relative standard uncertainty of all its lengths, ``bow_u_mm`` that of its
    flatness over the diagonal; None: not given, what ``u`` says is assumed. ``height_u_mm`` is that
    of the height; 0: known exactly.
    ``points_file`` names a CSV id,x_mm,y_mm,z_mm beside the cell or session; ``measured`` holds its
    content once read: (n, 4) rows id x y z, as a tuple so that boards compare. ``larger`` and
    ``missing`` (ids) are circles that differ, so that every turn shows. ``light``: circles lighter
    than the board; a chessboard whose outer corner square beside point 0 is light on a dark board.
    """

    pattern: Pattern
    columns: int
    rows: int
    pitch_mm: float
    diameter_mm: float | None = None
    dictionary: str | None = None
    marker_mm: float | None = None
    legacy_layout: bool = False
    mount_repeatability: MountRepeatability | None = None
    height_mm: float | None = None
    scale_u: float | None = None
    bow_u_mm: float | None = None
    height_u_mm: float = HEIGHT_U_MM
    points_file: str | None = None
    measured: tuple[tuple[float, float, float, float], ...] | None = None
    larger: Larger | None = None
    missing: tuple[int, ...] = ()
    light: bool = False

    @property
    def u(self) -> BoardU:
        """How well it is known, as given or else as assumed."""
        scale, bow = self.scale_u, self.bow_u_mm
        return BoardU(SCALE_U if scale is None else scale, BOW_U_MM if bow is None else bow)

    @property
    def count(self) -> int:
        """Number of points."""
        return self.columns * self.rows

    @property
    def present(self) -> NDArray[np.int64]:
        """The ids of the points that the board has, ascending: all but the missing ones."""
        return np.setdiff1d(np.arange(self.count), self.missing)

    def diameters(self) -> NDArray[np.float64]:
        """Return the diameters (count,) [mm] of the circles; zeros on other boards."""
        result = np.full(self.count, self.diameter_mm or 0.0)
        if self.larger is not None:
            result[list(self.larger.ids)] = self.larger.diameter_mm
        return result

    @property
    def has_circles(self) -> bool:
        """Whether its points are circles, not corners."""
        return self.pattern.startswith("circles")

    @property
    def first_is_light(self) -> bool:
        """Whether the outer square beside point 0 is light and holds a marker.

        OpenCV's legacy layout of charuco boards begins so where the squares' rows are even.
        """
        return self.pattern == "charuco" and self.legacy_layout and (self.rows + 1) % 2 == 0

    @property
    def spacing_mm(self) -> float:
        """Distance between nearest neighbours: the pitch, less where rows are staggered."""
        return self.pitch_mm / 2**0.5 if self.pattern == "circles-staggered" else self.pitch_mm

    @property
    def length_mm(self) -> float:
        """Length of its longer side, from point to point."""
        return float(np.ptp(self.points()[:, :2], axis=0).max())

    def points(self) -> NDArray[np.float64]:
        """Return the points (count, 3) [mm] in the board frame; row k is the point with id k."""
        row, column = np.divmod(np.arange(self.count), self.columns)
        if self.pattern == "circles-staggered":
            x, y = (2 * column + row % 2) * self.pitch_mm / 2, row * self.pitch_mm / 2
        else:
            x, y = column * self.pitch_mm, row * self.pitch_mm
        ideal = np.column_stack([x, y, np.zeros(self.count)]).astype(float)
        for index, *xyz in self.measured or ():
            ideal[int(index)] = xyz
        return ideal


HALF_TURN = "half a turn"
QUARTER_TURN = "a quarter turn"
BACK_TURN = "a quarter turn back"


@dataclass(frozen=True, slots=True, eq=False)
class Turn:
    """A turn of the board in its own plane after which the pattern looks the same.

    Attributes:
        name: the turn in words.
        permutation: (count,); after the turn, point k lies where point permutation[k] was.
    """

    name: str
    permutation: NDArray[np.int64]


def symmetries(board: Board) -> tuple[Turn, ...]:
    """Return the turns, other than none, after which ``board`` looks the same.

    Square (i, j) of a chessboard is dark where i + j is even. A half turn takes it to
    (columns − i, rows − j), which keeps all colours if columns + rows is even; a quarter turn of a
    square board takes it to (columns − j, i), which keeps them if columns is even. A staggered
    board with an odd number of rows has its rows of both kinds at other distances from the left
    and right side, so a half turn shows; charuco markers always show the turn.
    """
    if board.pattern in ("charuco", "circles-staggered"):
        return ()
    chess = board.pattern == "chessboard"
    if chess and (board.columns + board.rows) % 2:
        return ()
    if board.columns != board.rows or (chess and board.columns % 2):
        turns: tuple[Turn, ...] = (_turn(board, 2),)
    else:
        turns = (_turn(board, 1), _turn(board, 2), _turn(board, 3))
    marks = [set(board.missing), set(board.larger.ids if board.larger else ())]
    return tuple(t for t in turns if all({int(t.permutation[k]) for k in m} == m for m in marks))


def _turn(board: Board, quarters: int) -> Turn:
    """Return the turn by ``quarters`` quarter turns, from the x axis towards the y axis."""
    ids = np.arange(board.count).reshape(board.rows, board.columns)
    names = {1: QUARTER_TURN, 2: HALF_TURN, 3: BACK_TURN}
    return Turn(names[quarters], np.rot90(ids, quarters).ravel())


LEAST_CORNERS = 3  # chessboard corners along one side; both of OpenCV's detectors refuse fewer
LEAST_POINTS = 2  # points along one side; fewer do not span a plane


MOST_POINTS = 10_000  # of a board; the finest that are sold have some thousands, no source


def check_board(board: Board) -> None:
    """Raise StationbookError when ``board`` cannot exist or cannot be told from its mirror image.

    The message names the key of the cell file, the value received and the remedy.
    """
    least = LEAST_CORNERS if board.pattern == "chessboard" else LEAST_POINTS
    for key in ("columns", "rows"):
        if getattr(board, key) < least:
            raise StationbookError(
                f"board.{key}: {getattr(board, key)} is too few for a {board.pattern} board",
                f"At least {least}; count inner corners or circles, not squares.",
            )
    if board.count > MOST_POINTS:
        raise StationbookError(
            f"board.rows: {board.columns} × {board.rows} points are {board.count}",
            f"At most {MOST_POINTS}; searching more takes minutes.",
        )
    _check_length("pitch_mm", board.pitch_mm)
    _check_marks(board)
    if board.has_circles:
        _check_circles(board)
    elif board.pattern == "charuco":
        charuco_layout(board)


def _check_marks(board: Board) -> None:
    for key, ids in (("missing", board.missing), ("larger", board.larger and board.larger.ids)):
        wrong = [k for k in ids or () if not 0 <= k < board.count]
        if wrong or len(set(ids or ())) < len(ids or ()):
            raise StationbookError(
                f"board.{key}: {list(ids or ())} are not circles of the board, each once",
                f"Its {board.columns} × {board.rows} circles have the ids 0 to {board.count - 1}.",
            )
    if board.larger is None:
        return
    least, most = LEAST_LARGER * (board.diameter_mm or 0.0), board.spacing_mm
    if not least <= board.larger.diameter_mm < most:
        raise StationbookError(
            f"board.larger.diameter_mm: {board.larger.diameter_mm:g} mm cannot be told from the "
            f"others or touches them",
            f"At least {least:.4g} mm and below {most:.4g} mm.",
        )


LEAST_LARGER = 1.2  # [-] of the others' diameter: 1.44 times the area, told through blur and tilt


def _check_length(key: str, value: float | None) -> None:
    if value is None or not math.isfinite(value) or value <= 0:
        raise StationbookError(
            f"board.{key}: {value} is not a length", "Measure it on the board, in mm."
        )


def _check_circles(board: Board) -> None:
    if board.pattern == "circles-staggered" and board.rows % 2 == 0:
        raise StationbookError(
            f"board.rows: a circles-staggered board has an odd number of rows, got {board.rows}",
            "Cover or leave out the last row: with an even number half a turn cannot be seen.",
        )
    _check_length("diameter_mm", board.diameter_mm)
    if board.diameter_mm is not None and board.diameter_mm >= board.spacing_mm:
        raise StationbookError(
            f"board.diameter_mm: circles of {board.diameter_mm:g} mm touch their neighbours, "
            f"{board.spacing_mm:.4g} mm away",
            "Measure one circle; pitch_mm is the distance between neighbours of one row.",
        )


def charuco_layout(board: Board) -> cv2.aruco.CharucoBoard:
    """Return OpenCV's description of a charuco board; its origin is the outer corner.

    Raises StationbookError for an unknown dictionary, one with too few markers, or a marker that
    does not fit its square.
    """
    dictionary = _dictionary(board.dictionary)
    if board.marker_mm is None or not 0 < board.marker_mm < board.pitch_mm:
        raise StationbookError(
            f"board.marker_mm: a marker of {board.marker_mm} mm does not fit a square of "
            f"{board.pitch_mm:g} mm",
            "Measure the markers on the board; three quarters of the pitch is common.",
        )
    squares = (board.columns + 1, board.rows + 1)
    needed, there = squares[0] * squares[1] // 2, len(dictionary.bytesList)
    if needed > there:
        raise StationbookError(
            f"board.dictionary: {board.dictionary} has {there} markers, the board needs {needed}",
            "Choose the dictionary that the board was made with.",
        )
    layout = cv2.aruco.CharucoBoard(squares, board.pitch_mm, board.marker_mm, dictionary)
    layout.setLegacyPattern(board.legacy_layout)
    return layout


def _dictionary(name: str | None) -> cv2.aruco.Dictionary:
    """Return a dictionary by OpenCV's name, in any case and with or without ``DICT_``."""
    upper = (name or "").upper()
    key = upper if upper.startswith("DICT_") else f"DICT_{upper}"
    known = sorted(word for word in vars(cv2.aruco) if word.startswith("DICT_"))
    if key not in known:
        raise StationbookError(
            f"board.dictionary: unknown marker dictionary {name!r}", f"Known: {', '.join(known)}."
        )
    return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, key))
