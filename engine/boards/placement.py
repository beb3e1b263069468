"""Where on the board a lattice of found points lies: every way it can, never a guess.

A lattice says which points are neighbours, not which points of the board they are. A placement
turns and moves it onto the board such that every found point is one of the board's. It is ruled out
where the board has a point that is visibly not there, where colours contradict, and where larger
circles should be others. What is left, apart from turns after which the board looks the same, must
be one.
"""

from __future__ import annotations

from itertools import product

import numpy as np

from ..arrays import Array
from .candidates import Index, Lattice
from .pattern import Board, symmetries
from .windows import Bools

# Places seen bare where the board has a point. A hand or dirt can look like paper here and there; a
# placement that is off by one line has a whole line of them.
MOST_CONTRADICTIONS, CONTRADICTED_SHARE = 1, 0.1  # that many, and [-] of the places seen bare
MOST_UNLIKE = 3  # contradictions that one circle of the wrong size counts for: sizes are sure
CLEARLY_MORE = 2  # more than the best placement's: so many more rule another one out
MOST_SKEW = 0.15  # [-] directions of unlike length or not square, beyond the best one's twofold


def board_cells(board: Board) -> Index:
    """Return the whole numbers (count, 2) of the board's points in a square lattice, right-handed.

    Staggered rows lie along the lattice's diagonals.
    """
    row, column = np.divmod(np.arange(board.count), board.columns)
    if board.pattern != "circles-staggered":
        return np.column_stack([column, row])
    x = 2 * column + row % 2
    return np.column_stack([(x + row) // 2, (row - x) // 2])


def placements(
    lattice: Lattice, bare: Index, board: Board, skew: Array | None, larger: Bools | None
) -> Index:
    """Return the ids (k, n) of the lattice's points on ``board``, each way nothing rules out.

    Ways that differ by a turn after which the board looks the same are one. ``bare`` (m, 2) are
    lattice places without a point. ``skew`` gives for the `MATRICES` how far they leave the board's
    directions from being square (None: turns only). ``larger`` (n,) tells the larger circles; None
    where the board has none.
    """
    cells = board_cells(board)[board.present]
    low = cells.min(axis=0)
    table = np.full(tuple(np.ptp(cells, axis=0) + 1), -1)
    table[tuple((cells - low).T)] = board.present
    found: list[tuple[int, Index]] = []
    for matrix in _likely(skew):
        turned = lattice.ij @ matrix.T
        first = low - turned.min(axis=0)
        room = np.ptp(cells, axis=0) - np.ptp(turned, axis=0)
        for move in product(*(range(int(r) + 1) for r in room)):
            to = first + np.array(move)
            ids = table[tuple((turned + to - low).T)]
            if (ids < 0).any() or not _colours_fit(matrix, to, board):
                continue
            faults = _contradictions(bare @ matrix.T + to - low, table)
            faults += MOST_UNLIKE * _unlike(ids, larger, board)
            found.append((faults, ids))
    return _distinct(found, board, MOST_CONTRADICTIONS + CONTRADICTED_SHARE * len(bare))


TURNS = tuple(np.array(m) for m in ([[1, 0], [0, 1]], [[0, -1], [1, 0]], [[-1, 0], [0, -1]],
                                    [[0, 1], [-1, 0]]))  # fmt: skip
# Blobs are joined along their shortest steps, which under tilt may be a square's diagonal.
MATRICES = tuple(
    np.array([[a, b], [c, d]])
    for a, b, c, d in product(range(-2, 3), repeat=4)
    if a * d - b * c == 1
)


def skews(steps: Array) -> Array:
    """Return for all `MATRICES` how unlike and how far from square the board's directions would be.

    ``steps`` (3, 2) are the camera-frame directions of the lattice's two, up to one scale.
    """
    result = []
    for matrix in MATRICES:
        a, b = (steps @ np.linalg.inv(matrix)).T
        lengths = np.linalg.norm(a), np.linalg.norm(b)
        result.append(abs(a @ b) / (lengths[0] * lengths[1]) + abs(np.log(lengths[0] / lengths[1])))
    return np.array(result)


def _likely(skew: Array | None) -> list[Index]:
    if skew is None:
        return list(TURNS)
    limit = 2 * skew.min() + MOST_SKEW
    return [m for m, s in zip(MATRICES, skew, strict=True) if s <= limit]


def _colours_fit(matrix: Index, to: Index, board: Board) -> bool:
    """Tell whether dark squares fall on the board's; point 0 lies between two of them."""
    if board.pattern != "chessboard":
        return True
    square = np.floor(matrix @ np.array([0.5, 0.5]) + to).astype(int)
    return bool((square.sum() % 2 == 0) != board.light)


def _contradictions(places: Index, table: Index) -> int:
    """Return how many of ``places`` (m, 2), seen bare, are points of the board."""
    inside = np.all((places >= 0) & (places < table.shape), axis=1)
    return int(np.sum(table[tuple(places[inside].T)] >= 0))


def _unlike(ids: Index, larger: Bools | None, board: Board) -> int:
    if larger is None or board.larger is None:
        return 0
    return int(np.sum(np.isin(ids, board.larger.ids) != larger))


def _distinct(found: list[tuple[int, Index]], board: Board, most: float) -> Index:
    """Return the least contradicted placements (k, n), one of those that only a turn parts.

    Of no rows where even these are contradicted by more than ``most`` places.
    """
    least = min((faults for faults, _ in found), default=0)
    turns = [turn.permutation for turn in symmetries(board)]
    kept: list[Index] = []
    for faults, ids in found if least <= most else ():
        same = (np.array_equal(ids, turn[other]) for other in kept for turn in turns)
        if faults <= least + CLEARLY_MORE and not any(same):
            kept.append(ids)
    return np.array(kept, np.int64)
