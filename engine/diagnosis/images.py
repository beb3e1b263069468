"""Images turned, mirrored, numbered as on a board of another count, or of another station's pose.

Each is another reading of an image: the board's pose in it is ``before · pose · after``, with a
reflection on both sides where the image was mirrored. A turn of every image is a turn of the camera
and a shift of every number a shift of the board, which the poses cannot show; where only some
stations are read so, or every image is mirrored, nothing else brings them together. A turn of every
image shows in the lens, whose centre is seldom that of the image.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..boards.pattern import HALF_TURN, Board, symmetries
from ..camera.lens import lens
from ..camera.views import poses_of_views
from ..cell.stations import Observation
from ..estimate.gather import Candidates, Gathered, board_turns, gather
from ..estimate.problem import Problem, absurd, related
from ..estimate.solver import Solution
from ..estimate.start import begin, begin_at, most_agree, squared_deviation, transforms_from
from ..findings import Finding, finding
from ..frames import apply, inverse, rotation_log, transform
from .causes import Cause, solved_weight, texts_of
from .optics import pattern
from .scene import Scene, Texts

TURNED_SHARE = -4.0  # log of how common turned or mirrored images are among sessions, CP
COUNT_SHARE = -4.0  # log of how common wrong counts are among sessions, common practice, no source
STATION_COST = 2.0  # [-] squared deviation that another reading of one image costs
BETTER = 3.0  # [-] log score by which a reading must beat the declared one to be fitted at all
FITTED = 3  # readings fitted at most
GARBLED_PX = 2.0  # px; no lens and no bow leaves so much in an image of a board
CLEARER = 5.0  # [-] times less must be left over with the points numbered otherwise
LOOKED_AT = 6  # images that tell of the counts, evenly spread


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """One other reading of images.

    ``before`` and ``after`` (4, 4) as in the module's text. ``seen`` returns an observation on
    ``board``, whether it is read so or not; ``said`` the finding for the stations (ids) read so, of
    these. ``undone``: nothing is wrong with the stations read so.
    """

    before: Array
    after: Array
    seen: Callable[[Observation, bool], Observation]
    board: Board
    said: Callable[[list[int], list[int]], Finding]
    share: float
    undone: bool = False


TURNS = {"180°": (-1, 0, 0, -1), "90°": (0, -1, 1, 0), "270°": (0, 1, -1, 0)}
MIRROR = (-1, 0, 0, 1)  # left to right; top to bottom is the same after half a turn


def image_causes(scene: Scene) -> list[Cause]:
    """Return images turned, mirrored or numbered otherwise, at some stations or at all.

    Where most stations agree as declared, the others are read beside these.
    """
    gathered, mount = scene.found.gathered, scene.stations.mount
    plain = begin(mount, gathered)
    agreed = most_agree(mount, gathered, plain)
    scored = []
    for reading in _readings(scene):
        both = _with(gathered, reading)
        start = begin_at(mount, both, plain) if agreed else begin(mount, both)
        rows = start.choice >= gathered.candidates.pose.shape[1]
        if rows.any() and plain.score - start.score > BETTER:
            scored.append((start.score, reading, rows, both.chosen(start.choice)[1]))
    scored.sort(key=lambda item: item[0])
    found = [_cause(scene, *item[1:]) for item in scored[:FITTED]]
    return [cause for cause in found if cause is not None]


def mirrored(scene: Scene) -> Iterator[tuple[Array, Cause]]:
    """Yield camera_T_board (n, 4, 4) of all images mirrored, as a cause without a fit.

    Its weight says how common it is.
    """
    ids, problem = [*scene.ids], scene.found.problem
    for reading in _image_readings(scene.found):
        if np.linalg.det(reading.before) < 0.0:
            said = (reading.said(ids, ids),)
            other = _problem(problem, reading, None)
            cause = Cause(reading.share, said, other, texts_of(scene))
            yield reading.before @ scene.views @ reading.after, cause


def turned_causes(found: Solution, texts: Texts) -> list[Cause]:
    """Return a turn or mirror of all images as causes: the lens data belong to the others then.

    Turned back, the images must leave no pattern: half a turn changes little of a lens.
    """
    camera, causes = found.problem.camera, list[Cause]()
    for reading in _image_readings(found):
        problem = _problem(found.problem, reading, None)
        again, weight = solved_weight(problem)
        if again is None or not _inside(problem, camera.image_size_px) or pattern(again):
            continue
        ids = [found.problem.observations[i].id for i in found.gathered.index]
        said = (reading.said(ids, ids),)
        causes.append(Cause(weight + reading.share, said, problem, texts, found=again))
    return causes


def _inside(problem: Problem, size: tuple[int, int]) -> bool:
    """Tell whether every pixel lies in the image."""
    pixels = [seen.pixels for seen in problem.observations if seen.pixels is not None]
    every = np.concatenate(pixels)
    return bool((every > -1.0).all() and (every < np.array(size)).all())


def count_causes(problem: Problem, texts: Texts) -> list[Cause]:
    """Return another count of columns, where points numbered so lie as on a board at all."""
    board = problem.board
    if board.measured:
        return []
    shown = [seen for seen in problem.observations if seen.pixels is not None]
    if not shown:
        return []
    rows = np.unique(np.linspace(0, len(shown) - 1, min(len(shown), LOOKED_AT)).round().astype(int))
    some = replace(problem, observations=tuple(shown[row] for row in rows))
    now = _left_over(some)
    if now < GARBLED_PX:
        return []
    most = max(int(np.max(seen.point_ids)) for seen in shown if seen.point_ids is not None)
    tried = [
        (_left_over(replace(some, board=other)), other) for other in _other_counts(board, most + 1)
    ]
    left, best = min(tried, key=lambda item: item[0])
    if left > GARBLED_PX or left * CLEARER > now:
        return []
    problem = replace(problem, board=best)
    again, weight = solved_weight(problem)
    said = finding(
        "board-counts",
        field="columns",
        typed=f"{board.columns}",
        suggested=f"{best.columns}",
        residual_px=min(now, max(problem.camera.image_size_px)),
    )
    return [Cause(weight + COUNT_SHARE, (said,), problem, texts, found=again)]


def _other_counts(board: Board, count: int) -> Iterator[Board]:
    """Yield boards of other columns, with as many rows as ``count`` points fill.

    One more or less, or rows for columns; where rows are staggered, those of every other row alone,
    or of two rows together, and an odd number of rows.
    """
    columns = [board.columns - 1, board.columns + 1, board.rows]
    staggered = board.pattern == "circles-staggered"
    if staggered:
        columns += [2 * board.columns, board.columns // 2, (board.columns + 1) // 2]
    for across in dict.fromkeys(columns):
        rows = max(2, -(-count // max(across, 1)))
        if across > 1 and across != board.columns:
            yield replace(board, columns=across, rows=rows | 1 if staggered else rows)


def _left_over(problem: Problem) -> float:
    """Return the median RMS [px] that the best pose of each image leaves; ∞ where there is none."""
    views = gather(problem).views
    found = poses_of_views(views, lens(problem.camera))
    return float(np.median([poses[0][1] if poses else np.inf for poses in found] or [np.inf]))


def _readings(scene: Scene) -> Iterator[Reading]:
    board = scene.found.problem.board
    yield from _image_readings(scene.found)
    yield from _turned_board(board)
    if board.pattern in ("chessboard", "circles") and not board.measured:
        for column, row in ((1, 0), (-1, 0), (0, 1), (0, -1)):
            for half in (False, True) if len(scene.found.gathered.turns) == 1 else (False,):
                yield _shifted_reading(board, column, row, half=half)


def _image_readings(found: Solution) -> Iterator[Reading]:
    """Yield the readings of images turned or mirrored."""
    for angle, S in TURNS.items():
        yield _image_reading(found.problem, S, angle, mirrored=False)
    for faces in (True, False):
        yield _image_reading(found.problem, MIRROR, "", mirrored=True, faces=faces)


def _image_reading(
    problem: Problem, S: tuple[int, ...], angle: str, *, mirrored: bool, faces: bool = True
) -> Reading:
    """Return the reading of images turned or mirrored by ``S`` (2 × 2, image axes).

    ``faces``: the numbers follow the mirrored image, so that the board still seems to face the
    camera; else they are those of the board itself, which seems to be seen from behind.
    """
    board, flip = problem.board, np.array(S, float).reshape(2, 2)
    before, after = np.eye(4), np.eye(4)
    before[:2, :2] = flip
    ids = np.arange(board.count)
    if mirrored and faces:
        ids = ids.reshape(board.rows, board.columns)[::-1].ravel()
        after[1, 1], after[1, 3] = -1.0, board.points()[:, 1].max()
    elif mirrored:
        after[2, 2] = -1.0
    size = np.array(problem.camera.image_size_px, float)
    taken = np.abs(flip.T @ size)
    middle, centre = (size - 1.0) / 2.0, (taken - 1.0) / 2.0

    def seen(one: Observation, read: bool) -> Observation:
        if not read:
            return one
        pixels, names, spread = one.pixels, one.point_ids, one.covariances
        reported = one.camera_T_board
        return replace(
            one,
            pixels=None if pixels is None else (pixels - centre) @ flip.T + middle,
            point_ids=None if names is None else ids[names],
            covariances=None if spread is None else flip @ spread @ flip.T,
            camera_T_board=None if reported is None else before @ reported @ after,
        )

    def said(stations: list[int], of: list[int]) -> Finding:
        how = "mirrored" if mirrored else "turned"
        variant = f"all-{how}" if stations == of else how if mirrored else None
        return finding("image-turned", variant, stations=stations, suggested=angle or None)

    return Reading(before, after, seen, board, said, TURNED_SHARE)


def _turned_board(board: Board) -> Iterator[Reading]:
    """Yield a board numbered from its other end, or turned on its mount, by half a turn.

    Where it does not look the same then; that is undone already.
    """
    points, half = board.points(), np.eye(4)
    half[:2] = -half[:2]
    half[:3, 3] = points[0] + points[-1]
    if symmetries(board) or not np.allclose(apply(half, points), points[::-1]):
        return

    def seen(one: Observation, read: bool) -> Observation:
        if not read:
            return one
        names, pose = one.point_ids, one.camera_T_board
        return replace(
            one,
            point_ids=None if names is None else board.count - 1 - names,
            camera_T_board=None if pose is None else pose @ half,
        )

    def said(stations: list[int], of: list[int]) -> Finding:
        if len(stations) > 1 and stations == of[-len(stations) :]:
            return finding("board-turned", "on-mount", station=stations[0])
        return finding("board-turned", stations=stations, turn=HALF_TURN)

    yield Reading(np.eye(4), half, seen, board, said, TURNED_SHARE, undone=True)


def _shifted_reading(board: Board, column: int, row: int, *, half: bool) -> Reading:
    """Return the reading of points numbered from the next column or row of a larger board.

    ``half``: and from its other end, as a chessboard shifted by one square has its colours changed.
    """
    larger = replace(board, columns=board.columns + abs(column), rows=board.rows + abs(row))
    step = np.array([column, row], int)
    span = np.array([(board.columns - 1), (board.rows - 1), 0.0]) * board.pitch_mm
    turn = transform(np.diag([-1.0, -1.0, 1.0]), span) if half else np.eye(4)
    places = np.arange(board.count)[::-1] if half else np.arange(board.count)
    shift = -board.pitch_mm * np.array([*step, 0.0])
    first = np.array([max(-column, 0), max(-row, 0)], int)  # of stations that are read as declared

    def renumbered(ids: NDArray[np.int64], corner: NDArray[np.int64]) -> NDArray[np.int64]:
        down, across = np.divmod(ids, board.columns)
        return np.asarray((down + corner[1]) * larger.columns + across + corner[0])

    def seen(one: Observation, read: bool) -> Observation:
        if one.point_ids is None:
            return one
        ids = np.asarray(one.point_ids)
        new = renumbered(places[ids], first + step) if read else renumbered(ids, first)
        return replace(one, point_ids=new)

    def said(stations: list[int], _of: list[int]) -> Finding:
        key, typed, fits = (
            ("columns", board.columns, larger.columns)
            if column
            else ("rows", board.rows, larger.rows)
        )
        return finding(
            "board-counts",
            "shifted",
            stations=stations,
            field=key,
            typed=f"{typed}",
            suggested=f"{fits}",
        )

    after = turn @ transform(np.eye(3), shift)
    return Reading(np.eye(4), after, seen, larger, said, COUNT_SHARE - float(np.log(8)))


def turned_back(found: Solution, turn: NDArray[np.int64]) -> Problem:
    """Return the problem with the board's turn (n,) of each gathered station undone."""
    table = [np.asarray(one.permutation) for one in found.gathered.turns]
    observations = list(found.problem.observations)
    for place, k in zip(found.gathered.index, turn, strict=True):
        ids = observations[place].point_ids
        if ids is not None and k:
            observations[place] = replace(observations[place], point_ids=table[k][ids])
    return replace(found.problem, observations=tuple(observations))


def _with(gathered: Gathered, reading: Reading) -> Gathered:
    """Return the stations with further candidates: every pose read otherwise."""
    own = gathered.candidates
    read = reading.before @ own.pose @ reading.after
    both = Candidates(
        np.concatenate([own.pose, read], axis=1),
        np.concatenate([own.valid, own.valid], axis=1),
        np.concatenate([own.turn, own.turn], axis=1),
        np.concatenate([own.cost, own.cost + STATION_COST], axis=1),
        np.concatenate([own.rms, own.rms], axis=1),
    )
    return replace(gathered, candidates=both)


def _problem(problem: Problem, reading: Reading, ids: set[int] | None) -> Problem:
    """Return the problem with the stations ``ids`` (None: all) read otherwise."""
    observations = tuple(
        reading.seen(one, ids is None or one.id in ids) for one in problem.observations
    )
    return replace(problem, observations=observations, board=reading.board)


def _cause(
    scene: Scene, reading: Reading, rows: NDArray[np.bool_], turn: NDArray[np.int64]
) -> Cause | None:
    """Return the reading of the stations in ``rows`` (n,) as a cause; None if it fits nothing.

    ``turn`` (n,) of a board that looks alike turned: it does not once its numbers are shifted.
    """
    n, count, changes = len(rows), int(rows.sum()), int(np.diff(rows).sum())
    since = changes == 1 and 1 < count < n - 1  # from some station on
    if reading.undone and (rows[0] if since else 2 * count > n):
        rows = ~rows  # the first, or most, are then as they should be
    if not rows.any():
        return None
    ids = [i for i, read in zip(scene.ids, rows, strict=True) if read]
    every = len(ids) == n
    declared = scene.found.problem
    if reading.board is not declared.board:
        declared = turned_back(scene.found, turn)
    problem = _problem(declared, reading, None if every else set(ids))
    found, weight = solved_weight(problem)
    if found is None:
        return None
    some = min(changes, len(ids), n - len(ids))  # from one station on, or any
    weight += reading.share - float(np.log(n)) * some
    aside = frozenset() if every or reading.undone else frozenset(ids)
    said, texts = (reading.said(ids, [*scene.ids]),), texts_of(scene)
    return Cause(weight, said, problem, texts, aside, kept=reading.undone, found=found)


MOST_PAIRED = 400  # stations of which any image may belong to any pose
FEW_PAIRED = 60  # stations from which on those that the fit left out are paired among themselves
TRIOS, TRIO_FITS = 12, 20  # trios of images that are tried, and of poses for each
PREVIEW, TRIED = 20, 8  # images of a long session that choose so many of the trios
TRIO_SEED = 21  # any number: fixes the trios
# [rad], [mm] within which two motions are one: a board's place and turn are known to that from one
# image, common practice, no source
MOVES_ALIKE = np.array([0.01, 10.0])
EQUAL = 1e-9  # [-] log score within which two are equal
HOPELESS = 5.0  # [-] mean log score of stations that fit nothing: 12 times what a closed form errs


def partners(scene: Scene) -> NDArray[np.int64]:
    """Return the station (n,) whose pose each image fits; −1 where none is left that it fits.

    From where the fit is, and from trios of images that move against each other as three poses do
    (`_trios`). An image that fits nothing stays with its own pose, where no other one has that.
    """
    n, candidates = len(scene.ids), scene.found.gathered.candidates
    fits = not absurd(scene.found.fit.noise, scene.found.prior) and 2 * int(scene.used.sum()) > n
    if n > MOST_PAIRED or (n > FEW_PAIRED and fits):
        rows = np.flatnonzero(~scene.used)
        state = scene.found.fit.state
        cameras, boards = state.camera[None], state.board[None]
    else:
        rows = np.arange(n)
        cameras, boards = _trios(scene)
    G, order = related(scene.stations.mount, scene.stations.typed), np.arange(n)
    few, G_few, best = candidates.take(rows), G[rows], np.inf
    for camera, board in _likely(scene, few, G_few, cameras, boards):
        cost = _costs(scene, few, G_few, camera, board)
        mine = _nearest(cost)
        score = float(np.where(mine < 0, HOPELESS, cost[np.arange(len(rows)), mine]).sum())
        if score < best:
            best = score
            order[rows] = np.where(mine < 0, -1, rows[mine])
    lonely = np.flatnonzero(order < 0)
    order[lonely] = np.where(np.isin(lonely, order), -1, lonely)
    return order


def _costs(scene: Scene, few: Candidates, G: Array, camera: Array, board: Array) -> Array:
    """Return log(1 + squared deviation) (m, n) of images ``few`` (m) at poses ``G`` (n, 4, 4)."""
    centre = scene.found.gathered.board.points().mean(axis=0)
    off = squared_deviation((camera @ few.pose)[:, None], (G @ board)[None, :, None], centre)
    off = np.where(few.valid[:, None], off + few.cost[:, None], np.inf)
    return np.asarray(np.log1p(off.min(axis=2)))


def _likely(
    scene: Scene, few: Candidates, G: Array, cameras: Array, boards: Array
) -> list[tuple[Array, Array]]:
    """Return the cameras and boards worth trying for all images: of many, those best for some."""
    pairs, n = list(zip(cameras, boards, strict=True)), len(G)
    if n <= FEW_PAIRED or len(pairs) <= TRIED:
        return pairs
    some = few.take(np.linspace(0, n - 1, PREVIEW).round().astype(int))
    score = [float(_costs(scene, some, G, *pair).min(axis=1).clip(max=HOPELESS).sum())
             for pair in pairs]  # fmt: skip
    return [pairs[k] for k in np.argsort(score, kind="stable")[:TRIED]]


def _nearest(cost: Array) -> NDArray[np.int64]:
    """Return for each row of ``cost`` (m, m) its column (m,), the cheapest first; −1: hopeless.

    Of equal ones its own: one image at two stations belongs to that of them whose pose it fits.
    """
    cost, mine = cost - EQUAL * np.eye(len(cost)), np.full(len(cost), -1)
    for _ in mine:
        row, column = np.unravel_index(cost.argmin(), cost.shape)
        if not cost[row, column] < HOPELESS:
            break
        mine[row] = column
        cost[row], cost[:, column] = np.inf, np.inf
    return mine


def _trios(scene: Scene) -> tuple[Array, Array]:
    """Return camera and board (h, 4, 4) of trios of images with poses that move alike.

    Between two stations robot and board turn by one angle, and travel by one length along the axis
    of that turn (Chen 1991), whatever camera and board are.
    """
    G, n = related(scene.stations.mount, scene.stations.typed), len(scene.ids)
    robot, found = screws(G, G), list[tuple[Array, Array]]()
    rng, turns = np.random.default_rng(TRIO_SEED), board_turns(scene.found.gathered.board)
    for _ in range(TRIOS):
        trio = scene.views[rng.permutation(n)[:3]]
        for turned in product(turns[:1], turns, turns):  # of a board that looks alike turned
            seen = trio @ np.array(turned)
            theirs = screws(seen, seen)
            alike = [
                (np.abs(robot - theirs[i, j]) < MOVES_ALIKE).all(axis=2)
                for i, j in ((0, 1), (0, 2), (1, 2))
            ]
            for poses in matching(*alike)[:TRIO_FITS]:
                if len(set(poses.tolist())) == 3:
                    found.append((G[poses], seen))
    if not found:
        return np.empty((0, 4, 4)), np.empty((0, 4, 4))
    return transforms_from(np.array([g for g, _ in found]), np.array([v for _, v in found]))


def matching(
    first: NDArray[np.bool_], second: NDArray[np.bool_], third: NDArray[np.bool_]
) -> NDArray[np.int64]:
    """Return the trios (m, 3) whose pairs 0 and 1, 0 and 2, 1 and 2 are all alike (k, k)."""
    a, b = np.nonzero(first)
    pair, c = np.nonzero(second[a] & third[b])
    return np.stack([a[pair], b[pair], c], axis=1)


def screws(these: Array, those: Array) -> Array:
    """Return angle [rad] and travel along the axis [mm] (n, m, 2) from ``those`` to ``these``."""
    between = these[:, None] @ inverse(those)[None]
    turn = rotation_log(between[..., :3, :3])
    angle = np.linalg.norm(turn, axis=-1)
    along = np.abs((turn * between[..., :3, 3]).sum(axis=-1)) / np.maximum(angle, 1e-9)
    return np.stack([angle, along], axis=-1)
