"""A plan as one printed page to take to the robot: large type, boxes to tick, room to write."""

from __future__ import annotations

from ..plans.types import Plan, Step
from ..sessions.cell import Cell
from .html_base import Html, element, joined, safe

ROOM_MM = 205.0  # mm of an A4 page that the stations may take
ROW_MM = (9.0, 26.0)  # mm; least and largest height of one station's row
TYPE_MM = 0.21  # [-] height of the type over that of a row


def plan_sheet(plan: Plan, cell: Cell, title: str) -> str:
    """Return the page as HTML that needs no other file."""
    rows = max(len(plan.steps), 1)
    height = min(max(ROOM_MM / rows, ROW_MM[0]), ROW_MM[1])
    body = joined(
        [
            element("h1", title),
            element("p", _frames(cell)),
            element("ul", joined(element("li", text) for text in plan.cautions), class_="caution"),
            *(element("p", text) for text in plan.notes),
            _table(plan, cell),
        ]
    )
    head = joined(
        [
            Html('<meta charset="utf-8">'),
            element("title", f"{title}: stations to visit"),
            Html(f"<style>{_STYLE}tbody td{{height:{height:.1f}mm}}"),
            Html(f"tbody{{font-size:{min(TYPE_MM * height, 4.6):.2f}mm}}</style>"),
        ]
    )
    return f'<!doctype html>\n<html lang="en"><head>{head}</head><body>{body}</body></html>\n'


def _frames(cell: Cell) -> str:
    pendant = cell.pendant
    return (
        f"{cell.name} · active on the pendant: tool {pendant.active_tool}, "
        f"frame {pendant.active_frame} · date: ____________ · name: ______________________"
    )


def _table(plan: Plan, cell: Cell) -> Html:
    labels = cell.pendant.labels
    top = joined(
        element("th", text, scope="col")
        for text in ("done", "no.", "move", "pose shown then", "pose as read")
    )
    rows = joined(_row(number, step, labels) for number, step in enumerate(plan.steps, start=1))
    return element("table", joined([element("thead", element("tr", top)), element("tbody", rows)]))


def _row(number: int, step: Step, labels: tuple[str, ...]) -> Html:
    after = step.work_volume_mm
    gain = "" if after is None else f"U then about {2 * after:.2g} mm"
    move = joined([element("b", step.jog), Html("<br>"), element("small", step.why or gain)])
    pose = "jog only" if step.by == "jog" else _fields(step.pose, labels)
    cells = (element("span", "", class_="box"), number, move, pose, _room(labels))
    return element("tr", joined(element("td", cell) for cell in cells))


def _fields(pose: tuple[str, ...], labels: tuple[str, ...]) -> Html:
    return joined(
        (element("span", f"{label} {text}") for label, text in zip(labels, pose, strict=True)),
        " ",
    )


def _room(labels: tuple[str, ...]) -> Html:
    """Return one line to write on for each field."""
    return joined(
        (joined([safe(label), element("span", "", class_="line")]) for label in labels), " "
    )


_STYLE = """
@page{size:A4;margin:10mm}
body{font:4mm/1.3 sans-serif;margin:0 auto;max-width:190mm;color:#000;background:#fff}
h1{font-size:6.5mm;margin:0 0 1mm}
p,ul{margin:0 0 1.5mm;font-size:3.2mm}
.caution{border:.6mm solid #000;padding:1mm 1mm 1mm 6mm}
table{border-collapse:collapse;width:100%}
th{text-align:left;font-size:3mm}
td,th{border:.25mm solid #000;padding:.6mm 1.2mm;vertical-align:middle}
tr{break-inside:avoid}
td span{white-space:nowrap}
small{font-size:70%}
.box{display:inline-block;width:6mm;height:6mm;border:.6mm solid #000}
.line{display:inline-block;width:14mm;border-bottom:.3mm solid #000;margin:0 1mm 0 .5mm}
"""
