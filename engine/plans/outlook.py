"""What the recorded stations tell about the next ones: the result, its doubt, and the limits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..camera.lens import project_with_jacobian
from ..cell.cell import KeepOut
from ..cell.mount import EYE_TO_HAND
from ..estimate.information import (
    choosing_information,
    known_for_choosing,
    known_whole,
    uncertainty_after,
    whole_information,
)
from ..estimate.pick import PickModel
from ..estimate.problem import Problem, derivatives, implied_flange, predicted_view
from ..estimate.result import Result
from ..frames import apply, point_rows, rotation_exp, skew, transform
from ..pendant.conventions import active_places
from .arm import ArmCheck
from .choose import Aim
from .plausible import OFFSET_MM
from .sight import Sight, candidate_views, in_view, placed_views, sight, views_near
from .way import Bodies, Told, riding, told_way, turned

CANDIDATES = 8192  # views drawn, a fifth are seen whole
# [-] standard uncertainties of the rough result that margins cover, of the view and of what rides
# on the flange: 3, and a sixth more because three or four stations tell the noise to about that (6
# and 12 degrees of freedom).
COVER = 3.5
TIED_MM = 0.3  # mm; as if the direction that the stations cannot show had been measured by hand
OPEN_MM = 50.0  # mm; u above which a direction counts as not shown
FARTHEST_MM = 1e3  # mm; no camera, and no board on its flange, is known worse than that
LEVER_MM = 500.0  # mm; makes rotations comparable with shifts when looking for open directions
HEIGHT_MM = 10.0  # mm between the heights at which a board is thought that no station shows


@dataclass(frozen=True, slots=True, eq=False)
class Offers:
    """Stations to choose from: ``flange`` (n, 4, 4), ``view`` (n, 4, 4), information."""

    flange: Array
    view: Array
    information: Array

    def take(self, index: NDArray[np.bool_] | Sequence[int]) -> Offers:
        """Return the stations at ``index``."""
        return Offers(self.flange[index], self.view[index], self.information[index])

    def and_also(self, more: Offers) -> Offers:
        """Return these stations and more."""
        both = zip(
            (self.flange, self.view, self.information),
            (more.flange, more.view, more.information),
            strict=True,
        )
        return Offers(*(np.concatenate(pair) for pair in both))


@dataclass(frozen=True, slots=True, eq=False)
class Outlook:
    """A rough result, and what further stations must keep to.

    ``known`` (12 + q, 12 + q) is the information so far on [camera, lens and board errors, board],
    the arm's errors held: stations are chosen by it. ``whole`` (12 + p + q, 12 + p + q) holds
    nothing back: what a person is told comes from it. ``present`` (4, 4) is the flange pose to
    start from, ``usual_mm`` the distance of the first station. ``bodies`` move with the flange and
    keep out of ``boxes``. ``one_axis``: the arm turns about one axis only and nothing measured
    fixes what that hides: how far along it what rides on the flange is. The flange goes no lower
    than ``lowest_mm`` [base]. ``told`` keeps the jogs that were worked out: stations are tried in
    many orders; ``legs`` tells of what they are made of whether it is clear, ``led`` to which
    postures it leads from which; None: from none.
    """

    problem: Problem
    result: Result
    pick: PickModel
    known: Array
    whole: Array
    present: Array
    sight: Sight
    arm: ArmCheck
    bodies: Bodies
    boxes: tuple[KeepOut, ...]
    one_axis: bool
    usual_mm: float
    lowest_mm: float = -np.inf
    told: dict[tuple[bytes, bytes, bytes], Told | None] = field(default_factory=dict)
    legs: dict[bytes, bool] = field(default_factory=dict)
    led: dict[tuple[bytes, bytes], Array | None] = field(default_factory=dict)

    @property
    def aim(self) -> Aim:
        """What the choice is to bring down."""
        pick, arm = self.pick, self.result.systematic.arm
        rows = np.concatenate([pick.moved, -pick.off[:, :, arm:]], axis=2)[pick.corner]
        return Aim(self.known, np.swapaxes(rows, 1, 2) @ rows)

    def expected(self, information: Array) -> tuple[float, float] | None:
        """Return (work_volume_mm, pick_mm), standard, as a result would state them; None: unknown.

        ``information`` (12 + p, 12 + p): `whole`, and what further stations add to it.
        """
        if self.one_axis:
            return None
        volume, pick = uncertainty_after(information, self.result)
        return (volume, pick) if volume < OPEN_MM else None

    def after(self, flange: Array) -> tuple[float, float] | None:
        """Return what `expected` says after stations at flange poses (n, 4, 4)."""
        return self.expected(self.whole + self.whole_information(flange).sum(axis=0))

    def reaches(self, flange: Array, until_mm: float) -> bool:
        """Tell whether stations at flange poses (n, 4, 4) bring u to ``until_mm`` or below."""
        after = self.after(flange)
        return after is not None and after[0] <= until_mm

    def whole_information(self, flange: Array) -> Array:
        """Return what stations at flange poses (n, 4, 4) would add, (n, 12 + p, 12 + p)."""
        return whole_information(self.problem, self.result, flange)

    @property
    def doubt_mm(self) -> float:
        """How far [mm] what rides on the flange may be from where the result puts it.

        Apart from along the one axis, where that is not known at all.
        """
        result, hand = self.result, self.problem.mount != EYE_TO_HAND
        carried = result.geometric if hand else result.board
        C = result.joint_covariance[:6, :6] if hand else result.joint_covariance[6:, 6:]
        rows = point_rows(carried, np.zeros((1, 3)) if hand else self.sight.corners)
        rows = rows[:, : 2 if self.one_axis else 3]
        spread = np.linalg.eigvalsh(rows @ C @ np.swapaxes(rows, 1, 2))
        return COVER * float(np.sqrt(spread.max()))

    def enough(self, until_mm: float | None) -> bool:
        """Tell whether U = 2u at the work volume is below ``until_mm`` already."""
        now = self.expected(self.whole)
        return until_mm is not None and now is not None and 2 * now[0] <= until_mm

    def views(self, flange: Array) -> Array:
        """Return camera_T_board (n, 4, 4) expected at flange poses (n, 4, 4)."""
        return predicted_view(self.problem.mount, self.result.geometric, flange, self.result.board)

    def seen(self, flange: Array, view: Array) -> NDArray[np.bool_]:
        """Tell which stations (n, 4, 4) show the whole board, whatever the result is off."""
        good = in_view(self.sight, view)
        good[good] = in_view(self.sight, view[good], COVER * self._spread(flange[good], view[good]))
        return good

    def clear(self, flange: Array) -> NDArray[np.bool_]:
        """Tell at which flange poses (n, 4, 4) board and flange keep out of every box."""
        high = flange[:, 2, 3] >= self.lowest_mm
        return np.asarray(high & self.bodies.clear(flange, self.boxes))

    def way(self, start: Array, end: Array, held: Array) -> Told | None:
        """Return the jog between two flange poses as it is to be told; None: none that is clear.

        Every leg of it keeps out of the boxes, within reach and limits, and folds nothing over: in
        every posture that is likely, or where no such way is found, in one of them at least.
        ``held`` (k, axes) are the arm's postures at the start; those at the end are returned.
        """
        key = start.tobytes(), end.tobytes(), turned(held)
        if key not in self.told:
            self.told[key] = self._way(start, end, held)
        return self.told[key]

    def _way(self, start: Array, end: Array, held: Array) -> Told | None:
        tool, reach = active_places(self.problem.pendant)[1], self.bodies.reach_mm
        leads = self.arm.leads(held, end)
        for clear, likely in ((self._along_surely, leads.all()), (self._along, leads.any())):
            told = told_way(start, end, clear, held, reach, tool, self._free) if likely else None
            if told is not None:
                there = self.arm.unwound(held, told.held)
                return Told(told.legs, there) if len(there) or not len(held) else None
            if len(held) < 2:
                break  # both ways to look are the same
        return None

    def _free(self, poses: Array) -> bool:
        leg = poses.tobytes()  # other orders try the same leg
        if leg not in self.legs:
            self.legs[leg] = bool(self.clear(poses).all())
        return self.legs[leg]

    def _along(self, poses: Array, held: Array) -> Array | None:
        key = poses.tobytes(), turned(held)
        if key not in self.led:
            self.led[key] = self.arm.along(poses, held)
        return self.led[key]

    def _along_surely(self, poses: Array, held: Array) -> Array | None:
        """Return what `_along` does where no posture is lost, whichever of them is the true one."""
        after = self._along(poses, held)
        return after if after is not None and len(after) == len(held) else None

    def goes(self, start: Array, end: Array, held: Array) -> Array | None:
        """Return the postures at a station at ``end``, to which a clear jog leads; None: none."""
        way = self.way(start, end, held)
        return None if way is None else self.arm.resting(way.held)

    def offers(self, view: Array | None = None) -> Offers:
        """Return stations in view and clear of the boxes: all over what the camera sees.

        Or of the views (n, 4, 4) that are given.
        """
        view, mount = self._drawn() if view is None else view, self.problem.mount
        view = view[in_view(self.sight, view)]
        flange = implied_flange(mount, self.result.geometric, view, self.result.board)
        good = self.seen(flange, view)
        good[good] = self.clear(flange[good])
        good[good] = self.arm.promising(flange[good])
        flange, view = flange[good], view[good]
        added = choosing_information(self.problem, self.result, flange)
        return Offers(flange, view, board_last(added))

    def _drawn(self) -> Array:
        if not self.problem.level:
            return candidate_views(self.sight, CANDIDATES)
        yaw = np.linspace(-np.pi, np.pi, CANDIDATES, endpoint=False)
        yaw = yaw[np.random.default_rng(0).permutation(CANDIDATES)]
        return placed_views(self.sight, self.turned(yaw))

    def turned(self, yaw: Array) -> Array:
        """Return the board's rotations (n, 3, 3) in the camera for turns (n,) [rad] of the arm."""
        R = rotation_exp(np.outer(yaw, (0.0, 0.0, 1.0))) @ self.present[:3, :3]
        return self.views(transform(R, np.zeros(3)))[:, :3, :3]

    def near(self, view: Array, size: tuple[float, float]) -> Array:
        """Return views (m, 4, 4) about each of ``view`` (n, 4, 4), see `views_near`."""
        upright = None
        if self.problem.level:
            fixed = self.problem.mount == EYE_TO_HAND
            place = self.result.geometric if fixed else self.present @ self.result.geometric
            upright = place[2, :3]
        return views_near(self.sight, view, upright, size)

    def _spread(self, flange: Array, view: Array) -> Array:
        """Return the standard uncertainty (n,) [px] of where the board's corners are seen."""
        mount, result, corners = self.problem.mount, self.result, self.sight.corners
        by_camera, by_board, _ = derivatives(mount, result.geometric, flange, result.board)
        rows = np.concatenate([by_camera, by_board], axis=2)
        spread = np.zeros(len(flange))
        for corner in corners:
            turned = view[:, :3, :3] @ corner
            by_view = np.concatenate(
                [-skew(turned), np.broadcast_to(np.eye(3), (len(view), 3, 3))], axis=2
            )
            _, by_point = project_with_jacobian(turned + view[:, :3, 3], self.sight.lens)
            px = by_point @ by_view @ rows
            C = px @ result.joint_covariance @ np.swapaxes(px, 1, 2)
            spread = np.maximum(spread, np.sqrt(np.einsum("nii->n", C)))
        return spread


def outlook(
    problem: Problem,
    result: Result,
    present: Array,
    first_view: Array,
    arm: ArmCheck,
) -> Outlook:
    """Return the outlook that a solved result gives; ``first_view`` (4, 4) is camera_T_board.

    It knows of no boxes and no floor yet.
    Raises ValueError for an unsolved result.
    """
    if result.pick is None or result.noise is None:
        raise ValueError("the result is not solved")
    known = known_for_choosing(result)
    held = known.copy()
    if problem.level:
        held[:12, :12] = tied(known[:12, :12])
    usual, one_axis = float(first_view[2, 3]), bool(np.any(held != known))
    seen, hand = sight(problem.camera, problem.board, usual), problem.mount != EYE_TO_HAND
    carried = result.geometric if hand else result.board
    if one_axis:
        carried = _anywhere_along(carried, np.zeros(3) if hand else seen.centre)
    return Outlook(
        problem=problem,
        result=result,
        pick=result.pick,
        known=board_last(_finite(held)),
        whole=known_whole(result),
        present=present,
        sight=seen,
        arm=arm,
        bodies=riding(seen, carried, hand),
        boxes=(),
        one_axis=one_axis,
        usual_mm=usual,
    )


def _anywhere_along(carried: Array, middle: Array) -> Array:
    """Return what rides on the flange with its ``middle`` (3,) anywhere along the flange's z.

    (k, 4, 4), so near each other that `CLEAR_MM` bridges them. A level flange's z is upright.
    """
    height = np.arange(-OFFSET_MM, OFFSET_MM + HEIGHT_MM, HEIGHT_MM)
    placed = np.tile(carried, (len(height), 1, 1))
    placed[:, 2, 3] += height - apply(carried, middle[None])[0, 2]
    return placed


def _finite(information: Array) -> Array:
    """Return (12 + q, 12 + q) in which no direction is open without bounds, or less by rounding."""
    lever = [LEVER_MM] * 3 + [1.0] * 3
    scale = np.concatenate([lever, lever, np.sqrt(np.diag(information)[12:])])
    size, axes = np.linalg.eigh((information + information.T) / (2.0 * np.outer(scale, scale)))
    half = axes * np.sqrt(np.maximum(size, 1.0 / FARTHEST_MM**2)) * scale[:, None]
    return np.asarray(half @ half.T)


def board_last(information: Array) -> Array:
    """Return information (..., 12 + q, 12 + q) on [camera, board, errors] with the board last."""
    order = np.r_[0:6, 12 : information.shape[-1], 6:12]
    return np.asarray(information[..., order[:, None], order])


def tied(information: Array) -> Array:
    """Return (12, 12) with directions that no station shows held as if they had been measured.

    An arm that turns about one axis only leaves a direction open whatever it does: no choice of
    stations may turn on it.
    """
    scale = np.array([LEVER_MM] * 3 + [1.0] * 3 + [LEVER_MM] * 3 + [1.0] * 3)
    size, axes = np.linalg.eigh(information / np.outer(scale, scale))
    hidden = size < 1.0 / OPEN_MM**2
    if not hidden.any():
        return information
    rows = axes[:, hidden] * scale[:, None]
    return np.asarray(information + rows @ rows.T / TIED_MM**2)
