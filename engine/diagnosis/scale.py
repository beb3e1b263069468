"""An error that grows smoothly: of the board, of the lens, or of the robot's geometry."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from ..arrays import Array
from ..boards.pattern import Board
from ..camera.model import ASSUMED_LENS_U, Camera
from ..estimate.fit import State, Stations, fit
from ..estimate.problem import Problem, absurd
from ..estimate.solver import fitted
from ..estimate.systematic import flange_errors, systematic, typed_joints
from ..findings import Finding, finding
from ..robots.model import ASSUMED_ACCURACY_MM
from .causes import Cause, evidence, texts_of, weight_of
from .scene import BOWS, CENTRES, Scene, lens_test, scale_rows, scene

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
        if found is None or absurd(found[0].found.fit.noise, found[0].found.prior):
            continue
        if abs(found[1]) >= least and found[2] > 1.0 / KNOWN**2:
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
        found = fitted(scaled(problem, total))
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
    return Cause(weight, (described,), now.found.problem, texts_of(now), found=now.found)


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


WIDER = 20.0  # [-] times the cell's own uncertainty: where centre or flatness may then be
LEAST_DEVIATES = 3.0  # [-] standard uncertainties of the cell that an error must exceed


def term_causes(now: Scene) -> list[Cause]:
    """Return a bowed board and a wrong image centre as causes: the cell holds them too tight.

    Each is fitted with a prior wider by `WIDER`, and stays so when a second cause is sought.
    """
    board, camera = now.found.problem.board, now.found.problem.camera
    u = camera.u or ASSUMED_LENS_U
    bowed = replace(board, bow_u_mm=WIDER * board.bow_u_mm)
    moved = replace(camera, u=replace(u, center_px=WIDER * u.center_px))
    causes = []
    for names, problem, limit, tell in (
        (BOWS, replace(now.found.problem, board=bowed), board.bow_u_mm, _bow_finding),
        (CENTRES, replace(now.found.problem, camera=moved), u.center_px, _centre_finding),
    ):
        found = fitted(problem)
        if found is None or absurd(found.fit.noise, found.prior):
            continue
        errors = found.fit.state.errors[len(found.systematic.sd) :]
        rows = [k for k, name in enumerate(found.gathered.terms.names) if name in names]
        if np.linalg.norm(errors[rows]) > LEAST_DEVIATES * limit > 0.0:
            weight = weight_of(found) + SCALE_SHARE
            said = tell(problem, errors[rows])
            causes.append(Cause(weight, (said,), problem, texts_of(now), found=found))
    return causes


def _bow_finding(problem: Problem, bow: Array) -> Finding:
    return finding("board-bowed", sag_mm=f"{float(np.linalg.norm(bow)):.2g}")


def _centre_finding(problem: Problem, off: Array) -> Finding:
    matrix = problem.camera.matrix
    return finding(
        "lens",
        "centre",
        field="matrix",
        typed=f"{matrix[0][2]:.1f}, {matrix[1][2]:.1f}",
        suggested=f"{matrix[0][2] + off[0]:.1f}, {matrix[1][2] + off[1]:.1f}",
    )


LEAST_MM = 0.1  # mm; below, a robot is as good as compensated (Slamani, Nubiola, Bonev 2012)
SMOOTH_SHARE = -3.0  # log of how common it is among sessions, common practice, no source
LEVER_MM = (
    400.0  # mm; over such a distance errors of an arm change by their own size, common practice
)
# What a robot of 0.5 mm turns the flange (Slamani, Nubiola, Bonev 2012: 0.65 mm and 0.16°).
RAD_PER_MM = float(np.radians(0.16)) / 0.65


def smooth_causes(scene: Scene) -> list[Cause]:
    """Return the robot's geometry as a cause, where the estimate does not hold it already."""
    found = scene.found
    if len(found.stations.systematic_sd):
        return []
    columns, sd = _arm_columns(scene) or _any_columns(found.stations)
    stations = replace(found.stations, systematic=columns, systematic_sd=sd)
    errors = np.zeros(len(sd) + len(stations.terms_sd))
    state = State(found.fit.state.camera, found.fit.state.board, errors)
    used = found.used
    ended = fit(stations.take(used), state, found.prior)
    weight = evidence(stations, used, ended, found.prior) + SMOOTH_SHARE
    moved = (columns[used] @ ended.state.errors[: len(sd)])[:, 3:]
    error = float(np.sqrt((moved**2).sum(axis=1).mean()))
    if error < LEAST_MM:
        return []
    described = finding("robot-geometry", error_mm=error, suggested=f"{error:.2g}")
    return [Cause(weight, (described,), found.problem, texts_of(scene), last=True)]


def _arm_columns(scene: Scene) -> tuple[Array, Array] | None:
    """Return the flange's displacement per geometric error of the arm, where it is described."""
    robot = scene.found.problem.robot
    if robot is None or not (robot.geometry_mm or robot.links):
        return None
    model = systematic(replace(robot, accuracy_mm=ASSUMED_ACCURACY_MM))
    seen = tuple(scene.found.problem.observations[i] for i in scene.found.gathered.index)
    return flange_errors(model, scene.stations.typed, typed_joints(seen)), model.sd


def _any_columns(stations: Stations) -> tuple[Array, Array]:
    """Return displacements (n, 6, 18) that grow linearly with the place, for any arm."""
    place = stations.typed[:, :3, 3]
    off = (place - place.mean(axis=0)) / LEVER_MM
    columns = np.zeros((len(place), 6, 18))
    for axis in range(6):
        columns[:, axis, 3 * axis : 3 * axis + 3] = off
    sd = np.repeat([ASSUMED_ACCURACY_MM * RAD_PER_MM, ASSUMED_ACCURACY_MM], 9)
    return columns, sd
