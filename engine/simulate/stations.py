"""Typing mistakes as hands make them, for demonstrations."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from ..arrays import Array
from ..camera.lens import project
from ..cell.cell import Cell
from ..cell.mount import EYE_TO_HAND
from ..errors import StationbookError
from ..frames import apply, rotation_exp, transform
from ..robots.kinematics import Kinematics, kinematics
from .paint import plate_limits
from .scenario import Truth

LEAST_STEPS = 500  # display steps; a slip that shows: 5 mm with two decimals
MOST_STEPS = 10_000  # display steps; a larger one would show at a glance: 100 mm
POSITION = 3  # the leading fields, where a slip is easy to understand


def typing_slip(fields: Sequence[str], rng: np.random.Generator) -> tuple[str, ...]:
    """Return ``fields`` with two neighbouring digits of one field swapped: -85.10 → -58.10.

    A position field is taken where there is one whose swap shows without being absurd. Raises
    StationbookError where no field has two neighbouring digits that differ.
    """
    swaps = [
        (index, text[:k] + text[k + 1] + text[k] + text[k + 2 :])
        for index, text in enumerate(fields)
        for k, (a, b) in enumerate(pairwise(text))
        if a.isdigit() and b.isdigit() and a != b
    ]
    if not swaps:
        raise StationbookError(f"no digits to swap in {tuple(fields)}")
    plain = [
        (index, text)
        for index, text in swaps
        if index < POSITION and LEAST_STEPS <= _steps(fields[index], text) <= MOST_STEPS
    ]
    index, slipped = (plain or swaps)[rng.integers(len(plain or swaps))]
    return (*fields[:index], slipped, *fields[index + 1 :])


def _steps(typed: str, slipped: str) -> float:
    """Return how many display steps two texts with equal decimals are apart."""
    decimals = len(typed.partition(".")[2])
    return float(abs(float(slipped) - float(typed)) * 10**decimals)


TILT_DEG = (8.0, 35.0)  # deg; tilted boards tell most, and up to here they are detected well
FILL = (0.32, 0.62)  # share of the image's width that the plate takes
SPREAD = 0.5  # how far the board's centre strays from the image's middle [half images]
EDGE = 0.04  # share of the image that stays free along its edges
SEEN_TILT_DEG = 42.0  # deg; steeper views are left out
CANDIDATES = 60  # drawn for every station wanted
JOINT_MARGIN_DEG = 5.0  # deg; kept from joint limits (mm for a lift)
SPARE_MM = 25.0  # mm; the arm reaches this much farther out: not stretched, room to jog
FLOOR_MM = 40.0  # mm; the flange stays this far above the base's plane
FIRST = np.array([0.2, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0])  # a calm first station: hardly tilted


def default_stations(cell: Cell, truth: Truth, count: int, rng: np.random.Generator) -> Array:
    """Return ``count`` flange poses (count, 4, 4) [mm] that show the whole board from all sides.

    Tilts up to 35°, turns about the view axis, all over the view; within reach and limits. Raises
    StationbookError where fewer can be found.
    """
    drawn = _drawn_views(cell, CANDIDATES * count, rng)
    flange = truth.base_T_flange(drawn)
    if cell.level:
        flange = np.array([_levelled(F, cell, truth) for F in flange])
    views = truth.camera_T_board(flange)
    seen = _seen(cell, views)
    flange, views = flange[seen], views[seen]
    if cell.robot is not None:
        arm = kinematics(cell.robot)
        held = np.array([_held(arm, F) for F in flange], bool)
        flange, views = flange[held], views[held]
    if len(flange) < count:
        raise StationbookError(
            f"only {len(flange)} of {count} stations show the board within reach",
            "Ask for fewer, or move the camera.",
        )
    return np.asarray(flange[_spread(_features(cell, views), count)])


def _drawn_views(cell: Cell, count: int, rng: np.random.Generator) -> Array:
    """Draw camera_T_board (count, 4, 4) with the board's centre in the view."""
    width, height = cell.camera.image_size_px
    K = np.array(cell.camera.matrix)
    x0, _, x1, _ = plate_limits(cell.board)
    z = K[0, 0] * (x1 - x0) / (rng.uniform(*FILL, count) * width)
    off = rng.uniform(-SPREAD, SPREAD, (count, 2)) * (width / K[0, 0] / 2, height / K[1, 1] / 2)
    spot = np.column_stack([off * z[:, None], z])
    tilt, way = np.deg2rad(rng.uniform(*TILT_DEG, count)), rng.uniform(-np.pi, np.pi, count)
    turn = rng.uniform(-np.pi, np.pi, count)
    lean = np.column_stack([tilt * np.cos(way), tilt * np.sin(way), np.zeros(count)])
    R = rotation_exp(lean) @ rotation_exp(np.outer(turn, [0.0, 0.0, 1.0]))
    return transform(R, spot - R @ _centre(cell))


def _centre(cell: Cell) -> Array:
    return np.asarray(cell.board.points().mean(axis=0))


def _levelled(F: Array, cell: Cell, truth: Truth) -> Array:
    """Return the level flange pose nearest to ``F`` with the board's centre in the same place."""
    down = np.diag([1.0, -1.0, -1.0]) if cell.pendant.flange_down else np.eye(3)
    yaw = np.arctan2(F[1, 0], F[0, 0])
    R = rotation_exp([0.0, 0.0, yaw]) @ down
    on_board = truth.board[:3, :3] @ _centre(cell) + truth.board[:3, 3]
    if truth.mount == EYE_TO_HAND:
        return transform(R, F[:3, :3] @ on_board + F[:3, 3] - R @ on_board)
    in_flange = F[:3, :3].T @ (on_board - F[:3, 3])
    return transform(R, on_board - R @ in_flange)


def _seen(cell: Cell, views: Array) -> Array:
    """Tell which camera_T_board (n, 4, 4) show the whole plate's face, not too steeply."""
    x0, y0, x1, y1 = plate_limits(cell.board)
    corners = np.array([[x0, y0, 0], [x1, y0, 0], [x1, y1, 0], [x0, y1, 0]], float)
    size = np.array(cell.camera.image_size_px)
    sight = apply(views, _centre(cell)[None])[:, 0]
    sight = sight / np.linalg.norm(sight, axis=1, keepdims=True)
    facing = (sight * views[:, :3, 2]).sum(axis=1) > np.cos(np.deg2rad(SEEN_TILT_DEG))
    points = apply(views, corners)
    ahead = np.asarray((points[..., 2] > 1.0).all(axis=1))
    pixels = project(np.where(ahead[:, None, None], points, [0.0, 0.0, 1.0]), cell.camera)
    inside = ((pixels > EDGE * size) & (pixels < (1 - EDGE) * size - 1)).all(axis=(1, 2))
    return np.asarray(facing & ahead & inside)


def _held(arm: Kinematics, F: Array) -> bool:
    """Tell whether the arm can hold ``F`` clear of limits, floor and the end of its reach."""
    if F[2, 3] < FLOOR_MM:
        return False
    outward = F.copy()
    outward[:3, 3] *= 1 + SPARE_MM / np.linalg.norm(F[:3, 3])
    postures = arm.branches(F)
    if not len(postures) or not len(arm.branches(outward)):
        return False
    unit = np.where(arm.joints.turning, np.deg2rad(1.0), 1.0)
    margins = arm.joints.margins(postures) / unit
    return bool((margins > JOINT_MARGIN_DEG).all(axis=1).any())


def _features(cell: Cell, views: Array) -> Array:
    """Return (n, 7): what tells two views apart, in steps of about equal worth."""
    centre = apply(views, _centre(cell)[None])[:, 0]
    width, height = cell.camera.image_size_px
    K = np.array(cell.camera.matrix)
    place = centre[:, :2] / centre[:, 2:] * (K[0, 0] / width, K[1, 1] / height) * 4
    turn = views[:, :2, 0] / np.linalg.norm(views[:, :2, 0], axis=1, keepdims=True)
    lean = views[:, :2, 2] / np.sin(np.deg2rad(TILT_DEG[1]))
    depth = np.log(centre[:, 2:] / np.median(centre[:, 2])) * 2
    return np.hstack([lean, turn, place, depth])


def _spread(features: Array, count: int) -> list[int]:
    """Return the indices of ``count`` rows: a calm one, then always the one farthest from all."""
    chosen = [int(np.linalg.norm(features - FIRST, axis=1).argmin())]
    away = np.full(len(features), np.inf)
    while len(chosen) < count:
        away = np.minimum(away, np.linalg.norm(features - features[chosen[-1]], axis=1))
        chosen.append(int(away.argmax()))
    return chosen
