"""What a few stations tell: where camera and board may be, and how the angles may be read.

Whatever rides on the flange (the board; eye-in-hand: the camera) is called carried, what stands in
the cell is called fixed: fixed = base_T_flange · carried · seen, with seen the board's view of the
camera (eye-in-hand: the camera's view of the board). One station gives the fixed one for any
carried one; further stations leave less freedom. The arrangements are spread over what is left:
each starts from a random carried transform and takes the least correction that explains the
stations (Gauss-Newton, loss: squared misfit of fixed between stations in units of `FIT`, plus
squared correction in units of `FREE`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..arrays import Array
from ..cell.mount import EYE_TO_HAND, Mount
from ..estimate.problem import related
from ..estimate.start import transforms_from
from ..frames import apply, displaced, displacement, inverse, rotation_of, skew, transform
from ..pendant.conventions import (
    FULL_ROTATIONS,
    POSITION_FIELDS,
    field_count,
    flange_of,
    from_matrix,
    shown_of,
    to_matrix,
)
from ..pendant.settings import Pendant

OFFSET_MM = 250.0  # mm; board or camera sit no farther from the flange's middle, common practice
FIT = np.array([np.radians(0.5)] * 3 + [3.0] * 3)  # [rad, mm] board seen by a single image
FREE = np.array([3.0] * 3 + [150.0] * 3)  # [rad, mm] spread of what nothing is known about
ROUGH = np.array([np.radians(3.0)] * 3 + [20.0] * 3)  # [rad, mm] a tape measure (CP, no source)
STEPS = 12  # Gauss-Newton steps; 5 to 8 suffice
MISFIT = 3.0  # [-] RMS misfit in units of FIT up to which an arrangement explains the stations
# Arrangements drawn: of 128, none stands as near to a box as the true one in 7 of 32 first stops
# 5 mm from it, and jogs lead into the box.
COUNT = 1024
LEAST = COUNT // 10  # arrangements that must be left, or the stations contradict each other
SEED = 8  # any number: the same stations always give the same plan


@dataclass(frozen=True, slots=True, eq=False)
class Arrangements:
    """Possible places: ``carried`` and ``fixed`` (k, 4, 4). ``agree`` False: stations left out."""

    mount: Mount
    carried: Array
    fixed: Array
    agree: bool

    def take(self, count: int) -> Arrangements:
        """Return the first ``count`` arrangements."""
        return replace(self, carried=self.carried[:count], fixed=self.fixed[:count])

    def views(self, base_T_flange: Array) -> Array:
        """Return camera_T_board (m, k, 4, 4) at flange poses (m, 4, 4) for every arrangement."""
        held = base_T_flange[:, None] @ self.carried[None]
        seen = inverse(held) @ self.fixed[None]
        return inverse(seen) if self.mount == EYE_TO_HAND else np.asarray(seen)

    def camera_and_board(self, index: int) -> tuple[Array, Array]:
        """Return the camera's and the board's transform (4, 4) of one arrangement."""
        pair = self.fixed[index], self.carried[index]
        return pair if self.mount == EYE_TO_HAND else (pair[1], pair[0])


def arrangements(
    mount: Mount,
    typed: Array,
    views: Array,
    rough_carried: Array | None = None,
) -> Arrangements:
    """Return arrangements that explain flange poses (n, 4, 4) with camera_T_board (n, 4, 4).

    ``rough_carried`` (4, 4): a rough idea of the carried transform. Where hardly an arrangement
    explains all stations, only the last one counts and ``agree`` is False.
    """
    seen = inverse(views) if mount == EYE_TO_HAND else views
    start, free = _drawn(rough_carried)
    carried = start
    for _ in range(STEPS if len(typed) > 1 else 0):
        carried = _improved(start, carried, typed, seen, free)
    fine = _misfit(carried, typed, seen) < MISFIT
    fine &= np.linalg.norm(carried[:, :3, 3], axis=1) < 1.5 * OFFSET_MM
    agree = bool(fine.sum() >= LEAST)
    carried = carried[fine] if agree else start
    return Arrangements(mount, carried, typed[-1] @ carried @ seen[-1], agree)


def _drawn(rough: Array | None) -> tuple[Array, Array]:
    """Return carried transforms (COUNT, 4, 4) and how freely each may be corrected (6,)."""
    rng = np.random.default_rng(SEED)
    if rough is not None:
        off = rng.normal(size=(COUNT, 6)) * ROUGH
        off[0] = 0.0
        return displaced(np.broadcast_to(rough, (COUNT, 4, 4)), off), ROUGH
    R = rotation_of(rng.normal(size=(COUNT, 4)))
    way = rng.normal(size=(COUNT, 3))
    way *= OFFSET_MM * rng.random((COUNT, 1)) ** (1 / 3) / np.linalg.norm(way, axis=1)[:, None]
    return transform(R, way), FREE


def _residual(carried: Array, typed: Array, seen: Array) -> Array:
    """Return how far fixed differs between each station and the last (k, n − 1, 6), in FIT."""
    fixed = typed[None] @ carried[:, None] @ seen[None]
    return np.asarray(displacement(fixed[:, :-1], fixed[:, -1:]) / FIT)


def _misfit(carried: Array, typed: Array, seen: Array) -> Array:
    if len(typed) < 2:
        return np.zeros(len(carried))
    return np.asarray(np.sqrt((_residual(carried, typed, seen) ** 2).mean(axis=(1, 2))))


def _improved(start: Array, carried: Array, typed: Array, seen: Array, free: Array) -> Array:
    """Return the carried transforms after one Gauss-Newton step."""
    r = _residual(carried, typed, seen)
    J = _rows(carried, typed, seen) / FIT[:, None]
    k = len(carried)
    A, b = J.reshape(k, -1, 6), r.reshape(k, -1)
    away = displacement(carried, start)
    normal = np.swapaxes(A, 1, 2) @ A + np.diag(1.0 / free**2)
    slope = np.einsum("kij,ki->kj", A, b) + away / free**2
    step = -np.linalg.solve(normal, slope[..., None])[..., 0]
    turn = np.linalg.norm(step[:, :3], axis=1, keepdims=True)
    return displaced(carried, step / np.maximum(turn / 0.5, 1.0))  # at most half a radian at once


def _rows(carried: Array, typed: Array, seen: Array) -> Array:
    """Return the derivative (k, n − 1, 6, 6) of the misfit by displacements of carried."""
    arm = np.einsum("kij,nj->kni", carried[:, :3, :3], seen[:, :3, 3])
    R = typed[None, :, :3, :3]
    J = np.zeros((*arm.shape[:2], 6, 6))
    J[..., :3, :3] = J[..., 3:, 3:] = R
    J[..., 3:, :3] = -R @ skew(arm)
    return J[:, :-1] - J[:, -1:]


FIT_RAD, FIT_MM = np.radians(0.05), 0.5  # [rad], [mm] misfit of good stations in a closed form
APART = 3.0  # [-] times that another reading must fit worse to be ruled out


def rivals(
    mount: Mount, pendant: Pendant, typed: Array, views: Array, centre: Array
) -> list[Array]:
    """Return the poses (n, 4, 4) under every other convention that may fit too, likeliest first.

    ``typed`` and ``views`` (n, 4, 4) are the stations' base_T_flange and camera_T_board, ``centre``
    (3,) is the board's middle [mm]. A closed form rules most conventions out; where turns are
    small it cannot, and what is left deserves a fit. Joints and a single angle have no rivals.
    """
    if pendant.rotation not in FULL_ROTATIONS:
        return []
    poses = readings(pendant, typed)
    size = misfits(mount, poses, views, centre)
    near = size[1:] < APART * max(size[0], 1.0)
    order = np.argsort(size[1:], kind="stable")
    return [poses[1 + k] for k in order if near[k]]


def readings(pendant: Pendant, typed: Array) -> Array:
    """Return ``typed`` (n, 4, 4) as declared, then under every other convention, (h, n, 4, 4)."""
    shown = shown_of(typed, pendant)
    values = np.array([from_matrix(R, pendant) for R in shown[:, :3, :3]])
    names = [pendant.rotation, *(name for name in FULL_ROTATIONS if name != pendant.rotation)]
    others = [
        replace(pendant, rotation=name)
        for name in names
        if field_count(name) - POSITION_FIELDS == values.shape[1]
    ]
    place = shown[:, :3, 3]
    return np.array([flange_of(transform(to_matrix(values, o), place), o) for o in others])


def misfits(mount: Mount, poses: Array, views: Array, centre: Array) -> Array:
    """Return the RMS misfit (h,) [-] of closed forms for each set of ``poses`` (h, n, 4, 4)."""
    G = related(mount, poses)
    cameras, boards = transforms_from(G, np.broadcast_to(views, G.shape))
    # camera · view = G · board, at the board's centre
    left, right = cameras[:, None] @ views[None], np.tile(G, (3, 1, 1, 1)) @ boards[:, None]
    turn = ((left[..., :3, :3] - right[..., :3, :3]) ** 2).sum(axis=(2, 3)) / 2
    gap = apply(left, centre[None])[..., 0, :] - apply(right, centre[None])[..., 0, :]
    total = turn / FIT_RAD**2 + (gap**2).sum(axis=2) / FIT_MM**2
    size = np.sqrt(total.mean(axis=1))
    return np.asarray(size.reshape(3, len(poses)).min(axis=0))
