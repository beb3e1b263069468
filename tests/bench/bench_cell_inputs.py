"""Whether U holds where board, lens and arm are only known to some accuracy.

Every input is drawn from its prior: pitch and shape of the board, focal length, principal point and
distortion of the lens, the arm's geometry; and beside it half as much of errors that the model does
not have (axes, sag, gears with waves of 1 to 3 to the turn). Parts are located by a small target
seen through the true lens and read with the lens data of the cell (`lens`), or by true 3-D points
(`depth`). For every case: the share of sessions whose worst pick error lies within U, U, the RMS
error, U over that of an oracle (same data, model and priors, true noise levels, started at the
truth), findings that name a cause, sessions without a result, sessions that were accepted, and how
many of these are off by more than U, and by more than the tolerance. The arm picks as it visited
the stations, with the same elbow. Usage: python tests/bench/bench_cell_inputs.py [sessions [mount]]
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import replace
from itertools import product
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

from known_noise import given_noise
from simulated_sessions import (
    BOARD,
    CAMERA,
    Case,
    Seen,
    Simulated,
    postures_at,
    simulated,
)

from engine.arrays import Array
from engine.camera.lens import project
from engine.camera.model import Camera, LensU
from engine.camera.views import board_pose
from engine.cell.cell import Locate, Mount
from engine.diagnosis.diagnose import CAUSES, diagnosed, examined
from engine.estimate.fit import State, fit
from engine.estimate.pick import approach, pick_model
from engine.estimate.solver import Solution
from engine.estimate.systematic import usual_posture
from engine.frames import apply, inverse, transform

U = LensU()
SCALE_U, BOW_U = 0.0012, 0.1
STATIONS = 5, 8, 15, 30, 60
TARGET = 30.0 * np.array([[-1.0, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]])


def drawn(rng: np.random.Generator) -> Seen:
    """Return a board and a camera drawn from the priors of the cell."""
    points = BOARD.points()
    half = points[:, :2].max(axis=0) / 2
    u, v = ((points[:, :2] - half) / half).T
    x, y = points[:, :2].T.copy()
    scale = rng.uniform(-np.sqrt(3), np.sqrt(3))
    stretch, shear = rng.normal(size=2)
    off = scale * np.array([x, y]) + (stretch * np.array([x, -y]) + shear * np.array([y, x])) / 2.0
    lifted = np.column_stack([u * u, v * v, u * v]) @ rng.normal(0.0, BOW_U / np.sqrt(2.0), 3)
    points += np.column_stack([*(SCALE_U * off), lifted - lifted[0]])
    (fx, _, cx), (_, fy, cy), last = CAMERA.matrix
    longer = 1.0 + U.focal * rng.normal()
    dx, dy = rng.normal(0.0, U.center_px, 2)
    corner = np.linalg.norm(np.maximum([cx, cy], np.subtract(CAMERA.image_size_px, [cx, cy]))) / fx
    k = rng.normal(0.0, U.edge_px / np.sqrt(2.0), 2) / fx / np.array([corner**3, corner**5])
    k1, k2, *rest = CAMERA.distortion
    matrix = ((fx * longer, 0.0, cx + dx), (0.0, fy * longer, cy + dy), last)
    return Seen(points, replace(CAMERA, matrix=matrix, distortion=(k1 + k[0], k2 + k[1], *rest)))


def located(places: Array, true: Camera, locate: Locate) -> Array:
    """Return where parts at ``places`` (n, 3) [mm, camera frame] are believed to be."""
    if locate == "depth":
        return places
    found = []
    for place in places:
        pixels = project(TARGET + place, true)
        found.append(board_pose(TARGET, pixels, CAMERA)[0][0][:3, 3])
    return np.array(found)


def worst_pick(
    session: Simulated, delivered: Array, truly: Seen, locate: Locate, larger: float = 1.0
) -> float:
    """Return the largest true pick error [mm] at the corners of the work volume.

    ``larger``: how much larger than they are the camera measures all lengths, [-].
    """
    problem, arm = session.problem, session.arm
    typed = np.array([seen.base_T_flange for seen in problem.observations])
    R = approach(problem, typed)
    looking = transform(R, typed[:, :3, 3].mean(axis=0))
    near = usual_posture(arm, typed, [None] * len(typed))  # it picks as it visited the stations
    volume, fixed = problem.work_volume, session.case.mount == "eye-to-hand"
    signs = np.array(list(product((-0.5, 0.5), repeat=3)))
    places = np.asarray(volume.center_mm) + signs * np.asarray(volume.size_mm)
    if fixed:
        seen, true, carrier = apply(inverse(session.camera), places), places, delivered
    else:
        q = postures_at(arm, looking[None], [None], near)[0]
        true = apply(session.reached(q) @ session.camera, places)
        seen, carrier = places, looking @ delivered
    goal = apply(carrier, larger * located(seen, truly.camera, locate))
    q = postures_at(arm, transform(R, goal), [None] * len(goal), near)
    reached = session.reached(q)[:, :3, 3]
    return float(np.nanmax(np.linalg.norm(reached - true, axis=1)))


def measured(case: Case, locate: Locate, sessions: int, exact: bool) -> str:
    inside, error, stated, best, caused, refused = 0, [], [], [], [], 0
    accepted, wrong, harmful = 0, 0, 0
    for seed in range(sessions):
        rng = np.random.default_rng([seed, case.stations, 41])
        truly = Seen(BOARD.points(), CAMERA) if exact else drawn(rng)
        session = simulated(case, rng, truly)
        board = replace(session.problem.board, scale_u=SCALE_U, bow_u_mm=BOW_U)
        camera = replace(CAMERA, u=U)
        problem = replace(session.problem, board=board, camera=camera, locate=locate)
        session = replace(session, problem=problem)
        found = examined(problem)
        result = diagnosed(problem) if found is None else found.result()
        named = [f.code for f in result.findings if f.code in CAUSES and f.level != "note"]
        caused += named[:1]
        if result.uncertainty.pick_mm is None:
            refused += 1
            continue
        error.append(worst_pick(session, result.camera, truly, locate))
        stated.append(2.0 * result.uncertainty.pick_mm)
        inside += error[-1] <= stated[-1]
        if result.verdict == "accepted":
            accepted += 1
            wrong += error[-1] > stated[-1]
            harmful += error[-1] > problem.tolerance.position_mm
        if found is not None:
            best.append(oracles_u(session, found.solution))
    size = float(np.sqrt(np.mean(np.square(error))))
    names = ", ".join(f"{code} {caused.count(code)}" for code in sorted(set(caused))) or "none"
    return (
        f"{100 * inside / max(len(error), 1):.0f} % | {np.median(stated):.2f} | {size:.2f} | "
        f"{np.median(stated) / np.median(best):.2f} | {names} | {refused} | "
        f"{accepted} | {wrong} | {harmful}"
    )


def oracles_u(truth: Simulated, found: Solution) -> float:
    """Return U [mm] of a pick from the same data with true noise levels, started at the truth."""
    case, p = truth.case, len(found.stations.systematic_sd)
    levels = given_noise(case.pixel_px, np.radians(case.angle_deg), case.position_mm)
    start = State(truth.camera, truth.board, np.zeros(p + len(found.stations.terms_sd)))
    best = fit(found.stations, start, found.prior, noise=levels, known=True)
    typed = found.stations.typed
    model = pick_model(found.problem, found.systematic, best.state.camera, typed)
    return 2.0 * model.pick_mm(best.covariance, best.state.errors)


def main() -> None:
    sessions = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    mounts = sys.argv[2:] or ("eye-to-hand", "eye-in-hand")
    print(
        "| mount | axes | located by | arm mm | stations | inside U | U | RMS mm | U / oracle | "
        "causes | none | accepted | beyond U | beyond tolerance |"
    )
    print("|---|---|---|---|---|---|---|---|---|---|---|---|---|---|")
    for case, locate in cases():
        if case.mount not in mounts:
            continue
        row = measured(case, locate, sessions, exact=False)
        arm = f"{case.geometry_mm:g} + {case.beyond_mm:g}"
        named = f"{case.mount} | {case.axes} | {locate} | {arm} | {case.stations}"
        print(f"| {named} | {row} |", flush=True)


def cases() -> Iterator[tuple[Case, Locate]]:
    """Yield every case of the table."""
    mounts: tuple[Mount, ...] = ("eye-to-hand", "eye-in-hand")
    places: tuple[Locate, ...] = ("lens", "depth")
    for mount, (geometry, beyond) in product(mounts, ((0.0, 0.0), (0.35, 0.2))):
        stated = 0.4 if geometry else 0.0
        for locate, stations in product(places, STATIONS):
            yield (
                Case(mount, "tilted", 6, stations, 0.15, 0.02, 0.15, geometry, beyond, stated),
                locate,
            )
    for mount, stations in product(mounts, STATIONS):
        case = Case(mount, "tilted", 4, stations, geometry_mm=0.35, beyond_mm=0.2)
        yield replace(case, accuracy_mm=0.4, height_known=True), "lens"


if __name__ == "__main__":
    main()
