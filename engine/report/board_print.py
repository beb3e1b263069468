"""Board sheets at true scale: PDF and SVG with a check ruler, and a page for the measured pitch."""

from __future__ import annotations

import io
from collections.abc import Iterable
from typing import Any, Literal

import matplotlib as mpl
import numpy as np
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch, Rectangle
from matplotlib.path import Path

from ..boards.pattern import Board
from ..errors import UsageError
from .board_artwork import POINT_NAMES, Artwork, artwork
from .board_pages import MARGIN_MM, OVERLAP_MM, RULER_MM, STRIP_MM, Sheet, sheets
from .board_record import record_lines

MM_PER_INCH = 25.4
LEAST_QUIET_MM = 5.0  # white around the pattern, at least half a pitch: the detectors need it
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
    fmt: Literal["pdf", "svg"] = "pdf",
    tiling: bool = False,
    title: str = "",
) -> tuple[bytes, ...]:
    """Return the files that print ``board`` at true scale.

    One PDF of several pages, or one SVG a page. The last page is the form for the measured
    pitch. ``title`` (such as the cell's name) stands in the caption. Raises StationbookError for
    a board that cannot be drawn or does not fit ``paper``, UsageError for an unknown ``fmt``.
    """
    if fmt not in ("pdf", "svg"):
        raise UsageError(f"a board can be written as pdf or svg, not {fmt!r}")
    art = artwork(board)
    quiet = max(LEAST_QUIET_MM, board.pitch_mm / 2)
    placed = sheets(art.outline, quiet, paper, tiling)
    with mpl.rc_context(SETTINGS):
        pages = [_pattern_page(board, art, sheet, title) for sheet in placed]
        pages.append(_record_page(board, placed[0].size, title))
        return (_pdf(pages),) if fmt == "pdf" else tuple(_svg(page) for page in pages)


def _pdf(pages: Iterable[Figure]) -> bytes:
    out = io.BytesIO()
    # No dates: the same board gives the same file.
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
    for path in (_ink(art, sheet.origin), _point_0_mark(art, sheet.origin)):
        patch = PathPatch(path, facecolor="black", edgecolor="none", linewidth=0)
        axes.add_patch(patch)
        if sheet.tiled:
            patch.set_clip_path(clip)
    if sheet.tiled:
        _cut_marks(axes, sheet)
    _strip(axes, sheet, _captions(board, sheet, title))
    return figure


def _ink(art: Artwork, origin: tuple[float, float]) -> Path:
    """Return all ink as one path: filled at once, so that touching cells show no seam."""
    x, y = origin
    boxes = [_box(x0 + x, y0 + y, x1 + x, y1 + y) for x0, y0, x1, y1 in art.rectangles]
    circles = [Path.circle((u + x, v + y), art.diameter / 2) for u, v in art.circles]
    return Path.make_compound_path(*boxes, *circles)


def _box(x0: float, y0: float, x1: float, y1: float) -> Path:
    return Path([(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)], closed=True)


def _point_0_mark(art: Artwork, origin: tuple[float, float]) -> Path:
    """Return a small arrow head outside the pattern's corner, pointing at point 0."""
    tip = np.array(art.outline[:2]) + origin - 1.0
    corners = tip + np.array([(0, 0), (-3.2, -1.2), (-1.2, -3.2), (0, 0)])
    return Path(corners, closed=True)


def _cut_marks(axes: Any, sheet: Sheet) -> None:
    """Draw where to cut (full lines) and where the neighbouring sheet ends (broken lines)."""
    x0, x1 = (sheet.window[k] + sheet.origin[0] for k in (0, 2))
    y0, y1 = (sheet.window[k] + sheet.origin[1] for k in (1, 3))
    reach = MARGIN_MM - 1.0
    marks = [(x0, "-"), (x1, "-")]
    marks += [(x0 + OVERLAP_MM, "--")] if sheet.column > 1 else []
    marks += [(x1 - OVERLAP_MM, "--")] if sheet.column < sheet.columns else []
    for x, style in marks:
        for edge, end in ((y0, y0 - reach), (y1, y1 + reach)):
            axes.plot([x, x], [edge, end], style, color="black", linewidth=0.4)
    marks = [(y0, "-"), (y1, "-")]
    marks += [(y0 + OVERLAP_MM, "--")] if sheet.row > 1 else []
    marks += [(y1 - OVERLAP_MM, "--")] if sheet.row < sheet.rows else []
    for y, style in marks:
        for edge, end in ((x0, x0 - reach), (x1, x1 + reach)):
            axes.plot([edge, end], [y, y], style, color="black", linewidth=0.4)


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

    size = CAPTION_PT * min(1.0, max(y1 - y0, x1 - x0) / CAPTION_MM)
    for row, text in enumerate(lines):
        x, y = place(0.0, 3.0 + 3.4 * row)
        axes.text(
            x, y, text, fontsize=size, rotation=90 if upright else 0, rotation_mode="anchor",
            ha="left", va="baseline", parse_math=False,
        )  # fmt: skip
    for tick in range(0, int(RULER_MM) + 1, 5):
        length = 3.0 if tick % 50 == 0 else 2.0 if tick % 10 == 0 else 1.2
        ends = [place(tick, STRIP_MM - 1.0), place(tick, STRIP_MM - 1.0 - length)]
        axes.plot(*zip(*ends, strict=True), "-", color="black", linewidth=0.3)
    ends = [place(0.0, STRIP_MM - 1.0), place(RULER_MM, STRIP_MM - 1.0)]
    axes.plot(*zip(*ends, strict=True), "-", color="black", linewidth=0.3, solid_capstyle="butt")
    for tick in (0, 50, 100):
        x, y = place(tick + 0.8, STRIP_MM - 2.6)
        axes.text(
            x, y, f"{tick} mm" if tick else "0", fontsize=5, rotation=90 if upright else 0,
            rotation_mode="anchor", ha="left", va="baseline",
        )  # fmt: skip


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
