"""How sharp the board's edges are, whether they are smeared, and how much dark and light differ.

An edge blurred by a Gaussian of standard deviation s has a normalised profile p that rises from 0
to 1 with ∫ p(1 − p) dx = s / √π (half of Gini's mean difference of a normal distribution). The
integral needs no derivative and no fit, so noise hardly moves it.

The blur of a lens is about round, that of motion is long: its covariance K (2, 2) shows which. An
edge with normal n tells nᵀKn. Where two edges cross, the grey of the corner lies off the middle
grey by the share (2/π) asin ρ of half the step, ρ the correlation of the blur across both edges
(orthant probability of a normal distribution; Sheppard 1899). A uniform smear of length l adds
l²/12 to the variance along it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array, Grey
from ..boards.candidates import Detection
from ..boards.pattern import Board
from ..boards.surface import fitted
from ..boards.windows import sampled

RISE = 2.5631  # [-] 10 to 90 % width of a Gaussian edge by its standard deviation
SAMPLES = 41  # along a profile
PLATEAU = 9  # samples at either end that show the plain grey
REACH_SHARE = 0.4  # [-] of the distance between corners: how far a profile reaches to either side
CLEAR_SHARE = 0.9  # [-] of the way to the next rim or the middle, for circles
LINES = (-0.12, -0.06, 0.0, 0.06, 0.12)  # [-] parallel profiles, by the length of the edge
RIM_PLACES = 8  # around a circle; opposite ones are of one kind
QUADRANT = 0.24  # [-] of the distance between corners: where a square's grey is looked at
# A smear counts from here: px, standard uncertainties of the variance, and [-] of the variance of a
# round blur, as no lens is as round as that. Measured on rendered boards without any.
SMEAR_LEAST_PX, SMEAR_SIGMAS, NOT_ROUND = 2.0, 4.0, 0.2
MEDIAN_ERROR = 1.2533 * 1.4826  # [-] standard error of a median by median absolute deviation · √n
LEAST_STEP = 5.0  # grey levels; an edge without a step says nothing


@dataclass(frozen=True, slots=True)
class Edges:
    """What the edges say: their 10 to 90 % width [px] in the worse direction, and the step [grey].

    ``width_px`` is None where no edge shows a step. ``smear_px`` is the length of a smear, 0 where
    the blur is as round as a lens's.
    """

    width_px: float | None
    contrast: float
    smear_px: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class _Profiles:
    """Profiles across edges: ``starts`` (n, lines, 2), ``across`` (n, 2) to either side, [px].

    They run along the pattern: square to the edge they would leave a square that is seen aslant.
    ``normal`` (n, 2) [px] is the part of ``across`` that is square to the edge. ``kind`` (n,):
    edges of one kind have about the same direction.
    """

    starts: Array
    across: Array
    normal: Array
    kind: NDArray[np.int64]


def measure_edges(image: Grey, detection: Detection, board: Board) -> Edges:
    """Return the edges' width, contrast and smear: medians over the board."""
    grid = _grid(detection, board)
    rims = board.has_circles
    profiles = _rims(detection, board) if rims else _edges(grid, detection, board)
    if not len(profiles.kind):
        return Edges(None, 0.0)
    steps = np.linspace(-1.0, 1.0, SAMPLES)
    profile = _sampled(image, profiles.starts, profiles.across, steps)
    if board.pattern == "charuco":
        profile = _mirrored(profile)
    low, high = profile[:, :PLATEAU].mean(axis=1), profile[:, -PLATEAU:].mean(axis=1)
    step = high - low
    contrast = float(np.median(np.abs(step)))
    clear = np.abs(step) > max(LEAST_STEP, contrast / 2)
    if not clear.any():
        return Edges(None, contrast)
    p = (profile[clear] - low[clear, None]) / step[clear, None]
    normal, kinds = profiles.normal[clear], profiles.kind[clear]
    length = np.linalg.norm(normal, axis=1)
    sigma = np.sqrt(np.pi) * (p * (1 - p)).mean(axis=1) * 2 * length
    own = np.array([np.median(sigma[kinds == k]) if (kinds == k).any() else 0.0 for k in range(4)])
    correlation = None if rims else _correlation(image, grid, contrast, board)
    unsure = float(np.median(np.abs(sigma - own[kinds]))) * MEDIAN_ERROR / np.sqrt(len(kinds) / 4)
    smear = _smear(normal / length[:, None], own[kinds], kinds, correlation, unsure)
    return Edges(max(RISE * float(own.max()), 0.0), contrast, smear)


def _grid(detection: Detection, board: Board) -> Array:
    """Return the points (rows, columns, 2) [px], NaN where none was found."""
    points = np.full((board.count, 2), np.nan)
    points[detection.ids] = detection.pixels
    return points.reshape(board.rows, board.columns, 2)


def _smear(
    normals: Array,
    sigma: Array,
    kinds: NDArray[np.int64],
    cross: tuple[Array, Array, float] | None,
    unsure: float,
) -> float:
    """Return the length [px] of a smear from edges' ``normals`` (n, 2) and blurs ``sigma`` (n,).

    ``cross`` are the two normals of edges that meet and the correlation of the blur across both;
    ``unsure`` [px] the standard uncertainty of the blurs of one of the ``kinds`` (n,) of edges.
    """
    rows, values = _terms(*normals.T), sigma**2
    shares = np.ones(len(rows))
    if cross is not None:
        a, b, rho = cross
        along = [np.abs(normals @ n) > np.cos(np.radians(30.0)) for n in (a, b)]
        if not all(part.any() for part in along):
            return 0.0
        size = [float(np.median(sigma[part])) for part in along]
        row = [a[0] * b[0], a[0] * b[1] + a[1] * b[0], a[1] * b[1]]
        rows = np.concatenate([rows, len(rows) * np.array([row])])  # weighs as much as all edges
        values = np.append(values, len(values) * rho * size[0] * size[1])
        kinds, shares = np.append(kinds, kinds.max() + 1), np.append(shares, len(shares))
    if np.linalg.matrix_rank(rows) < 3:
        return 0.0
    back = np.linalg.pinv(rows)
    xx, xy, yy = back @ values
    (low, high), ways = np.linalg.eigh([[xx, xy], [xy, yy]])
    # Under a steep view all edges point nearly one way: what they miss is then seen enlarged.
    reach = (_terms(*ways[:, 1]) - _terms(*ways[:, 0])) @ back * shares
    enlarged = float(np.linalg.norm(np.bincount(kinds, reach))) / 2**0.5
    least = max(
        SMEAR_SIGMAS * 2.0 * float(sigma.max()) * unsure, NOT_ROUND * float(sigma.min()) ** 2
    )
    least, low = least * max(enlarged, 1.0), max(low, 0.0)
    length = float(np.sqrt(12.0 * (high - low)))
    return length if high - low > least and length > SMEAR_LEAST_PX else 0.0


def _terms(x: Array, y: Array) -> Array:
    """Return the parts (..., 3) that xx, xy and yy of a covariance have in the variance along."""
    return np.stack([x * x, 2 * x * y, y * y], axis=-1)


def _correlation(
    image: Grey, grid: Array, contrast: float, board: Board
) -> tuple[Array, Array, float] | None:
    """Return the normals (2,) of the edges that meet in corners, and the blur's correlation there.

    Beside every corner the squares have the other colours: what exposure does to the middle grey
    falls out of the mean of both.
    """
    right, down = grid[1:-1, 2:] - grid[1:-1, :-2], grid[2:, 1:-1] - grid[:-2, 1:-1]
    there = np.isfinite(grid[1:-1, 1:-1] + right + down).all(axis=2)
    row, column = np.nonzero(there)
    at, a, b = grid[1:-1, 1:-1][there], right[there] / 2, down[there] / 2
    signs = QUADRANT * np.array([[1, 1], [-1, -1], [-1, 1], [1, -1], [0, 0]])
    spots = at[:, None] + signs[:, :1] * a[:, None] + signs[:, 1:] * b[:, None]
    grey = sampled(image, spots)
    ahead, beside = grey[:, :2].mean(axis=1), grey[:, 2:4].mean(axis=1)
    if (
        board.pattern == "charuco"
    ):  # a light square holds a marker: it is as bright as the edges say
        dark = np.minimum(ahead, beside)
        ahead, beside = (np.where(g == dark, dark, dark + contrast) for g in (ahead, beside))
    half = (ahead - beside) / 2
    clear = np.abs(half) > max(LEAST_STEP, contrast / 2) / 2
    off = (grey[:, 4] - (ahead + beside) / 2)[clear] / half[clear]
    odd = ((row + column) % 2)[clear] > 0
    if not odd.any() or odd.all():
        return None
    share = (float(np.median(off[odd])) + float(np.median(off[~odd]))) / 2
    across = np.median(a, axis=0), np.median(b, axis=0)
    normals = [np.array([-v[1], v[0]]) / np.linalg.norm(v) for v in across]
    # Both point into the square ahead: from the row towards the next, from the column likewise.
    signed = [n * np.sign(n @ v) for n, v in zip(normals, across[::-1], strict=True)]
    return signed[0], signed[1], float(np.sin(np.pi / 2 * np.clip(share, -1.0, 1.0)))


def _mirrored(profile: Array) -> Array:
    """Return profiles (n, samples) with their darker half mirrored about the edge.

    A white charuco square holds a marker close to its sides; the dark one beside it holds nothing.
    """
    half = SAMPLES // 2
    first_darker = profile[:, :PLATEAU].mean(axis=1) < profile[:, -PLATEAU:].mean(axis=1)
    facing = np.where(first_darker[:, None], profile, profile[:, ::-1])
    dark, middle = facing[:, :half], facing[:, half : half + 1]
    return np.concatenate([dark, middle, 2 * middle - dark[:, ::-1]], axis=1)


def _sampled(image: Grey, starts: Array, across: Array, steps: Array) -> Array:
    """Return mean profiles (n, samples): over the parallel lines of each edge."""
    at = starts[:, :, None] + across[:, None, None] * steps[:, None]
    grey = sampled(image, at.reshape(len(starts), -1, 2))
    return np.asarray(grey.reshape(at.shape[:-1]).mean(axis=1))


def _edges(grid: Array, detection: Detection, board: Board) -> _Profiles:
    """Return profiles across the middle of the edges between neighbours."""
    xy = board.points()[:, :2]
    surface = fitted(xy[detection.ids], detection.pixels, None)
    places, parts = xy.reshape(grid.shape), []
    for kind, axis in enumerate((1, 0)):
        (a, b), pair = _beside(grid, axis), _beside(places, axis)
        middle = (pair[0] + pair[1]) / 2
        there = np.isfinite(a + b).all(axis=1)
        a, b, middle = a[there], b[there], middle[there]
        along = b - a
        starts = (a + b)[:, None] / 2 + along[:, None] * np.array(LINES)[:, None]
        across = surface.steps(middle)[:, :, 1 - kind] * board.pitch_mm * REACH_SHARE
        square = (
            np.column_stack([-along[:, 1], along[:, 0]]) / np.linalg.norm(along, axis=1)[:, None]
        )
        normal = square * np.sum(square * across, axis=1)[:, None]
        parts.append(_Profiles(starts, across, normal, np.full(len(a), kind)))
    return _joined(parts)


def _beside(grid: Array, axis: int) -> tuple[Array, Array]:
    """Return both ends (n, 2) of all pairs of neighbours along an axis of (rows, columns, 2)."""
    count = grid.shape[axis] - 1
    first, second = (np.take(grid, np.arange(count) + k, axis=axis) for k in (0, 1))
    return first.reshape(-1, 2), second.reshape(-1, 2)


def _rims(detection: Detection, board: Board) -> _Profiles:
    """Return profiles through the rims of circles at eight places around each."""
    xy = board.points()[detection.ids, :2]
    radius = board.diameters()[detection.ids] / 2
    per_mm = fitted(xy, detection.pixels, None).steps(xy)
    reach = CLEAR_SHARE * np.minimum(radius, board.spacing_mm / 2 - radius)
    parts = []
    for kind, angle in enumerate(np.arange(RIM_PLACES) * (2 * np.pi / RIM_PLACES)):
        out = np.array([np.cos(angle), np.sin(angle)])
        normal = np.linalg.solve(np.swapaxes(per_mm, 1, 2), np.tile(out[:, None], (len(xy), 1, 1)))
        size = np.sum(normal[..., 0] ** 2, axis=1)  # a mm outwards is 1 / √size px along the normal
        normal = normal[..., 0] * (reach / size)[:, None]
        starts = detection.pixels + (per_mm @ out) * radius[:, None]
        across = (per_mm @ out) * reach[:, None]
        parts.append(_Profiles(starts[:, None], across, normal, np.full(len(xy), kind % 4)))
    return _joined(parts)


def _joined(parts: list[_Profiles]) -> _Profiles:
    names = ("starts", "across", "normal", "kind")
    return _Profiles(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))
