"""The same sessions through every closed form of OpenCV: bench_estimation_opencv.py [sessions].

For each method: RMS error at the centre of the work volume [mm] and RMS rotation error over the
Cramér-Rao bound. Sessions in which a method returns no rotation, or one that is off by more than
10°, count as failed and are left out of its RMS.
"""

from __future__ import annotations

import sys
from itertools import product
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from bench_estimation import oracle
from opencv_closed_forms import HAND_EYE, ROBOT_WORLD, closed_form
from simulated_sessions import Case, simulated

from engine.arrays import Array
from engine.estimate.assemble import assembled
from engine.estimate.solver import fitted
from engine.frames import displacement

FAILED_RAD = np.radians(10.0)  # far outside any method's noise here
CENTRE = 13  # of the 27 places of the pick model


def measured(case: Case, count: int) -> dict[str, list[tuple[float, float]]]:
    """Return (place, rotation) errors [mm, rad] of every method, and the bound's."""
    errors: dict[str, list[tuple[float, float]]] = {}
    for seed in range(count):
        truth = simulated(case, np.random.default_rng([seed, 3]))
        found = fitted(truth.problem)
        if found is None:
            continue
        result = assembled(found)
        M = result.pick.moved[CENTRE]
        covariance = oracle(truth, found)[1]
        bound = (np.trace(M @ covariance @ M.T) ** 0.5, np.trace(covariance[:3, :3]) ** 0.5)
        errors.setdefault("bound", []).append(bound)
        answers = {"joint likelihood": result.camera}
        typed, views = found.stations.typed, found.gathered.candidates.pose[:, 0]
        for name in (*HAND_EYE, *ROBOT_WORLD):
            try:
                answers[name] = closed_form(name, case.mount, typed, views)
            except cv2.error:
                answers[name] = np.full((4, 4), np.nan)
        for name, camera in answers.items():
            errors.setdefault(name, []).append(_error(M, camera, truth.camera))
    return errors


def _error(M: Array, camera: Array, truth: Array) -> tuple[float, float]:
    if not np.isfinite(camera).all() or np.linalg.det(camera[:3, :3]) < 0.5:
        return np.nan, np.nan
    off = displacement(camera, truth)
    turn = float(np.linalg.norm(off[:3]))
    return (float(np.linalg.norm(M @ off)), turn) if turn < FAILED_RAD else (np.nan, np.nan)


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    print(f"{count} sessions a case of 15 stations: place mm (over bound), rotation over bound")
    print("| mount | style | px | method | place mm | / bound | rotation / bound | failed |")
    print("|---|---|---|---|---|---|---|---|")
    mounts, styles = ("eye-to-hand", "eye-in-hand"), ("reference", "tilted")
    for mount, style, pixel in product(mounts, styles, (0.15, 0.3)):
        errors = measured(Case(mount, style, pixel_px=pixel), count)
        bound = np.sqrt(np.mean(np.square(errors["bound"]), axis=0))
        for name, values in errors.items():
            place, turn = np.sqrt(np.nanmean(np.square(values), axis=0))
            failed = int(np.isnan(values).any(axis=1).sum())
            print(
                f"| {mount} | {style} | {pixel} | {name} | {place:.3f} | {place / bound[0]:.2f} | "
                f"{turn / bound[1]:.2f} | {failed} |",
                flush=True,
            )


if __name__ == "__main__":
    main()
