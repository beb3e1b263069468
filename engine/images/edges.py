"""How sharp the board's edges are, and how much dark and light differ there.

An edge blurred by a Gaussian of standard deviation s has a normalised profile p that rises from 0
to 1 with ∫ p(1 − p) dx = s / √π (half of Gini's mean difference of a normal distribution). The
integral needs no derivative and no fit, so noise hardly moves it.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from ..arrays import Array, Grey
from ..boards.candidates import Detection
from ..boards.pattern import Board

RISE = 2.5631  # [-] 10 to 90 % width of a Gaussian edge by its standard deviation
SAMPLES = 41  # along a profile
PLATEAU = 9  # samples at either end that show the plain grey
REACH_SHARE = 0.4  # [-] of the distance between corners: how far a profile reaches to either side
CLEAR_SHARE = 0.9  # [-] of the way to the next rim or the middle, for circles
LINES = (-0.12, -0.06, 0.0, 0.06, 0.12)  # [-] parallel profiles, by the length of the edge
LEAST_STEP = 5.0  # grey levels; an edge without a step says nothing


@dataclass(frozen=True, slots=True)
class Edges:
    """What the edges say: their 10 to 90 % width [px] in the worse direction, and the step [grey].

    ``width_px`` is None where no edge shows a step.
    """

    width_px: float | None
    contrast: float


def measure_edges(image: Grey, detection: Detection, board: Board) -> Edges:
    """Return the edges' width and contrast: medians over the board, two directions apart.

    Motion blurs only the edges that lie across it, so the wider direction counts.
    """
    starts, across, kind = _profiles(detection, board)
    if not len(starts):
        return Edges(None, 0.0)
    steps = np.linspace(-1.0, 1.0, SAMPLES)
    profile = _sampled(image, starts, across, steps)
    if board.pattern == "charuco":
        profile = _mirrored(profile)
    low, high = profile[:, :PLATEAU].mean(axis=1), profile[:, -PLATEAU:].mean(axis=1)
    step = high - low
    contrast = float(np.median(np.abs(step)))
    clear = np.abs(step) > max(LEAST_STEP, contrast / 2)
    if not clear.any():
        return Edges(None, contrast)
    p = (profile[clear] - low[clear, None]) / step[clear, None]
    length = np.linalg.norm(across[clear], axis=1)
    widths = RISE * np.sqrt(np.pi) * (p * (1 - p)).mean(axis=1) * 2 * length
    kinds = kind[clear]
    worst = max(float(np.median(widths[kinds == k])) for k in np.unique(kinds))
    return Edges(max(worst, 0.0), contrast)


def _mirrored(profile: Array) -> Array:
    """Return profiles (n, samples) with their darker half mirrored about the edge.

    A white charuco square holds a marker close to its sides; the dark one beside it holds nothing.
    """
    half = SAMPLES // 2
    first_darker = profile[:, :PLATEAU].mean(axis=1) < profile[:, -PLATEAU:].mean(axis=1)
    facing = np.where(first_darker[:, None], profile, profile[:, ::-1])
    dark, middle = facing[:, :half], facing[:, half : half + 1]
    return np.concatenate([dark, middle, 2 * middle - dark[:, ::-1]], axis=1)


def _sampled(image: Grey, starts: Array, across: Array, steps: Array) -> Array:
    """Return mean profiles (n, samples): over the parallel lines of each edge."""
    at = (starts[:, :, None] + across[:, None, None] * steps[:, None]).astype(np.float32)
    u, v = (at[..., k].reshape(len(starts), -1) for k in (0, 1))
    grey = cv2.remap(image, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    mean: Array = np.asarray(grey, np.float64).reshape(at.shape[:-1]).mean(axis=1)
    return mean


def _profiles(detection: Detection, board: Board) -> tuple[Array, Array, NDArray[np.int64]]:
    """Return starts (n, lines, 2), directions (n, 2) reaching to either side, and kinds (n,)."""
    points = np.full((board.count, 2), np.nan)
    points[detection.ids] = detection.pixels
    grid = points.reshape(board.rows, board.columns, 2)
    if board.pattern.startswith("circles"):
        return _rims(grid, board)
    pairs = [(grid[:, :-1], grid[:, 1:]), (grid[:-1], grid[1:])]
    parts = [
        _edge_profiles(a.reshape(-1, 2), b.reshape(-1, 2), kind)
        for kind, (a, b) in enumerate(pairs)
    ]
    starts, across, kinds = (np.concatenate(part) for part in zip(*parts, strict=True))
    return starts, across, kinds


def _edge_profiles(a: Array, b: Array, kind: int) -> tuple[Array, Array, NDArray[np.int64]]:
    """Profiles across the middle of the edges from a to b, square to them."""
    there = np.isfinite(a + b).all(axis=1)
    a, b = a[there], b[there]
    along = b - a
    lines = np.array(LINES)[:, None]
    starts = (a + b)[:, None] / 2 + along[:, None] * lines
    across = np.column_stack([-along[:, 1], along[:, 0]]) * REACH_SHARE
    return starts, across, np.full(len(a), kind)


def _rims(grid: Array, board: Board) -> tuple[Array, Array, NDArray[np.int64]]:
    """Profiles through the rims of circles, towards the next circle of the same row and back."""
    along = (grid[:, 1:] - grid[:, :-1]).reshape(-1, 2)
    middle = grid[:, :-1].reshape(-1, 2)
    down = np.column_stack([-along[:, 1], along[:, 0]])
    radius = (board.diameter_mm or 0.0) / 2 / board.pitch_mm
    reach = CLEAR_SHARE * min(radius, board.spacing_mm / 2 / board.pitch_mm - radius)
    parts = []
    for kind, direction in enumerate((along, down)):
        for sign in (1.0, -1.0):
            starts = (middle + sign * radius * direction)[:, None]
            parts.append((starts, sign * reach * direction, np.full(len(middle), kind)))
    starts, across, kinds = (np.concatenate(part) for part in zip(*parts, strict=True))
    there = np.isfinite(across).all(axis=1)
    return starts[there], across[there], kinds[there]
