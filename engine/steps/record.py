"""Recording one station: examine what was typed, examine what was seen, store both.

`examine_pose` is fast enough to run while somebody types; `examine_image` searches the board and
belongs in the background. `examine` joins the two, and `store` writes the station unless a finding
still stands.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..boards.detect import Detection, detect
from ..boards.points_file import points_text, read_points
from ..checks.motion import RecordedPose, between, motion_findings, off_plan_findings
from ..checks.reach import joint_findings, reach_findings
from ..checks.thresholds import IMAGE_UNCHANGED_PX, SMALL_MOVE_DEG, SMALL_MOVE_MM
from ..checks.units import unit_findings
from ..errors import FileError, PoseError, StationbookError
from ..findings import Finding, Level, finding
from ..frames import from_position_quaternion
from ..images.load import decode_image
from ..images.quality import ImageReport, look, quality_findings
from ..pendant.entry import TypedJoints, TypedPose, parse_joints, parse_pose
from ..sessions.folder import commit, stored_points
from ..sessions.observations import Observation
from ..sessions.poses import joint_values, station_pose
from ..sessions.session import Session, Station
from .predict import board_pose, predictor_for, seen_findings

Array = NDArray[np.float64]

# Errors that a technician may overrule with a reason: the pose was read off a robot that stands
# there, so the robot file can be what is wrong.
OVERRULED_WITH_REASON = ("reach", "joint-limit")


@dataclass(frozen=True, slots=True, eq=False)
class Known:
    """What earlier stations contribute to the checks of the next one, or of station ``before``."""

    poses: tuple[RecordedPose, ...]
    overruled_in_a_row: int
    before: int | None = None


@dataclass(frozen=True, slots=True, eq=False)
class PoseDraft:
    """A typed pose, examined. ``base_T_flange`` None: it could not be read."""

    typed: TypedPose | None
    joints: TypedJoints | None
    base_T_flange: Array | None
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, eq=False)
class ViewDraft:
    """What the camera saw, examined: an image, points or a board pose, or nothing at all."""

    findings: tuple[Finding, ...]
    name: str | None = None
    image: bytes | None = None
    point_ids: NDArray[np.int64] | None = None
    pixels: Array | None = None
    board_pose: tuple[float, ...] | None = None
    detection: Detection | None = None
    report: ImageReport | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Draft:
    """One station ready to be stored, with every finding about it."""

    pose: PoseDraft
    view: ViewDraft
    findings: tuple[Finding, ...]
    closing: bool = False
    retake: int | None = None


def known(session: Session, *, before: int | None = None) -> Known:
    """Return what the stations recorded (before station ``before``) say about the next one."""
    poses, overruled = [], 0
    for station in session.stations:
        if station.id == before:
            break
        base_T_flange = station_pose(session.cell, station)
        if base_T_flange is not None:
            poses.append(RecordedPose(station.id, base_T_flange))
        doubted = any(code in OVERRULED_WITH_REASON for code in station.accepted)
        overruled = overruled + 1 if doubted else 0
    return Known(tuple(poses), overruled, before)


def examine_pose(
    session: Session,
    text: str | None,
    joints_text: str | None = None,
    *,
    closing: bool = False,
    earlier: Known | None = None,
) -> PoseDraft:
    """Examine a typed pose, and the typed joints where given, against the recorded stations.

    ``earlier`` saves computing `known(session)` again on every key. Never raises for what was
    typed: what cannot be read is a finding.
    """
    cell = session.cell
    earlier = earlier if earlier is not None else known(session)
    try:
        typed = parse_pose(text, cell.pendant) if text is not None else None
    except PoseError as error:
        return PoseDraft(None, None, None, (_unreadable(error, None),))
    try:
        joints = _parsed_joints(joints_text, session)
    except PoseError as error:
        return PoseDraft(typed, None, None, (_unreadable(error, "joints"),))
    trial = Station(
        id=session.next_id,
        pose=typed.fields if typed else None,
        joints=joints.fields if joints else None,
    )
    pose = station_pose(cell, trial)
    if pose is None:
        return PoseDraft(typed, joints, None, (_unreadable(_nothing_typed(session), None),))
    found = unit_findings(typed.values, typed.fields, cell.pendant) if typed else []
    found += motion_findings(pose, earlier.poses, cell.pendant, closing=closing)
    if earlier.before is None and not closing:
        found += _off_plan(session, pose)
    values = joint_values(cell, trial)
    if cell.robot is not None:
        found += reach_findings(
            cell.robot, pose, values, overruled_in_a_row=earlier.overruled_in_a_row
        )
    if typed and values is not None:
        found += joint_findings(cell, pose, values)
    return PoseDraft(typed, joints, pose, tuple(found))


def _off_plan(session: Session, pose: Array) -> list[Finding]:
    """Return the note `off-plan` where the pose is far from every station still planned."""
    goals = {}
    for index, planned in enumerate(session.plan):
        if planned.skipped is None and planned.pose is not None:
            joints = session.cell.pendant.rotation == "joints"
            wanted = Station(0, joints=planned.pose) if joints else Station(0, pose=planned.pose)
            goal = station_pose(session.cell, wanted)
            if goal is not None:
                goals[index] = goal
    if not goals:
        return []
    distance, _ = between(pose, np.stack(list(goals.values())))
    nearest = list(goals)[int(distance.argmin())]
    return off_plan_findings(pose, goals[nearest], nearest + 1)


def _parsed_joints(text: str | None, session: Session) -> TypedJoints | None:
    if text is None:
        return None
    robot = session.cell.robot
    if robot is None:
        raise PoseError("joints were typed but the cell describes no robot", "Type the pose.")
    return parse_joints(text, session.cell.pendant, robot.axes, robot)


def _nothing_typed(session: Session) -> PoseError:
    if session.cell.pendant.rotation == "joints":
        return PoseError("no joint angles", "This cell's stations are typed as joint angles.")
    return PoseError("no pose", "Type the pose as the pendant shows it.")


def _unreadable(error: PoseError, variant: str | None) -> Finding:
    return finding("format", variant, field=error.field, problem=error.problem, remedy=error.remedy)


def examine_image(session: Session, folder: Path, path: Path) -> ViewDraft:
    """Read an image file and examine it. Raises FileError when it is missing or is no image."""
    return examine_image_data(session, folder, _read_bytes(path), path.name)


def examine_image_data(session: Session, folder: Path, data: bytes, name: str) -> ViewDraft:
    """Search the board in an image file's content and look at its quality.

    Raises FileError when it is no image.
    """
    grey = decode_image(data, name)
    cell = session.cell
    detection = detect(grey, cell.board)
    report = look(grey, detection, cell.board, cell.camera)
    found = quality_findings(report, cell.board, cell.camera, image=name)
    same = _station_with_image(session, folder, data)
    if same is not None:
        found.append(finding("same-image", other=same))
    seen = len(detection.ids) > 0
    return ViewDraft(
        tuple(found),
        name=name,
        image=data,
        point_ids=detection.ids if seen else None,
        pixels=detection.pixels if seen else None,
        detection=detection,
        report=report,
    )


def examine_points(session: Session, path: Path) -> ViewDraft:
    """Read detected points (CSV id,u_px,v_px). Raises FileError naming the line."""
    ids, pixels = read_points(path, session.cell.board)
    return ViewDraft((), name=path.name, point_ids=ids, pixels=pixels)


def examine_board_pose(text: str) -> ViewDraft:
    """Read x y z qx qy qz qw [mm, -] of camera_T_board. Raises PoseError."""
    words = text.replace(";", " ").replace(",", " ").split()
    try:
        values = tuple(float(word) for word in words)
        from_position_quaternion(values)
    except (ValueError, StationbookError) as error:
        problem = getattr(error, "problem", f"{text!r} holds a word that is no number")
        raise PoseError(
            f"board pose: {problem}", "Write x y z qx qy qz qw, mm, with decimal points."
        ) from error
    return ViewDraft((), board_pose=values)


def no_view() -> ViewDraft:
    """Return the view of a station without image and points."""
    return ViewDraft((finding("board-missing", "no-image"),))


def _read_bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise FileError(path, f"cannot be read ({error.strerror})") from error


def _station_with_image(session: Session, folder: Path, data: bytes) -> int | None:
    """Return the station whose image has the same content; sizes are compared before contents."""
    for station in session.stations:
        if station.image is None:
            continue
        path = folder / station.image
        if path.is_file() and path.stat().st_size == len(data) and path.read_bytes() == data:
            return station.id
    return None


def examine(
    session: Session,
    folder: Path,
    pose: PoseDraft,
    view: ViewDraft,
    *,
    closing: bool = False,
    retake: int | None = None,
) -> Draft:
    """Join what was typed and what was seen; check the one against the other."""
    together: list[Finding] = []
    if pose.base_T_flange is not None and view.pixels is not None and not closing:
        together += _unchanged_view(session, folder, pose.base_T_flange, view, retake)
    if pose.base_T_flange is not None and not any(i.code == "same-image" for i in together):
        together += _against_image(session, folder, pose, view, retake)
    return Draft(pose, view, (*pose.findings, *view.findings, *together), closing, retake)


def _against_image(
    session: Session, folder: Path, pose: PoseDraft, view: ViewDraft, retake: int | None
) -> list[Finding]:
    """Return `does-not-fit` where the recorded stations say that the image shows another pose."""
    if pose.base_T_flange is None or (view.pixels is None and view.board_pose is None):
        return []
    seen = Observation(
        id=session.next_id if retake is None else retake,
        base_T_flange=pose.base_T_flange,
        point_ids=view.point_ids,
        pixels=view.pixels,
        camera_T_board=board_pose(view.board_pose),
    )
    fields = pose.typed or pose.joints
    made = predictor_for(session, folder, retake)
    return seen_findings(made, seen, None if fields is None else fields.fields)


def _unchanged_view(
    session: Session, folder: Path, pose: Array, view: ViewDraft, retake: int | None
) -> list[Finding]:
    """Return `same-image/unchanged` where the pose changed but the board in the image did not."""
    earlier = [s for s in session.stations if s.id != retake and s.points is not None]
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
    _, here, there = np.intersect1d(view.point_ids, points[0], return_indices=True)
    if not len(here):
        return []
    shift = np.linalg.norm(view.pixels[here] - points[1][there], axis=1)
    if shift.max() > IMAGE_UNCHANGED_PX:
        return []
    return [
        finding(
            "same-image",
            "unchanged",
            other=last.id,
            distance_mm=f"{distance[0]:.0f}",
            angle_deg=f"{angle_deg:.1f}",
        )
    ]


def outstanding(
    findings: Iterable[Finding], accepted: Sequence[str], reason: str | None
) -> tuple[Finding, ...]:
    """Return the findings that still keep a station from being stored."""

    def stands(item: Finding) -> bool:
        if item.level is Level.NOTE:
            return False
        if item.level is Level.ERROR:
            overruled = item.code in OVERRULED_WITH_REASON and item.code in accepted
            return not (overruled and reason and reason.strip())
        return item.code not in accepted

    return tuple(item for item in findings if stands(item))


def can_be_accepted(item: Finding) -> bool:
    """Tell whether the operator may store the station in spite of ``item``."""
    return item.level is not Level.ERROR or item.code in OVERRULED_WITH_REASON


def store(
    session: Session,
    folder: Path,
    draft: Draft,
    *,
    accepted: Sequence[str] = (),
    reason: str | None = None,
    operator: str | None = None,
    now: datetime,
) -> tuple[Session, Station]:
    """Store one station and return the new session and the station.

    Raises StationbookError when a finding still stands, so that nothing is ever stored by mistake.
    """
    standing = outstanding(draft.findings, accepted, reason)
    if standing:
        raise StationbookError(f"not stored: {standing[0].message}", standing[0].remedy)
    station_id = draft.retake if draft.retake is not None else session.next_id
    names, files = _new_files(folder, station_id, draft.view)
    used = tuple(code for code in dict.fromkeys(accepted) if _has(draft.findings, code))
    station = Station(
        id=station_id,
        pose=draft.pose.typed.fields if draft.pose.typed else None,
        joints=draft.pose.joints.fields if draft.pose.joints else None,
        image=names.get("image"),
        points=names.get("points"),
        board_pose=draft.view.board_pose,
        taken=now.isoformat(timespec="seconds"),
        accepted=used,
        operator=operator if operator != session.operator else None,
        note=reason if used and reason else None,
        closing=draft.closing,
    )
    action: dict[str, Any] = {
        "action": "record" if draft.retake is None else "retake",
        "who": operator or session.operator,
        "station": station_id,
        "typed": list(station.pose or station.joints or ()),
        "accepted": list(used),
        "reason": reason,
        "source": draft.view.name,
    }
    new = session.with_station(station)
    commit(folder, new, action, files, now)
    return new, station


def _has(findings: Iterable[Finding], code: str) -> bool:
    return any(item.code == code for item in findings)


def _new_files(
    folder: Path, station_id: int, view: ViewDraft
) -> tuple[dict[str, str], dict[str, bytes]]:
    """Return the station's file names and the contents to write; old files are never replaced."""
    names: dict[str, str] = {}
    files: dict[str, bytes] = {}
    if view.image is not None:
        suffix = Path(view.name or "").suffix.lower() or ".png"
        names["image"] = _free_name(folder, "images", station_id, suffix)
        files[names["image"]] = view.image
    if view.point_ids is not None and view.pixels is not None:
        names["points"] = _free_name(folder, "points", station_id, ".csv")
        files[names["points"]] = points_text(view.point_ids, view.pixels).encode()
    return names, files


def _free_name(folder: Path, kind: str, station_id: int, suffix: str) -> str:
    name, attempt = f"{kind}/{station_id:03d}{suffix}", 1
    while (folder / name).exists():
        attempt += 1
        name = f"{kind}/{station_id:03d}-{attempt}{suffix}"
    return name
