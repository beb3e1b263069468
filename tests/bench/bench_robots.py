"""Reach and inverse kinematics: 10,000 random reachable poses per kind, and the entry check's time.

Run: python tests/bench/bench_robots.py [poses]. One core is enough.
"""

from __future__ import annotations

import sys
import time
from functools import partial
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from robots_samples import (
    ALL,
    puma_chain,
    puma_from_toolbox,
    random_joints,
    urdf_arms,
)

from engine.robots.kinematics import kinematics
from engine.robots.reach import reach_findings


def milliseconds(times: list[float]) -> str:
    """Return median, 95 % and largest of times [s] in ms."""
    at = 1000 * np.percentile(times, [50, 95, 100])
    return f"{at[0]:7.2f} {at[1]:7.2f} {at[2]:7.2f}"


def timed(function, poses) -> tuple[list, list[float]]:
    """Return results and times [s] of ``function`` on each pose."""
    results, times = [], []
    for T in poses:
        start = time.perf_counter()
        results.append(function(T))
        times.append(time.perf_counter() - start)
    return results, times


def shifted(poses: np.ndarray) -> np.ndarray:
    """Return poses moved by 1 m along base X: a digit too much."""
    moved = poses.copy()
    moved[:, 0, 3] += 1000
    return moved


def main() -> None:
    """Print one line per robot."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    robots = [*ALL, puma_chain(puma_from_toolbox()), *(arm for arm, *_ in urdf_arms())]
    print(f"{'':28s} refused worst mm  branches", end="")
    print("   ms: 50 %, 95 %, largest of inverse | verdict | verdict on a slip of 1 m")
    for robot in robots:
        arm = kinematics(robot)
        rng = np.random.default_rng(1)
        poses = arm.forward(random_joints(arm, rng, count))
        arm.branches(poses[0])
        found, times = timed(arm.branches, poses)
        refused = sum(len(item) == 0 for item in found)
        pairs = [(q, T) for q, T in zip(found, poses, strict=True) if len(q)]
        worst = max(float(np.abs(arm.forward(q) - T).max()) for q, T in pairs)
        mean = np.mean([len(item) for item in found])
        checked = partial(reach_findings, robot)
        verdict, slip = timed(checked, poses[:500])[1], timed(checked, shifted(poses[:100]))[1]
        print(
            f"{robot.name:28s} {refused:7d} {worst:8.1e} {mean:9.1f}   {milliseconds(times)}"
            f" | {milliseconds(verdict)} | {milliseconds(slip)}",
            flush=True,
        )


if __name__ == "__main__":
    main()
