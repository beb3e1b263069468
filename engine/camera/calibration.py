"""The lens from several views of one flat board, with uncertainties that hold the board's shape.

Loss: squared pixel residuals of all views, each with a pose of its own, plus the shape of the board
against its prior: a board that is not flat, or stretched, looks like another lens. OpenCV's
calibration (Zhang 2000) gives the start; from there all poses are eliminated (variable projection;
Golub & Pereyra 1973), and Gauss-Newton steps move lens and shape. Distortion terms that the views
do not show, at a stated significance, are left out: they would only add noise.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace

import cv2
import numpy as np
import scipy

from ..arrays import Array
from ..errors import StationbookError
from .lens import BOWS, SHAPES, Terms, lens, project, terms
from .model import Camera, LensU
from .views import Views, pixel_rows, poses_of_views, refined

LEAST_VIEWS = 5  # Zhang 2000: 3 views settle five lens values; two more leave something to check
TILT_SPREAD_DEG = 10.0  # deg; nearly parallel boards cannot tell focal length from distance; CP
SIGNIFICANCE = 0.01  # [-] chance that a term is kept which the lens does not have
STEPS, HALVINGS = 20, 6  # Gauss-Newton steps, and how often one is shortened
SETTLED = 1e-3  # [-] step in standard uncertainties that no longer matters
# Parameters: log focal length, log of fy/fx, centre x and y [px], then OpenCV's coefficients.
NAMES = ("focal", "aspect", "cx", "cy", "k1", "k2", "p1", "p2", "k3", "k4", "k5", "k6",
         "s1", "s2", "s3", "s4", "tx", "ty")  # fmt: skip
OF_MATRIX = 4
STEP = 1e-5  # [-, px · 100] for derivatives by parameters
PLAIN, RATIONAL = 5, 8  # coefficients: a polynomial, and one over another
WIDE_BEND = 0.25  # [-] of the corner's distance: a polynomial follows less
# What is left out in turn where it is not significant: whatever comes later needs what is before.
OPTIONAL = (("tx", "ty"), ("s1", "s2", "s3", "s4"), ("k4", "k5", "k6"), ("k3",), ("p1", "p2"),
            ("k2",), ("k1",), ("aspect",))  # fmt: skip
DIVISOR = OPTIONAL[2]


@dataclass(frozen=True, slots=True, eq=False)
class Calibration:
    """A lens found from views of a board.

    ``camera`` with its uncertainties ``u`` as a cell states them, of the parameters ``kept``;
    ``whole`` the lens with all that were tried, ``names``, and their ``covariance`` (q, q): what
    was left out is not known to be 0, so the uncertainties are those of the whole. ``poses``
    (n, 4, 4) camera_T_board [mm]; ``bow_mm`` (2,) with ``u_bow_mm``; ``rms_px`` per coordinate.
    """

    camera: Camera
    kept: tuple[str, ...]
    whole: Camera
    names: tuple[str, ...]
    covariance: Array
    poses: Array
    bow_mm: Array
    u_bow_mm: Array
    rms_px: float

    def u_of(self, name: str) -> float:
        """Return the standard uncertainty of a parameter."""
        k = self.names.index(name)
        return float(np.sqrt(self.covariance[k, k]))

    def u_px(self) -> tuple[float, float, float, float]:
        """Return the standard uncertainties [px] of fx, fy, cx, cy."""
        (fx, _, _), (_, fy, _), _ = self.camera.matrix
        ratio = np.zeros(len(self.names))
        ratio[self.names.index("focal")] = 1.0
        ratio[[name == "aspect" for name in self.names]] = 1.0
        fy_u = fy * float(np.sqrt(ratio @ self.covariance @ ratio))
        return fx * self.u_of("focal"), fy_u, self.u_of("cx"), self.u_of("cy")


def calibrated(
    views: Views, camera: Camera, scale_u: float, bow_u_mm: float, *, from_nothing: bool = False
) -> Calibration:
    """Return the lens that ``views`` of one board show; only the size of ``camera`` is believed.

    ``scale_u`` [-] and ``bow_u_mm`` are the board's. The camera's number of coefficients says which
    terms are tried; from nothing, and where it has fewer, the five of k1 k2 p1 p2 k3. Raises
    StationbookError for too few views or views too much alike.
    """
    if len(views.weight) < LEAST_VIEWS:
        raise StationbookError(
            f"stations with points: {len(views.weight)}; a lens needs at least {LEAST_VIEWS}",
            "Record more stations, tilted in different directions.",
        )
    count = PLAIN if from_nothing else max(len(camera.distortion), PLAIN)
    stated = scale_u, bow_u_mm
    names, whole = _whole(views, camera, count, stated)
    _refuse_parallel(whole.poses)
    if from_nothing and _bend(whole.camera) > WIDE_BEND:
        more, richer = _whole(views, camera, RATIONAL, stated)
        if not _as_good(whole, richer, RATIONAL - PLAIN):
            names, whole = more, richer
    kept, found = names, whole
    for group in OPTIONAL:
        if not set(group) <= set(kept):
            continue
        fewer = tuple(name for name in kept if name not in group)
        if group == DIVISOR:  # without it the others are far from where they are: begun anew
            plainer = _whole(views, camera, PLAIN, stated)[1].settled(fewer)
        elif _needed(found, kept, group):
            continue
        else:
            plainer = found.without(group, fewer)
        if _as_good(plainer, found, len(group)):
            kept, found = fewer, plainer
    covariance = _solved(whole.normal(names)[1], np.eye(len(names) + len(SHAPES)))
    lens_part = covariance[: len(names), : len(names)]
    bows = [SHAPES.index(name) for name in BOWS]
    result = Calibration(
        camera=found.camera,
        kept=kept,
        whole=whole.camera,
        names=names,
        covariance=lens_part,
        poses=found.poses,
        bow_mm=found.shape[bows],
        u_bow_mm=np.sqrt(np.diag(covariance)[len(names) :][bows]),
        rms_px=found.rms_px(),
    )
    return replace(result, camera=replace(found.camera, u=_stated_u(result)))


def _whole(
    views: Views, camera: Camera, count: int, stated: tuple[float, float]
) -> tuple[tuple[str, ...], _Fit]:
    """Return the names of all parameters with ``count`` coefficients, and their best fit."""
    names = tuple(NAMES[: OF_MATRIX + count])
    return names, _Fit.at(views, _by_opencv(views, camera, count), stated).settled(names)


def _as_good(plainer: _Fit, richer: _Fit, spared: int) -> bool:
    """Tell whether a fit without ``spared`` parameters is worse by no more than chance is.

    By the likelihood ratio: terms that stand in for each other look needless one by one.
    """
    worse = max(plainer.rss - richer.rss, 0.0) / richer.variance()
    return bool(scipy.special.chdtrc(spared, worse) >= SIGNIFICANCE)


def _bend(camera: Camera) -> float:
    """Return how far distortion moves the image's corner, [-] of its distance from the centre."""
    K = np.array(camera.matrix)
    corner = np.array(camera.image_size_px, float) - 1.0 - K[:2, 2]
    straight = project(np.array([[*(corner / K[[0, 1], [0, 1]]), 1.0]]), camera)[0] - K[:2, 2]
    return float(np.linalg.norm(straight - corner) / np.linalg.norm(corner))


def differences(found: Calibration, stated: Camera) -> dict[str, float]:
    """Return for focal length, image centre and distortion the chance that both are one lens.

    Chi-square tests of the differences against the uncertainties of both; ``stated`` carries its
    own (absent: as assumed). "all" tests them together.
    """
    names = [name for name in NAMES if name in found.names or _value(stated, name) != 0.0]
    mine, theirs = _parameters(found.whole), _parameters(stated)
    off = np.array([mine[NAMES.index(name)] - theirs[NAMES.index(name)] for name in names])
    sd = _stated_sd(stated)
    V = np.diag([sd[NAMES.index(name)] ** 2 for name in names])
    known = [k for k, name in enumerate(names) if name in found.names]
    order = [found.names.index(names[k]) for k in known]
    V[np.ix_(known, known)] += found.covariance[np.ix_(order, order)]
    groups = {
        "focal length": [k for k, n in enumerate(names) if n in ("focal", "aspect")],
        "image centre": [k for k, n in enumerate(names) if n in ("cx", "cy")],
        "distortion": [k for k, n in enumerate(names) if NAMES.index(n) >= OF_MATRIX],
        "all": list(range(len(names))),
    }
    return {name: _chance(off[part], V[np.ix_(part, part)]) for name, part in groups.items()}


def _chance(off: Array, V: Array) -> float:
    if not len(off):
        return 1.0
    scale = np.sqrt(np.diag(V)) + 1e-12
    size = (off / scale) @ np.linalg.lstsq(V / np.outer(scale, scale), off / scale, rcond=None)[0]
    return float(scipy.special.chdtrc(len(off), size))


def _stated_sd(camera: Camera) -> Array:
    """Return what each parameter may be off by, as the cell states it for the image's corner."""
    u = camera.known_u
    (fx, _, cx), (_, fy, cy), _ = camera.matrix
    width, height = camera.image_size_px
    x, y = max(cx, width - cx) / fx, max(cy, height - cy) / fy
    r = float(np.hypot(x, y))
    edge = u.edge_px / fx
    radial = {"k1": r**3, "k2": r**5, "p1": 3 * r**2, "p2": 3 * r**2, "k3": r**7}
    sd = {"focal": u.focal, "aspect": u.focal, "cx": u.center_px, "cy": u.center_px}
    sd |= {name: edge / size for name, size in radial.items()}
    return np.array([sd.get(name, 0.0) for name in NAMES])


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """Lens ``camera`` and ``shape`` (5,) of the board with every pose at its best for them."""

    views: Views
    camera: Camera
    shape: Array
    poses: Array
    rss: float
    known: Terms

    @classmethod
    def at(cls, views: Views, camera: Camera, stated: tuple[float, float]) -> _Fit:
        """Return the fit at a lens, the board taken as it is described."""
        found = poses_of_views(views, camera)
        if not all(found):
            raise StationbookError(
                "the lens cannot be found: some views give no pose of the board",
                "Set the stations aside whose image shows only a few points of the board.",
            )
        every = views.points[views.weight > 0]
        known = terms(camera, every, *(max(u, 1e-9) for u in stated)).only(SHAPES)
        start = np.array([poses[0][0] for poses in found])
        poses, view = refined(views, start, lens(camera))
        return cls(views, camera, np.zeros(len(SHAPES)), poses, float(view.rss.sum()), known)

    def shaped(self, shape: Array) -> Views:
        """Return the views of the board in this shape."""
        points = self.views.points
        return replace(self.views, points=points + self.known.moved(points, shape))

    def moved(self, values: dict[str, float], shape: Array | None = None) -> _Fit:
        """Return the fit with parameters moved by ``values`` and another ``shape``."""
        camera, shape = _with(self.camera, values), self.shape if shape is None else shape
        poses, view = refined(self.shaped(shape), self.poses, lens(camera))
        penalty = float(np.sum((shape / self.known.sd) ** 2)) * self.variance()
        return replace(
            self, camera=camera, shape=shape, poses=poses, rss=float(view.rss.sum()) + penalty
        )

    def variance(self) -> float:
        """Return the variance [px²] of a coordinate, as the residuals show it."""
        spare = 2.0 * float(self.views.counts.sum()) - 6.0 * len(self.poses) - len(NAMES)
        return max(self.rss / max(spare, 1.0), 1e-12)

    def normal(self, names: Sequence[str]) -> tuple[Array, Array]:
        """Return gradient and information of the parameters ``names`` and the shape."""
        views, data = self.shaped(self.shape), lens(self.camera)
        J, residual, Q = pixel_rows(views, self.poses, data, self.known)
        columns = []
        for name in names:
            size = STEP * (100.0 if name in ("cx", "cy") else 1.0)
            ahead, behind = (
                pixel_rows(views, self.poses, lens(_with(self.camera, {name: sign * size})))[1]
                for sign in (1.0, -1.0)
            )
            columns.append((behind - ahead) / (2.0 * size))
        D = np.concatenate([np.stack(columns, axis=2), Q], axis=2)
        taken = np.linalg.solve(np.swapaxes(J, 1, 2) @ J, np.swapaxes(J, 1, 2) @ D)
        free = D - J @ taken
        information = np.einsum("nik,nil->kl", free, free) / self.variance()
        gradient = np.einsum("nik,ni->k", free, residual) / self.variance()
        prior = np.concatenate([np.zeros(len(names)), self.known.sd**-2.0])
        gradient[len(names) :] -= prior[len(names) :] * self.shape
        return gradient, information + np.diag(prior)

    def settled(self, names: Sequence[str]) -> _Fit:
        """Return the fit where no step of ``names`` and the shape makes it better."""
        best = self.moved({})
        for _ in range(STEPS):
            gradient, information = best.normal(names)
            step = _solved(information, gradient)
            scale = 1.0
            for _ in range(HALVINGS):
                values = dict(zip(names, scale * step[: len(names)], strict=True))
                with suppress(StationbookError):  # too long a step leads to what is no lens
                    trial = best.moved(values, best.shape + scale * step[len(names) :])
                    if trial.rss <= best.rss:
                        break
                scale /= 4.0
            else:
                break
            best = trial
            if np.sqrt(max(float(step @ gradient), 0.0)) < SETTLED:
                break
        return best

    def without(self, group: Sequence[str], rest: Sequence[str]) -> _Fit:
        """Return the best fit of the parameters ``rest``, those of ``group`` being 0."""
        return self.moved({name: -_value(self.camera, name) for name in group}).settled(rest)

    def rms_px(self) -> float:
        """Return the RMS residual [px] per coordinate."""
        left = pixel_rows(self.shaped(self.shape), self.poses, lens(self.camera))[1]
        return float(np.sqrt(np.sum(left**2) / (2.0 * self.views.counts.sum())))


def _needed(found: _Fit, names: Sequence[str], group: Sequence[str]) -> bool:
    """Tell whether a group of parameters is significantly other than 0 (Wald test)."""
    information = found.normal(names)[1]
    covariance = _solved(information, np.eye(len(information)))
    at = [names.index(name) for name in group]
    value = np.array([_value(found.camera, name) for name in group])
    return _chance(value, covariance[np.ix_(at, at)]) < SIGNIFICANCE


def _stated_u(found: Calibration) -> LensU:
    """Return the uncertainties in the form of a cell; the edge's from all distortion terms."""
    fx_u, fy_u, cx_u, cy_u = found.u_px()
    (fx, _, _), (_, fy, _), _ = found.camera.matrix
    width, height = found.camera.image_size_px
    corners = np.array([[x, y] for x in (0.0, width - 1.0) for y in (0.0, height - 1.0)])
    bent = [k for k, name in enumerate(found.names) if NAMES.index(name) >= OF_MATRIX]
    edge = 0.0
    if bent:
        K = np.array(found.camera.matrix)
        rays = (corners - K[:2, 2]) / K[[0, 1], [0, 1]]
        rows = np.stack([_shift(rays, found.camera, found.names[k]) for k in bent], axis=-1)
        V = rows @ found.covariance[np.ix_(bent, bent)] @ np.swapaxes(rows, 1, 2)
        edge = float(np.sqrt(np.trace(V, axis1=1, axis2=2).max()))
    return LensU(max(fx_u / fx, fy_u / fy), max(cx_u, cy_u), edge)


def _shift(rays: Array, camera: Camera, name: str) -> Array:
    """Return by how much pixels (n, 2) of ``rays`` (n, 2) move with a parameter."""
    there = np.insert(rays, 2, 1.0, axis=1)
    ahead, behind = (project(there, _with(camera, {name: s * STEP})) for s in (1.0, -1.0))
    return np.asarray((ahead - behind) / (2.0 * STEP))


def _parameters(camera: Camera) -> Array:
    """Return all parameters of a lens in the order of `NAMES`."""
    (fx, _, cx), (_, fy, cy), _ = camera.matrix
    bent = [*camera.distortion, *[0.0] * 14][:14]
    return np.array([np.log(fx), np.log(fy / fx), cx, cy, *bent])


def _value(camera: Camera, name: str) -> float:
    return float(_parameters(camera)[NAMES.index(name)])


def _with(camera: Camera, moves: dict[str, float]) -> Camera:
    """Return the camera with parameters moved."""
    values = _parameters(camera)
    for name, move in moves.items():
        values[NAMES.index(name)] += move
    fx, ratio = np.exp(values[:2])
    cx, cy, *bent = (float(v) for v in values[2:])
    last = max((k + 1 for k, value in enumerate(bent) if value != 0.0), default=0)
    count = next(c for c in (0, 5, 8, 12, 14) if c >= last)
    matrix = ((float(fx), 0.0, cx), (0.0, float(fx * ratio), cy), (0.0, 0.0, 1.0))
    return replace(camera, matrix=matrix, distortion=tuple(bent[:count]))


def _by_opencv(views: Views, camera: Camera, count: int) -> Camera:
    """Return OpenCV's calibration with ``count`` coefficients, the centre held at the middle first.

    Points carry no weights there.
    """
    objects, pixels = (
        [np.asarray(part[w > 0], np.float32) for part, w in zip(parts, views.weight, strict=True)]
        for parts in (views.points * (1.0, 1.0, 0.0), views.pixels)
    )
    flags = 0
    for least, flag in (
        (8, cv2.CALIB_RATIONAL_MODEL),
        (12, cv2.CALIB_THIN_PRISM_MODEL),
        (14, cv2.CALIB_TILTED_MODEL),
    ):
        flags |= flag if count >= least else 0
    try:
        _, K, bent, _, _ = cv2.calibrateCamera(
            objects, pixels, camera.image_size_px, None, None, flags=flags
        )
    except cv2.error as error:
        raise StationbookError(
            f"the lens cannot be found from these points ({error.err})",
            "Record more stations, tilted in different directions.",
        ) from error
    fx, fy, cx, cy = (float(v) for v in np.asarray(K)[[0, 1, 0, 1], [0, 1, 2, 2]])
    matrix = ((fx, 0.0, cx), (0.0, fy, cy), (0.0, 0.0, 1.0))
    return replace(camera, matrix=matrix, distortion=tuple(map(float, np.ravel(bent)[:count])))


def _refuse_parallel(poses: Array) -> None:
    """Refuse boards that are all nearly parallel to each other."""
    normals = poses[:, :3, 2]
    mean = normals.mean(axis=0)
    cosine = normals @ mean / np.linalg.norm(mean)
    spread = float(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))).max())
    if spread < TILT_SPREAD_DEG:
        raise StationbookError(
            f"the boards are tilted against each other by only {spread:.0f}°",
            f"A lens needs boards tilted by at least {TILT_SPREAD_DEG:.0f}° in different "
            "directions.",
        )


def _solved(A: Array, b: Array) -> Array:
    """Solve A x = b after scaling the diagonal to one."""
    scale = 1.0 / np.sqrt(np.maximum(np.diag(A), 1e-300))
    scaled = (b.T * scale).T
    return np.asarray((np.linalg.solve(A * np.outer(scale, scale), scaled).T * scale).T)
