"""A pitch or a focal length that is too long or short by one factor.

The stations tell it: the board seems to travel by another length than the robot. Newton's steps on
its logarithm, the whole session fitted again at each.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from ..estimate.fit import fit
from ..estimate.problem import Problem, absurd, related
from ..estimate.solver import Solution, fitted
from ..estimate.start import DEPTHS, SCALE_MM, closed_scale, travelled
from ..findings import Finding, Level, finding
from ..pendant.settings import LENGTH_MM
from .causes import Cause, texts_of, weight_of
from .scene import Scene, lens_test, scale_rows, scene

SCALE_SHARE = -4.0  # log of how common a wrong scale is among sessions, common practice, no source
SCALE_PRIOR = 0.05  # [-] prior standard deviation of its logarithm: 5 %
# A printed board is called wrong from here on: printers keep 0.1 to 0.2 % (common practice), and
# at 650 mm such a board moves the camera by 1.3 mm.
LEAST_PITCH = 0.002
# The focal length breathes with temperature and focus by about 0.1 to 0.3 % (common practice).
LEAST_FOCAL = 0.005
KNOWN = 0.01  # [-] standard deviation above which the stations tell nothing of the scale
ROUNDS = 4  # Newton steps of the scale; 2 suffice for 2 %
SETTLED = 0.1  # [-] standard deviations
CALMER = 0.9  # [-] of the scatter before; a right scale leaves a small share of it
BESIDE = 0.5  # [-] of a length's logarithm: as much is left to a second cause beside a unit
BOTH, MOST = 0.02, 0.5  # [-] of both logarithms together; less is for one alone, more is a unit
STEP_LIMIT = 0.2  # [-] of the logarithm in one step

Rows = Callable[[Scene], tuple[float, float]]


def scale_causes(now: Scene) -> list[Cause]:
    """Return pitch and focal length as causes; where they hardly differ, as a warning."""
    causes = []
    for least, first, rows, scaled, tell in (
        (LEAST_PITCH, _travelled(now), _pitch_rows, with_pitch, _pitch_finding),
        (LEAST_FOCAL, 0.0, _focal_rows, _with_focal, _focal_finding),
    ):
        found = _solved(now, rows, scaled, first)
        if found is None or absurd(found[0].found.fit.noise, found[0].found.prior):
            continue
        if found[2] > 1.0 / KNOWN**2 and not _of_a_unit(now.found.problem, found[1]):
            cause = _cause(now, *found, tell)
            mild = tuple(replace(item, level=Level.WARNING) for item in cause.findings)
            causes.append(replace(cause, findings=mild) if abs(found[1]) < least else cause)
    return causes


def both_scales(now: Scene) -> list[Cause]:
    """Return pitch and focal length together, where both are clearly off.

    Of a view, a wrong focal length stretches the depth alone, a wrong pitch all lengths.
    """
    found, steps = now.found, ((_pitch_rows, with_pitch), (_focal_rows, _with_focal))
    G = related(found.stations.mount, found.stations.typed)[None]
    _, factors, off = travelled(G, now.views[None], DEPTHS)
    best = np.log1p((off**2).sum(axis=-1) / SCALE_MM**2).sum(axis=1).argmin()
    across, along = factors[best]
    if across <= 0.0 or along <= 0.0:
        return []
    pitch, focal = float(np.log(across)), float(np.log(along / across))
    if min(abs(pitch), abs(focal)) < BOTH or max(abs(pitch), abs(focal)) > MOST:
        return []
    better, texts = fitted(_with_focal(with_pitch(found.problem, pitch), focal)), texts_of(now)
    for rows, scaled in steps * 2:
        if better is None or absurd(better.fit.noise, better.prior):
            return []
        step = _solved(scene(better, texts), rows, scaled, 0.0)
        better = None if step is None else step[0].found
    if better is None:
        return []
    old, new = found.problem, better.problem
    longer = new.camera.matrix[0][0] / old.camera.matrix[0][0]
    if min(abs(np.log([new.board.pitch_mm / old.board.pitch_mm, longer]))) < BOTH:
        return []  # one of them alone
    said = (_pitch_finding(old, new), _focal_finding(old, new))
    weight = weight_of(better) + 2.0 * SCALE_SHARE
    return [Cause(weight, said, new, texts, found=better)]


def _of_a_unit(problem: Problem, total: float) -> bool:
    """Tell whether a scale is so near to that of another length unit that it is this first."""
    declared = problem.pendant.length_unit
    units = [mm for unit, mm in LENGTH_MM.items() if unit != declared]
    return any(abs(total - np.log(LENGTH_MM[declared] / mm)) < BESIDE for mm in units)


def _travelled(now: Scene) -> float:
    """Return the logarithm of the scale that the robot's travel tells where nothing fits, else 0.

    A factor of 2 is farther than steps from the session as declared lead.
    """
    found = now.found
    if not absurd(found.fit.noise, found.prior):
        return 0.0
    scale = closed_scale(found.stations.mount, found.stations.typed, now.views)
    return float(np.log(scale)) if scale > 0.0 else 0.0


def _solved(
    now: Scene, rows: Rows, scaled: Callable[[Problem, float], Problem], first: float
) -> tuple[Scene, float, float] | None:
    """Return the scene at the best scale, its logarithm and its information.

    ``first``: the step to begin with, 0 for Newton's own.
    """
    problem, total, texts = now.found.problem, 0.0, texts_of(now)
    for _ in range(ROUNDS):
        score, information = rows(_as_stated(now))
        step = first or float(np.clip(score / information, -STEP_LIMIT, STEP_LIMIT))
        first, total = 0.0, total + step
        found, before = fitted(scaled(problem, total)), now.found
        if found is None or (absurd(found.fit.noise, found.prior) and not _calmer(found, before)):
            return None
        now = scene(found, texts)
        if abs(step) * np.sqrt(information) < SETTLED:
            break
    return now, total, information


def _as_stated(now: Scene) -> Scene:
    """Return the scene with the arm's errors no larger than the cell says.

    Where the fit may have them many times as large, they take the scale over.
    """
    found, noise = now.found, now.found.fit.noise
    if not (noise.log_scale > 0.0).any():
        return now
    stated = replace(noise, log_scale=np.minimum(noise.log_scale, 0.0))
    stations = found.stations.take(found.used)
    held = fit(stations, found.fit.state, found.prior, noise=stated, known=True)
    return scene(replace(found, fit=held), texts_of(now))


def _calmer(found: Solution, before: Solution) -> bool:
    """Tell whether positions scatter less than before by so much that a scale may be the cause."""
    return found.fit.noise.position < CALMER * before.fit.noise.position


def _cause(
    old: Scene,
    now: Scene,
    total: float,
    information: float,
    tell: Callable[[Problem, Problem], Finding],
) -> Cause:
    occam = 0.5 * np.log(1.0 / max(information, 1e-300)) - np.log(SCALE_PRIOR)
    weight = weight_of(now.found) + SCALE_SHARE + float(occam) - 0.5 * (total / SCALE_PRIOR) ** 2
    described = tell(old.found.problem, now.found.problem)
    return Cause(weight, (described,), now.found.problem, texts_of(now), found=now.found)


def _pitch_rows(now: Scene) -> tuple[float, float]:
    score, size = now.test(scale_rows(now))
    return float(score[0]), float(max(size[0, 0], 1e-300))


def _focal_rows(now: Scene) -> tuple[float, float]:
    score, information, _ = lens_test(now)
    return score, information


def with_pitch(problem: Problem, log_scale: float) -> Problem:
    """Return the problem with all lengths of the board multiplied, reported places included."""
    factor, board = float(np.exp(log_scale)), problem.board
    measured = board.measured
    if measured is not None:
        measured = tuple((i, x * factor, y * factor, z * factor) for i, x, y, z in measured)
    board = replace(board, pitch_mm=board.pitch_mm * factor, measured=measured)
    seen = tuple(one.farther(factor) for one in problem.observations)
    return replace(problem, board=board, observations=seen)


def _with_focal(problem: Problem, log_scale: float) -> Problem:
    """Return the problem with both focal lengths multiplied."""
    factor, camera = float(np.exp(log_scale)), problem.camera
    (fx, skew, cx), (zero, fy, cy), last = camera.matrix
    matrix = ((fx * factor, skew * factor, cx), (zero, fy * factor, cy), last)
    return replace(problem, camera=replace(camera, matrix=matrix))


def _pitch_finding(old: Problem, new: Problem) -> Finding:
    if all(seen.pixels is None for seen in old.observations):
        return finding("board-pitch", "reported", factor=new.board.pitch_mm / old.board.pitch_mm)
    return finding(
        "board-pitch",
        field="pitch_mm",
        typed=f"{old.board.pitch_mm:g}",
        suggested=f"{new.board.pitch_mm:.4g}",
    )


def _focal_finding(old: Problem, new: Problem) -> Finding:
    return finding(
        "lens",
        field="matrix",
        typed=f"{old.camera.matrix[0][0]:.1f}",
        suggested=f"{new.camera.matrix[0][0]:.1f}",
    )
