"""Measured numbers that tie the transforms where the stations cannot: a height, a touched point."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from ..frames import Array, apply
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


def constraint_rows(
    constraints: tuple[Constraint, ...], camera: Array, board: Array
) -> Iterator[tuple[Array, Array]]:
    """Yield the whitened residual (k,) and rows (k, 12) of each constraint."""
    for tie in constraints:
        carrier = camera if tie.on_camera else board
        residual = tie.value - tie.axes @ apply(carrier, tie.point[None])[0]
        rows = np.zeros((len(tie.value), 12))
        columns = slice(0, 6) if tie.on_camera else slice(6, 12)
        rows[:, columns] = tie.axes @ point_rows(carrier, tie.point[None])[0]
        yield residual / tie.u_mm, rows / tie.u_mm
