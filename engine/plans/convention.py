"""Whether the stations confirm how angles are read: no other convention fits as well."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..arrays import Array
from ..cell.cell import Mount
from ..estimate.model import related
from ..estimate.start import transforms_from
from ..frames import apply, transform
from ..pendant.conventions import (
    POSITION_FIELDS,
    ROTATIONS,
    YAW,
    field_count,
    from_matrix,
    to_matrix,
)
from ..pendant.settings import JOINTS, Pendant

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
    if pendant.rotation in (JOINTS, YAW):
        return []
    poses = readings(pendant, typed)
    size = misfits(mount, poses, views, centre)
    near = size[1:] < APART * max(size[0], 1.0)
    order = np.argsort(size[1:], kind="stable")
    return [poses[1 + k] for k in order if near[k]]


def readings(pendant: Pendant, typed: Array) -> Array:
    """Return ``typed`` (n, 4, 4) as declared, then under every other convention, (h, n, 4, 4)."""
    values = np.array([from_matrix(R, pendant) for R in typed[:, :3, :3]])
    names = [pendant.rotation, *(name for name in ROTATIONS if name != pendant.rotation)]
    read = [
        to_matrix(values, replace(pendant, rotation=name))
        for name in names
        if name not in (JOINTS, YAW) and field_count(name) - POSITION_FIELDS == values.shape[1]
    ]
    return transform(np.array(read), typed[:, :3, 3])


def misfits(mount: Mount, poses: Array, views: Array, centre: Array) -> Array:
    """Return the RMS misfit (h,) [-] of closed forms for each set of ``poses`` (h, n, 4, 4)."""
    G = related(mount, poses)
    cameras, boards = transforms_from(G, np.broadcast_to(views, G.shape))
    size = _misfit(cameras, boards, np.tile(G, (3, 1, 1, 1)), views, centre)
    return np.asarray(size.reshape(3, len(poses)).min(axis=0))


def _misfit(cameras: Array, boards: Array, G: Array, views: Array, centre: Array) -> Array:
    """Return the RMS misfit (h,) of camera · view = G · board at the board's centre."""
    left, right = cameras[:, None] @ views[None], G @ boards[:, None]
    turn = ((left[..., :3, :3] - right[..., :3, :3]) ** 2).sum(axis=(2, 3)) / 2
    gap = apply(left, centre[None])[..., 0, :] - apply(right, centre[None])[..., 0, :]
    total = turn / FIT_RAD**2 + (gap**2).sum(axis=2) / FIT_MM**2
    return np.asarray(np.sqrt(total.mean(axis=1)))
