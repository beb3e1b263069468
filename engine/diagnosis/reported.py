"""Reported board poses that mean something else than the board in the camera, in mm.

Another unit, a quaternion written in another order, rotations the other way round, the camera in
the board, or a rotation vector whose angle was taken for another unit. All stations come from one
system, so all of them are read the other way.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..estimate.gather import behind
from ..estimate.problem import Problem, related
from ..estimate.solver import LEAST_STATIONS
from ..estimate.start import squared_deviation, transforms_from
from ..findings import Finding, finding
from ..frames import inverse, quaternion_xyzw, rotation_exp, rotation_log, rotation_of, transform
from ..robots.reach import out_of_reach
from .causes import Cause, solved_weight
from .images import HOPELESS, MOVES_ALIKE, matching, screws
from .scene import Texts

SHARE = -6.0  # log of how common each other reading is among sessions, common practice, no source
SURER = 10.0  # [-] log odds by which a reading must beat another one: 1 in 20,000
UNITS = {"cm": ("centimetres", 10.0), "in": ("inches", 25.4), "m": ("metres", 1000.0)}
TRIOS, TRIO_FITS = 8, 50  # trios of stations that are tried, and of readings for each
MOST_ROUNDS = 29  # 180 rad are 28.6 turns
PAIRS = (0, 1), (0, 2), (1, 2)  # of a trio
TRIO_SEED = 22  # any number: fixes the trios


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """One other reading: ``poses`` returns camera_T_board (n, 4, 4) [mm] of the poses as reported.

    None where no such poses can be told.
    """

    poses: Callable[[Problem, Array], Array | None]
    said: Finding


def reported_causes(problem: Problem, texts: Texts) -> list[Cause]:
    """Return the reading of the reported poses that brings the stations together, if one does.

    All of them, but for a few that may be bad.
    """
    if not (told := _told(problem)):
        return []
    causes, n = [], len(told)
    for reading in _readings():
        other = _read(problem, reading)
        if other is None:
            continue
        found, weight = solved_weight(other)
        if found is None or len(found.used) < n:
            continue
        used = int(found.used.sum())
        if used == n or (used > LEAST_STATIONS and 2 * used > n):
            said = inverse_said(problem) if reading is _INVERSE else reading.said
            causes.append(Cause(weight + SHARE, (said,), other, texts, found=found))
    causes.sort(key=lambda cause: -cause.weight)
    if not causes or any(c.weight > causes[0].weight - SURER for c in causes[1:]):
        return []
    return causes[:1]


def inverse_said(problem: Problem) -> Finding:
    """Return that typed poses, reported ones, or one of both are inverse: the motions are alike.

    A board behind the camera, or poses that the described arm cannot hold, tell which.
    """
    boards = _read(problem, _INVERSE) if _told(problem) else None
    if boards is None or behind(boards) or not _held(problem, turned=False):
        return finding("inverse-pose")
    either = not behind(problem) and _held(problem, turned=True)
    return finding("inverse-pose", "either" if either else "reported")


def _held(problem: Problem, *, turned: bool) -> bool:
    """Tell whether the arm, where it is described, can hold most typed poses, or their inverses."""
    typed = np.array([one.base_T_flange for one in problem.observations])
    poses, robot = inverse(typed) if turned else typed, problem.robot
    if robot is None:
        return True
    return 2 * int(out_of_reach(robot, poses, [None] * len(poses)).sum()) <= len(poses)


def _told(problem: Problem) -> list[Array]:
    """Return the reported poses, where every station has one and no points."""
    seen = problem.observations
    told = [one.camera_T_board for one in seen if one.pixels is None]
    poses = [T for T in told if T is not None]
    return poses if len(poses) == len(seen) else []


def _read(problem: Problem, reading: Reading) -> Problem | None:
    poses = reading.poses(problem, np.array(_told(problem)))
    if poses is None:
        return None
    seen = zip(problem.observations, poses, strict=True)
    observations = tuple(replace(one, camera_T_board=pose) for one, pose in seen)
    return replace(problem, observations=observations)


def _readings() -> list[Reading]:
    return [
        *(
            Reading(_farther(factor), finding("unit", "reported", looks_like=name, factor=factor))
            for name, factor in UNITS.values()
        ),
        Reading(_scalar_first, finding("rotation-convention", "reported")),
        Reading(_transposed, finding("rotation-convention", "reported-transposed")),
        _INVERSE,
        Reading(_as_degrees, finding("unit", "reported-degrees")),
        Reading(_as_radians, finding("unit", "reported-radians")),
    ]


def _farther(factor: float) -> Callable[[Problem, Array], Array]:
    return lambda _, T: transform(T[:, :3, :3], factor * T[:, :3, 3])


def _scalar_first(_: Problem, T: Array) -> Array:
    """Return the poses whose quaternions were written w x y z and read x y z w."""
    turns = rotation_of(np.roll(quaternion_xyzw(T[:, :3, :3]), -1, axis=1))
    return transform(turns, T[:, :3, 3])


def _transposed(_: Problem, T: Array) -> Array:
    return transform(np.swapaxes(T[:, :3, :3], 1, 2), T[:, :3, 3])


_INVERSE = Reading(lambda _, T: inverse(T), finding("inverse-pose", "reported"))


def _as_degrees(_: Problem, T: Array) -> Array:
    """Return the poses whose rotation vectors, in radians, were taken for degrees."""
    turns = np.degrees(rotation_log(T[:, :3, :3]))
    return transform(rotation_exp(turns), T[:, :3, 3])


def _as_radians(problem: Problem, T: Array) -> Array | None:
    """Return the poses whose rotation vectors, in degrees, were taken for radians.

    180 radians are 28 turns and more, so how often and which way a rotation went round is open. Of
    three stations only few answers move against each other as the robot's poses do; of these the
    one is taken that most other stations agree with.
    """
    G = related(problem.mount, np.array([s.base_T_flange for s in problem.observations]))
    every, rng, n = np.array([_unwound(one) for one in T]), np.random.default_rng(TRIO_SEED), len(T)
    trios = [rng.permutation(n)[:3] for _ in range(TRIOS if n > LEAST_STATIONS else 1)]
    places, views = [], []
    for trio in trios:
        robot, seen = G[trio], every[trio]
        alike = [_alike(screws(seen[i], seen[j]), robot[i], robot[j]) for i, j in PAIRS]
        for chosen in matching(*alike)[:TRIO_FITS]:
            places.append(robot)
            views.append(seen[np.arange(3), chosen])
    if not places:
        return None
    cameras, boards = transforms_from(np.array(places), np.array(views))
    centre = problem.board.points().mean(axis=0)
    best, poses = HOPELESS * n, None
    for camera, board in zip(cameras, boards, strict=True):
        off = np.log1p(squared_deviation(camera @ every, (G @ board)[:, None], centre))
        if (score := float(off.min(axis=1).clip(max=HOPELESS).sum())) < best:
            best, poses = score, every[np.arange(n), off.argmin(axis=1)]
    return poses


def _alike(moves: Array, this: Array, that: Array) -> NDArray[np.bool_]:
    """Tell which ``moves`` (k, k, 2) are those from pose ``that`` to ``this`` (4, 4)."""
    return np.asarray((np.abs(moves - screws(this[None], that[None])) < MOVES_ALIKE).all(axis=2))


def _unwound(T: Array) -> Array:
    """Return the poses (k, 4, 4) whose rotation vectors in degrees give ``T`` read as radians."""
    turn = rotation_log(T[:3, :3])
    angle = float(np.linalg.norm(turn))
    axis = turn / angle if angle else np.array([1.0, 0.0, 0.0])
    rounds = 2.0 * np.pi * np.arange(-MOST_ROUNDS, MOST_ROUNDS + 1) + angle
    turns = rotation_exp(np.radians(rounds)[:, None] * axis)
    return transform(turns, np.broadcast_to(T[:3, 3], (len(turns), 3)))
