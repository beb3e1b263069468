"""Board sheets at true scale: PDF and SVG with a check ruler, and a page for the measured pitch."""

from __future__ import annotations

import io
import textwrap
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np

from ..boards.pattern import Board
from ..errors import UsageError
from ..sessions.store import write_output
from .board_layout import (
    MARGIN_MM,
    OVERLAP_MM,
    POINT_NAMES,
    RULER_MM,
    STRIP_MM,
    Artwork,
    Sheet,
    artwork,
    sheets,
)
from .plotting import Figure, Outline, PathPatch, Rectangle, mpl

CHARACTER_MM = 1.75  # mean width of the page's 8.5 pt letters, with reserve
BLANK = "_" * 14

_MOUNTING = (
    "Print at 100 %, then measure the check bar on every sheet: 100 mm ± 0.2 mm. A printer may "
    "stretch along the paper only: measure both ways on the pattern below.",
    "Glue the whole sheet, free of bubbles, on a stiff flat plate (glass or aluminium composite, "
    "5 mm or thicker). Flat within 0.1 mm over the board is common practice (no source).",
    "Matt paper and matt film: a mirrored lamp hides points. Keep the white border.",
    "Fix the board with screws and pins, never with tape or a magnet alone: it must not shift by "
    "a hair while stations are recorded, nor when the arm turns it over.",
    "Mark point 0 and the pitch on the plate; write the date on it.",
    "Mount it with the robot stopped and secured against restart. The robot maker's and the local "
    "rules come first.",
)
_TILES = (
    "Over several sheets: cut the left and the upper edge of a sheet at the full marks, lay it "
    "over its neighbour up to the broken marks until the pattern runs on, glue, then measure "
    "across every seam."
)

_LETTERS = (
    "Cut off or cover ruler and caption after measuring: in an image, letters can pass for small "
    "circles."
)


def record_lines(board: Board, title: str, *, width_mm: float) -> list[tuple[str, bool]]:
    """Return the page's lines as (text, is a heading), wrapped to ``width_mm``."""
    wrap = max(40, int(width_mm / CHARACTER_MM))
    lines: list[tuple[str, bool]] = [("Record of a calibration board", True)]
    lines += _wrapped(_data(board, title), wrap)
    lines += [("", False), ("Mounting and flatness", True)]
    for hint in (*_MOUNTING, _TILES):
        lines += _wrapped("• " + hint, wrap, "  ")
    if board.has_circles:
        lines += _wrapped("• " + _LETTERS, wrap, "  ")
    lines += [("", False), ("Measured pitch", True)]
    lines += _wrapped(_how_to_measure(board), wrap)
    for name, gaps, nominal in _distances(board):
        lines += [("", False)]
        lines += _wrapped(
            f"{name}: nominal {nominal:.3f} mm,  measured {BLANK} mm,  ÷ {gaps:g} = {BLANK} mm",
            wrap,
        )
    lines += [("", False), (f"Mean pitch, to be entered as board.pitch_mm: {BLANK} mm", False)]
    lines += [("", False), (f"Measured with: {BLANK}{BLANK}  at {BLANK} °C", False)]
    lines += [("", False), (f"Date: {BLANK}  Name: {BLANK}{BLANK}", False)]
    return lines


def _data(board: Board, title: str) -> str:
    text = f"{title}: " if title else ""
    text += f"{board.pattern}, {board.columns} × {board.rows} {POINT_NAMES[board.pattern]}, "
    text += f"pitch {board.pitch_mm:g} mm (from one point to the next along a row)"
    if board.diameter_mm and board.has_circles:
        text += f", {'light ' if board.light else ''}circles of {board.diameter_mm:g} mm diameter"
    if board.larger:
        numbers = ", ".join(map(str, board.larger.ids))
        text += f", those of ids {numbers} of {board.larger.diameter_mm:g} mm"
    if board.missing:
        text += f", none at ids {', '.join(map(str, board.missing))}"
    if board.pattern == "charuco":
        text += f", markers of {board.marker_mm:g} mm from {board.dictionary}"
        text += ", legacy layout" if board.legacy_layout else ""
    return text + "."


def _how_to_measure(board: Board) -> str:
    circles = board.has_circles
    where = "from left edge to left edge of the circles" if circles else "from corner to corner"
    return (
        f"Measure over the whole length, {where}, with a glass scale or a checked steel rule. "
        "Where rows and columns differ by more than 0.1 %, have the board made elsewhere, or give "
        "measured points in board.points_file."
    )


def _distances(board: Board) -> list[tuple[str, float, float]]:
    """Return (name, number of pitches, nominal distance [mm]) of four lines to measure."""
    end, last_row = board.columns - 1, (board.rows - 1) * board.columns
    # Rows of a staggered board lie half a pitch apart; with odd rows the last one is in line.
    down = (board.rows - 1) * (0.5 if board.pattern == "circles-staggered" else 1.0)
    return [
        (f"First row, point 0 to {end}", end, end * board.pitch_mm),
        (f"Last row, point {last_row} to {last_row + end}", end, end * board.pitch_mm),
        (f"First column, point 0 to {last_row}", down, down * board.pitch_mm),
        (f"Last column, point {end} to {last_row + end}", down, down * board.pitch_mm),
    ]


def _wrapped(text: str, wrap: int, indent: str = "") -> list[tuple[str, bool]]:
    return [(line, False) for line in textwrap.wrap(text, wrap, subsequent_indent=indent)]


MM_PER_INCH = 25.4
LEAST_QUIET_MM = 5.0  # plain around the pattern, at least half a pitch: the detectors need it
# [-] of the spacing from light circles' centres: up to there the search looks whether a row is the
# last one. White paper goes on as it is; a black plate ends.
PLAIN_AROUND_LIGHT = 1.5
CAPTION_PT = 7.0
CAPTION_MM = 115.0  # length of the longest caption at that size
LINE_MM = 5.2  # of the record page at full size
SETTINGS: Any = {
    "pdf.fonttype": 42,
    "svg.fonttype": "path",
    "svg.hashsalt": "stationbook",
    "font.family": "DejaVu Sans",
    "path.simplify": False,
}


def board_sheet(
    board: Board,
    *,
    paper: str = "A4",
    fmt: str = "pdf",
    tiling: bool = False,
    title: str = "",
) -> tuple[bytes, ...]:
    """Return the files that print ``board`` at true scale.

    ``fmt``: one PDF of several pages, or one SVG a page. The last page is the form for the measured
    pitch. ``title`` (such as the cell's name) stands in the caption. Raises StationbookError for
    a board that cannot be drawn or does not fit ``paper``, UsageError for an unknown ``fmt``.
    """
    if fmt not in ("pdf", "svg"):
        said = f"a board can be written as pdf or svg, not {fmt!r}"
        raise UsageError(said, "Let the name of its file end in .pdf or .svg.")
    art = artwork(board)
    quiet = max(LEAST_QUIET_MM, board.pitch_mm / 2)
    if board.light and board.diameter_mm is not None:
        quiet = max(quiet, PLAIN_AROUND_LIGHT * board.spacing_mm - board.diameter_mm / 2)
    placed = sheets(art.outline, quiet, paper, tiling)
    with mpl.rc_context(SETTINGS):
        pages = [_pattern_page(board, art, sheet, title) for sheet in placed]
        pages.append(_record_page(board, placed[0].size, title))
        return (_pdf(pages),) if fmt == "pdf" else tuple(_svg(page) for page in pages)


def print_board(
    board: Board, out: Path, *, paper: str, tiling: bool, title: str, force: bool = False
) -> list[Path]:
    """Write the files of `board_sheet`: ``out``, or one numbered a page; return their paths.

    Its ending says which kind. ``force`` as in `store.write_output`.
    """
    fmt = out.suffix.lower().removeprefix(".")
    files = board_sheet(board, paper=paper, fmt=fmt, tiling=tiling, title=title)
    numbered = [out.with_stem(f"{out.stem}-{n}") for n in range(1, len(files) + 1)]
    paths = [out] if len(files) == 1 else numbered
    for path, data in zip(paths, files, strict=True):
        write_output(path, data, force=force)
    return paths


def _pdf(pages: Iterable[Figure]) -> bytes:
    out = io.BytesIO()
    # No dates: the same board gives the same file.
    from matplotlib.backends.backend_pdf import PdfPages  # here: loads font tools, reports do not

    with PdfPages(out, metadata={"CreationDate": None, "Title": "calibration board"}) as pdf:
        for page in pages:
            pdf.savefig(page)
    return out.getvalue()


def _svg(page: Figure) -> bytes:
    out = io.BytesIO()
    page.savefig(out, format="svg", metadata={"Date": None, "Title": "calibration board"})
    return out.getvalue()


def _page(size: tuple[float, float]) -> tuple[Figure, Any]:
    """Return a figure and axes that cover the paper: data units are mm, y runs down."""
    figure = Figure(figsize=(size[0] / MM_PER_INCH, size[1] / MM_PER_INCH), facecolor="none")
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set_axis_off()
    axes.set_xlim(0, size[0])
    axes.set_ylim(size[1], 0)
    return figure, axes


def _pattern_page(board: Board, art: Artwork, sheet: Sheet, title: str) -> Figure:
    figure, axes = _page(sheet.size)
    x0, y0, x1, y1 = sheet.window
    clip = Rectangle(
        (x0 + sheet.origin[0], y0 + sheet.origin[1]), x1 - x0, y1 - y0, transform=axes.transData
    )
    left, top = clip.get_xy()
    ground = _box(left, top, left + clip.get_width(), top + clip.get_height())
    for path, colour in (
        *([(ground, "black")] if art.light else []),
        (_ink(art, sheet.origin), "white" if art.light else "black"),
        (_point_0_mark(art, sheet.origin), "white" if art.light else "black"),
    ):
        patch = PathPatch(path, facecolor=colour, edgecolor="none", linewidth=0)
        axes.add_patch(patch)
        if sheet.tiled:
            patch.set_clip_path(clip)
    if sheet.tiled:
        _cut_marks(axes, sheet)
    _strip(axes, sheet, _captions(board, sheet, title))
    return figure


def _ink(art: Artwork, origin: tuple[float, float]) -> Outline:
    """Return all ink as one path: filled at once, so that touching cells show no seam."""
    x, y = origin
    boxes = [_box(x0 + x, y0 + y, x1 + x, y1 + y) for x0, y0, x1, y1 in art.rectangles]
    sizes = zip(art.circles, art.diameters, strict=True)
    circles = [Outline.circle((u + x, v + y), diameter / 2) for (u, v), diameter in sizes]
    return Outline.make_compound_path(*boxes, *circles)


def _box(x0: float, y0: float, x1: float, y1: float) -> Outline:
    return Outline([(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)], closed=True)


def _point_0_mark(art: Artwork, origin: tuple[float, float]) -> Outline:
    """Return a small arrow head outside the pattern's corner, pointing at point 0."""
    tip = np.array(art.outline[:2]) + origin - 1.0
    corners = tip + np.array([(0, 0), (-3.2, -1.2), (-1.2, -3.2), (0, 0)])
    return Outline(corners, closed=True)


def _cut_marks(axes: Any, sheet: Sheet) -> None:
    """Draw where to cut (full lines) and where the neighbouring sheet ends (broken lines)."""
    x, y = ([sheet.window[k] + sheet.origin[k % 2] for k in ends] for ends in ((0, 2), (1, 3)))
    reach = MARGIN_MM - 1.0
    ways = ((x, y, sheet.column, sheet.columns), (y, x, sheet.row, sheet.rows))
    for upright, (own, other, place, count) in zip((True, False), ways, strict=True):
        marks = [(own[0], "-"), (own[1], "-")]
        marks += [(own[0] + OVERLAP_MM, "--")] if place > 1 else []
        marks += [(own[1] - OVERLAP_MM, "--")] if place < count else []
        for at, style in marks:
            for edge, end in ((other[0], other[0] - reach), (other[1], other[1] + reach)):
                line = ([at, at], [edge, end]) if upright else ([edge, end], [at, at])
                axes.plot(*line, style, color="black", linewidth=0.4)


def _captions(board: Board, sheet: Sheet, title: str) -> list[str]:
    """Return the lines beside the ruler: what it is, its pitch in words, how to check it."""
    name = f"{board.pattern}, {board.columns} × {board.rows} {POINT_NAMES[board.pattern]}"
    if title:
        name = f"{title[:40]}: {name}"
    if sheet.tiled:
        name += f" · sheet {sheet.row}.{sheet.column} of {sheet.rows} × {sheet.columns}"
    pitch = f"pitch {board.pitch_mm:g} mm from one point to the next in a row; the arrow head "
    return [name, pitch + "points at point 0", "print at 100 % (no fitting); the bar is 100 mm:"]


def _strip(axes: Any, sheet: Sheet, lines: list[str]) -> None:
    """Draw caption and ruler into the strip, along its longer side."""
    x0, y0, x1, y1 = sheet.strip
    upright = y1 - y0 > x1 - x0

    def place(along: float, down: float) -> tuple[float, float]:
        return (x0 + down, y1 - along) if upright else (x0 + along, y0 + down)

    def write(text: str, along: float, down: float, size: float) -> None:
        axes.text(
            *place(along, down), text, fontsize=size, rotation=90 if upright else 0,
            rotation_mode="anchor", ha="left", va="baseline", parse_math=False,
        )  # fmt: skip

    size = CAPTION_PT * min(1.0, max(y1 - y0, x1 - x0) / CAPTION_MM)
    for row, text in enumerate(lines):
        write(text, 0.0, 3.0 + 3.4 * row, size)
    for tick in range(0, int(RULER_MM) + 1, 5):
        length = 3.0 if tick % 50 == 0 else 2.0 if tick % 10 == 0 else 1.2
        ends = [place(tick, STRIP_MM - 1.0), place(tick, STRIP_MM - 1.0 - length)]
        axes.plot(*zip(*ends, strict=True), "-", color="black", linewidth=0.3)
    ends = [place(0.0, STRIP_MM - 1.0), place(RULER_MM, STRIP_MM - 1.0)]
    axes.plot(*zip(*ends, strict=True), "-", color="black", linewidth=0.3, solid_capstyle="butt")
    for tick in (0, 50, 100):
        write(f"{tick} mm" if tick else "0", tick + 0.8, STRIP_MM - 2.6, 5)


def _record_page(board: Board, size: tuple[float, float], title: str) -> Figure:
    """Return the page that tells how to mount and measure the board, with lines to fill in."""
    width, height = sorted(size)
    figure, axes = _page((width, height))
    for scale in (1.0, 0.9, 0.8, 0.7, 0.6, 0.5):
        lines = record_lines(board, title, width_mm=(width - 2 * MARGIN_MM) / scale)
        if len(lines) * LINE_MM * scale <= height - 2 * MARGIN_MM:
            break
    y = MARGIN_MM
    for text, strong in lines:
        y += LINE_MM * scale
        axes.text(
            MARGIN_MM, y, text, fontsize=(11 if strong else 8.5) * scale, va="baseline",
            parse_math=False, fontweight="bold" if strong else "normal",
        )  # fmt: skip
    return figure
