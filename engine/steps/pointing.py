"""A tip found by touching one point, and frames through three points, from what was typed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from ..arrays import Array
from ..cell.cell import Cell
from ..cell.mount import EYE_IN_HAND
from ..cell.result import ACCEPTED, NOT_ACCEPTED, NOT_SHOWN, Uncertainty, only_if
from ..cell.rule import Decision, chance_beyond, conforms, most_expanded
from ..cell.session import Session
from ..cell.touched import Pointer
from ..errors import UsageError
from ..estimate.problem import RANDOM_PER_REPEATABILITY, REPEATABILITY_MM
from ..findings import Finding, finding
from ..frames import apply, point_rows
from ..proof.seen import mark_u
from ..proof.stated import Stated, stated
from ..proof.tip import Tip, find_tip, frame_covariance, frame_through
from ..proof.touch import flange_pose, no_pointer, read_touches, touches_text
from ..proof.touch_errors import pointer_covariance
from ..report.delivered import Delivered, reasons
from ..report.exports import write
from ..sessions.changes import Change, remark
from ..sessions.results import current_result
from ..sessions.store import PROOF_FILE, encoded
from .proving import three_numbers, typed_fields

# Actions of the journal after which the robot stands at a touched point, and at no station.
AT_A_POINT, TIP_TOUCHED = "touched a point", "proof pointer touched"
LEVEL = 0.5  # [-] of a frame's z along base Z, from which on it points up or down
TIP_GOAL = 0.2  # [-] of the tolerance; a tip known worse takes too much of every proof: no source


def stop_noise(cell: Cell) -> float:
    """Return what one stop is off on each axis by chance [mm], from the robot's data."""
    robot = REPEATABILITY_MM if cell.robot is None else cell.robot.repeatability
    return RANDOM_PER_REPEATABILITY * robot


@dataclass(frozen=True, slots=True, eq=False)
class TipFound:
    """A tip, what is to be said of it, and the change that makes it the proof's pointer."""

    tip: Tip
    findings: tuple[Finding, ...]
    change: Change

    def document(self) -> dict[str, Any]:
        """Return it as plain data."""
        tip = self.tip
        return {
            "tip_mm": tip.tip_mm.tolist(),
            "covariance_mm2": tip.covariance.tolist(),
            "u_mm": float(np.sqrt(np.trace(tip.covariance) / 3.0)),
            "touch_mm": tip.touch_mm,
            "fixed_mm": tip.fixed_mm.tolist(),
            "off_mm": tip.off_mm.tolist(),
            "touch_off": None if tip.off is None else tip.off + 1,
            "left_out": tip.left_out,
        }


def tips_told(cell: Cell) -> None:
    """Raise UsageError where touching one point cannot tell a tip: how long it is takes tilts."""
    if cell.level:
        raise UsageError(
            "an arm that holds its flange level does not show by touching how long a pointer is",
            "Measure its tip from the flange, along it and to the sides, and enter it: F3 in the "
            "proof, or `proof --tip`.",
        )


def tip_found(session: Session, folder: Path, poses: Sequence[str]) -> TipFound:
    """Return the tip with which ``poses`` (as typed) touched one and the same point.

    Raises PoseError for a pose that cannot be read, UsageError and StationbookError as `find_tip`,
    and as `tips_told`.
    """
    cell = session.cell
    tips_told(cell)
    flanges = [
        flange_pose(cell, typed_fields(cell, text), f"touch {n}", folder)
        for n, text in enumerate(poses, 1)
    ]
    tip = find_tip(np.array(flanges).reshape(-1, 4, 4), stop_noise(cell))
    found: list[Finding] = []
    if tip.off is not None and tip.left_out:
        off = float(tip.off_mm[tip.off])
        found.append(finding("tip-touch-off", touch=tip.off + 1, distance_mm=off))
    elif tip.off is not None:
        found.append(finding("tip-touch-off", "kept", touch=tip.off + 1))
    expanded = 2.0 * float(np.sqrt(np.trace(tip.pointer_covariance)))
    goal = TIP_GOAL * cell.tolerance.position_mm
    if expanded > goal:
        found.append(finding("tip-weak", expanded=expanded, goal_mm=goal))
    else:
        found.append(finding("tip-found", expanded=expanded, count=len(poses)))
    u = float(np.sqrt(np.trace(tip.pointer_covariance) / 3.0))
    x, y, z = tip.tip_mm.tolist()
    rows = tuple((a, b, c) for a, b, c in tip.pointer_covariance.tolist())
    after = read_touches(folder).with_pointer(Pointer((x, y, z), u, rows))
    details: Mapping[str, object] = {"typed": list(poses), "tip_mm": [x, y, z], "u_mm": u}
    content = encoded(touches_text(after))
    change = Change(TIP_TOUCHED, session, details, {}, PROOF_FILE, content)
    return TipFound(tip, tuple(found), change)


def at_a_point(session: Session, folder: Path, typed: str) -> Change:
    """Return the line of the journal that the robot was brought to a point: no jog begins there.

    ``typed`` is the pose. Nothing is stored of the tip or frame that it is touched for.
    """
    return remark(AT_A_POINT, session, folder, {"typed": typed})


# ---- frames ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class FrameFound:
    """A frame through three points: base_T_frame (4, 4) [mm], covariance (6, 6), and the points."""

    name: str
    base_T_frame: Array
    covariance: Array
    points: Array
    delivered: Delivered

    def document(self) -> dict[str, Any]:
        """Return it as plain data."""
        u = self.delivered.uncertainty
        return {
            "name": self.name,
            "matrix": self.base_T_frame.tolist(),
            "covariance_rad_mm": self.covariance.tolist(),
            "u_position_mm": u.position_mm,
            "u_angle_deg": u.angle_deg,
            "points_mm": self.points.tolist(),
            "verdict": self.delivered.verdict,
            "caution": self.delivered.caution,
        }

    def text(self, form: str, unit: str | None) -> str:
        """Return it in one of the forms of `stationbook export`."""
        return write(self.delivered, form, unit)


def frame_found(
    session: Session,
    folder: Path,
    name: str,
    *,
    touched: Sequence[str] = (),
    seen: Sequence[str] = (),
    looked: str | None = None,
) -> FrameFound:
    """Return the frame through three touched (poses as typed) or seen points (x y z, camera).

    The first is its origin, the second lies on its x axis, the third on the side of its y axis.
    Touched points need the pointer of proof.yaml; seen ones the session's result, and for a camera
    on the flange the pose ``looked`` at the image. Raises UsageError where they are not three.
    """
    if not name.isidentifier() or not name.isascii():
        raise UsageError(f"{name!r} is no name of a frame", "Letters, digits and _, such as belt.")
    if len(touched) + len(seen) != 3 or (touched and seen):
        raise UsageError(
            f"{len(touched)} touched and {len(seen)} seen points",
            "Give three --touch, or three --seen: origin, along x, to the side of y.",
        )
    cell, tolerance = session.cell, session.cell.tolerance
    cautions, holds = [], ""
    proof, frames = "does not apply: touched with the pointer, not seen", NOT_SHOWN
    if touched:
        points, covariance = _touched(cell, folder, touched)
    else:
        result = current_result(session, folder)
        proof, holds = f"the camera's result: {result.touched}", only_if(result.told)
        frames = result.frames.how if result.frames else NOT_SHOWN
        cautions += [] if result.accepted else [f"the camera's result: {reasons(result)}"]
        camera = cell.camera if result.lens is None else result.lens.on(cell.camera)
        there = replace(cell, camera=camera)
        points, covariance = _seen(there, folder, stated(result, cell), seen, looked)
    frame = frame_through(points)
    own = frame_covariance(points, covariance)
    position = float(np.sqrt(np.trace(own[3:, 3:])))
    angle = float(np.degrees(np.sqrt(np.trace(own[:3, :3]))))
    worst = 2.0 * max(float(np.sqrt(np.trace(covariance[k : k + 3, k : k + 3]))) for k in (0, 3, 6))
    limit, rule = tolerance.position_mm, tolerance.rule
    if not conforms(0.0, worst, limit, rule):
        most = most_expanded(limit, rule)
        cautions.append(f"U of a point is {worst:.2f} mm, at most {most:.3g} mm is allowed")
    if not conforms(0.0, 2.0 * angle, tolerance.angle_deg, rule):
        most = most_expanded(tolerance.angle_deg, rule)
        cautions.append(
            f"U of the rotation is {2.0 * angle:.3f}°, at most {most:.3g}° is allowed: take points "
            "farther apart"
        )
    chance = None if cautions else chance_beyond(0.0, worst / 2.0, limit)
    delivered = Delivered(
        cell=cell,
        to_frame="base",
        from_frame=name,
        matrix=frame,
        covariance=own,
        uncertainty=Uncertainty(position_mm=position, angle_deg=angle),
        verdict=NOT_ACCEPTED if cautions else ACCEPTED,
        caution="; ".join(cautions) or None,
        proven=None,
        touched=proof,
        source_sha256="none: three points that were typed",
        frames=frames,
        said=(),
        decision=Decision(rule, tolerance.set_by, chance),
        holds=holds,
        axes=_axes(points, frame),
    )
    return FrameFound(name, frame, own, points, delivered)


def _axes(points: Array, frame: Array) -> str:
    """Return how the frame lies in its points, so that points in another order show."""
    along, aside = np.linalg.norm(points[1:] - points[0], axis=1)
    cosine = float((points[1] - points[0]) @ (points[2] - points[0])) / float(along * aside)
    corner, up = float(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))), float(frame[2, 2])
    way = "up" if up > LEVEL else "down" if up < -LEVEL else "to the side"
    other = "; up with the second and third point exchanged" if way == "down" else ""
    return (
        f"origin at the first point, x through the second ({along:.0f} mm), y towards the third "
        f"({aside:.0f} mm, {corner:.0f}° from x), z {way} in the base{other}"
    )


def _touched(cell: Cell, folder: Path, poses: Sequence[str]) -> tuple[Array, Array]:
    """Return three touched points (3, 3) [mm] and their covariance (9, 9).

    The pointer's error turns with the flange; the arm's own accuracy is common to points that lie
    near each other and is not known here: it moves the frame as it moves what is placed in it.
    """
    pointer = read_touches(folder).pointer
    if pointer is None:
        raise no_pointer(folder)
    tip = np.array(pointer.tip_mm)
    covariance, points = np.zeros((9, 9)), []
    for k, text in enumerate(poses):
        flange = flange_pose(cell, typed_fields(cell, text), f"point {k + 1}", folder)
        points.append(apply(flange, tip[None])[0])
        own = pointer_covariance(pointer, flange[:3, :3]) + stop_noise(cell) ** 2 * np.eye(3)
        covariance[3 * k : 3 * k + 3, 3 * k : 3 * k + 3] = own
    return np.array(points), covariance


def _seen(
    cell: Cell, folder: Path, result: Stated, texts: Sequence[str], looked: str | None
) -> tuple[Array, Array]:
    """Return three seen points (3, 3) [mm, base] and their covariance (9, 9).

    They share the result's error and that of the stop ``looked``; each has what it was seen with.
    """
    base = np.eye(4)
    if cell.mount == EYE_IN_HAND:
        if looked is None:
            raise UsageError("a camera on the flange needs the pose at its image", "Add --looked.")
        base = flange_pose(cell, typed_fields(cell, looked), "looked", folder)
    p_camera = np.array([three_numbers(text, "seen") for text in texts])
    rows = np.concatenate(base[:3, :3] @ point_rows(result.camera, p_camera))
    covariance = result.wider**2 * rows @ result.covariance @ rows.T
    own = [mark_u(cell.camera, place, result.pixel_px) ** 2 for place in p_camera]
    covariance = covariance + np.diag(np.repeat(own, 3))
    if cell.mount == EYE_IN_HAND:
        stop = np.repeat([result.robot_rad**2, result.robot_mm**2], 3)
        shared = np.concatenate(point_rows(base, apply(result.camera, p_camera)))
        covariance = covariance + (shared * stop) @ shared.T
    return apply(base @ result.camera, p_camera), np.asarray(covariance)
