"""The page of a plant: every cell with its rating and its drift; it needs no other file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

import numpy as np

from ..findings import counted
from ..report.html_base import (
    STYLE,
    Html,
    element,
    figure,
    joined,
    number,
    page,
    paragraph,
    rounded,
    section,
    table,
)
from .cells import CellRow
from .drift import Drift, Series, date_of

WIDTH, HEIGHT, MARGIN = 560.0, 150.0, 34.0  # of one drawing, units of its own
ALARM_SIGN = "▲"  # beside the words, so that no colour is needed


def plant_page(
    root: str, rows: Sequence[CellRow], drifts: Mapping[str, Drift], now: datetime
) -> str:
    """Return the page as HTML text that carries all it shows."""
    alarms = sum(row.alarm for row in rows)
    head = element(
        "header",
        joined([
            element("h1", "The plant at a glance"),
            paragraph(f"{root}: {counted(len(rows), 'cell')}, {alarms} to look at first; "
                      f"{now:%Y-%m-%d %H:%M}"),
        ]),
    )  # fmt: skip
    parts = [section(row.cell, *_drift(row, drifts.get(row.cell))) for row in rows]
    note = paragraph(
        "U is the expanded uncertainty of a pick (above 99 %) as the last accepted result states "
        "it; the answer of a recheck: what moved at the work volume since then. A rating is a "
        "record of what was measured, not a release of the cell."
    )
    return page("The plant at a glance", STYLE, joined([head, _table(rows), note, *parts]))


def _table(rows: Sequence[CellRow]) -> Html:
    head = ("cell", "rating", "result", "U mm", "of mm", "proven", "by", "recheck", "its answer",
            "days left")  # fmt: skip
    listed = [
        (
            row.cell,
            f"{ALARM_SIGN} {row.words}" if row.alarm else row.words,
            row.result_on or "none",
            number(row.expanded_mm, 2),
            number(row.tolerance_mm, 2),
            "FAILED" if row.proof_failed else (row.proven_on or "yes") if row.proven else "no",
            row.proven_by or "",
            row.recheck_on or "none",
            row.recheck_answer or "",
            "" if row.days_left is None else f"{row.days_left:.0f}",
        )
        for row in rows
    ]
    return table(head, listed, "Every cell, those to look at first on top")


def _drift(row: CellRow, found: Drift | None) -> list[Html]:
    said = [paragraph(f"{row.words}.")]
    if found is None:
        return said
    said += [paragraph(line.strip()) for line in found.lines()]
    if found.series is not None and len(found.series.days) > 1:
        words = (
            "Shift of the middle of the work volume since the first result, with its U; filled: "
            "results, open: rechecks; upright: noted events; dashed: tolerance less U of a pick."
        )
        said.append(figure(_drawing(found.series), "Drift", words))
    said += [paragraph(f"Cannot be read: {problem}") for problem in row.problems]
    return said


def _drawing(series: Series) -> Html:
    """Return the shifts over the days as SVG."""
    size = np.linalg.norm(series.shift_mm, axis=1)
    u = 2.0 * series.u_mm
    limit = None
    if series.tolerance_mm is not None and series.pick_mm is not None:
        limit = max(series.tolerance_mm - 2.0 * series.pick_mm, 0.0)
    top = max(float((size + u).max()), (limit or 0.0) * 1.1, 0.05)
    last = max(float(series.days.max()), 1.0)

    def x(day: float) -> float:
        return MARGIN + (WIDTH - 2 * MARGIN) * day / last

    def y(value: float) -> float:
        return HEIGHT - 22.0 - (HEIGHT - 36.0) * min(value, top) / top

    lines = [_line(MARGIN, y(0), WIDTH - MARGIN, y(0)), _line(MARGIN, y(0), MARGIN, y(top))]
    lines.append(_text(4, y(top) + 8, f"{rounded(top)} mm"))
    lines.append(_text(MARGIN, HEIGHT - 6, date_of(series, 0.0)))
    lines.append(_text(WIDTH - MARGIN - 60, HEIGHT - 6, date_of(series, last)))
    if limit is not None:
        lines.append(_line(MARGIN, y(limit), WIDTH - MARGIN, y(limit), dashed=True))
    lines += [
        _line(x(step), y(0), x(step), y(top), thick=2.5) for step in series.steps if step <= last
    ]
    results = np.ones(len(size), bool) if series.calibrated is None else series.calibrated
    for day, value, wide, solid in zip(series.days, size, u, results, strict=True):
        lines.append(_line(x(day), y(max(value - wide, 0.0)), x(day), y(value + wide)))
        fill = "#1d2a33" if solid else "#fff"
        lines.append(
            f'<circle cx="{x(day):.1f}" cy="{y(value):.1f}" r="3.5" fill="{fill}" '
            'stroke="#1d2a33"/>'
        )
    view = f'viewBox="0 0 {WIDTH:.0f} {HEIGHT:.0f}" width="100%" role="img"'
    return Html(f"<svg {view}>{''.join(lines)}</svg>")


def _line(
    x1: float, y1: float, x2: float, y2: float, *, dashed: bool = False, thick: float = 1.0
) -> str:
    dash = ' stroke-dasharray="6 4"' if dashed else ""
    return (
        f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="#1d2a33" '
        f'stroke-width="{thick:g}"{dash}/>'
    )


def _text(x: float, y: float, words: str) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" font-size="11" fill="#45555f">{words}</text>'
