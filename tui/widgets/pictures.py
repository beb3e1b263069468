"""Pictures in letters: an image, the coverage of the view, the cell from two sides."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from engine.arrays import Array
from engine.steps.pictures import Grid, Scene, Thumbnail

from ..desk.views import View
from ..words import Part, joined
from .graphics import GraphicSheet
from .looks import Line, Looks, line_text
from .sheet import Panel

RAMP = " .:-=+*#%@"  # dark to light, in signs that every terminal has
HALF = "▀"
COLOURS = {"o": "#ffd75f", "X": "#87ff87", "0": "#87ff87"}  # of the marks
STEPS = "·░▒▓█"  # seen by no station, by one, two, three, more
OUTLINE = "X0"  # where the board is wanted next, and its point 0 there
CELL = 2.0  # [-] a cell of a terminal is about twice as high as wide


Marks = dict[tuple[int, int], str]  # by column and row of a pixel: o found, X wanted, 0 its point 0


def image_lines(picture: Thumbnail, looks: Looks, *, lean: bool = False) -> list[Line]:
    """Return an image: two pixels a cell where there are colours for it, else one sign a cell.

    ``lean``: one sign a cell all the same, a tenth of the bytes.
    """
    grey = picture.grey
    marks: Marks = {(int(column), int(row)): "o" for column, row in picture.points}
    for row, column in np.argwhere(picture.wanted > 0).tolist():
        marks[column, row] = OUTLINE[int(picture.wanted[row, column]) - 1]
    plain = looks.terminal.colours in ("16", "none") or looks.terminal.signs == "ascii"
    signs = lean or plain
    line = _signs if signs else _halves
    return [line(grey, row, marks) for row in range(0, grey.shape[0] - 1, 2)]


def _halves(grey: NDArray[np.uint8], row: int, marks: Marks) -> Line:
    """Return two rows of pixels as one line: the upper as the sign, the lower behind it."""
    cells: Line = []
    for column in range(grey.shape[1]):
        upper = _colour(grey, column, row, marks)
        lower = _colour(grey, column, row + 1, marks)
        start = "0" in (marks.get((column, row)), marks.get((column, row + 1)))
        role = "bold #000000 on " + COLOURS["0"] if start else f"{upper} on {lower}"
        cells.append(("0" if start else HALF, role))
    return joined(cells)


def _colour(grey: NDArray[np.uint8], column: int, row: int, marks: Marks) -> str:
    if mark := marks.get((column, row)):
        return COLOURS[mark]
    level = int(grey[row, column]) // 11 * 11  # 24 greys: as many as 256 colours hold
    return f"#{level:02x}{level:02x}{level:02x}"


def _signs(grey: NDArray[np.uint8], row: int, marks: Marks) -> Line:
    cells: Line = []
    for column in range(grey.shape[1]):
        found = [marks.get((column, row)), marks.get((column, row + 1))]
        mean = (int(grey[row, column]) + int(grey[row + 1, column])) // 2
        sign = next((mark for mark in (*OUTLINE[::-1], "o") if mark in found), "")
        role = "warning" if sign in tuple(OUTLINE) else "text"
        cells.append((sign or RAMP[mean * len(RAMP) // 256], role))
    return joined(cells)


def coverage_lines(counts: Grid, wanted: Grid | None = None) -> list[Line]:
    """Return the view as a map: how many stations have shown the board in each part.

    ``wanted`` (rows, columns): where the board's outline is to lie at the next station.
    """
    outline = np.zeros_like(counts) if wanted is None or wanted.shape != counts.shape else wanted
    return [
        joined(
            (OUTLINE[at - 1], "warning") if at else (STEPS[min(count, len(STEPS) - 1)], "note")
            for count, at in zip(*rows, strict=True)
        )
        for rows in zip(counts.tolist(), outline.tolist(), strict=True)
    ]


COVERAGE_LEGEND = "Where the board was seen: · never ░ once ▒ 2 ▓ 3 █ 4 or more times"
WANTED_LEGEND = "X the board next, 0 its point 0"
WANTED_SHORT = "X next, 0 its point 0"
RING = "Ring: its point 0 next"
COVERAGE_SHORT = f"Seen · never to █ 4 times; {WANTED_LEGEND}"


def legend_lines(legend: str, looks: Looks, width: int) -> list[Line]:
    """Return what the signs of a picture mean, in as many lines as that takes."""
    return [[(text, "dim")] for text in looks.wrap(legend, width)]


SCENE_LEGEND = "A foot  C camera  = board  * told way  ▓ keep out  ░ pick area"
AXES = "XYZ"
NEAR_MM = 200.0  # mm; of a box that ends farther from all else, this much is shown
LOWEST, NARROWEST = 3, 12  # cells; a smaller view of the cell shows nothing


class _Raster:
    """A grid of signs over the cell seen along one axis, at one scale."""

    def __init__(self, low: Array, high: Array, axes: list[int], width: int, rows: int) -> None:
        """``low`` and ``high`` (2,) [mm] are what it shows at least, to the right and upwards."""
        self.low, self.axes, self.width, self.rows = low, axes, width, rows
        wide, tall = high - low
        self.scale = max(wide / (width - 1), tall / (rows - 1) / CELL, 1.0)  # mm a column
        self.grid: list[list[Part]] = [[(" ", "text")] * width for _ in range(rows)]

    def cell(self, place: Array) -> tuple[int, int]:
        """Return column and row of a place (3,) [mm]; both may lie outside."""
        right, up = (place[self.axes] - self.low) / self.scale
        return round(float(right)), self.rows - 1 - round(float(up) / CELL)

    def mark(self, place: Array, text: str, role: str) -> None:
        column, row = self.cell(place)
        for n, sign in enumerate(text):
            if 0 <= row < self.rows and 0 <= column + n < self.width:
                self.grid[row][column + n] = sign, role

    def fill(self, corners: Array, sign: str, role: str) -> None:
        """Fill the rectangle around corners (n, 3) with a sign."""
        left, bottom = self.cell(corners.min(axis=0))
        right, top = self.cell(corners.max(axis=0))
        for row in self.grid[max(top, 0) : max(bottom + 1, 0)]:
            inside = range(self.width)[max(left, 0) : max(right + 1, 0)]
            for column in inside:
                row[column] = sign, role

    def line(self, places: Array | None, sign: str, role: str) -> None:
        """Draw a line of signs through places (n, 3)."""
        for start, end in pairwise([] if places is None else places):
            count = int(np.ceil(float(np.abs(end - start).max()) / self.scale)) + 1
            for place in np.linspace(start, end, count):
                self.mark(place, sign, role)


def scene_lines(
    scene: Scene, axes: tuple[int, int], name: str, width: int, height: int
) -> list[Line]:
    """Return the cell seen along one axis, what moves on top of what stands.

    ``axes`` are the indices (0 x, 1 y, 2 z) shown to the right and upwards.
    """
    if height <= LOWEST or width < NARROWEST:
        return [[(f"{name}: F3 shows it"[: max(width, 0)], "dim")]]
    low, high = _extent(scene, at := list(axes))
    raster = _Raster(low, high, at, width, height - 1)
    if scene.volume is not None:
        raster.fill(scene.volume, "░", "dim")
    for box in scene.keep_out:
        raster.fill(box, "▓", "warning")
    board = None if scene.board is None else np.concatenate([scene.board, scene.board[:1]])
    raster.line(board, "=", "good")
    raster.line(scene.way, "*", "note")
    raster.mark(np.zeros(3), "A", "title")
    if scene.camera is not None:
        raster.mark(scene.camera, "C", "title")
    for number, place in scene.stations:
        raster.mark(place, str(number), "text")
    if scene.goal is not None:
        number = 1 + max((number for number, _ in scene.stations), default=0)
        raster.mark(scene.goal, str(number), "chosen")
    names = [AXES[axis] for axis in axes]
    spans = (f"{n} {a:.0f} to {b:.0f}" for n, a, b in zip(names, low, high, strict=True))
    whole = f"{name}: {', '.join(spans)} mm"
    title = whole if len(whole) <= width else f"{name}, {' '.join(names)}"
    return [[(title[:width], "dim")], *map(joined, raster.grid)]


def _extent(scene: Scene, axes: list[int]) -> tuple[Array, Array]:
    """Return the least and the greatest coordinates (2,) [mm] of what is worth being shown."""
    parts = [np.zeros((1, 3)), *(place[None] for _, place in scene.stations)]
    parts += [part for part in (scene.volume, scene.way, scene.board) if part is not None]
    parts += [part[None] for part in (scene.camera, scene.goal) if part is not None]
    points = np.concatenate(parts)[:, axes]
    low, high = points.min(axis=0), points.max(axis=0)
    boxes = [np.clip(b[:, axes], low - NEAR_MM, high + NEAR_MM) for b in scene.keep_out]
    shown = np.concatenate([points, *boxes])
    return shown.min(axis=0), shown.max(axis=0)


class ViewPanel(Panel[View | None], GraphicSheet):
    """Where the board is wanted next, over the newest image, or over where it was seen."""

    data = None

    def draw(self, width: int, height: int) -> Sequence[Line]:
        if self.data is None:
            return []
        if self.graphic is not None:
            return [[(_fitting(width, "Ring: point 0 of the board wanted next", RING), "dim")]]
        if self.data.picture is not None:
            wanted = self.data.picture.wanted.any()
            legend = _fitting(width, WANTED_LEGEND, WANTED_SHORT) if wanted else "newest image"
            return [[(legend, "dim")], *image_lines(self.data.picture, self.looks)]
        legend = _fitting(width, COVERAGE_SHORT, WANTED_LEGEND, WANTED_SHORT)
        return [[(legend, "dim")], *coverage_lines(self.data.counts, self.data.wanted)]


def _fitting(width: int, *texts: str) -> str:
    """Return the first text that fits into ``width`` cells, else the last one, cut."""
    return next((text for text in texts if len(text) <= width), texts[-1][:width])


class ScenePanel(Panel[Scene]):
    """The cell from above and from the side."""

    data = Scene()

    def draw(self, width: int, height: int) -> Sequence[Line]:
        half, legend = (width - 2) // 2, legend_lines(SCENE_LEGEND, self.looks, width)
        above = scene_lines(self.data, (0, 1), "above", half, height - len(legend))
        side = scene_lines(self.data, (0, 2), "side", half, height - len(legend))
        beside: list[Line] = [
            [*left, (" " * (half + 2 - len(line_text(left))), "text"), *right]
            for left, right in zip(above, side, strict=False)
        ]
        return [*beside, *legend]
