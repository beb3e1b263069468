"""Proving a result by touch: the pointer, the views, the touches, and what they conclude.

What is to be recorded is returned as a change, and nothing is written.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from math import inf, isfinite
from pathlib import Path

from ..cell.cell import Cell
from ..cell.mount import EYE_IN_HAND
from ..cell.result import TOLD, StoredResult
from ..cell.session import Session, Station
from ..cell.touched import Pointer
from ..checks.entry import asked_findings
from ..checks.shown import Stop, stop_of
from ..diagnosis.diagnose import diagnosed
from ..errors import FileError, PoseError, StationbookError, UsageError
from ..files import inside, read_bytes, sha256
from ..findings import Finding, Level, finding
from ..pendant.entry import parse_joints, parse_pose, typed_numbers
from ..proof.conclusion import (
    HeldOut,
    Proof,
    amended,
    concluded,
    held_out,
    held_out_finding,
    judged_touch,
    split,
)
from ..proof.stated import stated
from ..proof.touch import (
    Role,
    Touch,
    Touches,
    View,
    no_pointer,
    read_touches,
    touches_text,
)
from ..proof.touch_errors import PointError, point_errors
from ..robots.arms import joint_types
from ..sessions.changes import Change, Who, result_change
from ..sessions.results import moved_since, read_result, result_document, what_changed
from ..sessions.store import PROOF_FILE, RESULT_FILE, encoded
from .solve import session_problem, stops_compared, told_or_shown, typed_texts
from .station_image import examine_file, new_files


@dataclass(frozen=True, slots=True)
class Recorded:
    """One thing to record: all of proof.yaml after it, its number, and how to store it."""

    found: Touches
    which: int
    change: Change


def pointer_set(session: Session, found: Touches, tip: str, u_mm: float | None) -> Recorded:
    """Describe the pointer: x y z of its tip in the flange [mm] and u on each axis [mm]."""
    if u_mm is None or not (isfinite(u_mm) and u_mm > 0.0):
        raise UsageError(
            "how well the pointer's tip is known is not given", "Add --tip-u U, in mm, above 0."
        )
    pointer = Pointer(three_numbers(tip, "tip"), u_mm)
    details = {"tip_mm": tip, "u_mm": float(u_mm)}
    return _recorded(session, "pointer", 1, found.with_pointer(pointer), details)


def view_added(
    session: Session, folder: Path, found: Touches, file: Path, looked: str | None, now: datetime
) -> Recorded:
    """Add an image (or points) of the board lying in the cell; its number is the last view's id.

    Raises UsageError where the board is not found, or the pose of an eye-in-hand image is missing.
    """
    draft = examine_file(session, folder, file)
    if draft.point_ids is None or draft.pixels is None:
        raise UsageError(f"no board found in {file.name}", "Take the image again.")
    _check_looked(session.cell, looked)
    number = 1 + max((view.id for view in found.views), default=0)
    names, files = new_files(folder, f"proof-{number:03d}", draft)
    typed = None if looked is None else typed_fields(session.cell, looked)
    taken = now.isoformat("T", "seconds")
    view = View(number, names["points"], names.get("image"), typed, taken)
    after = replace(found, views=(*found.views, view))
    return _recorded(session, "view", number, after, {"view": number}, files)


def touch_added(
    session: Session,
    folder: Path,
    found: Touches,
    pose: str,
    *,
    point: int | None = None,
    in_view: int | None = None,
    seen: str | None = None,
    looked: str | None = None,
    joints: str | None = None,
    role: Role = "proof",
    who: Who,
) -> Recorded:
    """Add one touch: the pose with the tip on a board point, or on a mark seen elsewhere.

    ``joints`` beside the pose show tool, frame and robot file.
    """
    cell = session.cell
    if found.pointer is None:
        raise no_pointer(folder)
    if seen is not None:
        _check_looked(cell, looked)
    if point is not None and not 0 <= point < cell.board.count:
        raise UsageError(
            f"the board has no point {point}", f"Its points are 0 to {cell.board.count - 1}."
        )
    number = 1 + max((touch.id for touch in found.touches), default=0)
    touch = Touch(
        id=number,
        pose=typed_fields(cell, pose),
        view=None if point is None else _view_number(found, in_view),
        point=point,
        seen_mm=None if seen is None else three_numbers(seen, "seen"),
        looked=None if looked is None or point is not None else typed_fields(cell, looked),
        role=role,
        operator=who.operator,
        taken=who.now.isoformat("T", "seconds"),
        joints=None if joints is None else joint_fields(cell, joints),
    )
    details = {"touch": number, "typed": pose}
    return _recorded(session, "touch", number, found.with_touch(touch), details)


def touch_judged(session: Session, folder: Path, recorded: Recorded) -> tuple[Finding, ...]:
    """Return what speaks against a touch before it is stored; nothing without a whole result.

    Raises FileError.
    """
    cell = session.cell
    try:
        result = stated(read_result(folder), cell)
    except StationbookError:
        return ()
    return judged_touch(cell, recorded.found, recorded.which, result, folder)


def joints_typed(session: Session, found: Touches, touch_id: int, text: str) -> Recorded:
    """Keep the joints at a touch: beside its pose they show tool, frame and robot file."""
    touch = replace(found.existing(touch_id), joints=joint_fields(session.cell, text))
    details = {"touch": touch_id, "typed": text}
    return _recorded(session, "joints", touch_id, found.with_touch(touch), details)


def touch_forgotten(session: Session, found: Touches, touch_id: int) -> Recorded:
    """Leave a touch out from now on; it stays in the file."""
    after = found.with_touch(replace(found.existing(touch_id), use=False))
    return _recorded(session, "forget", touch_id, after, {"touch": touch_id})


def _recorded(
    session: Session,
    what: str,
    which: int,
    after: Touches,
    details: Mapping[str, object],
    files: Mapping[str, bytes] | None = None,
) -> Recorded:
    content = encoded(touches_text(after))
    change = Change(f"proof {what}", session, details, files or {}, PROOF_FILE, content)
    return Recorded(after, which, change)


def prove(session: Session, folder: Path) -> tuple[Proof, StoredResult]:
    """Return what the touches prove, and the result with the proof in it.

    Nothing is proven of a result whose camera moved since; that is not stored. Raises FileError
    where there is no result, or it was computed from other files than those in the folder now.
    """
    found = read_touches(folder)
    if found.pointer is None:
        raise no_pointer(folder)
    result = read_result(folder)
    if changed := what_changed(session, folder, result):
        raise FileError(
            folder / RESULT_FILE,
            f"the session changed since this result was computed ({changed})",
            "Run `stationbook solve` again, then `proof`.",
        )
    cell = session.cell
    errors = point_errors(cell, found, found.pointer, stated(result, cell), folder)
    open_without = any(item.code == TOLD for item in result.findings)
    fixed = open_without and _by_the_same_pointer(found, found.pointer, errors)
    frames, said = told_or_shown(cell, stops_compared(session, _stops(cell, found)))
    wrong = [item for item in said if item.level is Level.ERROR]
    proof = concluded(errors, cell, found.pointer, frames=frames, wrong=wrong, fixed=fixed,
                      rests=open_without)  # fmt: skip
    kept = [item for item in result.findings if item.code not in ("frames-told", "joints-disagree")]
    left_out = tuple(touch.id for touch in found.touches if not touch.use)
    findings = (*proof.findings, *joints_asked(session, found))
    proof = replace(proof, findings=findings, left_out=left_out)
    notes = [item for item in said if item not in wrong]
    result = replace(result, frames=frames, findings=(*kept, *notes))
    names = [PROOF_FILE, *(view.points for view in found.views)]
    inputs = {name: sha256(read_bytes(inside(folder, name))) for name in names}
    kept_result = amended(result, proof, cell, inputs)
    mark = moved_since(session, folder).get(cell.camera.name)
    if mark is not None and mark.level is Level.ERROR:
        proof = proof.refused(mark)
    return proof, kept_result


def joints_asked(session: Session, found: Touches) -> tuple[Finding, ...]:
    """Return the note that asks for joints at a touch, until a stop has shown tool and frame.

    Raises PoseError for texts that cannot be read.
    """
    cell = session.cell
    if not asked_findings(cell) or stops_compared(session, _stops(cell, found)) is not None:
        return ()
    tool, frame = str(cell.pendant.active_tool), str(cell.pendant.active_frame)
    return (finding("frames-told", "touch", tool=tool, frame=frame),)


def _by_the_same_pointer(found: Touches, now: Pointer, errors: Sequence[PointError]) -> bool:
    """Tell whether a touch gives a missing number with this pointer, or with one as long.

    A wrong tip, or a flange that points the other way, shows only where the tips are so far apart
    along the flange's z that the touches tell.
    """
    hidden = max((item.expanded_mm for item in errors), default=inf) / 2.0
    numbers = found.of_role("missing-number")
    lengths = [(touch.pointer or now).tip_mm[2] for touch in numbers]
    return any(abs(length - now.tip_mm[2]) <= hidden for length in lengths)


def _stops(cell: Cell, found: Touches) -> tuple[Stop, ...]:
    """Return the touches in use that have joints and pose. Raises PoseError."""
    typed = [Station(t.id, t.pose, t.joints) for t in found.touches if t.use and t.joints]
    stops = (stop_of(cell, station, "touch ") for station in typed)
    return tuple(stop for stop in stops if stop is not None)


def proof_kept(session: Session, folder: Path, result: StoredResult) -> Change | None:
    """Store the result with its proof, the result before beside it; None: it is stored already."""
    return result_change("proof", session, folder, result_document(result))


def hold_out(
    session: Session, folder: Path, stations: tuple[int, ...]
) -> tuple[tuple[HeldOut, ...], Finding]:
    """Return how stations left out of the fit agree with it; nothing is written."""
    problem = session_problem(session, folder)
    kept, out = split(problem, stations)
    found = held_out(diagnosed(kept, typed_texts(session)), kept, out)
    return found, held_out_finding(found)


def typed_fields(cell: Cell, text: str) -> tuple[str, ...]:
    """Return a typed pose (or typed joints) as its fields. Raises PoseError."""
    pendant = cell.pendant
    return joint_fields(cell, text) if pendant.shows_joints else parse_pose(text, pendant).fields


def joint_fields(cell: Cell, text: str) -> tuple[str, ...]:
    """Return typed joints as their fields. Raises PoseError, UsageError without a robot."""
    pendant, robot = cell.pendant, cell.robot
    if robot is None:
        raise UsageError("joints are typed, but the robot is not described", "Describe it.")
    return parse_joints(text, pendant, len(joint_types(robot)), robot).fields


def three_numbers(text: str, what: str) -> tuple[float, float, float]:
    """Return "x y z" [mm] as finite numbers. Raises UsageError."""
    try:
        x, y, z = typed_numbers(text, ("x", "y", "z"), ("mm",) * 3)
    except PoseError as error:
        raise UsageError(
            f"{what}: {text!r} is not three numbers ({error.problem})",
            "Write x y z in mm, separated by spaces.",
        ) from None
    return x, y, z


def _check_looked(cell: Cell, looked: str | None) -> None:
    if cell.mount == EYE_IN_HAND and looked is None:
        raise UsageError("a camera on the flange needs the pose at its image", "Add --looked TEXT.")


def _view_number(found: Touches, wanted: int | None) -> int:
    numbers = [view.id for view in found.views]
    if not numbers:
        raise UsageError("no image of the board yet", "Add one: --view FILE.")
    if wanted is not None and wanted not in numbers:
        raise UsageError(f"there is no view {wanted}", f"Views: {', '.join(map(str, numbers))}.")
    return numbers[-1] if wanted is None else wanted
