"""Find a chessboard or a board of circles: search, grow, place, measure, test every point.

A search on a reduced image gives a lattice of points. It grows on the full image as far as there
are points, so that a larger board shows. Then it is placed on the board, all its points are
measured where they must be, and those off the smooth image of a flat board are left out.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from ..arrays import Array, Grey
from ..camera.lens import Lens, project
from ..camera.model import GUESSED_FOCAL, Camera
from ..frames import apply
from .blobs import blobs, grown
from .candidates import (
    LEAST_LATTICE,
    LEAST_SPARE,
    Detection,
    Index,
    Lattice,
    full_size,
    nothing,
    on_one_line,
    reduced,
    trimmed,
    without_loose_ends,
)
from .measurer import Measurer
from .pattern import Board, symmetries
from .placement import MATRICES, board_cells, placements, skews
from .saddles import saddle_lattice
from .surface import fitted
from .windows import Bools, Measured, pixel_noise

SEARCHES_PX = (1296, 648, 2592)  # long sides, in turn; most boards are found in the first
CROWDED = 2000  # blobs in a small image: tiles or a grate; another search only shows more of them
ENOUGH_SHARE = 0.66  # [-] of the board's points: a search that finds them is the last
LEAST_SHARE = 0.2  # [-] of the board's points, and
LEAST_POINTS = 8  # points: fewer may be chance
MOST_RATIO, MOST_MORE = 3, 100  # points: a lattice of more than 3 times the board's and 100 is none
FILLED_SHARE = 0.8  # [-] of a rectangle: a lattice that fills so much of one is a whole board
FEW_SHARE = 0.34  # [-] of the next line's points: an outer line with fewer is left out at first
MOST_ROUNDS = 40  # of growth, each one point further
OFF_LATTICE = 0.2  # [-] of the distance between points: farther off is another thing
LIMIT_SIGMAS = 6.0  # of the board's own scatter: a point farther off is left out
LIMITS_PX = (0.12, 1.5)  # px; that limit at least, and at most
RAYLEIGH_MEDIAN = 1.1774  # [-] median distance by the scatter of a coordinate, √(2 ln 2)
CLEARLY_BETTER = 4.0  # [-] so many times farther off must any other numbering be
LEAST_CELL_PX = 4.0  # px² between four points; less cannot be told apart
MARGIN_SHARE = 0.08  # [-] of the distance between points: what must be seen around one


def detect_grid(image: Grey, board: Board, lens: Lens | None = None) -> Detection:
    """Return the points of ``board`` in ``image`` (h, w), or a detection of nothing."""
    best = nothing()
    for seen in _seen(image, board, lens):
        found = seen.placed()
        if (len(found.pixels), found.found) > (len(best.pixels), best.found) or (
            found.found and not best.found
        ):
            best = found
        elif best.other_count is None:
            best = replace(best, other_count=found.other_count)
        if len(best.ids) >= ENOUGH_SHARE * len(board.present):
            break
    return best


def _seen(image: Grey, board: Board, lens: Lens | None) -> Iterator[_Search]:
    """Yield the lattices that the searches find, likeliest first."""
    longest, most = max(image.shape), MOST_RATIO * board.count + MOST_MORE
    sides = [side for side in SEARCHES_PX if side < 1.5 * longest]
    if longest < SEARCHES_PX[0] and longest not in sides:
        sides = [longest, max(longest // 2, SEARCHES_PX[1] // 2)]
    chess = board.pattern == "chessboard"
    tries = [(side, board.light) for side in sides]
    if not chess:  # the other colours as well: a cell may say nothing of them
        tries.insert(1, (sides[0], not board.light))
    crowded = False
    for side, light in tries:
        if crowded and (side > SEARCHES_PX[0] or light != board.light):
            continue
        small = reduced(image, side)
        if chess:
            lattice = saddle_lattice(small, most)
        else:
            places, sizes = blobs(small, light)
            crowded |= len(places) > CROWDED
            lattice = grown(places, sizes, len(board.present), most)
        if lattice is None or len(lattice.ij) < LEAST_LATTICE:
            continue
        ratio = (image.shape[1] / small.shape[1]) ** 2
        pixels = full_size(lattice.pixels, small, image)
        lattice = replace(lattice, pixels=pixels, size=lattice.size * ratio)
        yield _Search(image, board, lens, lattice, light)


@dataclass(frozen=True, slots=True, eq=False)
class _Search:
    """A lattice found in an image, to be grown and placed; ``light`` of circles."""

    image: Grey
    board: Board
    lens: Lens | None
    lattice: Lattice
    light: bool

    def placed(self) -> Detection:
        """Return what the lattice is on the board, or nothing."""
        noise = pixel_noise(_part(self.image, self.lattice.pixels))
        measurer = Measurer(self.image, self.board, noise, self.light, self._spacing())
        lattice, bare = _all_around(self._squared(), self.board, self.lens, measurer)
        lattice = trimmed(lattice, FEW_SHARE, self.board.pattern == "circles-staggered")
        least = max(LEAST_POINTS, LEAST_SHARE * len(self.board.present))
        if len(lattice.ij) < least or on_one_line(lattice.ij.astype(float)):
            return nothing()
        ways = self._ways(lattice, bare)
        if len(ways) == 0:  # a chance point beyond an outer line fits no board
            firm = without_loose_ends(lattice)
            if least <= len(firm.ij) < len(lattice.ij):
                lattice, ways = firm, self._ways(firm, bare)
        if len(ways) == 0:
            return replace(nothing(), other_count=_count(lattice, self.board))
        if len(ways) > 1:
            return self._open(lattice, ways, measurer)
        return self._measured(lattice, ways, measurer)

    def _spacing(self) -> float:
        """Return the longest distance [px] that is usual between neighbours."""
        ij = self.lattice.ij.astype(float)
        if on_one_line(ij):
            return 1.0
        steps = fitted(ij, self.lattice.pixels, self.lens).steps(ij)
        return float(np.median(np.linalg.norm(steps, axis=2).max(axis=1)))

    def _ways(self, lattice: Lattice, bare: Index) -> Index:
        larger = _larger(lattice, self.board)
        return placements(lattice, bare, self.board, self._skews(lattice), larger)

    def _skews(self, lattice: Lattice) -> Array | None:
        """Return how far each of `MATRICES` is from the board's directions; None for corners."""
        if self.board.pattern == "chessboard":
            return None
        steps = fitted(lattice.ij.astype(float), lattice.pixels, self.lens).H[:, :2]
        if self.lens is None:
            height, width = self.image.shape
            focal = GUESSED_FOCAL * max(height, width)
            steps = np.array([[1, 0, -width / 2], [0, 1, -height / 2], [0, 0, focal]]) @ steps
        return skews(steps)

    def _squared(self) -> Lattice:
        """Return the lattice along the board's directions, as far as perspective shows them."""
        skew = None if on_one_line(self.lattice.ij.astype(float)) else self._skews(self.lattice)
        if skew is None:
            return self.lattice
        matrix = MATRICES[int(np.argmin(skew))]
        return replace(self.lattice, ij=self.lattice.ij @ matrix.T)

    def _open(self, lattice: Lattice, ways: Index, measurer: Measurer) -> Detection:
        """Return points whose numbers are open between several ways; see `numbered`."""
        places = lattice.ij.astype(float)
        steps = fitted(places, lattice.pixels, self.lens).steps(places)
        found = measurer.beside(lattice.ij, lattice.pixels, steps, None)
        keep = np.flatnonzero(found.good)
        keep = keep[on_surface(places[keep], found.pixels[keep], self.lens)]
        pixels, covariances = found.pixels[keep], found.covariance[keep]
        return replace(nothing(), choices=ways[:, keep], pixels=pixels, covariances=covariances)

    def _measured(self, lattice: Lattice, ways: Index, measurer: Measurer) -> Detection:
        """Return all points of the board that are seen, measured and tested."""
        ids = self._numbers(lattice, ways[0])
        cells = board_cells(self.board)
        surface = fitted(cells[ids].astype(float), lattice.pixels, self.lens)
        wanted = self.board.present
        places = surface.at(cells[wanted].astype(float))
        steps = surface.steps(cells[wanted].astype(float))
        there = _in_image(self.image, places, steps)
        wanted, places, steps = wanted[there], places[there], steps[there]
        found = measurer.points(wanted, places, steps)
        good = found.good & (_away(found.pixels, places, steps) < OFF_LATTICE)
        wanted, pixels, covariance = wanted[good], found.pixels[good], found.covariance[good]
        keep = on_surface(cells[wanted].astype(float), pixels, self.lens)
        wanted, pixels, covariance = wanted[keep], pixels[keep], covariance[keep]
        if len(wanted) < LEAST_POINTS or on_one_line(cells[wanted].astype(float)):
            return nothing()
        return described(wanted, pixels, covariance, self.board, self.lens)

    def _numbers(self, lattice: Lattice, way: Index) -> Index:
        """Return the ids of the lattice's points; rows run to the right where a turn is open."""
        choices = [way, *(t.permutation[way] for t in symmetries(self.board))]
        x = [self.board.points()[ids, 0] for ids in choices]
        u, v = (lattice.pixels - lattice.pixels.mean(axis=0)).T
        along = [(np.dot(c - c.mean(), u), np.dot(c - c.mean(), v)) for c in x]
        likeliest: Index = choices[int(np.argmax([a / np.hypot(a, b) for a, b in along]))]
        return likeliest


def numbered(
    detection: Detection, board: Board, camera: Camera, camera_T_board: Array
) -> Detection:
    """Return a detection whose numbers are open, numbered by where the board is expected.

    It stays open where another numbering would fit the expected pose nearly as well.
    """
    if not len(detection.choices):
        return detection
    expected = project(apply(camera_T_board, board.points()), camera)
    turns = [np.arange(board.count), *(t.permutation for t in symmetries(board))]
    ways = [turn[ids] for ids in detection.choices for turn in turns]
    off = [float(np.median(np.linalg.norm(expected[w] - detection.pixels, axis=1))) for w in ways]
    first, *others = np.argsort(off, kind="stable")
    if any(off[k] < CLEARLY_BETTER * off[first] for k in others):
        return detection
    order = np.argsort(ways[first])
    covariances = detection.covariances
    return replace(
        detection,
        ids=ways[first][order],
        pixels=detection.pixels[order],
        covariances=None if covariances is None else covariances[order],
        choices=detection.choices[:0],
    )


def _all_around(
    search: Lattice, board: Board, lens: Lens | None, measurer: Measurer
) -> tuple[Lattice, Index]:
    """Return the lattice grown as far as there are points, and the places (m, 2) seen bare."""
    lattice, known = _checked(search, lens, measurer)
    bare: Index = np.empty((0, 2), np.int64)
    tried: set[tuple[int, int]] = set()
    most = 2 * (np.ptp(board_cells(board), axis=0).max() + 2)
    for _ in range(MOST_ROUNDS):
        if len(lattice.ij) < LEAST_LATTICE or np.ptp(lattice.ij, axis=0).max() > most:
            break
        around = _beside(lattice.ij, tried)
        if not len(around):
            break
        surface = fitted(lattice.ij.astype(float), lattice.pixels, lens)
        places, steps = surface.at(around.astype(float)), surface.steps(around.astype(float))
        there = _in_image(measurer.image, places, steps)
        tried.update((int(i), int(j)) for i, j in around)
        around, places, steps = around[there], places[there], steps[there]
        if not len(around):
            break
        found = measurer.beside(around, places, steps, known)
        new = found.good & (_away(found.pixels, places, steps) < OFF_LATTICE)
        bare = np.concatenate([bare, around[found.empty & ~new]])
        known = known.and_(found.take(new))
        lattice = Lattice(
            np.concatenate([lattice.ij, around[new]]),
            np.concatenate([lattice.pixels, found.pixels[new]]),
            np.concatenate([lattice.size, found.size[new]]),
        )
    return lattice, bare


def _checked(lattice: Lattice, lens: Lens | None, measurer: Measurer) -> tuple[Lattice, Measured]:
    """Return those points of the searched lattice that are points, sizes against plain ones."""
    while True:
        places = lattice.ij.astype(float)
        if len(places) < LEAST_LATTICE or on_one_line(places):
            lattice = lattice.take(np.zeros(len(places), bool))
            break
        surface = fitted(places, lattice.pixels, lens)
        steps = surface.steps(places)
        sound = _sound(steps)
        steps[~sound] = np.eye(2)
        off = _away(lattice.pixels, surface.at(places), steps)
        keep = off < max(OFF_LATTICE, 3 * float(np.median(off)))
        keep &= sound
        if keep.all():
            break
        lattice = lattice.take(keep)
    if not len(lattice.ij):
        none = np.empty(0)
        return lattice, Measured(lattice.pixels, none, none > 0, none > 0, none, none, none)
    found = measurer.rough(lattice.ij, lattice.pixels, steps)
    good = found.good & (_away(found.pixels, lattice.pixels, steps) < OFF_LATTICE)
    kept = found.take(good)
    return Lattice(lattice.ij[good], kept.pixels, kept.size), kept


def _beside(ij: Index, tried: set[tuple[int, int]]) -> Index:
    """Return the places (m, 2) next to ``ij`` (n, 2) that are not among them nor ``tried``."""
    known = {(int(i), int(j)) for i, j in ij}
    beside = {(i + di, j + dj) for i, j in known for di, dj in ((1, 0), (0, 1), (-1, 0), (0, -1))}
    return np.array(sorted(beside - known - tried)).reshape(-1, 2)


def _in_image(image: Grey, places: Array, steps: Array) -> Bools:
    margin = MARGIN_SHARE * np.linalg.norm(steps, axis=2)
    last = np.array(image.shape[::-1]) - 1
    inside = np.isfinite(places).all(axis=1) & _sound(steps)
    return np.asarray(inside & np.all((places > margin) & (places < last - margin), axis=1))


def _sound(steps: Array) -> Bools:
    """Tell where steps (n, 2, 2) span an area: not beyond the horizon of a wrong homography."""
    finite = np.asarray(np.isfinite(steps).all(axis=(1, 2)))
    area = np.linalg.det(np.where(finite[:, None, None], steps, 0.0))
    return np.asarray(finite & (area > LEAST_CELL_PX))


def _away(pixels: Array, places: Array, steps: Array) -> Array:
    """Return how far ``pixels`` lie from ``places`` in shares of the distance between points."""
    off = np.linalg.solve(steps, (pixels - places)[..., None])[..., 0]
    return np.asarray(np.linalg.norm(off, axis=1))


def _part(image: Grey, pixels: Array) -> Grey:
    low = np.maximum(np.floor(pixels.min(axis=0)).astype(int), 0)
    high = np.ceil(pixels.max(axis=0)).astype(int) + 1
    return image[low[1] : high[1], low[0] : high[0]]


def _larger(lattice: Lattice, board: Board) -> Bools | None:
    """Tell which circles are the larger ones (n,), None where the board has none."""
    if board.larger is None or board.diameter_mm is None:
        return None
    ratio = board.larger.diameter_mm / board.diameter_mm
    return np.asarray(lattice.size / np.median(lattice.size) > ratio)


def _count(lattice: Lattice, board: Board) -> tuple[int, int] | None:
    """Return columns and rows of a lattice that is a whole board of another size, else None."""
    i, j = lattice.ij.T
    if board.pattern == "circles-staggered":  # rows, odd in number, and half steps along them
        sides = [int(np.ptp(along)) + 1 for along in (i + j, i - j)]
        across, rows = sorted(sides, key=lambda side: side % 2)
        columns, mixed = across // 2, across % 2 == rows % 2
    else:
        columns, rows = int(np.ptp(i)) + 1, int(np.ptp(j)) + 1
        if (columns < rows) != (board.columns < board.rows):
            columns, rows = rows, columns
        mixed = False
    if mixed or len(lattice.ij) < FILLED_SHARE * columns * rows:
        return None
    return None if (columns, rows) == (board.columns, board.rows) else (columns, rows)


def on_surface(places: Array, pixels: Array, lens: Lens | None) -> Bools:
    """Tell which ``pixels`` (n, 2) lie on the smooth image of a flat board at ``places`` (n, 2).

    Each is compared with what the others predict; the worst is left out until all fit.
    """
    keep = np.ones(len(pixels), bool)
    while keep.sum() >= LEAST_POINTS and not on_one_line(places[keep]):
        surface = fitted(places[keep], pixels[keep], lens)
        off = np.linalg.norm(pixels[keep] - surface.at(places[keep]), axis=1)
        sigma = float(np.median(off)) / RAYLEIGH_MEDIAN
        limit = float(np.clip(LIMIT_SIGMAS * sigma, *LIMITS_PX))
        if off.max() <= limit:
            break
        worst = off > max(limit, 0.5 * off.max())
        keep[np.flatnonzero(keep)[worst]] = False
    return keep


def described(
    ids: Index, pixels: Array, covariance: Array, board: Board, lens: Lens | None
) -> Detection:
    """Return the detection; covariances grow to what the points' own scatter shows."""
    places = board_cells(board)[ids].astype(float)
    surface = fitted(places, pixels, lens)
    off = pixels - surface.at(places)
    spare = surface.spare(len(ids))
    scatter = float(np.sqrt(np.sum(off**2) / spare)) if spare >= LEAST_SPARE else None
    if scatter is not None:
        seen = np.median(np.sum(off**2, axis=1)) / RAYLEIGH_MEDIAN**2 * 2 * len(ids) / spare
        stated = float(np.median(np.trace(covariance, axis1=1, axis2=2) / 2))
        covariance = covariance * max(1.0, float(seen) / stated)
    return Detection(ids, pixels, scatter, covariance)
