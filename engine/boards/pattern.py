"""The calibration board: its points, and the turns after which it looks the same."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:  # numpy waits until points are asked for: lists of sessions open without it
    import numpy as np
    from numpy.typing import NDArray

Pattern = Literal["chessboard", "circles", "circles-staggered", "charuco"]


@dataclass(frozen=True, slots=True)
class MountRepeatability:
    """How well the board comes back to its mount (standard deviation, every axis)."""

    position_mm: float
    angle_deg: float


@dataclass(frozen=True, slots=True)
class Board:
    """A flat board of ``columns`` × ``rows`` points.

    ``columns`` and ``rows`` count inner corners (chessboard, charuco) or circles. ``height_mm`` is
    the measured z of point 0 in the flange frame (eye-in-hand: in the base), or None.
    ``points_file`` names a CSV id,x_mm,y_mm,z_mm beside the cell or session; ``measured`` holds its
    content once read: (n, 4) rows id x y z, as a tuple so that boards compare.
    """

    pattern: Pattern
    columns: int
    rows: int
    pitch_mm: float
    diameter_mm: float | None = None
    dictionary: str | None = None
    marker_mm: float | None = None
    legacy_layout: bool = False
    mount_repeatability: MountRepeatability | None = None
    height_mm: float | None = None
    points_file: str | None = None
    measured: tuple[tuple[float, float, float, float], ...] | None = None

    @property
    def count(self) -> int:
        """Number of points."""
        return self.columns * self.rows

    @property
    def spacing_mm(self) -> float:
        """Distance between nearest neighbours: the pitch, less where rows are staggered."""
        return self.pitch_mm / 2**0.5 if self.pattern == "circles-staggered" else self.pitch_mm

    def points(self) -> NDArray[np.float64]:
        """Return the points (count, 3) [mm] in the board frame; row k is the point with id k."""
        import numpy as np

        row, column = np.divmod(np.arange(self.count), self.columns)
        if self.pattern == "circles-staggered":
            x, y = (2 * column + row % 2) * self.pitch_mm / 2, row * self.pitch_mm / 2
        else:
            x, y = column * self.pitch_mm, row * self.pitch_mm
        ideal = np.column_stack([x, y, np.zeros(self.count)]).astype(float)
        for index, *xyz in self.measured or ():
            ideal[int(index)] = xyz
        return ideal
