"""Point 0 and the order of the points, whatever the detector says.

A grid is an array (rows, columns, 2) of pixels. Seen by a camera, x runs along a row and y down the
rows such that z points away from the camera: in the image, where v points down, the turn from
the row's direction to the column's is the turn from u to v. A grid the other way round was read
mirrored.
"""

from __future__ import annotations

import numpy as np

from ..arrays import Array, Grey
from .pattern import Board, symmetries

LEAST_STEP_SHARE = 0.1  # [-] of the median step between neighbouring squares; shade takes the rest
MOST_ODD_SHARE = 0.1  # [-] of the neighbours may fail: a lamp mirrored in the board whitens some


def right_handed(grid: Array) -> Array:
    """Return ``grid`` (rows, columns, 2) with the last row first if it was read mirrored.

    This fits staggered rows too: of an odd number of rows, the last begins as the first does.
    """
    along, down = grid[:, -1] - grid[:, 0], grid[-1] - grid[0]
    a, d = along.sum(axis=0), down.sum(axis=0)
    return grid if a[0] * d[1] - a[1] * d[0] > 0 else grid[::-1]


def ordered(grid: Array, image: Grey, board: Board) -> Array:
    """Return the points (count, 2) in the board's order: row k is point k.

    Chessboards whose colours decide start at the dark outer corner square (a square board with
    an odd number of columns at one of its two); where nothing decides, the rows run to the right
    in the image as far as the board's symmetries allow, so that all detectors agree.
    """
    grid = right_handed(grid)
    if board.pattern == "chessboard":
        grid = _dark_corner_first(grid, image, board)
    points = grid.reshape(-1, 2)
    if board.pattern not in ("chessboard", "circles"):
        return points
    choices = [points, *(points[turn.permutation] for turn in symmetries(board))]
    return max(choices, key=lambda p: _to_the_right(p, board))


def _to_the_right(points: Array, board: Board) -> float:
    grid = points.reshape(board.rows, board.columns, 2)
    along = (grid[:, -1] - grid[:, 0]).sum(axis=0)
    return float(along[0] / np.hypot(*along))


def _dark_corner_first(grid: Array, image: Grey, board: Board) -> Array:
    """Turn the grid so that the outer corner square at point 0 is dark, where colours decide."""
    if board.columns % 2 == 0 and board.rows % 2 == 0:
        return grid  # all four outer corner squares have one colour
    if square_contrast(grid, image) >= 0:
        return grid
    if board.columns == board.rows:
        return np.rot90(grid)
    return grid[::-1, ::-1]


def square_contrast(grid: Array, image: Grey) -> float:
    """Return by how many grey levels the squares diagonal to point 0's outer one are darker.

    The squares between four corners each are compared: the one between points 0, 1 and their
    neighbours in the next row touches the outer corner square at a corner, so both have one colour.
    """
    grey = square_greys(grid, image)
    row, column = np.indices(grey.shape)
    even = (row + column) % 2 == 0
    return float(np.median(grey[~even]) - np.median(grey[even])) if (~even).any() else 0.0


def squares_alternate(grid: Array, image: Grey) -> bool:
    """Tell whether the squares between the corners are dark and light by turns.

    They are not where a detector that was asked for fewer rows than there are left some out.
    """
    grey = square_greys(grid, image)
    row, column = np.indices(grey.shape)
    turns = np.where((row + column) % 2 == 0, 1.0, -1.0)
    down = np.diff(grey, axis=0) * turns[1:]
    along = np.diff(grey, axis=1) * turns[:, 1:]
    steps = np.concatenate([down.ravel(), along.ravel()])
    steps *= np.sign(np.median(steps))  # point 0 may lie beside a light square
    return bool(np.mean(steps <= LEAST_STEP_SHARE * np.median(steps)) <= MOST_ODD_SHARE)


def square_greys(grid: Array, image: Grey) -> Array:
    """Return the grey (rows − 1, columns − 1) in the middle of the squares between the corners."""
    middle = (grid[1:, 1:] + grid[1:, :-1] + grid[:-1, 1:] + grid[:-1, :-1]) / 4
    height, width = image.shape
    u = np.clip(np.rint(middle[..., 0]).astype(int), 1, width - 2)
    v = np.clip(np.rint(middle[..., 1]).astype(int), 1, height - 2)
    around = [image[v + i, u + j] for i in (-1, 0, 1) for j in (-1, 0, 1)]
    return np.asarray(np.mean(around, axis=0), float)
