"""Mistakes as hands make them, put into simulated sessions: used by tests and benches."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from simulated_sessions import BOARD, CAMERA, Case, Seen, Simulated, simulated

from engine.arrays import Array
from engine.camera.lens import project
from engine.camera.model import LensU
from engine.camera.views import board_pose
from engine.cell.stations import Observation, layout
from engine.checks.explain import slips
from engine.diagnosis.scene import scene
from engine.estimate.assemble import estimated
from engine.estimate.problem import Problem, predicted_view
from engine.estimate.solver import fitted
from engine.estimate.systematic import postures_at
from engine.frames import apply, displaced, displacement, inverse, rotation_exp, transform
from engine.pendant.entry import format_pose, pose_from_fields

Texts = dict[int, tuple[str, ...]]
SCALE_U, BOW_U = 0.0012, 0.1  # [-], [mm] of a board, as a cell assumes them


@dataclass(frozen=True, slots=True, eq=False)
class Faulty:
    """A simulated session with a mistake: what was typed, and what should have been."""

    problem: Problem
    texts: Texts
    true: Texts
    station: int | None = None
    field: int | None = None


def clean(case: Case, seed: int) -> Faulty:
    """Return a session without a mistake."""
    made = simulated(case, np.random.default_rng(seed))
    return typed(made.problem)


def typed(problem: Problem) -> Faulty:
    """Return the session as its pendant shows it."""
    texts = {o.id: format_pose(o.base_T_flange, problem.pendant) for o in problem.observations}
    return Faulty(with_texts(problem, texts), texts, texts)


def unsure(problem: Problem) -> Problem:
    """Return the problem with lens and board known as well as a cell assumes."""
    board = replace(problem.board, scale_u=SCALE_U, bow_u_mm=BOW_U)
    return replace(problem, board=board, camera=replace(problem.camera, u=LensU()))


def hidden(case: Case, seed: int, name: str) -> float:
    """Return U of the difference between what the cell says of ``name`` and what stations tell.

    ``name`` is one of `systematic.names`, unit as there: a difference within U is no mistake.
    """
    shared = estimated(unsure(clean(case, seed).problem)).systematic
    k = shared.names.index(name)
    before, after = shared.prior_sd[k], shared.sd[k]
    return float(2.0 * before**2 / np.sqrt(before**2 - after**2))


def with_texts(problem: Problem, texts: Texts) -> Problem:
    """Return the problem with the poses that ``texts`` give under its pendant."""
    observations = tuple(
        replace(o, base_T_flange=pose_from_fields(texts[o.id], problem.pendant).base_T_flange)
        for o in problem.observations
    )
    return replace(problem, observations=observations)


def left_out_noise(session: Faulty) -> Array:
    """Return the standard deviation of each typed field against all other stations (n, k).

    Image noise, robot noise and the result's own uncertainty: what a single mistake hides behind.
    """
    found = fitted(session.problem)
    assert found is not None
    seen = scene(found, session.texts)
    Z = seen.field_rows()
    return np.asarray(1.0 / np.sqrt(np.einsum("niq,nij,njq->nq", Z, seen.P, Z)))


def slipped(session: Faulty, rng: np.random.Generator, least: Array) -> Faulty:
    """Return the session with one field mistyped by more than ``least`` (k,) or (n, k).

    In field units. The slip is drawn from those that lead from the true text to another one.
    """
    least = np.broadcast_to(least, (len(session.texts), np.shape(least)[-1]))
    where = layout(session.problem.pendant, session.problem.robot)
    while True:
        station = int(rng.choice(list(session.texts)))
        k = int(rng.integers(where.count))
        text = session.texts[station][k]
        ways = [s for s in slips(text, where.decimals[k]) if s.kind != "extra digit"]
        p = np.exp([s.log_share for s in ways])
        slip = ways[int(rng.choice(len(ways), p=p / p.sum()))]
        off = abs(float(slip.text) - float(text))
        if where.is_angle(k):
            off = abs((off + 180.0) % 360.0 - 180.0)
        if off > least[list(session.texts).index(station), k]:
            break
    fields = list(session.texts[station])
    fields[k] = slip.text
    texts = {**session.texts, station: tuple(fields)}
    return Faulty(with_texts(session.problem, texts), texts, session.true, station, k)


def reread(session: Faulty, rotation: str, angle_unit: str = "deg") -> Faulty:
    """Return the session of a pendant that shows another convention or unit than the cell says."""
    pendant = session.problem.pendant
    shown = replace(pendant, rotation=rotation, angle_unit=angle_unit)
    texts = {o.id: format_pose(o.base_T_flange, shown) for o in session.problem.observations}
    return Faulty(with_texts(session.problem, texts), texts, session.true)


def scaled_lengths(session: Faulty, factor: float) -> Faulty:
    """Return the session of a pendant whose positions are ``factor`` times the declared unit."""
    texts = {
        i: (*(f"{float(v) * factor:.5f}" for v in fields[:3]), *fields[3:])
        for i, fields in session.texts.items()
    }
    return Faulty(with_texts(session.problem, texts), texts, session.true)


def inverted(session: Faulty) -> Faulty:
    """Return the session of a program that wrote flange_T_base."""
    pendant = session.problem.pendant
    texts = {
        o.id: format_pose(inverse(o.base_T_flange), pendant) for o in session.problem.observations
    }
    return Faulty(with_texts(session.problem, texts), texts, session.true)


def shifted(session: Faulty, by: int, start: int = 0) -> Faulty:
    """Return the session with images given to the poses ``by`` stations later from ``start`` on.

    The stations that then have no image of their own are dropped.
    """
    seen = session.problem.observations
    n = len(seen)
    rows = [k for k in range(n) if k < start or start <= k + by < n]
    source = {k: k if k < start else k + by for k in rows}
    observations = tuple(
        replace(seen[k], point_ids=seen[source[k]].point_ids, pixels=seen[source[k]].pixels)
        for k in rows
    )
    texts = {o.id: session.texts[o.id] for o in observations}
    return Faulty(replace(session.problem, observations=observations), texts, session.true)


def swapped_images(session: Faulty, a: int, b: int) -> Faulty:
    """Return the session with the images of rows a and b exchanged."""
    seen = list(session.problem.observations)
    first, second = seen[a], seen[b]
    seen[a] = replace(first, pixels=second.pixels, point_ids=second.point_ids)
    seen[b] = replace(second, pixels=first.pixels, point_ids=first.point_ids)
    problem = replace(session.problem, observations=tuple(seen))
    return Faulty(problem, session.texts, session.true)


def half_turned(session: Faulty, row: int) -> Faulty:
    """Return the session with the points of one image numbered from the other end.

    Or with the board's pose reported so.
    """
    seen, points = list(session.problem.observations), session.problem.board.points()
    ids, view = seen[row].point_ids, seen[row].camera_T_board
    turn = transform(np.diag([-1.0, -1.0, 1.0]), points[0] + points[-1])
    seen[row] = replace(
        seen[row],
        point_ids=None if ids is None else len(points) - 1 - ids,
        camera_T_board=None if view is None else view @ turn,
    )
    return Faulty(
        replace(session.problem, observations=tuple(seen)), session.texts, session.true, row + 1
    )


def other_pitch(session: Faulty, factor: float) -> Faulty:
    """Return the session with a board whose declared pitch is ``factor`` times too small."""
    board = replace(session.problem.board, pitch_mm=session.problem.board.pitch_mm / factor)
    return replace(session, problem=replace(session.problem, board=board))


def otherwise(case: Case, seed: int, truly: Seen) -> Faulty:
    """Return the session of a cell that gives no u, whose board and lens are ``truly`` others."""
    return typed(unsure(simulated(case, np.random.default_rng(seed), truly).problem))


def bowed(lift_mm: float) -> Seen:
    """Return the board bent along its columns: its ends lie ``lift_mm`` over its middle."""
    points = BOARD.points()
    x = points[:, 0] - points[:, 0].mean()
    points[:, 2] += lift_mm * (x / x.max()) ** 2
    return Seen(points, CAMERA)


def of_pitch(factor: float) -> Seen:
    """Return the board with a pitch ``factor`` times that of the cell."""
    return Seen(factor * BOARD.points(), CAMERA)


def of_lens(factor: float = 1.0, centre_px: tuple[float, float] = (0.0, 0.0)) -> Seen:
    """Return a lens ``factor`` times as long, its image centre moved by ``centre_px``."""
    (fx, s, cx), (z, fy, cy), last = CAMERA.matrix
    dx, dy = centre_px
    matrix = ((fx * factor, s, cx + dx), (z, fy * factor, cy + dy), last)
    return Seen(BOARD.points(), replace(CAMERA, matrix=matrix))


def reported(session: Faulty, length: float = 1.0) -> Faulty:
    """Return the session with the board's poses reported in place of points.

    Their lengths ``length`` times the millimetres that are declared.
    """
    problem, observations = session.problem, []
    for seen in problem.observations:
        assert seen.pixels is not None
        view = board_pose(problem.board.points(), seen.pixels, problem.camera)[0][0].copy()
        view[:3, 3] *= length
        observations.append(replace(seen, camera_T_board=view, pixels=None, point_ids=None))
    problem = replace(problem, observations=tuple(observations))
    return replace(session, problem=problem)


def other_focal(session: Faulty, factor: float) -> Faulty:
    """Return the session with a declared focal length ``factor`` times too small."""
    camera = session.problem.camera
    (fx, s, cx), (z, fy, cy), last = camera.matrix
    matrix = ((fx / factor, s, cx), (z, fy / factor, cy), last)
    problem = replace(session.problem, camera=replace(camera, matrix=matrix))
    return replace(session, problem=problem)


def moved(case: Case, seed: int, what: str, xi: Array, row: int) -> Faulty:
    """Return a session in which the ``camera`` or the ``board`` moved by ``xi`` before ``row``.

    ``tool`` and ``frame``: the pendant shows another tool or user frame from there on.
    """
    made = simulated(case, np.random.default_rng(seed))
    E = displaced(np.eye(4), xi)
    rng = np.random.default_rng(seed + 1)
    observations = []
    for k, seen in enumerate(made.problem.observations):
        if k >= row:
            seen = _after(made, seen, what, E, rng)
        observations.append(seen)
    return typed(replace(made.problem, observations=tuple(observations)))


def drifted(case: Case, seed: int, what: str, xi: Array) -> Faulty:
    """Return a session in which the ``camera`` or the ``board`` drifts by ``xi`` to its end."""
    made = simulated(case, np.random.default_rng(seed))
    rng, n = np.random.default_rng(seed + 1), len(made.problem.observations)
    observations = tuple(
        _after(made, seen, what, displaced(np.eye(4), xi * k / (n - 1)), rng)
        for k, seen in enumerate(made.problem.observations)
    )
    return typed(replace(made.problem, observations=observations))


def still_moving(case: Case, seed: int, rows: Sequence[int], off_mm: float) -> Faulty:
    """Return a session whose images of ``rows`` were taken ``off_mm`` before the arm arrived.

    The arm moves by its joints, as from point to point.
    """
    made = simulated(case, np.random.default_rng(seed))
    rng, arm = np.random.default_rng(seed + 1), made.arm
    seen = list(made.problem.observations)
    typed_poses = np.array([one.base_T_flange for one in seen])
    q = postures_at(arm, typed_poses, [None] * len(seen))
    for row in rows:
        back = q[row - 1] - q[row]
        reach = np.linalg.norm(arm.forward_and_jacobian(q[row : row + 1])[1][0][3:] @ back)
        before = arm.forward(q[row] + back * min(off_mm / max(reach, 1.0), 0.5))
        pixels = _image(made, before, made.camera, made.board, rng)
        seen[row] = replace(seen[row], pixels=pixels)
    return typed(replace(made.problem, observations=tuple(seen)))


def turned_images(session: Faulty, rows: Sequence[int], quarters: int = 2) -> Faulty:
    """Return the session with the images of ``rows`` turned by quarter turns, clockwise."""
    turn = {1: (0, -1, 1, 0), 2: (-1, 0, 0, -1), 3: (0, 1, -1, 0)}[quarters]
    return _reflected(session, rows, np.array(turn, float).reshape(2, 2))


def mirrored_images(session: Faulty, rows: Sequence[int], *, before: bool = True) -> Faulty:
    """Return the session with the images of ``rows`` mirrored ``before`` the points were found.

    A detector numbers points as it sees them: the rows of the board come in reverse order. Mirrored
    afterwards, the points keep their numbers.
    """
    if not before:
        return _reflected(session, rows, np.diag([-1.0, 1.0]))
    board = session.problem.board
    ids = np.arange(board.count).reshape(board.rows, board.columns)[::-1].ravel()
    session = _reflected(session, rows, np.diag([-1.0, 1.0]))
    seen = list(session.problem.observations)
    for row in rows:
        names = seen[row].point_ids
        assert names is not None
        seen[row] = replace(seen[row], point_ids=ids[names])
    return replace(session, problem=replace(session.problem, observations=tuple(seen)))


def _reflected(session: Faulty, rows: Sequence[int], flip: Array) -> Faulty:
    seen, size = list(session.problem.observations), np.array(session.problem.camera.image_size_px)
    taken = np.abs(flip @ size)
    for row in rows:
        pixels = seen[row].pixels
        assert pixels is not None
        pixels = (pixels - (size - 1) / 2) @ flip.T + (taken - 1) / 2
        seen[row] = replace(seen[row], pixels=pixels)
    return replace(session, problem=replace(session.problem, observations=tuple(seen)))


def miscounted(session: Faulty, columns: int, rng: np.random.Generator | None = None) -> Faulty:
    """Return the session with a cell that names ``columns`` columns instead of the board's own.

    Without ``rng`` the numbers are those of the true board, read with the wrong count. With it, the
    points are those of a window of the board that a detector found, anywhere.
    """
    board = session.problem.board
    wrong = replace(board, columns=columns)
    observations = []
    for seen in session.problem.observations:
        assert seen.pixels is not None
        grid = seen.pixels.reshape(board.rows, board.columns, 2)
        if rng is not None:
            first = int(rng.integers(board.columns - columns + 1))
            grid = grid[:, first : first + columns]
        pixels = grid.reshape(-1, 2)[: wrong.count]
        observations.append(replace(seen, pixels=pixels, point_ids=np.arange(len(pixels))))
    problem = replace(session.problem, board=wrong, observations=tuple(observations))
    return replace(session, problem=problem)


def _after(
    made: Simulated,
    seen: Observation,
    what: str,
    E: Array,
    rng: np.random.Generator,
) -> Observation:
    if what == "tool":
        return replace(seen, base_T_flange=seen.base_T_flange @ E)
    if what == "frame":
        return replace(seen, base_T_flange=E @ seen.base_T_flange)
    xi = displacement(E, np.eye(4))
    camera = displaced(made.camera, xi) if what == "camera" else made.camera
    board = displaced(made.board, xi) if what == "board" else made.board
    return replace(seen, pixels=_image(made, seen.base_T_flange, camera, board, rng))


def _image(
    made: Simulated, flange: Array, camera: Array, board: Array, rng: np.random.Generator
) -> Array:
    """Return pixels of the board seen with the flange at ``flange``, noise of the case added."""
    case, points = made.case, made.problem.board.points()
    noise = np.concatenate(
        [rng.normal(0, np.radians(case.angle_deg), 3), rng.normal(0, case.position_mm, 3)]
    )
    view = predicted_view(case.mount, camera, displaced(flange, noise), board)
    pixels = project(apply(view, points), made.problem.camera)
    return np.asarray(pixels + rng.normal(0, case.pixel_px, pixels.shape))


def upright(tilt_deg: float, seed: int, count: int = 15) -> Faulty:
    """Return a session of a fixed camera whose flange stands upright, turned by little only.

    All turns are within ``tilt_deg`` of none, so that conventions hardly differ.
    """
    rng = np.random.default_rng(seed)
    problem = simulated(Case(stations=3), rng).problem
    points = problem.board.points()
    camera = transform(np.diag([1.0, -1.0, -1.0]), [500.0, 0.0, 1000.0])
    board = transform(np.diag([1.0, -1.0, -1.0]), [-100.0, 70.0, 40.0])
    observations = []
    for station in range(1, count + 1):
        turn = np.radians(rng.uniform(-tilt_deg, tilt_deg, 3))
        place = [500.0, 0.0, 330.0] + rng.uniform(-1, 1, 3) * (120.0, 90.0, 80.0)
        flange = transform(rotation_exp(turn), place)
        noise = [*rng.normal(0, np.radians(0.02), 3), *rng.normal(0, 0.15, 3)]
        view = inverse(camera) @ displaced(flange, noise) @ board
        pixels = project(apply(view, points), problem.camera)
        pixels = pixels + rng.normal(0.0, 0.15, pixels.shape)
        observations.append(Observation(station, flange, np.arange(len(points)), pixels))
    return typed(replace(problem, robot=None, observations=tuple(observations)))
