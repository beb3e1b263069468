"""What stands behind a board in a simulated image: pieces of a plant, none of them a board."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np

from .paint import Grey

TABLE_PX = 1200  # px; the table's picture is square
TABLE_MM = 1800.0  # mm; its side, centred on the board's point 0
TABLE_UNIT_PX = 400  # px; what lies on the table is this small against its side
ROOM_PIECES, TABLE_PIECES = 26, 90  # how many things stand or lie about
SOFT_PX = 1.0  # px; least softness of edges
GRAIN = 0.012  # [-] standard deviation of the cloudiness of surfaces


@lru_cache(maxsize=2)
def room(size_px: tuple[int, int], seed: int) -> Grey:
    """Return the reflectance (h, w) of a wall with machine parts, as a fixed camera sees it."""
    return _scattered(*size_px, max(size_px), ROOM_PIECES, seed)


@lru_cache(maxsize=2)
def table(seed: int) -> Grey:
    """Return the reflectance (TABLE_PX, TABLE_PX) of a table top with things lying on it."""
    return _scattered(TABLE_PX, TABLE_PX, TABLE_UNIT_PX, TABLE_PIECES, seed)


def _scattered(width: int, height: int, unit: int, pieces: int, seed: int) -> Grey:
    """Return a surface (height, width) with ``pieces`` on it, sized in shares of ``unit`` [px]."""
    rng = np.random.default_rng([seed, 71])
    scene = _clouds(width, height, rng)
    for _ in range(pieces):
        _piece(scene, rng, unit)
    return np.clip(cv2.GaussianBlur(scene, (0, 0), max(unit / 900, SOFT_PX)), 0.02, 0.9)


def _clouds(width: int, height: int, rng: np.random.Generator) -> Grey:
    """Return a grey surface that gets lighter to one side and is a little uneven."""
    coarse = rng.normal(0, GRAIN, (12, 16)).astype(np.float32)
    fine = rng.normal(0, GRAIN / 2, (90, 120)).astype(np.float32)
    scene = 0.22 + sum(
        cv2.resize(part, (width, height), interpolation=cv2.INTER_CUBIC) for part in (coarse, fine)
    )
    return np.asarray(scene + np.linspace(-0.04, 0.04, width, dtype=np.float32), np.float32)


def _piece(scene: Grey, rng: np.random.Generator, unit: int) -> None:
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


def _line(scene: Grey, start: np.ndarray, end: np.ndarray, shade: float, thick: int) -> None:
    a, b = (tuple(int(c) for c in p) for p in (start, end))
    cv2.line(scene, a, b, shade, thick)
