"""What was typed for a station, examined: by itself, beside the others, and against its image.

Whether an image belongs to it is told by a fit, made once per change of the session.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial
from itertools import takewhile
from pathlib import Path

import numpy as np

from ..arrays import Array
from ..cell.cell import Cell
from ..cell.result import DIAGNOSED_OF_ALL
from ..cell.session import PlannedStation, Session, Station
from ..cell.stations import (
    Observation,
    joint_values,
    normal_fields,
    station_pose,
    typed_station,
)
from ..checks.as_joints import joints_typed_findings
from ..checks.digits import decimals, digits_findings
from ..checks.entry import (
    IMAGE_UNCHANGED_PX,
    OVERRULED_WITH_REASON,
    SMALL_MOVE_DEG,
    SMALL_MOVE_MM,
    RecordedPose,
    asked_findings,
    between,
    closing_findings,
    keep_out_findings,
    lost_point_findings,
    motion_findings,
    off_plan_findings,
    reach_findings,
    told_findings,
    unit_findings,
)
from ..checks.prediction import PREDICTED_LEAST, Predictor, prediction_findings, predictor
from ..checks.same_shift import same_shift_findings
from ..checks.shown import Stop, compared, comparison_findings, stop_of, stops_of
from ..diagnosis.diagnose import diagnosed
from ..errors import PoseError, StationbookError
from ..estimate.noticed import unseen
from ..estimate.problem import Problem, problem_from
from ..estimate.result import Result
from ..findings import Finding, Level, finding
from ..frames import from_position_quaternion
from ..pendant.entry import TypedJoints, TypedPose, parse_joints, parse_pose
from ..plans.arm import foot
from ..sessions.numbers import stored_points
from .solve import session_problem
from .station_image import ViewDraft


@dataclass(frozen=True, slots=True, eq=False)
class Known:
    """What the other stations contribute to the checks of the next one, or of a recorded one.

    ``poses``: the last is the one from which the robot came. ``station``: the recorded one that
    they are held against; None: the next one.
    """

    poses: Sequence[RecordedPose]
    overruled_in_a_row: int = 0
    station: int | None = None
    stops: tuple[Stop, ...] = ()  # those with joints and pose
    decimals: frozenset[tuple[int, ...]] = frozenset()  # of lines typed, a corrected one's own too


@dataclass(frozen=True, slots=True, eq=False)
class PoseDraft:
    """A typed pose, examined. ``base_T_flange`` None: it could not be read.

    ``station``: the recorded one that it belongs to; None: the next. ``closing``: it returns to an
    earlier one.
    """

    typed: TypedPose | None
    joints: TypedJoints | None
    base_T_flange: Array | None
    findings: tuple[Finding, ...]
    station: int | None = None
    closing: bool = False


def known(session: Session, *, retake: int | None = None, correct: int | None = None) -> Known:
    """Return what the stations recorded say about the next one.

    ``retake``: about that station instead, to which the robot comes from where it stands now;
    ``correct``: about another text for its pose, to which it came from the stop visited before.
    """
    new, stations = retake is None and correct is None, session.visited
    if correct is not None:
        at = stations.index(session.existing(correct))
        stations = (*stations[at + 1 :], *stations[:at])
    # the pose of the first station is the closing one's on purpose
    others = [s for s in stations if new or not (s.id == retake or s.closing)]
    poses, overruled = [], 0
    for station in others:
        base_T_flange = station_pose(session.cell, station)
        if base_T_flange is not None:
            poses.append(RecordedPose(station.id, base_T_flange))
        doubted = any(code in OVERRULED_WITH_REASON for code in station.accepted)
        overruled = overruled + 1 if doubted else 0
    about = correct if retake is None else retake
    lines = others if correct is None else [*others, session.existing(correct)]
    return Known(
        tuple(poses), overruled, about, stops_of(session.cell, others), _decimals(session, lines)
    )


def _decimals(session: Session, stations: Iterable[Station]) -> frozenset[tuple[int, ...]]:
    """Return with how many decimals the fields of these stations were typed."""
    found = set()
    for station in stations:
        with suppress(PoseError):  # what cannot be read is said where it is checked
            if station.typed:
                fields = normal_fields(station.typed, session.cell.pendant)
                found.add(tuple(map(decimals, fields)))
    return frozenset(found)


def examine_pose(
    session: Session,
    text: str | None,
    joints_text: str | None = None,
    *,
    closing: bool = False,
    earlier: Known | None = None,
    told: Sequence[PlannedStation] | None = None,
) -> PoseDraft:
    """Examine a typed pose, and the typed joints where given, against the recorded stations.

    ``earlier`` saves computing `known(session)` again on every key. ``told``: the moves that the
    operator was told, where those are others than the session's plan. Never raises for what was
    typed: what cannot be read is a finding.
    """
    cell = session.cell
    earlier = earlier if earlier is not None else known(session)
    draft = partial(PoseDraft, station=earlier.station, closing=closing)
    try:
        typed = parse_pose(text, cell.pendant) if text is not None else None
    except PoseError as error:
        return draft(None, None, None, (_unreadable(error, None),))
    try:
        joints = _parsed_joints(joints_text, session)
    except PoseError as error:
        return draft(typed, None, None, (_unreadable(error, "joints"),))
    trial = Station(
        id=session.next_id,
        pose=typed.fields if typed else None,
        joints=joints.fields if joints else None,
        closing=closing,
    )
    pose = station_pose(cell, trial)
    if pose is None:
        absent = PoseError("no pose", "Type the pose as the pendant shows it.")
        if cell.pendant.shows_joints:
            absent = PoseError("no joint angles", "This cell's stations are typed as joint angles.")
        return draft(typed, joints, None, (_unreadable(absent, None),))
    found = pose_findings(cell, trial, typed, pose, earlier)
    if typed is not None:
        others = [s for s in session.stations if s.id != earlier.station]
        accepted = any("joints-typed" in s.accepted for s in others)
        asked = joints_typed_findings(
            cell, typed.values, pose, found, foot(cell.robot), accepted=accepted
        )
        found = asked + found
    if stop := stop_of(cell, trial):
        found += comparison_findings(cell, compared(cell, (*earlier.stops, stop)))
    elif not earlier.poses:
        found += asked_findings(cell)
    if not closing and earlier.station is None:
        goals = _goals(session, session.plan if told is None else told)
        if typed is not None:
            found = told_findings(typed, cell.pendant, goals) + found
        found += _off_plan(pose, goals)
    lost = {item.field for item in found if item.code == "lost-point"}
    found += digits_findings(trial.typed, cell.pendant, earlier.decimals, lost)
    return draft(typed, joints, pose, tuple(found))


def pose_findings(
    cell: Cell, station: Station, typed: TypedPose | None, pose: Array, earlier: Known
) -> list[Finding]:
    """Return what the pose (4, 4) [mm] of ``station`` says by itself and beside earlier ones.

    ``typed``: the pose as typed, None where joints were. Raises PoseError for unreadable joints.
    """
    found = []
    if typed:
        found += lost_point_findings(typed.values, typed.fields, cell.pendant)
        found += unit_findings(typed.values, typed.fields, cell.pendant)
    found += motion_findings(pose, earlier.poses, cell.pendant, closing=station.closing)
    found += closing_findings(pose, earlier.poses) if station.closing else []
    found += keep_out_findings(cell, pose)
    joints = joint_values(cell, station)
    if cell.robot is not None:
        found += reach_findings(
            cell.robot, pose, joints, overruled_in_a_row=earlier.overruled_in_a_row
        )
    return found


def examine_line(
    session: Session,
    line: str,
    beside: str | None,
    *,
    closing: bool = False,
    earlier: Known | None = None,
    told: Sequence[PlannedStation] | None = None,
) -> PoseDraft:
    """Examine the line typed for a station: a pose, or joints where the pendant shows those.

    ``beside``: the joints typed beside a pose. The rest as in `examine_pose`.
    """
    typed, joints = (None, line) if session.cell.pendant.shows_joints else (line, beside)
    return examine_pose(session, typed, joints, closing=closing, earlier=earlier, told=told)


def _goals(session: Session, told: Sequence[PlannedStation]) -> dict[int, TypedPose]:
    """Return the poses still to be visited, by the numbers that their stations will get."""
    goals = {}
    left = [item for item in told if item.skipped is None]
    for number, planned in enumerate(left, start=session.next_id):
        if planned.pose is None:
            continue
        with suppress(PoseError):
            goal = station_pose(session.cell, typed_station(session.cell.pendant, planned.pose))
            if goal is not None:
                values = tuple(map(float, planned.pose))
                goals[number] = TypedPose(planned.pose, values, goal)
    return goals


def _off_plan(pose: Array, goals: Mapping[int, TypedPose]) -> list[Finding]:
    """Return the note `off-plan` where the pose is far from every station still planned."""
    if not goals:
        return []
    distance, _ = between(pose, np.stack([goal.base_T_flange for goal in goals.values()]))
    nearest = list(goals)[int(distance.argmin())]
    return off_plan_findings(pose, goals[nearest].base_T_flange, nearest)


def _parsed_joints(text: str | None, session: Session) -> TypedJoints | None:
    if text is None:
        return None
    robot = session.cell.robot
    if robot is None:
        raise PoseError("joints were typed but the cell describes no robot", "Type the pose.")
    return parse_joints(text, session.cell.pendant, robot.axes, robot)


def _unreadable(error: PoseError, variant: str | None) -> Finding:
    return finding("format", variant, field=error.field, problem=error.problem, remedy=error.remedy)


RECENT = 40  # stations that predict; older ones would change the prediction by less than its noise

KEPT = 4  # predictors kept: one for each camera of a cell, and one for a retake

_latest: list[tuple[Session, Path, int | None, Predictor | None]] = []


def predictor_for(
    session: Session, folder: Path, retake: int | None = None, found: Result | None = None
) -> Predictor | None:
    """Return the predictor of the stations in use, without ``retake``; None where it has nothing.

    Costs a solve, unless ``found`` is the fit of all stations in use; so the last few are kept:
    asking again for the same session costs nothing. May run in the background right after a
    station was stored.
    """
    for known, where, left_out, made in _latest:
        if where == folder and left_out == retake and known == session:
            return made
    stations = tuple(s for s in session.stations if s.use and s.id != retake)[-RECENT:]
    made = None
    if stations:
        if retake is not None or len(stations) != sum(s.use for s in session.stations):
            found = None
        with suppress(StationbookError):  # a damaged station is told by `check`; predicts nothing
            problem = session_problem(replace(session, stations=stations), folder)
            made = predictor(problem, stations[-1].typed or None, found)
            made = replace(made, suspected=_suspected(problem, stations, found))
    _latest[:] = [*_latest, (session, folder, retake, made)][-KEPT:]
    return made


# What concerns all that is recorded: no entry that is put right takes it away.
OF_ALL = tuple(code for code in DIAGNOSED_OF_ALL if code != "pairing")


def _suspected(
    problem: Problem, stations: Sequence[Station], found: Result | None
) -> tuple[Finding, ...]:
    """Return as warnings what the recorded stations say is wrong with all of them.

    ``found``: their result with its diagnosis, where that is known. What was accepted with one of
    them is not said again.
    """
    if len(problem.observations) < PREDICTED_LEAST:
        return ()
    if found is None:
        found = diagnosed(problem, {s.id: s.typed for s in stations if s.typed})
    known = {code for station in stations for code in station.accepted}
    return tuple(
        replace(item, level=Level.WARNING, message=f"By the stations recorded: {item.message}")
        for item in found.findings
        if item.code in OF_ALL and item.level is Level.ERROR and item.code not in known
    )


def together_findings(
    session: Session,
    folder: Path,
    pose: PoseDraft,
    view: ViewDraft,
    refused: Observation | None = None,
) -> list[Finding]:
    """Return what is to be said of a typed pose and an image that is held against it.

    ``refused``: the last stop that did not fit and was not stored, as `observed`. Costs a few
    milliseconds once `predictor_for` this session was made.
    """
    found: list[Finding] = []
    if pose.base_T_flange is not None and view.pixels is not None and not pose.closing:
        found += _unchanged_view(session, folder, pose.base_T_flange, view, pose.station)
    if not any(item.code == "same-image" for item in found):
        found += _misfit(session, folder, pose, view, refused)
    return found


def observed(session: Session, pose: PoseDraft, view: ViewDraft) -> Observation | None:
    """Return a stop as the estimator takes it; None without a pose or a board seen there."""
    if pose.base_T_flange is None or (view.pixels is None and view.board_pose is None):
        return None
    number = session.next_id if pose.station is None else pose.station
    board = None if view.board_pose is None else from_position_quaternion(view.board_pose)
    return Observation(
        number,
        pose.base_T_flange,
        view.point_ids,
        view.pixels,
        board,
        covariances=view.covariances,
        spatial=view.places is not None,
    )


def _misfit(
    session: Session,
    folder: Path,
    pose: PoseDraft,
    view: ViewDraft,
    refused: Observation | None,
) -> list[Finding]:
    """Return that the view shows no board before the camera, or `does-not-fit` with the others."""
    seen = observed(session, pose, view)
    if seen is None:
        return []
    if said := unseen(problem_from(session.cell, (seen,))):
        return said
    made = predictor_for(session, folder, pose.station)
    if made is None:
        return []
    if made.suspected:  # as long as that stands, no prediction tells what is wrong here
        return list(made.suspected)
    fields = pose.typed or pose.joints
    said = prediction_findings(made, seen, None if fields is None else fields.fields)
    if not any(item.code == MISFIT for item in said) or made.result is None:
        return said
    doubted = _doubted(session, pose.station)
    return same_shift_findings(made.problem, doubted, seen, refused) or said


MISFIT = "does-not-fit"


def _doubted(session: Session, left_out: int | None) -> list[int]:
    """Return the last stations in a row that were recorded although they did not fit."""
    visited = [s for s in session.visited if s.use and s.id != left_out]
    return [s.id for s in takewhile(lambda s: MISFIT in s.accepted, reversed(visited))]


def _unchanged_view(
    session: Session, folder: Path, pose: Array, view: ViewDraft, retake: int | None
) -> list[Finding]:
    """Return `same-image/unchanged` where the pose changed but the board in the image did not."""
    earlier = [s for s in session.visited if s.id != retake and s.points is not None]
    if not earlier or any(item.code == "same-image" for item in view.findings):
        return []
    last = earlier[-1]
    before = station_pose(session.cell, last)
    points = stored_points(session, folder, last)
    if before is None or points is None or view.pixels is None or view.point_ids is None:
        return []
    distance, angle = between(pose, before[None])
    angle_deg = float(np.degrees(angle[0]))
    if distance[0] < SMALL_MOVE_MM and angle_deg < SMALL_MOVE_DEG:
        return []
    _, here, there = np.intersect1d(view.point_ids, points.ids, return_indices=True)
    if not len(here):
        return []
    shift = np.linalg.norm(view.pixels[here] - points.pixels[there], axis=1)
    if shift.max() > IMAGE_UNCHANGED_PX:
        return []
    return [
        finding(
            "same-image",
            "unchanged",
            other=last.id,
            distance_mm=distance[0],
            angle_deg=angle_deg,
        )
    ]
