"""A plan as one printed page to take to the robot: large type, boxes to tick, room to write."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..cautions import BEWARE
from ..cell.cell import Cell
from ..pendant.conventions import POSITION_FIELDS
from ..plans.types import Plan, Step
from .html_base import Html, element, joined, page, safe

ROOM_MM = 200.0  # mm of the 277 mm between the margins of an A4 page that the stations may take
ROW_MM = (8.0, 25.0)  # mm; least and largest height of one station's row
TYPE = 0.27  # [-] height of the type over that of a row, so that two lines and a rim fit
TYPE_MM = (2.2, 4.2)  # mm; smallest and largest type of what is read from afar
REASON_MM = 16.0  # mm; in lower rows there is no room for why a station is worth visiting
BEWARE_MM = 12.0  # mm; in lower rows what may go wrong on the way is told above the table
ABOVE = "see above"


def plan_sheet(plan: Plan, cell: Cell, title: str) -> str:
    """Return the page as HTML that needs no other file."""
    height = float(np.clip(ROOM_MM / max(len(plan.steps), 1), *ROW_MM))
    pendant = cell.pendant
    frames = (
        f"{cell.name} · active on the pendant: tool {pendant.active_tool}, "
        f"frame {pendant.active_frame} · date: ____________ · name: ______________________"
    )
    names = ("done", "no.", "move", "pose to go to", "pose as read")
    top = joined(element("th", name, scope="col", class_=f"c{k}") for k, name in enumerate(names))
    rows = joined(_row(k, step, pendant.labels, height) for k, step in enumerate(plan.steps, 1))
    table_head = element("thead", element("tr", top))
    body = joined(
        [
            element("h1", title),
            element("p", frames),
            element("ul", joined(element("li", text) for text in plan.cautions), class_="caution"),
            *(element("p", text) for text in (*plan.notes, plan.little()) if text),
            *(() if height >= BEWARE_MM else _warnings(plan.steps)),
            element("table", joined([table_head, element("tbody", rows)])),
        ]
    )
    style = f"{_STYLE}tbody td{{height:{height - 2.0:.1f}mm}}"
    style += f"tbody{{font-size:{np.clip(TYPE * height, *TYPE_MM):.2f}mm}}"
    return page(f"{title}: stations to visit", style, body)


def _row(number: int, step: Step, labels: tuple[str, ...], height: float) -> Html:
    """Return one station; where a pose may be shown, the move is only a help to find it."""
    move = element("b", step.jog) if step.by == "jog" else element("small", step.jog)
    if height >= REASON_MM:
        move = joined([move, element("small", step.why)])
    if step.beware:
        beware = step.beware if height >= BEWARE_MM else ABOVE
        move = joined([move, element("small", element("b", f"{BEWARE}{beware}"))])
    fields = [f"{label} {text}" for label, text in zip(labels, step.pose, strict=True)]
    pose = "by the move only" if step.by == "jog" else element("b", _lines(fields))
    room = _lines([joined([safe(label), element("span", "", class_="line")]) for label in labels])
    cells = (element("span", "", class_="box"), number, move, pose, room)
    return element("tr", joined(element("td", cell) for cell in cells))


def _warnings(steps: Sequence[Step]) -> list[Html]:
    """Return what may go wrong on the way, each once with the numbers of its stations."""
    at: dict[str, list[str]] = {}
    for number, step in enumerate(steps, 1):
        if step.beware:
            at.setdefault(step.beware, []).append(str(number))
    return [
        element("p", element("b", f"{BEWARE}{text} ({', '.join(numbers)})"))
        for text, numbers in at.items()
    ]


def _lines(fields: Sequence[object]) -> Html:
    """Return the position on one line and what turns on the next."""
    parts = [element("span", field) for field in fields]
    lines = (joined(parts[:POSITION_FIELDS], " "), joined(parts[POSITION_FIELDS:], " "))
    return joined(lines, "<br>")


_STYLE = """
@page{size:A4;margin:10mm}
body{font:4mm/1.25 sans-serif;margin:0 auto;max-width:190mm;color:#000;background:#fff}
h1{font-size:6.5mm;margin:0 0 1mm}
p,ul{margin:0 0 1.5mm;font-size:3.2mm}
.caution{border:.6mm solid #000;padding:1mm 1mm 1mm 6mm}
table{border-collapse:collapse;width:100%;table-layout:fixed}
th{text-align:left;font-size:3mm}
td,th{border:.25mm solid #000;padding:.4mm 1mm;vertical-align:middle}
tr{break-inside:avoid}
td span{white-space:nowrap}
td small{display:block;font-size:clamp(2mm,62%,2.6mm);line-height:1.15}
.c0{width:9mm}.c1{width:6mm}.c2{width:57mm}.c3{width:58mm}
.box{display:inline-block;width:5mm;height:5mm;border:.6mm solid #000}
.line{display:inline-block;width:11.5mm;border-bottom:.3mm solid #000;margin:0 .5mm 0 .3mm}
"""
