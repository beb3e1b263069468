"""Proving a result by touch: the pointer, the views, the touches, and what they conclude."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from math import isfinite
from pathlib import Path
from typing import Any

from ..boards.points_file import points_text
from ..cell.cell import EYE_IN_HAND, Cell
from ..cell.session import Session
from ..diagnosis.diagnose import diagnosed
from ..errors import FileError, PoseError, UsageError
from ..findings import Finding
from ..pendant.conventions import JOINTS
from ..pendant.entry import parse_joints, parse_pose, typed_numbers
from ..proof.conclusion import HeldOut, Proof, amended, concluded, held_out, held_out_finding, split
from ..proof.stated import stated
from ..proof.touch import point_errors
from ..proof.touch_file import (
    Pointer,
    Role,
    Touch,
    Touches,
    View,
    no_pointer,
    read_touches,
    touches_text,
)
from ..robots.arms import joint_types
from ..sessions.dump import plain, yaml_dump
from ..sessions.folder import commit, record_change
from ..sessions.places import PROOF_FILE, RESULT_FILE
from ..sessions.results import keep_earlier, read_result
from ..sessions.store import encoded
from ..sessions.yaml_text import read_bytes, sha256
from .current import what_changed
from .seen import examine_file
from .solve import session_problem, typed_texts

CAUTIONS = (
    "Touch in manual mode at reduced speed, in small steps over the last 50 mm, nobody else inside "
    "the fence; a pointer is sharp.",
    "Type only with the robot stopped and the enabling switch released.",
    "The robot maker's rules, the local rules and licensed practice come first.",
)


@dataclass(frozen=True, slots=True)
class Who:
    """Who does something, and when."""

    operator: str | None
    now: datetime


@dataclass(frozen=True, slots=True)
class Change:
    """One thing to record, checked but not yet written.

    ``found`` is all of proof.yaml after it, ``details`` what the journal says of it, ``files`` the
    new files by their path in the folder.
    """

    what: str
    which: int
    found: Touches
    details: dict[str, Any]
    files: dict[str, bytes] = field(default_factory=dict)


def pointer_set(found: Touches, tip: str, u_mm: float | None) -> Change:
    """Describe the pointer: x y z of its tip in the flange [mm] and u on each axis [mm]."""
    if u_mm is None or not (isfinite(u_mm) and u_mm > 0.0):
        raise UsageError(
            "how well the pointer's tip is known is not given", "Add --tip-u U, in mm, above 0."
        )
    pointer = Pointer(three_numbers(tip, "tip"), u_mm)
    return Change(
        "pointer", 1, replace(found, pointer=pointer), {"tip_mm": tip, "u_mm": float(u_mm)}
    )


def view_added(
    session: Session, folder: Path, found: Touches, file: Path, looked: str | None, now: datetime
) -> Change:
    """Add an image (or points) of the board lying in the cell; its number is the last view's id.

    Raises UsageError where the board is not found, or the pose of an eye-in-hand image is missing.
    """
    draft = examine_file(session, folder, file)
    if draft.point_ids is None or draft.pixels is None:
        raise UsageError(f"no board found in {file.name}", "Take the image again.")
    _check_looked(session.cell, looked)
    number = 1 + max((view.id for view in found.views), default=0)
    points = f"points/proof-{number:03d}.csv"
    files = {points: encoded(points_text(draft.point_ids, draft.pixels))}
    image = None
    if draft.image is not None:
        image = f"images/proof-{number:03d}{file.suffix.lower()}"
        files[image] = draft.image
    typed = None if looked is None else typed_fields(session.cell, looked)
    view = View(number, points, image, typed, now.isoformat("T", "seconds"))
    after = replace(found, views=(*found.views, view))
    return Change("view", number, after, {"view": number}, files)


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
    role: Role = "proof",
    who: Who,
) -> Change:
    """Add one touch: the pose with the tip on a board point, or on a mark seen elsewhere."""
    cell = session.cell
    if found.pointer is None:
        raise no_pointer(folder)
    if seen is not None:
        _check_looked(cell, looked)
    number = 1 + max((touch.id for touch in found.touches), default=0)
    touch = Touch(
        id=number,
        pose=typed_fields(cell, pose),
        view=None if point is None else _view_number(found, in_view),
        point=_checked_point(cell, point),
        seen_mm=None if seen is None else three_numbers(seen, "seen"),
        looked=None if looked is None or point is not None else typed_fields(cell, looked),
        role=role,
        operator=who.operator,
        taken=who.now.isoformat("T", "seconds"),
    )
    return Change("touch", number, found.with_touch(touch), {"touch": number, "typed": pose})


def touch_forgotten(found: Touches, touch_id: int) -> Change:
    """Leave a touch out from now on; it stays in the file."""
    if touch_id not in {touch.id for touch in found.touches}:
        listed = ", ".join(str(touch.id) for touch in found.touches) or "none yet"
        raise UsageError(f"there is no touch {touch_id}", f"Touches: {listed}.")
    touches = tuple(replace(t, use=False) if t.id == touch_id else t for t in found.touches)
    return Change("forget", touch_id, replace(found, touches=touches), {"touch": touch_id})


def keep(session: Session, folder: Path, changes: Sequence[Change], who: Who) -> None:
    """Store changes that followed one from the other; hold the lock."""
    for change in changes:
        action = {"action": f"proof {change.what}", "who": who.operator or session.operator}
        if change.files:
            commit(folder, session, {**action, **change.details}, change.files, who.now)
        data = encoded(touches_text(change.found))
        record_change(folder, PROOF_FILE, data, {**action, **change.details}, who.now)


def prove(session: Session, folder: Path) -> tuple[Proof, dict[str, Any]]:
    """Return what the touches prove, and the result document with the proof in it.

    Raises FileError where there is no result, or it was computed from other files than those in
    the folder now.
    """
    found = read_touches(folder)
    if found.pointer is None:
        raise no_pointer(folder)
    document = read_result(folder)
    _check_current(session, folder, document)
    result = stated(document, session.cell)
    errors = point_errors(session.cell, found, found.pointer, result, folder)
    proof = concluded(errors, session.cell, found.pointer)
    amendment = amended(document, proof, session.cell)
    names = [PROOF_FILE, *(view.points for view in found.views)]
    amendment["proof"]["inputs"] = {name: sha256(read_bytes(folder / name)) for name in names}
    return proof, amendment


def keep_proof(folder: Path, document: dict[str, Any], who: Who) -> None:
    """Store the result with its proof; the result before is kept beside it. Hold the lock."""
    path = folder / RESULT_FILE
    data = encoded(yaml_dump(plain(document)))
    if read_bytes(path) == data:
        return
    kept = keep_earlier(path)
    action = {"action": "proof", "who": who.operator, "kept": kept and kept.name}
    record_change(folder, RESULT_FILE, data, action, who.now)


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
    pendant, robot = cell.pendant, cell.robot
    if pendant.rotation != JOINTS:
        return parse_pose(text, pendant).fields
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


def _checked_point(cell: Cell, point: int | None) -> int | None:
    if point is not None and not 0 <= point < cell.board.count:
        raise UsageError(
            f"the board has no point {point}", f"Its points are 0 to {cell.board.count - 1}."
        )
    return point


def _check_current(session: Session, folder: Path, document: dict[str, Any]) -> None:
    """Raise FileError where the result was computed from other files than those here now."""
    if changed := what_changed(session, folder, document):
        raise FileError(
            folder / RESULT_FILE,
            f"the session changed since this result was computed ({changed})",
            "Run `stationbook solve` again, then `proof`.",
        )
