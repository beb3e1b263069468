"""Whether a jog as it is told ever leads board, camera or flange into a box.

    python tests/bench/bench_told_jogs.py [sessions [gap [first seed]]]

Each session has three random boxes about the arm's reach, one of them ``gap`` mm from what moves at
the first stop, a floor at the base plane where the scene leaves room for it, and the arm's own
foot. Every plan is followed as the words say, key after key from where the robot truly stands, by
`told_jogs`, which shares no code with the planner: the board's true place is used, which the
planner does not know. Where no jog is told, a hand that sees the boxes does what the plan asks for.
Counted are steps that enter a box as told (and how many straight ways would), steps along which no
posture stays within the limits, and sessions that came to all their stations.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

from plan_world import BOARD, World, world
from pytransform3d.rotations import (
    compact_axis_angle_from_matrix,
    matrix_from_compact_axis_angle,
)
from told_jogs import entered, way

from engine.arrays import Array
from engine.camera.lens import project
from engine.cell.cell import KeepOut
from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND, Mount
from engine.estimate.solver import LEAST_STATIONS
from engine.frames import apply
from engine.plans.types import Wish
from engine.robots.kinematics import kinematics

FIRST, UNTIL = 4, 10  # stations of a session: three jogs after the first stop, then poses
PLANS = 12  # asked for in one session at most
BOXES = 3
EVERY = 2  # of the poses of a way is looked at
JUMP_RAD = np.radians(45.0)  # between two of them: no steady move
FLANGE_MM = 25.0  # from a box at the first station at least: nearer, the plan only asks to go away
HANDS = 200  # moves by hand tried for one that is clear and keeps the board in view


def boxes(made: World, rng: np.random.Generator, gap_mm: float) -> tuple[KeepOut, ...]:
    """Return random boxes near the first station, the last one ``gap_mm`` from what moves there."""
    here = apply(made.stations[0].base_T_flange, made.carried())
    apart = np.full((len(here), 1), gap_mm)
    apart[0] = max(gap_mm, FLANGE_MM)
    found: list[KeepOut] = []
    while len(found) < BOXES:
        size = rng.uniform(30.0, 250.0, 3) * np.where(rng.random(3) < 0.2, 3.0, 1.0)
        middle = here.mean(axis=0) + rng.uniform(-350.0, 350.0, 3)
        if len(found) == BOXES - 1:
            middle = _touching(here, apart, size / 2, middle)
        if not _near(here, apart, size / 2, middle):
            low, high = middle - size / 2, middle + size / 2
            found.append(KeepOut(f"box {len(found) + 1}", tuple(low), tuple(high)))
    return tuple(found)


def _near(here: Array, apart: Array, half: Array, middle: Array) -> bool:
    return bool((np.abs(here - middle) < half + apart).all(axis=1).any())


def _touching(here: Array, apart: Array, half: Array, middle: Array) -> Array:
    """Return the middle moved away from, or towards what is ``here``, until it is just apart."""
    start, way = here.mean(axis=0), middle - here.mean(axis=0)
    near, far = 0.0, 10.0
    for _ in range(40):
        some = (near + far) / 2
        near, far = (some, far) if _near(here, apart, half, start + some * way) else (near, some)
    return np.asarray(start + far * way)


def by_hand(made: World, rng: np.random.Generator) -> bool:
    """Move as a plan asks that tells no jog, and record; False where nothing tried will do."""
    here, points = made.stations[-1].base_T_flange, made.carried()
    axis = "Z" if made.axes == 4 else "XYZ"[len(made.stations) % 3]
    corners = BOARD.points()[[0, BOARD.columns - 1, -BOARD.columns, -1]]
    for _ in range(HANDS):
        turn = rng.choice([-1, 1]) * rng.integers(10, 21)
        shift = rng.normal(size=3)
        shift *= rng.uniform(0.0, 100.0) / np.linalg.norm(shift)
        legs = [f"base {k} {v:+.0f} mm" for k, v in zip("XYZ", shift, strict=True)]
        legs.insert(rng.integers(4), f"turn {turn:+d}° about base {axis}")
        poses = way(here, ", ".join(legs).replace("-", "−"))
        seen = apply(made.view(poses[-1]), corners)
        pixels = project(seen, made.cell.camera)
        whole = (np.abs(pixels / made.cell.camera.image_size_px - 0.5) < 0.45).all()
        clear = not entered(poses, points, made.cell.keep_out)
        if whole and seen[:, 2].min() > 0 and clear and made.reaches(poses[-1]):
            made.stop(poses[-1])
            return True
    return False


def outside(made: World, poses: Array) -> bool:
    """Tell whether no posture within the limits can be led along a way."""
    arm = kinematics(made.cell.robot)
    held = arm.inverse(poses[0])
    for pose in poses[::EVERY]:
        there = arm.inverse(pose)
        step = np.abs(there[:, None] - held[None])[..., arm.joints.turning].max(axis=2)
        held = there[step.min(axis=1, initial=np.inf) <= JUMP_RAD]
        if not len(held):
            return True
    return False


def session(mount: Mount, seed: int, axes: int, gap_mm: float) -> dict[str, int]:
    """Return the counts of one session: the first jogs, then the poses, each plan to its end."""
    made, rng = world(mount, seed, axes), np.random.default_rng(1000 + seed)
    made.cell = replace(made.cell, keep_out=boxes(made, rng, gap_mm))
    points, count = made.carried(), dict.fromkeys(KEYS, 0)
    for _ in range(PLANS):
        first = len(made.stations) < LEAST_STATIONS
        left = (FIRST if first else UNTIL) - len(made.stations)
        plan = made.plan(Wish(count=left)) if left else None
        if plan is None or not (plan.steps or by_hand(made, rng)):
            break
        count["by hand"] += not plan.steps
        here = made.stations[-1].base_T_flange
        for step in plan.steps:
            poses = way(here, step.jog, step.base_T_flange)
            count["jogs" if step.by == "jog" else "poses"] += 1
            count["into a box"] += bool(entered(poses, points, made.cell.keep_out))
            count["straight ways into"] += bool(straight_into(here, step.base_T_flange, made))
            count["out of limits"] += outside(made, poses)
            here = step.base_T_flange
            made.stop(here)
    count["sessions"], count["stations"] = 1, len(made.stations)
    count["whole"] = len(made.stations) >= UNTIL
    return count


def straight_into(here: Array, there: Array, made: World) -> set[str]:
    """Return the boxes that the straight way would enter: what nobody was told."""
    turn = compact_axis_angle_from_matrix(there[:3, :3] @ here[:3, :3].T)
    share = np.linspace(0.0, 1.0, 100)
    poses = np.tile(there, (len(share), 1, 1))
    for pose, s in zip(poses, share, strict=True):
        pose[:3, :3] = matrix_from_compact_axis_angle(s * turn) @ here[:3, :3]
        pose[:3, 3] = (1 - s) * here[:3, 3] + s * there[:3, 3]
    return entered(poses, made.carried(), made.cell.keep_out)


KEYS = ("sessions", "whole", "stations", "by hand", "jogs", "poses", "into a box",
        "straight ways into", "out of limits")  # fmt: skip


def main() -> None:
    """Print a table."""
    sessions = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    gap_mm = float(sys.argv[2]) if len(sys.argv) > 2 else 25.0
    first = int(sys.argv[3]) if len(sys.argv) > 3 else 0
    print("| mount | axes | sessions, with all ten stations | by hand | first jogs | poses | "
          "into a box | straight ways into one | out of limits |")  # fmt: skip
    print("|---|---|---|---|---|---|---|---|---|")
    for mount in (EYE_TO_HAND, EYE_IN_HAND):
        for axes in (6, 4):
            begun = time.process_time()
            runs = [session(mount, seed, axes, gap_mm) for seed in range(first, first + sessions)]
            took = time.process_time() - begun
            total = {key: sum(run[key] for run in runs) for key in KEYS}
            cells = " | ".join(str(total[key]) for key in KEYS[3:])
            whole = f"{total['sessions']}, {total['whole']}"
            print(f"| {mount} | {axes} | {whole} | {cells} |", flush=True)
            print(f"{total['stations']} stations, {took:.0f} s", file=sys.stderr)


if __name__ == "__main__":
    main()
