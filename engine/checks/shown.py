"""Whether tool, frame and robot file are what the cell says, by stops with joints and pose.

The controller shows S = base_T_frame⁻¹ · K(q) · flange_T_tool. A wrong tool leaves one and the same
error on the right of K(q) at every stop, a wrong frame one on the left: one stop shows that
something is wrong, two that are turned against each other tell which, and what no single tool and
frame explain is a wrong K, the robot file. Each is fitted by generalised least squares and held
against a chi-squared limit. What is allowed for: the steps of the display of pose, joints and
values, and the arm's smooth errors of the size that the cell states.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Literal, cast

import numpy as np
import scipy

from ..arrays import Array
from ..cell.cell import Cell
from ..cell.session import Station
from ..cell.stations import joint_values, station_pose
from ..errors import StationbookError
from ..estimate.start import transforms_from
from ..estimate.systematic import error_columns, systematic
from ..findings import Finding, Level, finding
from ..frames import displaced, displacement, inverse, skew
from ..pendant.conventions import active_places, shown_of
from ..pendant.entry import CUT_OFF, format_place, rounding
from ..pendant.settings import BASE, FLANGE, UNITS
from ..robots.arms import named_alike
from ..robots.kinematics import Kinematics, kinematics
from ..robots.model import ASSUMED_ACCURACY_MM, Robot
from ..tails import chi2_isf

SIGNIFICANCE = 1e-3  # [-] chance that a right cell is doubted; that a right cause is passed over
LEAST_U_MM, LEAST_U_RAD = 1e-3, 1e-6  # mm, rad; single precision inside the controller
START_DEG = 30.0  # deg; steps between the zeros of a joint that are tried: half of what diverges
SETTLED = 1e-6  # [-] relative last step of a fit: far below what a pendant shows
RANK = 1e-6  # [-] derivatives by differences are right to 1e-8; what is told is above 1e-3
TURNED_DEG = 30.0  # deg; a turn between two stops that parts a tool from a frame well

STATION = "station "  # with the id behind it: the name of a stop

Kind = Literal["shown", "tool", "frame", "either", "part", "stations", "both", "several", "robot"]


@dataclass(frozen=True, slots=True, eq=False)
class Stop:
    """One stop with joints and pose; its ``name`` is "station 3".

    ``joints`` (axes,) are shown values [rad, mm] with their standard uncertainties ``u`` from the
    digits shown, ``shown`` (4, 4) [mm] the pose as the pendant shows it.
    """

    name: str
    joints: Array
    u: Array
    shown: Array


def stop_of(cell: Cell, station: Station, name: str = STATION) -> Stop | None:
    """Return the station as a stop with joints and pose; None where one of them is missing.

    ``name``: what kind of stop its id counts. Raises PoseError for texts that cannot be read.
    """
    if cell.robot is None or cell.pendant.shows_joints or not (station.pose and station.joints):
        return None
    pose, joints = station_pose(cell, station), joint_values(cell, station)
    if pose is None or joints is None:
        return None
    digits = max(len(text.replace(",", ".").partition(".")[2]) for text in station.joints)
    turning = kinematics(cell.robot).joints.turning
    pendant = cell.pendant
    step = 10.0**-digits * np.where(turning, UNITS[pendant.joint_unit], UNITS[pendant.length_unit])
    return Stop(
        f"{name}{station.id}", joints, CUT_OFF * step / np.sqrt(12.0), shown_of(pose, pendant)
    )


def stops_of(cell: Cell, stations: Iterable[Station]) -> tuple[Stop, ...]:
    """Return the stops with joints and pose among the stations in use. Raises as `stop_of`."""
    found = (stop_of(cell, station) for station in stations if station.use)
    return tuple(stop for stop in found if stop is not None)


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """What the stops say.

    Attributes:
        kind: "shown" where all agree; "tool", "frame", "both" what is other than told; "either":
            one of them, not told which; "part": ``part`` of the robot file; "stations": only
            ``stops`` disagree, ``active``: by another tool or frame, or by either; "several":
            tool and frame, or the robot file; "robot": its file.
        stops: names of the stops that were compared, or that disagree.
        distance_mm, angle_deg: how far off tool or frame are, else the largest difference.
        tool, frame: (4, 4) [mm] what fits, where they are in question.
        part: what of the robot file would explain it (as well), in words.
    """

    kind: Kind
    stops: tuple[str, ...]
    distance_mm: float
    angle_deg: float
    tool: Array | None = None
    frame: Array | None = None
    part: str = ""
    active: Literal["tool", "frame", "either"] | None = None

    @property
    def of_all(self) -> bool:
        """Whether tool, frame or robot file are wrong, and not only some stops mistyped."""
        return self.kind not in ("shown", "stations")


def compared(cell: Cell, stops: Sequence[Stop]) -> Comparison | None:
    """Return what the stops say of tool, frame and robot file; None without robot or stops.

    Raises StationbookError for a robot or a pendant that make no sense.
    """
    if cell.robot is None or not stops:
        return None
    return _Question(cell, cell.robot, tuple(stops)).answer()


def _size(xi: Array) -> tuple[float, float]:
    """Return the largest distance [mm] and angle [deg] of displacements (..., 6)."""
    xi = np.atleast_2d(xi)
    distance, angle = (np.linalg.norm(part, axis=1) for part in (xi[:, 3:], xi[:, :3]))
    return float(distance.max()), float(np.degrees(angle.max()))


def _both(F: Array, T: Array, x: Array) -> tuple[Array, Array]:
    return displaced(F, x[:6]), displaced(T, x[6:])


class _Question:
    """The stops of one cell as arrays, and the explanations that are tried one after the other."""

    def __init__(self, cell: Cell, robot: Robot, stops: tuple[Stop, ...]) -> None:
        self.cell, self.robot, self.arm, self.stops = cell, robot, kinematics(robot), stops
        self.names = tuple(stop.name for stop in stops)
        self.q, self.u_q = (np.array([getattr(s, key) for s in stops]) for key in ("joints", "u"))
        self.S = np.array([stop.shown for stop in stops])
        self.F, self.T = active_places(cell.pendant)
        self.n = len(stops)
        # The controller computes the pose with a geometry of its own, as good as the arm or better.
        coarse = replace(robot, accuracy_mm=max(robot.accuracy, ASSUMED_ACCURACY_MM))
        self.smooth = systematic(coarse).sd
        upright = replace(cell.pendant, active_tool=FLANGE, active_frame=BASE)
        u_mm, u_rad = (CUT_OFF * u for u in rounding(upright))
        self.u_shown = np.repeat([max(u_rad, LEAST_U_RAD), max(u_mm, LEAST_U_MM)], 3)

    def answer(self) -> Comparison:
        declared = self._off(self.F, self.T)
        if self._fits(declared, self.F, self.T, 0):
            return Comparison("shown", self.names, *_size(declared))
        single = self._tool_or_frame()
        if single is not None:
            return single
        part = self._part()
        if part:
            return Comparison("part", self.names, *_size(declared), part=part)
        bad = tuple(k for k in range(self.n) if not self._alone(declared, k))
        if 0 < len(bad) < self.n:
            return self._some(bad, declared)
        return self._together(declared)

    def _some(self, bad: tuple[int, ...], declared: Array) -> Comparison:
        """Return what only the stops ``bad`` say: two by another tool or frame tell which."""
        there = _Question(self.cell, self.robot, tuple(self.stops[k] for k in bad))
        found, size = there._tool_or_frame(), _size(declared[list(bad)])
        if found is None:
            return Comparison("stations", there.names, *size)
        size = size if found.kind == "either" else (found.distance_mm, found.angle_deg)
        active = cast(Literal["tool", "frame", "either"], found.kind)
        return Comparison(
            "stations", there.names, *size, tool=found.tool, frame=found.frame, active=active
        )

    def _tool_or_frame(self) -> Comparison | None:
        K = self._K(self.arm)
        T, off_T, _ = self._fitted(
            lambda x: (self.F, displaced(inverse(K[0]) @ self.F @ self.S[0], x))
        )
        F, off_F, _ = self._fitted(
            lambda x: (displaced(K[0] @ self.T @ inverse(self.S[0]), x), self.T)
        )
        tool, frame = T[1], F[0]
        as_tool, as_frame = self._fits(off_T, *T, 6), self._fits(off_F, *F, 6)
        moved_T = _size(displacement(self.T, tool))
        moved_F = _size(displacement(self.F, frame))
        if as_tool and as_frame:
            return Comparison("either", self.names, *_size(self._off(self.F, self.T)), tool, frame)
        if as_tool:
            return Comparison("tool", self.names, *moved_T, tool=tool, part=self._part())
        if as_frame:
            return Comparison("frame", self.names, *moved_F, frame=frame, part=self._part())
        return None

    def _together(self, declared: Array) -> Comparison:
        """Return what tool and frame both, or nothing but the robot file, explain."""
        if self.n < 2:
            return Comparison("robot", self.names, *_size(declared))
        frames, tools = transforms_from(self._K(self.arm)[None], self.S[None])
        tried = []
        for F, T in zip(frames, tools, strict=True):
            if np.isfinite(F).all() and np.isfinite(T).all():
                found, off, told = self._fitted(partial(_both, F, T), 12)
                size = float(np.linalg.norm(self._white(off, *found)))
                tried.append((size, found, off, told))
        if not tried:
            return Comparison("robot", self.names, *_size(declared))
        _, found, off, told = min(tried, key=lambda item: item[0])
        if not self._fits(off, *found, told):
            return Comparison("robot", self.names, *_size(off))
        if self.n == 2:
            return Comparison("several", self.names, *_size(declared))
        sizes = _size(np.array([displacement(self.F, found[0]), displacement(self.T, found[1])]))
        return Comparison("both", self.names, *sizes, tool=found[1], frame=found[0])

    # ---- the model -------------------------------------------------------------------------------

    def _K(self, arm: Kinematics, errors: Array | None = None) -> Array:
        """Return base_T_flange (n, 4, 4) of the joints, its z axis named as the pendant does."""
        typed = self.F @ self.S @ inverse(self.T)
        return named_alike(self.robot, arm.forward(self.q, errors), typed)

    def _off(self, F: Array, T: Array, K: Array | None = None) -> Array:
        """Return how far (n, 6) the shown poses are from what frame, joints and tool say."""
        K = self._K(self.arm) if K is None else K
        return np.asarray(displacement(inverse(F) @ K @ T, self.S))

    def _root(self, F: Array, T: Array) -> Array:
        """Return the Cholesky factor (6n, 6n) of the covariance of `_off`."""
        K = self._K(self.arm)
        R = np.broadcast_to(F[:3, :3].T, (self.n, 3, 3))
        arm = (K @ T)[:, :3, 3] - K[:, :3, 3]
        swing = np.zeros((self.n, 6, 6))  # from the flange in the base to the tool in the frame
        swing[:, :3, :3] = swing[:, 3:, 3:] = R
        swing[:, 3:, :3] = -R @ skew(arm)
        joints = swing @ self.arm.jacobian(self.q) * self.u_q[:, None, :]
        C = np.zeros((self.n, 6, self.n, 6))
        k = np.arange(self.n)
        C[k, :, k] = joints @ np.swapaxes(joints, 1, 2) + np.diag(self.u_shown**2)
        shared = [swing @ error_columns(self.arm, self.q) * self.smooth] if len(self.smooth) else []
        pendant = self.cell.pendant
        if pendant.active_tool.pose is not None:
            turn = np.zeros((self.n, 6, 6))
            turn[:, :3, :3] = turn[:, 3:, 3:] = R @ K[:, :3, :3]
            shared.append(turn * self.u_shown)
        if pendant.active_frame.pose is not None:
            about = np.zeros((self.n, 6, 6))
            about[:, :3, :3] = about[:, 3:, 3:] = R
            about[:, 3:, :3] = -R @ skew((K @ T)[:, :3, 3] - F[:3, 3])
            shared.append(about * self.u_shown)
        flat = C.reshape(6 * self.n, 6 * self.n)
        for columns in shared:
            wide = columns.reshape(6 * self.n, -1)
            flat = flat + wide @ wide.T
        return np.asarray(np.linalg.cholesky(flat))

    def _white(self, off: Array, F: Array, T: Array) -> Array:
        return np.asarray(np.linalg.solve(self._root(F, T), off.ravel()))

    def _fits(self, off: Array, F: Array, T: Array, free: int) -> bool:
        """Tell whether chance explains what is left when ``free`` numbers were fitted."""
        degrees = 6 * self.n - free
        if degrees <= 0:
            return True
        return bool((self._white(off, F, T) ** 2).sum() <= chi2_isf(SIGNIFICANCE, degrees))

    def _alone(self, off: Array, k: int) -> bool:
        """Tell whether stop ``k`` by itself is as declared."""
        C = self._root(self.F, self.T)
        rows = slice(6 * k, 6 * k + 6)
        own = (C @ C.T)[rows, rows]
        return bool(off[k] @ np.linalg.solve(own, off[k]) <= chi2_isf(SIGNIFICANCE, 6))

    def _fitted(
        self, places: Callable[[Array], tuple[Array, Array]], count: int = 6
    ) -> tuple[tuple[Array, Array], Array, int]:
        """Return frame and tool that fit best, what is left (n, 6), and how many numbers it told.

        Of tool and frame together two stops tell ten: a screw turns and travels as it did before.
        """
        K, L = self._K(self.arm), self._root(*places(np.zeros(count)))

        def loss(x: Array) -> Array:
            return np.asarray(np.linalg.solve(L, self._off(*places(x), K).ravel()))

        scale = np.tile(np.repeat([1e-3, 1.0], 3), count // 6)
        made = scipy.optimize.least_squares(
            loss, np.zeros(count), method="lm", x_scale=scale, xtol=SETTLED
        )
        found, told = places(made.x), np.linalg.matrix_rank(made.jac * scale, rtol=RANK)
        return found, self._off(*found, K), int(told)

    # ---- one part of the robot file --------------------------------------------------------------

    def _part(self) -> str:
        """Return the one number of the robot file that explains the stops, in words, or ""."""
        L, limit = self._root(self.F, self.T), chi2_isf(SIGNIFICANCE, 6 * self.n - 1)

        def loss(arm: Kinematics, errors: Array | None) -> Array:
            off = self._off(self.F, self.T, self._K(arm, errors))
            return np.asarray(np.linalg.solve(L, off.ravel()))

        def changed(one: Array, x: Array) -> Array:
            return loss(self.arm, x[0] * one)

        best, words, given = limit, "", self.robot.directions or (1,) * self.arm.axes
        for k, (name, unit) in enumerate(
            zip(self.arm.parameter_names, self.arm.parameter_units, strict=True)
        ):
            one = np.eye(len(self.arm.parameter_names))[k]
            starts = np.radians(np.arange(-180.0, 180.0, START_DEG)) if unit == "rad" else [0.0]
            start = min(starts, key=lambda s: float((loss(self.arm, s * one) ** 2).sum()))
            found = scipy.optimize.least_squares(
                partial(changed, one), [start], method="lm", xtol=SETTLED
            )
            if 2 * found.cost < best:
                best, words = 2 * found.cost, self._words(name, unit, float(found.x[0]))
        for k, name in enumerate(self.arm.joints.names):
            ways = [-d if i == k else d for i, d in enumerate(given)]
            size = float(
                (loss(kinematics(replace(self.robot, directions=tuple(ways))), None) ** 2).sum()
            )
            if size < best:
                best, words = size, f"direction of {name} the other way round"
        return words

    def _words(self, name: str, unit: str, change: float) -> str:
        given = (self.robot.geometry_mm or {}).get(name)
        if unit == "mm" and given is not None:
            return f"{name} {given + change:.2f} mm instead of {given:g} mm"
        if unit == "mm":
            return f"{name} {change:+.2f} mm"
        joint = name.removeprefix("zero ")
        k = self.arm.joints.names.index(joint)
        offsets = self.robot.offsets_deg
        if not offsets:
            return f"zero of {joint} {np.degrees(change):+.2f}°"
        return (
            f"offset of {joint} {offsets[k] - np.degrees(change):.2f}° instead of {offsets[k]:g}°"
        )


# ---- said ----------------------------------------------------------------------------------------


def comparison_findings(
    cell: Cell, found: Comparison | None, level: Level | None = None
) -> list[Finding]:
    """Return `joints-disagree` where the stops say that tool, frame or robot file is wrong.

    ``level``: another than the catalogue's.
    """
    if found is None or found.kind == "shown":
        return []
    pendant = cell.pendant
    field = f"active_{found.kind}" if found.kind in ("tool", "frame") else None
    variant = f"{found.kind}-or-file" if field and found.part else found.kind
    if found.kind == "stations":
        variant = f"at-{found.active}" if found.active else ""
    return [
        finding(
            "joints-disagree",
            variant or None,
            level=level,
            stations=[int(n.removeprefix(STATION)) for n in found.stops if n.startswith(STATION)],
            stops=", ".join(found.stops),
            distance_mm=found.distance_mm,
            angle_deg=found.angle_deg,
            tool=pendant.active_tool,
            frame=pendant.active_frame,
            as_tool=_as_typed(cell, _hanging(cell, found.tool)),
            as_frame=_as_typed(cell, found.frame),
            part=found.part,
            turned_deg=TURNED_DEG,
            field=field,
            typed=None if field is None else str(getattr(pendant, field)),
            suggested=_suggested(cell, found),
        )
    ]


def _suggested(cell: Cell, found: Comparison) -> str | None:
    """Return the one tool or frame that fits, as it is typed; None where it is not one."""
    if found.kind in ("tool", "frame"):
        return _as_typed(cell, _hanging(cell, found.tool) if found.kind == "tool" else found.frame)
    return None


def _hanging(cell: Cell, tool: Array | None) -> Array | None:
    """Return flange_T_tool as the pendant gives it: with one angle its flange points up."""
    if tool is None or not cell.pendant.flange_down:
        return tool
    down = np.diag([1.0, -1.0, -1.0, 1.0])
    return np.asarray(down @ tool @ down)


def _as_typed(cell: Cell, place: Array | None) -> str:
    """Return a tool or frame (4, 4) in the pendant's form, with its labels."""
    if place is None:
        return ""
    pendant = replace(cell.pendant, flange_down=False)
    try:
        fields = format_place(place, pendant)
    except StationbookError:
        return "tilted, which one angle cannot show"
    return " ".join(f"{a} {b}" for a, b in zip(pendant.labels, fields, strict=True))
