"""A typed pose against what its image says, as soon as the recorded stations solve.

A `Predictor` holds the fit of the recorded stations; making it costs an estimate, once per change
of the session, and may run in the background. Using it costs a few milliseconds.

Before the stations solve, screw congruence watches: between two stations robot and board turn by
the same angle, and travel by the same distance along the axis of that turn (Chen 1991; Daniilidis
1999, section 4.2). Neither needs a solution.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..arrays import Array
from ..camera.views import LEAST_POINTS, board_pose
from ..cell.stations import Layout, Observation, layout, normal_fields, numbers
from ..errors import SolveError, StationbookError
from ..estimate import Problem, Result, estimated
from ..estimate.gather import board_turns
from ..estimate.information import predict_flange
from ..estimate.problem import related
from ..findings import Finding, finding
from ..frames import displacement, inverse, rotation_angle, rotation_log
from ..pendant.entry import format_pose
from ..pendant.settings import LENGTH_MM
from ..robots.kinematics import kinematics
from ..tails import f_isf, t_isf
from .entry import UNIT_NAMES
from .explain import DIFFERENCE_STEP, Explanation, Prediction, explanations

# Stations from which a pose is predicted. Three leave 6 degrees of freedom. Simulated, at the
# fourth: slips of 20 mm all found, of 5 mm in 6 of 10, no good pose of 600 questioned; a bad one
# among the three widens the prediction (a good fourth was questioned in 4 of 180).
PREDICTED_LEAST = 3
# Chance that a good station is questioned: over 15 stations together 1.5 % of the sessions.
PREDICTION_SIGNIFICANCE = 1e-3

# Times the robot's accuracy by which configurations may differ: two RMS errors, and a tail.
CONFIGURATION_FACTOR = 5.0

# Robot and board turn by the same angle between two stations. Good stations agree within 0.1° to
# 0.3° (image noise of a small board); an old image or degrees for radians differ by 20° and more, a
# wrong order of angles by about 3° (simulated sessions).
CONGRUENCE_DEG = 1.5
# Below this turn the axis of a motion is too uncertain to measure travel along it.
CONGRUENCE_LEAST_TURN_DEG = 5.0
# Travel along the axis that a unit is judged by: a tenth of it is several times the noise.
TRAVEL_LEAST_MM = 15.0
# A ratio of travels this near to 1000 or 25.4 is that unit: the next candidate is 1.55 times off.
CONGRUENCE_UNIT_FACTOR = 1.15


@dataclass(frozen=True, slots=True, eq=False)
class Predictor:
    """The fit of the recorded stations, ready to predict.

    ``result`` None: they do not solve yet. ``poses`` and ``views`` are base_T_flange and
    camera_T_board by station id, in the order recorded; ``previous`` the last station's fields.
    ``suspected``: what the recorded stations say is wrong with all that is recorded.
    """

    problem: Problem
    result: Result | None
    layout: Layout
    poses: Mapping[int, Array]
    views: Mapping[int, Array]
    previous: tuple[str, ...] | None
    suspected: tuple[Finding, ...] = ()


def predictor(
    problem: Problem, previous: Sequence[str] | None = None, found: Result | None = None
) -> Predictor:
    """Return the predictor of recorded stations; ``previous`` the last one's fields as typed.

    ``found``: the fit of these stations, where it is known already.
    """
    enough = len(problem.observations) >= PREDICTED_LEAST
    found = (found or estimated(problem)) if enough else None
    usable = found is not None and sum(s.used for s in found.stations) >= PREDICTED_LEAST
    views = {seen.id: _view(problem, seen) for seen in problem.observations}
    return Predictor(
        problem=problem,
        result=found if usable else None,
        layout=layout(problem.pendant, problem.robot),
        poses={seen.id: seen.base_T_flange for seen in problem.observations},
        views={i: view for i, view in views.items() if view is not None},
        previous=None if previous is None else normal_fields(previous, problem.pendant),
    )


def _view(problem: Problem, seen: Observation) -> Array | None:
    """Return the likeliest camera_T_board (4, 4) of an image, or None."""
    if seen.pixels is None or seen.point_ids is None or len(seen.pixels) < LEAST_POINTS:
        return seen.camera_T_board
    try:
        points = problem.board.points()[seen.point_ids]
        return board_pose(points, seen.pixels, problem.camera)[0][0]
    except (StationbookError, IndexError):
        return None


def prediction_findings(
    predictor: Predictor, seen: Observation, fields: Sequence[str] | None
) -> list[Finding]:
    """Return `does-not-fit` or `unit` where the typed pose of ``seen`` is not what its image says.

    ``fields`` as typed; None: what the pendant would show stands for them.
    """
    if predictor.result is None:
        return congruence_findings(predictor, seen)
    try:
        flange, covariance = predict_flange(predictor.result, predictor.problem, seen)
    except SolveError:
        return []
    used = sum(station.used for station in predictor.result.stations)
    degrees = max(6.0 * used - 12.0, 6.0)
    prediction = Prediction(flange, covariance)
    pendant = predictor.problem.pendant
    texts = None if fields is None else normal_fields(fields, pendant)
    if texts is None and not pendant.shows_joints:
        texts = format_pose(seen.base_T_flange, pendant)
    if texts is None or not stands_out(predictor.layout, texts, prediction, degrees):
        return []
    if _fits_otherwise(predictor, seen, texts, prediction, degrees):
        return []
    limit = 6.0 * _largest(degrees)  # what is suggested is taken once it is typed
    likely = explanations(predictor.layout, texts, (prediction,), predictor.previous)
    fitting = [item for item in likely if item.size < limit]
    off = displacement(flange, seen.base_T_flange)
    return [_finding(predictor.layout, texts, fitting[0] if fitting else None, off)]


def _fits_otherwise(
    predictor: Predictor,
    seen: Observation,
    fields: Sequence[str],
    prediction: Prediction,
    degrees: float,
) -> bool:
    """Tell whether the pose fits when the arm stands in another configuration than assumed.

    The robot's systematic errors differ between configurations, by no more than a few times its
    accuracy; a pose that is farther off is wrong in any of them.
    """
    robot, result = predictor.problem.robot, predictor.result
    off = displacement(prediction.flange, seen.base_T_flange)
    if robot is None or result is None or not result.systematic.names or seen.joints is not None:
        return False
    if np.linalg.norm(off[3:]) > CONFIGURATION_FACTOR * robot.accuracy:
        return False
    try:
        branches = kinematics(robot).branches(seen.base_T_flange, limited=False)
    except StationbookError:
        return False
    for q in branches:
        other = predict_flange(result, predictor.problem, replace(seen, joints=q))
        if not stands_out(predictor.layout, fields, Prediction(*other), degrees):
            return True
    return False


def stands_out(
    layout: Layout, fields: Sequence[str], prediction: Prediction, degrees: float
) -> bool:
    """Tell whether the whole pose, or any single field, is farther off than noise explains.

    Two tests share `PREDICTION_SIGNIFICANCE`: F with 6 degrees of freedom for the pose, and Student
    t for each field (a single shift hides less well in one than in six).
    """
    values = numbers(fields)
    moved = layout.poses(np.vstack([values, values + DIFFERENCE_STEP * np.eye(len(values))]))
    off = displacement(prediction.flange, moved[0])
    C_inverse = np.linalg.inv(prediction.covariance)
    if off @ C_inverse @ off / 6.0 > _largest(degrees):
        return True
    J = (displacement(moved[1:], moved[0]) / DIFFERENCE_STEP).T
    size = np.sqrt(np.maximum(np.einsum("iq,ij,jq->q", J, C_inverse, J), 1e-300))
    deviate = np.abs(J.T @ C_inverse @ off) / size
    return bool(deviate.max() > t_isf(PREDICTION_SIGNIFICANCE / 2 / len(values) / 2, degrees / 2))


def _largest(degrees: float) -> float:
    """Return the squared deviation over 6 up to which a whole pose fits."""
    return f_isf(PREDICTION_SIGNIFICANCE / 2, 6, degrees)


def _finding(
    layout: Layout, fields: Sequence[str], slip: Explanation | None, off: Array
) -> Finding:
    if slip is None:
        return finding(
            "does-not-fit",
            "no-suggestion",
            distance_mm=np.linalg.norm(off[3:]),
            angle_deg=np.degrees(np.linalg.norm(off[:3])),
        )
    return finding(
        "does-not-fit",
        field=" and ".join(layout.labels[k] for k in slip.fields),
        typed=" and ".join(fields[k] for k in slip.fields),
        suggested=" and ".join(slip.texts),
    )


def congruence_findings(predictor: Predictor, seen: Observation) -> list[Finding]:
    """Return what the motions since the recorded stations betray, without any solution.

    A station counts as out of step where robot and board turned differently since most of the
    recorded ones.
    """
    view = _view(predictor.problem, seen)
    if view is None or not predictor.views:
        return []
    others = list(predictor.views)
    G = related(predictor.problem.mount, np.array([predictor.poses[i] for i in others]))
    robot = related(predictor.problem.mount, seen.base_T_flange) @ inverse(G)
    known = inverse(np.array([predictor.views[i] for i in others]))
    # Each station may number a board that looks the same after a turn in its own way.
    ways = view @ board_turns(predictor.problem.board)[:, None] @ known
    off = rotation_angle(ways[..., :3, :3]) - rotation_angle(robot[:, :3, :3])
    board = ways[np.argmin(np.abs(off), axis=0), np.arange(len(others))]
    unit = _unit_finding(predictor, robot, board)
    if unit is not None:
        return [unit]
    turns = np.degrees([rotation_angle(robot[:, :3, :3]), rotation_angle(board[:, :3, :3])])
    apart = np.abs(turns[0] - turns[1]) > CONGRUENCE_DEG
    if not apart[-1] or apart.mean() <= 0.5:
        return []
    robot_deg, board_deg = turns[:, -1]
    other = others[-1]
    return [
        finding("does-not-fit", "motion", other=other, robot_deg=robot_deg, board_deg=board_deg)
    ]


def _unit_finding(predictor: Predictor, robot: Array, board: Array) -> Finding | None:
    """Return `unit` where board and robot travel differ by just the factor of another unit."""
    k = travel_ratio(robot, board)
    declared = predictor.problem.pendant.length_unit
    if k is None or predictor.problem.pendant.shows_joints:
        return None
    for unit, size in LENGTH_MM.items():
        factor = size / LENGTH_MM[declared]
        near = max(k / factor, factor / k) < CONGRUENCE_UNIT_FACTOR
        if unit != declared and near:
            return finding(
                "unit",
                field="the position",
                typed="as typed",
                looks_like=UNIT_NAMES[unit],
                expected=UNIT_NAMES[declared],
                key="length_unit",
            )
    return None


def travel_ratio(robot: Array, board: Array) -> float | None:
    """Return board travel over robot travel along the screw axes, the median of motions (n, 4, 4).

    None where no motion turns or travels enough to tell.
    """
    ratios = []
    for A, B in zip(robot, board, strict=True):
        turn = min(rotation_angle(A[:3, :3]), rotation_angle(B[:3, :3]))
        far = abs(_travel(B))
        if math.degrees(turn) >= CONGRUENCE_LEAST_TURN_DEG and far >= TRAVEL_LEAST_MM:
            ratios.append(far / max(abs(_travel(A)), 1e-9))
    return float(np.median(ratios)) if ratios else None


def _travel(motion: Array) -> float:
    """Return how far a motion (4, 4) travels along the axis of its turn [mm]."""
    axis = rotation_log(motion[:3, :3])
    return float(axis @ motion[:3, 3] / max(float(np.linalg.norm(axis)), 1e-12))
