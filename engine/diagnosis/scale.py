"""The board's pitch and the lens's focal length, each as one more unknown."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from ..boards.pattern import Board
from ..camera.model import Camera
from ..estimate.problem import Problem
from ..findings import Finding, finding
from .cause import Cause, texts_of, weight_of
from .sane import sane_solution
from .scene import Scene, scene
from .screen import lens_test, scale_rows

SCALE_SHARE = -4.0  # log of how common a wrong scale is among sessions, common practice, no source
SCALE_PRIOR = 0.05  # [-] prior standard deviation of its logarithm: 5 %
# A printed board is called wrong from here on: printers keep 0.1 to 0.2 % (common practice), and
# at 650 mm such a board moves the camera by 1.3 mm.
LEAST_PITCH = 0.002
# The focal length breathes with temperature and focus by about 0.1 to 0.3 % (common practice).
LEAST_FOCAL = 0.005
KNOWN = 0.01  # [-] standard deviation above which the stations tell nothing of the scale
ROUNDS = 4  # Newton steps of the scale; 2 suffice for 2 %
SETTLED = 0.1  # [-] standard deviations
STEP_LIMIT = 0.2  # [-] of the logarithm in one step

Rows = Callable[[Scene], tuple[float, float]]


def scale_causes(now: Scene) -> list[Cause]:
    """Return pitch and focal length as causes, where they differ enough to matter."""
    causes = []
    for least, rows, scaled, tell in (
        (LEAST_PITCH, _pitch_rows, _with_pitch, _pitch_finding),
        (LEAST_FOCAL, _focal_rows, _with_focal, _focal_finding),
    ):
        found = _solved(now, rows, scaled)
        if found is not None and abs(found[1]) >= least and found[2] > 1.0 / KNOWN**2:
            causes.append(_cause(now, *found, tell))
    return causes


def _solved(
    now: Scene, rows: Rows, scaled: Callable[[Problem, float], Problem]
) -> tuple[Scene, float, float] | None:
    """Return the scene at the best scale, its logarithm and its information."""
    problem, total, texts = now.found.problem, 0.0, texts_of(now)
    for _ in range(ROUNDS):
        score, information = rows(now)
        step = float(np.clip(score / information, -STEP_LIMIT, STEP_LIMIT))
        total += step
        found = sane_solution(scaled(problem, total))
        if found is None:
            return None
        now = scene(found, texts)
        if abs(step) * np.sqrt(information) < SETTLED:
            break
    return now, total, information


def _cause(
    old: Scene,
    now: Scene,
    total: float,
    information: float,
    tell: Callable[[Problem, Problem], Finding],
) -> Cause:
    occam = 0.5 * np.log(1.0 / max(information, 1e-300)) - np.log(SCALE_PRIOR)
    weight = weight_of(now.found) + SCALE_SHARE + float(occam) - 0.5 * (total / SCALE_PRIOR) ** 2
    described = tell(old.found.problem, now.found.problem)
    return Cause(weight, (described,), now.found.problem, texts_of(now))


def _pitch_rows(now: Scene) -> tuple[float, float]:
    score, size = now.test(scale_rows(now))
    return float(score[0]), float(max(size[0, 0], 1e-300))


def _focal_rows(now: Scene) -> tuple[float, float]:
    score, information, _ = lens_test(now)
    return score, information


def _with_pitch(problem: Problem, log_scale: float) -> Problem:
    return replace(problem, board=scaled_board(problem.board, float(np.exp(log_scale))))


def scaled_board(board: Board, factor: float) -> Board:
    """Return the board with all lengths multiplied, measured points included."""
    measured = board.measured
    if measured is not None:
        measured = tuple((i, x * factor, y * factor, z * factor) for i, x, y, z in measured)
    return replace(board, pitch_mm=board.pitch_mm * factor, measured=measured)


def _with_focal(problem: Problem, log_scale: float) -> Problem:
    return replace(problem, camera=scaled_camera(problem.camera, float(np.exp(log_scale))))


def scaled_camera(camera: Camera, factor: float) -> Camera:
    """Return the camera with both focal lengths multiplied."""
    (fx, skew, cx), (zero, fy, cy), last = camera.matrix
    return replace(camera, matrix=((fx * factor, skew * factor, cx), (zero, fy * factor, cy), last))


def _pitch_finding(old: Problem, new: Problem) -> Finding:
    return finding(
        "board-pitch",
        field="pitch_mm",
        typed=f"{old.board.pitch_mm:g}",
        suggested=f"{new.board.pitch_mm:.4g}",
    )


def _focal_finding(old: Problem, new: Problem) -> Finding:
    return finding(
        "lens",
        field="matrix",
        typed=f"{old.camera.matrix[0][0]:.1f}",
        suggested=f"{new.camera.matrix[0][0]:.1f}",
    )
