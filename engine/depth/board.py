"""What depth says on the board: how much of it is there, how noisy it is, how flat, and how true.

The board is flat and its pose known from the pixels, so everything a 3-D camera gets wrong there
shows. Along the rays of a plane 1/z is linear, which gives a robust plane; what is left is noise,
bow (second order), and the depth of each point from the values around it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from ..arrays import Array, Grey
from ..boards.candidates import spacing_px
from ..boards.pattern import Board
from ..camera.lens import Lens, lens, terms, undistort
from ..camera.model import Camera, DepthCamera
from ..camera.views import LEAST_POINTS as LEAST_PIXELS
from ..camera.views import Views, poses_of_views
from ..findings import Finding, finding
from ..tails import chi2_isf
from .plane import BIWEIGHT, CHANCE, COVERAGE, MAD, bow_limit_mm, compared, plane_of
from .reading import Depth, Window

LEAST_VALUES = 200  # on a board; fewer leave no figure that means anything
SAMPLE = 20_000  # values that the plane is fitted to; more change nothing
BLOCKS = 12  # along each side of the board, whose medians begin the fit
RAY_STEP = 8  # px between rays computed exactly; between them the lens is straight to 1e-5
WINDOW_SHARE = 0.35  # [-] of the points' spacing: half a window around a point, clear of the next
LEAST_FILLED = 0.3  # [-] of a window must hold values, or the point has no depth
LOCAL_SHARE = 2.0  # [-] spacings: window whose mean tells light from dark, in uneven light too
# [-] of the light or dark parts; below half of the values, depth hangs on what is left at edges,
# where it is least true. Common practice, no source.
HOLES_LIMIT = 0.5
# mm of noise of one value at 1 m; it grows with the square of the distance, as triangulation does.
# Cameras for picking have a tenth to a half of it. Common practice, no source.
NOISE_LIMIT_MM = 1.0
ANOTHER_UNIT = 2.0  # [-] times too far or near; units differ by more, calibrations by far less
RAY_LIMIT = 0.01  # [rad] points off the rays of their pixels; a sensor 15 mm beside has more
PIXEL_FLOOR_PX = 0.03  # px; of one coordinate, what the pose's own scatter may hide


@dataclass(frozen=True, slots=True, eq=False)
class DepthReport:
    """What depth says on one board; None: cannot be told.

    Attributes:
        filled: share of the board with values; ``light`` and ``dark``: of its parts.
        depths: (n,) [mm] of each point along the camera's axis, NaN where not measured.
        distance_mm: of the board's middle, by depth.
        noise_mm: standard deviation of one value about a smooth surface; ``step_mm`` the step of
            the file's whole numbers, 0 for others.
        bow_mm: how far the corners of the flat board are bent from its middle; by noise alone
            ``bent_by_noise_mm``, one time in a thousand.
        scale: all depth against the pose by the pixels, relative (0: alike); ``scale_u`` its u.
        tilt_deg: of the plane against that pose; ``tilt_limit_deg`` what both explain.
        off_rays: points of a cloud off the rays of their pixels [rad].
        residual: (rows, columns) [mm] off the plane in the window around the board, NaN in holes
            and beside the board; ``inside`` (rows, columns): the board.
    """

    filled: float
    light: float | None
    dark: float | None
    depths: Array
    distance_mm: float | None = None
    noise_mm: float | None = None
    step_mm: float = 0.0
    bow_mm: float | None = None
    bent_by_noise_mm: float = 0.0
    scale: float | None = None
    scale_u: float | None = None
    tilt_deg: float | None = None
    tilt_limit_deg: float | None = None
    off_rays: float | None = None
    residual: Array | None = None
    inside: NDArray[np.bool_] | None = None


def look_at_depth(
    depth: Depth,
    ids: NDArray[np.int64],
    pixels: Array,
    grey: Grey | None,
    board: Board,
    camera: Camera,
) -> DepthReport:
    """Return what ``depth`` says on the board, whose points ``ids`` (n,) were seen at ``pixels``.

    ``grey`` is the image taken with it; None: light and dark cannot be told apart.
    """
    spacing = spacing_px(board.points()[ids, :2], pixels) / depth.binning
    reach = max(int(WINDOW_SHARE * spacing), 1)
    window, inside = _outline(pixels, depth, reach)
    z = depth.z(window)
    there = inside & np.isfinite(z)
    light, dark = _parts(grey, window, inside, there, depth.binning, spacing)
    filled = float(there.sum() / max(inside.sum(), 1))
    report = DepthReport(filled, light, dark, np.full(len(ids), np.nan))
    if there.sum() < LEAST_VALUES:
        return report
    data = lens(camera)
    rays = _rays(window, depth.binning, data)
    some = _sample(there)
    plane = _plane(z[some], rays[some], some)
    off = z - 1.0 / _along(rays, plane)
    noise, kept = _noise(off, there, some)
    at = (pixels + 0.5) / depth.binning - 0.5 - (window[1].start, window[0].start)
    own = _around(off, kept, inside, at, reach)
    report = replace(
        report,
        depths=1.0 / _along(undistort(pixels, data), plane) + own,
        noise_mm=noise,
        step_mm=depth.scale_mm if depth.values.dtype.kind in "iu" else 0.0,
        off_rays=None if camera.guessed else _off_rays(depth, window, rays, some),
        residual=np.where(kept, off, np.nan),
        inside=inside,
        distance_mm=float(np.median(z[some])),
    )
    return _against_pose(report, ids, pixels, board, camera, data)


def _outline(pixels: Array, depth: Depth, reach: int) -> tuple[Window, NDArray[np.bool_]]:
    """Return the window of the depth that holds the points, and what lies inside their outline.

    The board goes on around its points: the outline lies ``reach`` values outside them.
    """
    at = np.rint((pixels + 0.5) / depth.binning - 0.5).astype(np.int32)
    size = np.array(depth.size[::-1])
    low, high = np.clip([at.min(axis=0) - reach, at.max(axis=0) + reach + 1], 0, size)
    mask = np.zeros((max(high[1] - low[1], 1), max(high[0] - low[0], 1)), np.uint8)
    cv2.fillConvexPoly(mask, cv2.convexHull(at - low.astype(np.int32)), 1)
    inside = cv2.dilate(mask, np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)) > 0
    return (slice(low[1], low[1] + len(mask)), slice(low[0], low[0] + mask.shape[1])), inside


def _parts(
    grey: Grey | None,
    window: Window,
    inside: NDArray[np.bool_],
    there: NDArray[np.bool_],
    binning: int,
    spacing: float,
) -> tuple[float | None, float | None]:
    """Return the filled share of the light and of the dark parts of the board."""
    if grey is None:
        return None, None
    rows, columns = (
        slice(part.start * binning, (part.start + size) * binning)
        for part, size in zip(window, inside.shape, strict=True)
    )
    picture = grey[rows, columns].astype(np.float32)
    if binning > 1:
        size = (inside.shape[1], inside.shape[0])
        picture = cv2.resize(picture, size, interpolation=cv2.INTER_AREA).astype(np.float32)
    side = max(int(LOCAL_SHARE * spacing) | 1, 3)
    bright = picture > cv2.blur(picture, (side, side), borderType=cv2.BORDER_REFLECT_101)
    shares = [
        float(there[part].mean()) if (part := inside & which).any() else None
        for which in (bright, ~bright)
    ]
    return shares[0], shares[1]


def _rays(window: Window, binning: int, data: Lens) -> NDArray[np.float32]:
    """Return x/z and y/z (h, w, 2) of the window's values; exact at every `RAY_STEP` px."""
    axes = []
    for part in window:
        count = part.stop - part.start
        exact = np.arange(0, count + RAY_STEP, RAY_STEP, dtype=float) + part.start
        axes.append((exact + 0.5) * binning - 0.5)
    v, u = axes
    coarse = undistort(np.stack(np.meshgrid(u, v), axis=-1), data).astype(np.float32)
    rows, columns = (part.stop - part.start for part in window)
    x, y = np.meshgrid(
        np.arange(columns, dtype=np.float32) / RAY_STEP,
        np.arange(rows, dtype=np.float32) / RAY_STEP,
    )
    return np.asarray(cv2.remap(coarse, x, y, cv2.INTER_LINEAR), np.float32)


Picked = tuple[NDArray[np.intp], NDArray[np.intp]]


def _sample(there: NDArray[np.bool_]) -> Picked:
    """Return rows and columns of at most `SAMPLE` values, spread evenly."""
    rows, columns = np.nonzero(there)
    every = max(len(rows) // SAMPLE, 1)
    return rows[::every], columns[::every]


def _along(rays: NDArray[np.floating], plane: Array) -> Array:
    """Return 1/z where ``rays`` (..., 2) meet the plane (3,)."""
    return np.asarray(rays[..., 0] * plane[0] + rays[..., 1] * plane[1] + plane[2])


def _plane(z: NDArray[np.float32], rays: NDArray[np.float32], some: Picked) -> Array:
    """Return the robust plane (3,) of values ``z`` (n,): 1/z = plane · (x/z, y/z, 1).

    From the medians of blocks, then with Tukey's biweight.
    """
    q, basis = 1.0 / z.astype(float), np.column_stack([rays, np.ones(len(z))]).astype(float)
    rows, columns = some
    block = rows * BLOCKS // (rows.max() + 1) * BLOCKS + columns * BLOCKS // (columns.max() + 1)
    order = np.argsort(block, kind="stable")
    groups = np.split(order, np.flatnonzero(np.diff(block[order])) + 1)
    middles = np.array([[np.median(q[g]), *basis[g].mean(axis=0)] for g in groups])
    plane = np.linalg.lstsq(middles[:, 1:], middles[:, 0], rcond=None)[0]
    for _ in range(4):
        flat = 1.0 / (basis @ plane)
        off = z - flat
        limit = BIWEIGHT * max(MAD * float(np.median(np.abs(off - np.median(off)))), 1e-6)
        weight = np.clip(1.0 - (off / limit) ** 2, 0.0, None) * flat**2
        plane = np.linalg.lstsq(basis * weight[:, None], q * weight, rcond=None)[0]
    return np.asarray(plane)


def _noise(off: Array, there: NDArray[np.bool_], some: Picked) -> tuple[float, NDArray[np.bool_]]:
    """Return the noise of one value about a smooth surface, and which values belong to that."""
    y, x = (axis / max(length - 1, 1) - 0.5 for axis, length in zip(some, off.shape, strict=True))
    basis = np.column_stack([np.ones(len(x)), x, y, x * x, x * y, y * y])
    value, weight = off[some], np.ones(len(x))
    for _ in range(4):
        found = np.linalg.lstsq(basis * weight[:, None], value * weight, rcond=None)[0]
        left = value - basis @ found
        noise = MAD * float(np.median(np.abs(left)))
        weight = np.clip(1.0 - (left / max(BIWEIGHT * noise, 1e-9)) ** 2, 0.0, None)
    rows, columns = (np.arange(length) / max(length - 1, 1) - 0.5 for length in off.shape)
    a, bx, by, bxx, bxy, byy = found
    smooth = a + bx * columns + bxx * columns**2 + (by * rows + byy * rows**2)[:, None]
    smooth = smooth + bxy * rows[:, None] * columns
    with np.errstate(invalid="ignore"):
        kept = there & (np.abs(off - smooth) <= max(BIWEIGHT * noise, 1e-9))
    return noise, kept


def _around(
    off: Array, kept: NDArray[np.bool_], inside: NDArray[np.bool_], at: Array, reach: int
) -> Array:
    """Return the mean of ``off`` [mm] around each place (n, 2); NaN where too little is there."""
    side = (2 * reach + 1, 2 * reach + 1)
    whole, own, total = (
        cv2.boxFilter(
            part.astype(np.float32), -1, side, normalize=False, borderType=cv2.BORDER_CONSTANT
        )
        for part in (inside, kept, np.where(kept, off, 0.0))
    )
    column, row = np.clip(np.rint(at).astype(int), 0, np.array(off.shape[::-1]) - 1).T
    count = own[row, column]
    enough = count >= np.maximum(LEAST_FILLED * whole[row, column], 1.0)
    return np.where(enough, total[row, column] / np.maximum(count, 1.0), np.nan)


def _off_rays(
    depth: Depth, window: Window, rays: NDArray[np.float32], some: Picked
) -> float | None:
    """Return how far points of a cloud lie off the rays of their pixels, median [rad]."""
    xy = depth.xy(window)
    if xy is None:
        return None
    seen = xy[some] / depth.z(window)[some][:, None]
    return float(np.median(np.linalg.norm(seen - rays[some], axis=1)))


def _against_pose(
    report: DepthReport,
    ids: NDArray[np.int64],
    pixels: Array,
    board: Board,
    camera: Camera,
    data: Lens,
) -> DepthReport:
    """Return the report with bow, scale and tilt against the pose that the pixels give."""
    points = board.points()[ids]
    plane = plane_of(report.depths, points[:, :2])
    if plane is None or len(ids) < LEAST_PIXELS:
        return report
    view = Views(points[None], pixels[None], np.ones((1, len(ids))))
    known = terms(camera, board.points(), *board.u)
    deep = replace(view, depths=np.nan_to_num(report.depths)[None], planes=plane.rows[None])
    by_noise = plane.bent_by_noise_mm
    report = replace(report, bow_mm=plane.bow_peak_mm, bent_by_noise_mm=by_noise)
    best = None
    for pose, rms in poses_of_views(view, data)[0]:  # a flat board may have two
        px = max(rms * float(np.sqrt(len(ids) / max(len(ids) - 3, 1))), PIXEL_FLOOR_PX)
        found = compared(deep, plane.covariance[None], pose[None], data, known, px)
        P = found.whole_covariance(known.sd)[0]
        off = found.off[0]
        size = float(off @ np.linalg.solve(P, off))
        if best is None or size < best[0]:
            turned = off[1:] @ np.linalg.solve(P[1:, 1:], off[1:])
            best = size, off, P, float(turned), float(found.distance[0]), abs(float(pose[2, 2]))
    if best is None:
        return report
    _, off, P, turned, distance, facing = best
    tilt = float(np.degrees(np.linalg.norm(off[1:] / plane.half) / max(facing, 0.1)))
    return replace(
        report,
        scale=float(off[0] / distance),
        scale_u=float(np.sqrt(P[0, 0]) / distance),
        tilt_deg=tilt,
        tilt_limit_deg=tilt * float(np.sqrt(chi2_isf(CHANCE, 2) / max(turned, 1e-9))),
    )


def look_at_places(
    ids: NDArray[np.int64], pixels: Array, places: Array, board: Board, camera: Camera
) -> DepthReport:
    """Return what points measured in space at ``places`` (n, 3) [mm], seen at ``pixels``, say."""
    middle = float(places[:, 2].mean())
    report = DepthReport(1.0, None, None, places[:, 2], distance_mm=middle)
    return _against_pose(report, ids, pixels, board, camera, lens(camera))


def depth_findings(report: DepthReport, board: Board, camera: DepthCamera | None) -> list[Finding]:
    """Return what is wrong with depth, gravest first; nothing: it may join the estimate.

    ``camera`` None: the points were measured in space by another program.
    """
    if report.off_rays is not None and report.off_rays > RAY_LIMIT:
        angle, limit = np.degrees(report.off_rays), np.degrees(RAY_LIMIT)
        return [finding("depth-disagrees", "frame", angle=angle, limit=limit)]
    against = _scale(report, camera) or _tilt(report)
    return [*against, *_bow(report, board), *_holes(report), *_noisy(report)]


def _scale(report: DepthReport, camera: DepthCamera | None) -> list[Finding]:
    if report.scale is None or report.scale_u is None:
        return []
    limit = COVERAGE * report.scale_u
    if abs(report.scale) <= limit:
        return []
    percent, most = 100 * report.scale, 100 * limit
    if camera is None:
        return [finding("depth-disagrees", "points", percent=percent, limit=most)]
    times = 1.0 + report.scale
    fits = f"{camera.scale_mm / times:.5g}"
    if not 1.0 / ANOTHER_UNIT < times < ANOTHER_UNIT:
        return [finding("depth-disagrees", "unit", times=times, suggested=fits)]
    return [finding("depth-disagrees", percent=percent, limit=most, suggested=fits)]


def _tilt(report: DepthReport) -> list[Finding]:
    tilt, limit = report.tilt_deg, report.tilt_limit_deg
    if tilt is None or limit is None or tilt <= limit:
        return []
    return [finding("depth-disagrees", "tilt", angle=tilt, limit=limit)]


def _bow(report: DepthReport, board: Board) -> list[Finding]:
    if report.bow_mm is None or report.distance_mm is None:
        return []
    limit = bow_limit_mm(report.distance_mm, board.u.bow_mm, report.bent_by_noise_mm)
    if report.bow_mm <= limit:
        return []
    return [finding("depth-disagrees", "bow", bow=report.bow_mm, limit=limit)]


def _holes(report: DepthReport) -> list[Finding]:
    parts = {"light": report.light, "dark": report.dark}
    low = [name for name, share in parts.items() if share is not None and share < HOLES_LIMIT]
    if not low and report.filled >= HOLES_LIMIT:
        return []
    part = low[0] if len(low) == 1 else None
    percent = 100 * (report.filled if part is None else parts[part] or 0.0)
    return [finding("depth-holes", part, percent=percent, limit=100 * HOLES_LIMIT)]


def _noisy(report: DepthReport) -> list[Finding]:
    if report.noise_mm is None or report.distance_mm is None:
        return []
    rounding = report.step_mm / 12**0.5  # steps of the file are no fault of the camera
    limit = float(np.hypot(NOISE_LIMIT_MM * (report.distance_mm / 1000.0) ** 2, 2.0 * rounding))
    if report.noise_mm <= limit:
        return []
    return [finding("depth-noisy", noise=report.noise_mm, limit=limit)]
