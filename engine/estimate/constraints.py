"""What ties the transforms besides the stations: a height, a touched point, the board's mount."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from ..frames import Array, apply, displacement
from .model import point_rows

HEIGHT_U_MM = 0.3  # mm; a height taken with a rule or a height gauge, common practice, no source


@dataclass(frozen=True, slots=True, eq=False)
class Constraint:
    """``axes`` · (transform · point) = ``value`` within ``u_mm``.

    ``on_camera``: whether the camera's or the board's transform carries ``point`` (3,) [mm].
    ``axes`` (k, 3) the measured directions, ``value`` (k,) [mm]. ``name`` for the message.
    """

    name: str
    on_camera: bool
    point: Array
    axes: Array
    value: Array
    u_mm: float

    def whitened(self, camera: Array, board: Array) -> tuple[Array, Array]:
        """Return residual (k,) and rows (k, 12) in standard deviations, at these transforms."""
        carrier = camera if self.on_camera else board
        residual = self.value - self.axes @ apply(carrier, self.point[None])[0]
        rows = np.zeros((len(self.value), 12))
        columns = slice(0, 6) if self.on_camera else slice(6, 12)
        rows[:, columns] = self.axes @ point_rows(carrier, self.point[None])[0]
        return residual / self.u_mm, rows / self.u_mm


@dataclass(frozen=True, slots=True, eq=False)
class BoardPrior:
    """The board's transform is known: ``board`` (4, 4) within ``covariance`` (6, 6), see `frames`.

    ``name`` for the message.
    """

    name: str
    board: Array
    covariance: Array

    def whitened(self, camera: Array, board: Array) -> tuple[Array, Array]:
        """Return residual (6,) and rows (6, 12) in standard deviations, at these transforms."""
        whiten = np.linalg.inv(np.linalg.cholesky(self.covariance))
        rows = np.concatenate([np.zeros((6, 6)), whiten], axis=1)
        return whiten @ displacement(self.board, board), rows


Tie = Constraint | BoardPrior


def constraint_rows(
    constraints: tuple[Tie, ...], camera: Array, board: Array
) -> Iterator[tuple[Array, Array]]:
    """Yield the whitened residual (k,) and rows (k, 12) of each constraint."""
    for tie in constraints:
        yield tie.whitened(camera, board)
