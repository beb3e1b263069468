"""The way to a station as it is told: shifts along base axes and turns about them, one by one.

A hand presses one key after the other, so the flange does not take the straight way. What is
checked is what is told: every leg by itself, in an order in which all of them are clear. Turns are
about fixed axes while the active tool's tip stays where it is; they are made in one go, before,
between or after the shifts.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..cell.cell import KeepOut
from ..frames import (
    AXES,
    apply,
    inverse,
    rotation_angle,
    rotation_exp,
    skew,
    transform,
    turn_angles,
)
from .sight import Sight

LEAST_MM, LEAST_DEG = 0.5, 0.5  # below this nothing is said: the jog is rounded to 1 mm and 1°
PRESS_DEG = 5.0  # deg; turning that one key less is worth: each change of key costs (CP, no source)
# All orders of three turns. Those that begin and end about one axis turn farther, but often keep
# the board as steep as it is in between, where the others lay it on its face.
ORDERS: Final = ("xyz", "xzy", "yxz", "yzx", "zxy", "zyx", "xyx", "xzx", "yxy", "yzy", "zxz", "zyz")
# Legs of one jog found blocked, and followed by the arm, before it is given up. Most clear ones are
# found after 5 to 18 in all.
MOST_BLOCKED, MOST_FOLLOWED = 20, 30
CLEAR_MM = 20.0  # mm kept from every box: a jog by hand strays from its line, common practice
DOUBT_MM = 20.0  # mm that a place on the flange may be off, and still be taken for known
SAME_DECIMALS = 3  # [-] of joint values [rad, mm] that are the same posture
FAR_MM = 1e6  # mm; farther than any arm reaches
AT_ONCE = 64  # bodies looked at before it is asked which poses are hit already
# Between the poses looked at: what happens between two of them stays well within CLEAR_MM.
STEP_MM, STEP_RAD = 10.0, np.radians(4.0)


class Leg(NamedTuple):
    """One key held down: a shift [mm] along a base axis (0, 1, 2), or a turn [rad] about it."""

    axis: int
    amount: float
    turns: bool

    def __str__(self) -> str:
        """Return "base Z +80 mm" or "turn −20° about base X"."""
        if self.turns:
            return f"turn {_signed(np.degrees(self.amount))}° about base {AXES[self.axis]}"
        return f"base {AXES[self.axis]} {_signed(self.amount)} mm"

    def poses(self, start: Array, reach_mm: float) -> Array:
        """Return poses (n, 4, 4) from ``start`` (4, 4) to the end of the leg, both included.

        Nothing within ``reach_mm`` of the flange's middle moves farther than `STEP_MM` between two.
        """
        size = abs(self.amount)
        fine = max(size / STEP_RAD, size * reach_mm / STEP_MM) if self.turns else size / STEP_MM
        way = np.linspace(0.0, self.amount, int(np.ceil(max(fine, 1.0))) + 1)
        along = np.outer(way, np.eye(3)[self.axis])
        still = np.zeros_like(along)
        return jogged(start, still, along) if self.turns else jogged(start, along, still)


FLANGE = np.eye(4)  # no other tool is active
Legs = tuple[Leg, ...]


class Told(NamedTuple):
    """A jog as it is told: its legs in their order, the arm's postures ``held`` (k, axes) after."""

    legs: Legs
    held: Array


# What holds the flange, as the arm's postures (k, axes), after a leg through poses (n, 4, 4) that
# begins with some; None: the leg is not clear.
Clear = Callable[[Array, Array], Array | None]
Free = Callable[[Array], bool]  # whether nothing stands in the way of a leg through poses (n, 4, 4)


def jogged(base_T_flange: Array, shift_mm: Array, turn: Array) -> Array:
    """Return the pose (..., 4, 4) after a shift (..., 3) [mm] and a turn (..., 3) [rad vector].

    Both along and about base axes; the flange's origin stays where it is while it turns.
    """
    R = rotation_exp(turn) @ base_T_flange[..., :3, :3]
    return transform(R, base_T_flange[..., :3, 3] + shift_mm)


def turned(held: Array) -> bytes:
    """Return what tells the postures ``held`` (k, axes) from others: how the joints have turned."""
    return (np.round(held, SAME_DECIMALS) + 0.0).tobytes()  # no zero has a sign


def jog_text(legs: Legs) -> str:
    """Return the legs in words, in their order, rounded to 1 mm and 1°."""
    return ", ".join(map(str, legs)) or "stay here"


def read_legs(text: str) -> Legs:
    """Return the legs that `jog_text` says, rounded as it says them; () for any other text."""
    found = [_LEG.fullmatch(part) for part in text.split(", ")]
    if not all(found):
        return ()
    return tuple(
        Leg(AXES.index(m["shifted"]), float(m["mm"].replace("−", "-")), False)
        if m["mm"]
        else Leg(AXES.index(m["turned"]), np.radians(float(m["deg"].replace("−", "-"))), True)
        for m in found
        if m is not None
    )


_LEG = re.compile(
    r"base (?P<shifted>[XYZ]) (?P<mm>[+−]\d+) mm|"
    r"turn (?P<deg>[+−]\d+)° about base (?P<turned>[XYZ])"
)


def _signed(value: float) -> str:
    return f"{value:+.0f}".replace("-", "−")


def told_way(
    start: Array,
    end: Array,
    clear: Clear,
    held: Array,
    reach_mm: float = 0.0,
    tool: Array = FLANGE,
    free: Free = lambda poses: True,
) -> Told | None:
    """Return the jog from ``start`` to ``end`` (4, 4) with every leg ``clear``; None: none found.

    The shifts come first and in the order X, Y, Z, and the turns are the least ones, unless another
    order is needed. ``held`` (k, axes) are the arm's postures at ``start``; ``reach_mm``: see
    `Leg.poses`. ``tool`` (4, 4) is active: a jog turns about its tip. Only a way all of whose legs
    are ``free`` is asked whether it is ``clear``: following the arm takes longer.
    """
    start, end, back = start @ tool, end @ tool, inverse(tool)
    reach_mm += float(np.linalg.norm(tool[:3, 3]))

    def flange_clear(poses: Array, held: Array) -> Array | None:
        return clear(poses @ back, held)

    shift = end[:3, 3] - start[:3, 3]
    shifts = tuple(Leg(k, float(v), False) for k, v in enumerate(shift) if abs(v) >= LEAST_MM)
    search = _Search(start, end, flange_clear, lambda poses: free(poses @ back), reach_mm)
    for turns in _turns(end[:3, :3] @ start[:3, :3].T):
        if not shifts and not turns:
            after = flange_clear(start[None], held) if free(start[None] @ back) else None
            return None if after is None else Told((), after)
        found = search.onward((), shifts, turns, not turns, held)
        if found is not None or search.given_up:
            return found
    return None


@dataclass(frozen=True, slots=True, eq=False)
class _Search:
    """The search for an order of legs.

    Where the flange is between two of them follows from the shifts ``done`` and from whether the
    turns are ``there``, behind it. Kept is which legs are ``seen`` to be free, from where such legs
    lead to the ``ends`` of the way, what holds the flange after legs that were ``followed``; and in
    their order those that were found ``blocked``, and along which the arm was ``led``.
    """

    start: Array
    end: Array
    clear: Clear
    free: Free
    reach_mm: float
    seen: dict[tuple[Legs, Legs, bool], bool] = field(default_factory=dict)
    ends: dict[tuple[Legs, Legs, bool], bool] = field(default_factory=dict)
    followed: dict[tuple[Legs, Legs, bool, bytes], Array | None] = field(default_factory=dict)
    blocked: list[Legs] = field(default_factory=list)
    led: list[Leg] = field(default_factory=list)

    @property
    def given_up(self) -> bool:
        """Whether so many legs were blocked or followed that no more are asked."""
        return len(self.blocked) >= MOST_BLOCKED or len(self.led) >= MOST_FOLLOWED

    def onward(self, done: Legs, left: Legs, turns: Legs, there: bool, held: Array) -> Told | None:
        """Return the legs that remain, in a clear order, and the postures after; None: none is.

        ``done`` and ``left`` are the shifts behind and ahead; ``there``: the turns are behind.
        """
        if not left and there:
            return Told((), held)
        for legs, behind, ahead, then in _next(done, left, turns, there):
            if self._seen(done, legs, there) and self._ends(behind, ahead, turns, then):
                after = self._after(done, legs, there, held)
                if after is not None:
                    found = self.onward(behind, ahead, turns, then, after)
                    if found is not None:
                        return Told((*legs, *found.legs), found.held)
        return None

    def _ends(self, done: Legs, left: Legs, turns: Legs, there: bool) -> bool:
        """Tell whether the legs that remain have an order in which all are free."""
        if not left and there:
            return True
        key = done, turns, there
        if key not in self.ends:
            self.ends[key] = any(
                self._seen(done, legs, there) and self._ends(behind, ahead, turns, then)
                for legs, behind, ahead, then in _next(done, left, turns, there)
            )
        return self.ends[key]

    def _seen(self, done: Legs, legs: Legs, there: bool) -> bool:
        """Tell whether ``legs``, made after ``done``, are free."""
        key = done, legs, there
        if key not in self.seen:
            more = len(self.blocked) < MOST_BLOCKED
            self.seen[key] = more and all(map(self.free, self._ways(done, legs, there)))
            if not self.seen[key]:
                self.blocked.append(legs)
        return self.seen[key]

    def _after(self, done: Legs, legs: Legs, there: bool, held: Array) -> Array | None:
        """Return what holds the flange after ``legs``, made after ``done``; None: not clear."""
        key = done, legs, there, turned(held)
        if key not in self.followed:
            after: Array | None = held
            for leg, poses in zip(legs, self._ways(done, legs, there), strict=True):
                if after is not None:
                    more = len(self.led) < MOST_FOLLOWED
                    after = self.clear(poses, after) if more else None
                    self.led.append(leg)
            self.followed[key] = after
        return self.followed[key]

    def _ways(self, done: Legs, legs: Legs, there: bool) -> Iterator[Array]:
        """Yield the poses (n, 4, 4) of each of ``legs``, made after ``done``."""
        here = (self.end if there else self.start).copy()
        here[:3, 3] = self.start[:3, 3]
        for leg in done:
            here[leg.axis, 3] += leg.amount
        for leg in legs:
            poses = leg.poses(here, self.reach_mm)
            yield poses
            here = poses[-1]


def _next(
    done: Legs, left: Legs, turns: Legs, there: bool
) -> Iterator[tuple[Legs, Legs, Legs, bool]]:
    """Yield what may come next, with the shifts then behind and ahead, and whether the turns are.

    One of the shifts that are ``left``, or else the turns, if they are not ``there`` yet.
    """
    for leg in left:
        rest = tuple(other for other in left if other is not leg)
        yield (leg,), tuple(sorted((*done, leg))), rest, there
    if not there:
        yield turns, done, left, True


def _turns(R: Array) -> list[Legs]:
    """Return ways to make ``R`` (3, 3) by turns about fixed axes, those of least turning first."""
    if rotation_angle(R) < np.radians(LEAST_DEG):
        return [()]
    found: dict[Legs, float] = {}
    for order in ORDERS:
        angles = turn_angles(order[::-1], R)[::-1]  # in gimbal lock any of the ways will do
        legs = tuple(
            Leg("xyz".index(axis), float(angle), True)
            for axis, angle in zip(order, angles, strict=True)
            if abs(angle) >= np.radians(LEAST_DEG)
        )
        size = sum(abs(np.degrees(leg.amount)) + PRESS_DEG for leg in legs)
        found.setdefault(legs, round(size, 6))
    return sorted(found, key=found.__getitem__)


# ---- what moves, and the boxes it must not enter ------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Bodies:
    """Boxes that ride on the flange: ``frame`` (m, 4, 4) of their middles, ``half`` (m, 3) [mm].

    Each is to stay ``apart`` (m,) [mm] from the boxes of the cell.
    """

    frame: Array
    half: Array
    apart: Array

    def take(self, index: NDArray[np.bool_] | slice) -> Bodies:
        """Return the bodies at ``index``."""
        return Bodies(self.frame[index], self.half[index], self.apart[index])

    def possible(
        self, typed: Array, boxes: Sequence[KeepOut], apart_mm: float = -DOUBT_MM
    ) -> Bodies:
        """Return those that were ``apart_mm`` from every box at recorded flange poses (n, 4, 4).

        What is less than `DOUBT_MM` inside may stand beside it. The first one is the flange itself,
        which stays. Where none would be left, boxes and poses contradict each other: all are.
        """
        near = replace(self, apart=np.full_like(self.apart, apart_mm)).hit(typed, boxes)
        far = np.array(~near.any(axis=0), bool)
        far[0] = far[1:].any()
        return self.take(far) if far[0] else self

    def as_near(self, present: Array, boxes: Sequence[KeepOut]) -> Bodies:
        """Return them with those near a box at ``present`` (4, 4) keeping as far from all as there.

        For places of which one is true: what rides there need not be farther off than it is.
        """
        bodies = self
        for _ in range(int(np.ceil(self.apart.max() + DOUBT_MM))):
            near = bodies.hit(present[None], boxes)[0]
            near[0] = False  # where the flange is, is known
            nearer = np.where(near, np.ceil(bodies.apart) - 1.0, bodies.apart)
            bodies = replace(bodies, apart=nearer)
        return bodies

    def doubted(self, off_mm: float) -> Bodies:
        """Return them with all but the flange staying farther off, by what their place may be."""
        return replace(self, apart=self.apart + np.where(np.arange(len(self.apart)), off_mm, 0.0))

    @property
    def reach_mm(self) -> float:
        """How far from the flange's middle the farthest of them ends [mm]."""
        return float((np.linalg.norm(self.frame[:, :3, 3], axis=1) + self._size).max())

    @property
    def _size(self) -> Array:
        return np.asarray(np.linalg.norm(self.half, axis=1))

    def lowest(self, base_T_flange: Array) -> Array:
        """Return the height (n, m) [mm] of each one's lowest point at flange poses (n, 4, 4)."""
        upright = np.tensordot(base_T_flange[:, 2], self.frame, axes=(1, 1))  # rows of base Z
        down = np.einsum("nmk,mk->nm", np.abs(upright[..., :3]), self.half)
        return np.asarray(upright[..., 3] - down)

    def hit(self, base_T_flange: Array, boxes: Sequence[KeepOut]) -> NDArray[np.bool_]:
        """Tell which bodies (n, m) lie in or too near a box at flange poses (n, 4, 4).

        Two boxes are apart where one of fifteen directions parts them: their faces' normals and
        the cross products of their edges (Gottschalk, Lin, Manocha 1996, from memory).
        """
        places = apply(base_T_flange, self.frame[:, :3, 3])
        R = np.tensordot(base_T_flange[:, :3, :3], self.frame[:, :3, :3], axes=(2, 1))
        R = np.moveaxis(R, 2, 1)
        size = np.einsum("nmij,mj->nmi", np.abs(R), self.half)
        hit = np.zeros(places.shape[:2], bool)
        for box in boxes:
            low, high = np.asarray(box.min_mm), np.asarray(box.max_mm)
            away, room = places - (low + high) / 2, (high - low) / 2 + self.apart[:, None]
            n, m = np.nonzero((np.abs(away) <= room + size).all(axis=-1) & ~hit)
            hit[n, m] = ~_apart(away[n, m], room[m], R[n, m], self.half[m])
        return hit

    def clear(self, base_T_flange: Array, boxes: Sequence[KeepOut]) -> NDArray[np.bool_]:
        """Tell at which flange poses (n, 4, 4) all bodies keep clear of all boxes."""
        clear = np.ones(len(base_T_flange), bool)
        for some in self._in_parts():
            clear[clear] = ~some.hit(base_T_flange[clear], boxes).any(axis=1)
        return clear

    def all_clear(self, base_T_flange: Array, boxes: Sequence[KeepOut]) -> bool:
        """Tell whether all bodies keep clear of all boxes at all of flange poses (n, 4, 4)."""
        return not any(some.hit(base_T_flange, boxes).any() for some in self._in_parts())

    def _in_parts(self) -> Iterator[Bodies]:
        """Yield the bodies, some from everywhere at a time: what is hit at all is by the first."""
        parts = int(np.ceil(len(self.frame) / AT_ONCE))
        return (self.take(slice(first, None, parts)) for first in range(parts))


def riding(seen: Sight, carried: Array, camera: bool) -> Bodies:
    """Return what moves: the flange's middle, and the board with its rim, or the camera's middle.

    ``carried`` (..., 4, 4) places the board (the camera) on the flange, once for each arrangement
    that is possible.
    """
    placed, half = carried.reshape(-1, 4, 4), np.zeros(3)
    if not camera:
        low, high = seen.corners.min(axis=0), seen.corners.max(axis=0)
        placed, half = placed @ transform(np.eye(3), (low + high) / 2), (high - low) / 2
    frame = np.concatenate([np.eye(4)[None], placed])
    sizes = np.concatenate([np.zeros((1, 3)), np.tile(half, (len(placed), 1))])
    return Bodies(frame, sizes, np.full(len(frame), CLEAR_MM))


CROSSED: Final = skew(np.eye(3))  # (3, 3, 3): the cross products with the base's axes


def _apart(away: Array, room: Array, R: Array, half: Array) -> NDArray[np.bool_]:
    """Tell which boxes with axes ``R`` (k, 3, 3) are parted from one along the base's axes.

    ``away`` (k, 3) from its middle, ``room`` and ``half`` (k, 3) half sides. None of them is parted
    along the base's axes.
    """
    back = np.swapaxes(R, 1, 2)
    apart = _parted(back, away, room, R, half)
    rest = np.flatnonzero(~apart)
    edges = np.swapaxes(CROSSED @ R[rest, None], 2, 3).reshape(-1, 9, 3)
    apart[rest] = _parted(edges, away[rest], room[rest], R[rest], half[rest])
    return apart


def _parted(ways: Array, away: Array, room: Array, R: Array, half: Array) -> NDArray[np.bool_]:
    """Tell which boxes, as in `_apart`, are parted along any of their directions (k, w, 3)."""
    reach = np.einsum("kwi,ki->kw", np.abs(ways), room)
    reach += np.einsum("kwm,km->kw", np.abs(ways @ R), half)
    return np.asarray((np.abs(np.einsum("kwi,ki->kw", ways, away)) > reach).any(axis=1))


def below(height_mm: float) -> KeepOut:
    """Return the box below a height [mm] in the base; what is at that height keeps clear of it."""
    top = height_mm - CLEAR_MM
    return KeepOut("below", (-FAR_MM, -FAR_MM, -FAR_MM), (FAR_MM, FAR_MM, top))
