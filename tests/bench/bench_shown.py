"""How often stops with joints and pose name what is wrong, and how near the values are.

Sessions of eight stations on both mounts; the first and the last stop (and the fourth, where three
are told) have joints and pose. The controller computes poses with a geometry of its own, off by up
to the arm's stated accuracy; joints are shown to 0.01°, poses to 0.01 mm and 0.001°. Wrong tool and
frame: shifted by 5 to 200 mm (log-uniform), half of them also turned by 1 to 60°. Wrong robot file:
one length by 20 to 80 mm, one joint zero by 5 to 90°, or one direction the other way round.
Usage: python tests/bench/bench_shown.py [sessions]
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import replace

import numpy as np
from simulated_sessions import ARM, FOUR_AXIS, PENDANT, Case, simulated

from engine.arrays import Array
from engine.cell.cell import Cell
from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND
from engine.cell.session import Station
from engine.checks.shown import Comparison, compared, stops_of
from engine.estimate.systematic import postures_at
from engine.frames import displaced, displacement, inverse
from engine.pendant.entry import format_place
from engine.robots.kinematics import kinematics
from engine.robots.model import Robot
from engine.simulate.scenario import cell
from engine.simulate.virtual_cell import geometry_errors

ACCURACY_MM = 0.4


def off(rng: np.random.Generator, level: bool) -> Array:
    """Return a transform that nobody told of."""
    axis, shift = (v / np.linalg.norm(v) for v in rng.normal(size=(2, 3)))
    turn = np.radians(10 ** rng.uniform(0.0, 1.8)) * rng.integers(2)
    axis = np.array([0.0, 0.0, 1.0]) if level else axis
    return displaced(np.eye(4), [*(turn * axis), *(10 ** rng.uniform(0.7, 2.3) * shift)])


def wrong_file(robot: Robot, rng: np.random.Generator) -> Robot:
    """Return the robot with one number wrong that no tool and no frame can make good."""
    way, inner = rng.integers(3), int(rng.integers(1, 5)) if robot.axes == 6 else 1
    if way == 0:
        keys = [k for k in robot.geometry_mm if k not in ("c1", "c4", "z0", "b")]
        key = str(rng.choice(keys))
        change = float(rng.choice([-1, 1]) * rng.uniform(20.0, 80.0))
        return replace(
            robot, geometry_mm={**robot.geometry_mm, key: robot.geometry_mm[key] + change}
        )
    if way == 1:
        zeros = list(robot.offsets_deg)
        zeros[inner] += float(rng.choice([-90.0, -30.0, -10.0, -5.0, 5.0, 10.0, 30.0, 90.0]))
        return replace(robot, offsets_deg=tuple(zeros))
    ways = list(robot.directions)
    ways[inner] *= -1
    return replace(robot, directions=tuple(ways))


def one(kind: str, case: Case, count: int, seed: int) -> tuple[Comparison, float]:
    """Return what the stops say, and how far the values are off [mm]."""
    rng = np.random.default_rng([seed, count, case.axes])
    made = simulated(case, rng)
    robot = replace(ARM if case.axes == 6 else FOUR_AXIS, accuracy_mm=ACCURACY_MM)
    arm = kinematics(robot)
    at = [0, 7] if count == 2 else [0, 3, 7]
    flange = np.array([made.problem.observations[k].base_T_flange for k in at])
    q = postures_at(arm, flange, [None] * len(at))
    shown_q = np.round(np.where(arm.joints.turning, np.degrees(q), q), 2)
    q = np.where(arm.joints.turning, np.radians(shown_q), shown_q)
    K = arm.forward(q, geometry_errors(arm, ACCURACY_MM, rng) * rng.uniform(0.0, 1.0))
    T = off(rng, case.axes == 4) if kind == "tool" else np.eye(4)
    F = off(rng, case.axes == 4) if kind == "frame" else np.eye(4)
    told = wrong_file(robot, rng) if kind == "robot file" else robot
    here: Cell = replace(cell(case.mount), robot=told, pendant=PENDANT)
    stations = [
        Station(k, format_place(inverse(F) @ pose @ T, PENDANT), tuple(f"{v:.2f}" for v in joints))
        for k, (pose, joints) in enumerate(zip(K, shown_q, strict=True))
    ]
    found = compared(here, stops_of(here, stations))
    assert found is not None
    fits = {"tool": (found.tool, T), "frame": (found.frame, F)}.get(kind)
    if fits is None or fits[0] is None:
        return found, float("nan")
    return found, float(np.linalg.norm(displacement(fits[0], fits[1])[3:]))


def main() -> None:
    """Print one line for each case."""
    sessions = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    print("wrong       axes stops  mount        right  said  values off, mm (median, 95 %)")
    right = {"nothing": {"shown"}, "tool": {"tool"}, "frame": {"frame"}}
    for axes in (6, 4):
        for count in (2, 3):
            for kind in ("nothing", "tool", "frame", "robot file"):
                for mount in (EYE_TO_HAND, EYE_IN_HAND):
                    case = Case(mount=mount, axes=axes, stations=8)
                    both = [one(kind, case, count, seed) for seed in range(sessions)]
                    kinds = Counter(found.kind for found, _ in both)
                    good = right.get(kind, {"part", "robot"})
                    share = sum(kinds[k] for k in good) / sessions
                    sizes = np.array([size for _, size in both if np.isfinite(size)])
                    near = "  ".join(
                        f"{np.quantile(sizes, p):.2f}" for p in (0.5, 0.95) if len(sizes)
                    )
                    said = " ".join(f"{k} {n}" for k, n in kinds.most_common())
                    head = f"{kind:11} {axes}    {count}     {mount:12} {share:6.1%}"
                    print(f"{head}  {said}  {near}", flush=True)


if __name__ == "__main__":
    main()
