"""Pictures in letters: an image, the coverage of the view, the stations from two sides."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from engine.steps.pictures import Thumbnail

from .looks import Line, Looks, line_text
from .sheet import Panel

RAMP = " .:-=+*#%@"  # dark to light, in signs that every terminal has
HALF = "▀"
POINT = "#ffd75f"
STEPS = "·░▒▓█"  # seen by no station, by one, two, three, more
OUTLINE = "#"  # where the board is wanted next
CELL = 2.0  # [-] a cell of a terminal is about twice as high as wide
Place = tuple[int, float, float, float]


def image_lines(picture: Thumbnail, looks: Looks) -> list[Line]:
    """Return an image: two pixels a cell where there are colours for it, else one sign a cell."""
    grey = picture.grey
    marked = {(int(column), int(row)) for column, row in picture.points}
    if looks.terminal.colours in ("16", "none") or looks.terminal.signs == "ascii":
        return [_signs(grey, row, marked) for row in range(0, grey.shape[0] - 1, 2)]
    return [_halves(grey, row, marked) for row in range(0, grey.shape[0] - 1, 2)]


def _halves(grey: NDArray[np.uint8], row: int, marked: set[tuple[int, int]]) -> Line:
    """Return two rows of pixels as one line: the upper as the sign, the lower behind it."""
    line: Line = []
    for column in range(grey.shape[1]):
        upper = _colour(grey, column, row, marked)
        lower = _colour(grey, column, row + 1, marked)
        role = f"{upper} on {lower}"
        if line and line[-1][1] == role:
            line[-1] = (line[-1][0] + HALF, role)
        else:
            line.append((HALF, role))
    return line


def _colour(grey: NDArray[np.uint8], column: int, row: int, marked: set[tuple[int, int]]) -> str:
    if (column, row) in marked:
        return POINT
    level = int(grey[row, column]) // 11 * 11  # 24 greys: as many as 256 colours hold
    return f"#{level:02x}{level:02x}{level:02x}"


def _signs(grey: NDArray[np.uint8], row: int, marked: set[tuple[int, int]]) -> Line:
    """Return two rows of pixels as one line of signs, points as o."""
    line = ""
    for column in range(grey.shape[1]):
        if (column, row) in marked or (column, row + 1) in marked:
            line += "o"
            continue
        mean = (int(grey[row, column]) + int(grey[row + 1, column])) // 2
        line += RAMP[mean * len(RAMP) // 256]
    return [(line, "text")]


def coverage_lines(
    counts: NDArray[np.int64], wanted: NDArray[np.int64] | None = None
) -> list[Line]:
    """Return the view as a map: how many stations have shown the board in each part.

    ``wanted``: 1 where the board's outline is to lie at the next station.
    """
    lines: list[Line] = []
    for number, row in enumerate(counts):
        line: Line = []
        for column, count in enumerate(row):
            outline = wanted is not None and wanted.shape == counts.shape and wanted[number, column]
            sign = OUTLINE if outline else STEPS[min(int(count), len(STEPS) - 1)]
            role = "warning" if outline else "note"
            if line and line[-1][1] == role:
                line[-1] = line[-1][0] + sign, role
            else:
                line.append((sign, role))
        lines.append(line)
    return lines


COVERAGE_SHORT = "Board seen: · never ░ ▒ ▓ █ 4 or more; # wanted next"
COVERAGE_LEGEND = "Where the board was seen: · never ░ once ▒ 2 ▓ 3 █ 4 or more times"


def view_lines(
    places: Sequence[Place], axes: tuple[int, int], names: str, width: int, height: int
) -> list[Line]:
    """Return the stations seen along one axis: their numbers where they stand.

    ``axes`` are the indices (0 x, 1 y, 2 z) shown to the right and upwards, at one scale.
    """
    if not places:
        return [[(f"{names}: no station yet", "dim")]]
    if height < 3 or width < 8:
        return [[(f"{names}: F3 shows them"[:width], "dim")]]
    right = [place[1 + axes[0]] for place in places]
    up = [place[1 + axes[1]] for place in places]
    rows = height - 1
    wide, high = max(right) - min(right), max(up) - min(up)
    scale = max(wide / max(width - 3, 1), high / max(rows - 1, 1) / CELL, 1.0)  # mm a column
    grid = [[" "] * width for _ in range(rows)]
    for place, x, y in zip(places, right, up, strict=True):
        column = round((x - min(right)) / scale)
        row = rows - 1 - round((y - min(up)) / scale / CELL)
        for k, digit in enumerate(str(place[0])):
            if column + k < width and 0 <= row < rows:
                grid[row][column + k] = digit
    title = f"{names}: {min(right):.0f} to {max(right):.0f}, {min(up):.0f} to {max(up):.0f} mm"
    title = title if len(title) <= width else names
    return [[(title, "dim")], *([("".join(row), "text")] for row in grid)]


Coverage = tuple[NDArray[np.int64], NDArray[np.int64]]  # how often seen; 1 where wanted next


class CoveragePanel(Panel[Coverage | None]):
    """Where the board was seen in the view, on screens with room for it."""

    DEFAULT_CSS = "CoveragePanel { height: 10; margin-top: 1; }"
    data = None

    def draw(self, width: int, height: int) -> Sequence[Line]:
        """Return legend and map."""
        if self.data is None:
            return []
        return [[(COVERAGE_SHORT, "dim")], *coverage_lines(*self.data)]


class SidesPanel(Panel[Sequence[Place]]):
    """The stations from above and from the side, on screens with room for it."""

    DEFAULT_CSS = "SidesPanel { height: 1fr; margin-top: 1; }"
    data: Sequence[Place] = ()

    def draw(self, width: int, height: int) -> Sequence[Line]:
        """Return both views side by side."""
        half = (width - 2) // 2
        above = view_lines(self.data, (0, 1), "above, X Y", half, height)
        side = view_lines(self.data, (0, 2), "side, X Z", half, height)
        return [
            [*left, (" " * (half + 2 - len(line_text(left))), "text"), *right]
            for left, right in zip(above, side, strict=False)
        ]
