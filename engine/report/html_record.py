"""The report's sections on the stations, the findings, the proof, and who stands for it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from ..cautions import REPORT
from ..cell.cell import Cell
from ..cell.session import Station
from ..errors import StationbookError
from ..frames import rotation_log
from .delivered import known_number, of_camera
from .html_base import Html, element, joined, number, pairs, paragraph, rounded, section, table
from .html_result import BLANK, found
from .stations import StationView
from .thumbnails import Thumbnail

RESIDUALS = (("residual_px", 3), ("robot_residual_mm", 3), ("robot_residual_deg", 4))
MOST_ACTIONS = 200  # lines of the journal shown: the latest
MOVED = (
    ("Moved [mm]", "position_mm", "u_position_mm", 3),
    ("Turned [°]", "angle_deg", "u_angle_deg", 4),
    ("Moved at the work volume, at most [mm]", "work_volume_mm", "u_work_volume_mm", 3),
)
LEVELS = {"error": "ERROR", "warning": "WARNING", "note": "Note"}


def cautions() -> Html:
    """Return the usual cautions of work inside a robot's fence."""
    items = joined(element("li", text) for text in REPORT)
    return element("div", joined([element("b", "Before anything moves"), element("ul", items)]),
                   class_="caution")  # fmt: skip


def findings(document: Mapping[str, Any], views: list[StationView]) -> Html:
    """Return what the program noticed, and what the operator did about it."""
    items = [_finding(item) for item in found(document)]
    rows = [
        (str(s.id), ", ".join(s.accepted) or "–", "" if s.use else "set aside", s.note or "–")
        for s in (view.station for view in views)
        if s.accepted or not s.use or s.note
    ]
    head = ("station", "accepted warnings", "use", "note or reason")
    return section(
        "Findings",
        *(items or [paragraph("Nothing was noticed.")]),
        table(head, rows, "What the operator decided at the stations") if rows else "",
    )


def _finding(item: Mapping[str, Any]) -> Html:
    level = str(item.get("level"))
    title = f"{LEVELS.get(level, level)}: {item.get('code')}"
    text = [element("b", title), paragraph(item.get("message") or "")]
    if item.get("remedy"):
        text.append(paragraph(f"Remedy: {item.get('remedy')}"))
    return element("div", joined(text), class_=f"finding {level}")


def station_table(views: list[StationView], cell: Cell) -> Html:
    """Return one row a station: typed text, parsed pose, residuals."""
    head = ("station", "taken", "typed", "read as [mm], rotation vector [°]", "image [px]",
            "robot [mm]", "robot [°]", "used")  # fmt: skip
    return table(head, [_row(view, cell) for view in views])


def _row(view: StationView, cell: Cell) -> tuple[object, ...]:
    station, row, T = view.station, view.row, view.base_T_flange
    read: object = "not known"
    if T is not None:
        read = _lines(
            " ".join(number(v, 3) for v in values)
            for values in (T[:3, 3], np.rad2deg(rotation_log(T[:3, :3])))
        )
    taken = (station.taken or "not known").replace("T", " ", 1)
    said = {"True": "yes", "False": "no"}.get(str(row.get("used")), "not known")
    if not station.use:
        said = "set aside"
    if station.closing:
        said += ", closing"
    if row.get("turn"):
        said += f", board read turned by {row['turn']}"
    if view.problem:
        said += f"; {view.problem}"
    return (
        str(station.id), _lines([taken, station.operator or ""]),
        element("span", _typed(station, cell), class_="typed"), read,
        *(number(known_number(row, key), digits) for key, digits in RESIDUALS), said,
    )  # fmt: skip


def _lines(texts: Iterable[str]) -> Html:
    return joined(element("span", text, class_="line") for text in texts)


def _typed(station: Station, cell: Cell) -> str | Html:
    labels = cell.pendant.labels
    fields = station.typed
    if not fields:
        return "nothing typed"
    if len(fields) != len(labels):
        return " ".join(fields)
    named = [f"{label} {field}" for label, field in zip(labels, fields, strict=True)]
    return _lines([" ".join(named[:3]), " ".join(named[3:])])


def pictures(views: list[StationView], made: list[Thumbnail], total: int) -> Html:
    """Return the stations' images with what the arrows mean."""
    shown = [_picture(view, picture) for view, picture in zip(views, made, strict=True)]
    text = (
        "Dots: where the points were seen. Arrows: from there towards where the result and the "
        "typed pose put them, many times longer than in truth; the noise of the typed pose is in "
        "them."
    )
    if total > len(views):
        text += f" Shown are {len(views)} of {total} stations: those not used, then the worst."
    return joined([paragraph(text), element("div", joined(shown), class_="pictures")])


def _picture(view: StationView, picture: Thumbnail) -> Html:
    title = f"Station {view.station.id}" + ("" if view.used else " (not used)")
    count = 0 if view.seen is None else len(view.seen)
    words = [f"{count} points seen"]
    if picture.gain is not None:
        words.append(f"off by {rounded(picture.rms_px, 'px')} (RMS), arrows × {picture.gain}")
    if view.station.image is None:
        words.append("no image stored")
    if picture.problem:
        words.append(picture.problem)
    content = Html(picture.svg or "")
    caption = element("figcaption", joined([element("b", title), "; ".join(words) + "."]))
    return element("figure", joined([content, caption]))


def actions(lines: Sequence[Mapping[str, Any]], cell: Cell) -> Html:
    """Return the journal: who did what and when, the latest `MOST_ACTIONS`."""
    if not lines:
        return section("What was done", paragraph("There is no journal."))
    labels = cell.pendant.labels
    rows = [_action(line, labels) for line in lines[-MOST_ACTIONS:]]
    more = len(lines) - len(rows)
    text = f"The journal's last {len(rows)} entries; {more} earlier ones are in journal.jsonl."
    head = ("when", "who", "what", "station", "changed", "accepted", "reason")
    return section("What was done", paragraph(text) if more else "", table(head, rows))


def _action(line: Mapping[str, Any], labels: Sequence[str]) -> tuple[object, ...]:
    accepted = line.get("accepted")
    codes = ", ".join(map(str, accepted)) if isinstance(accepted, list | tuple) else ""
    what = str(line.get("action") or "–") + ("" if line.get("finished", True) else " (unfinished)")
    station = line.get("station")
    return (
        str(line.get("at") or "not known"), str(line.get("who") or "–"), what,
        "–" if station is None else str(station), _lines(_changed(line, labels)) or "–",
        codes or "–", str(line.get("reason") or "–"),
    )  # fmt: skip


def _changed(line: Mapping[str, Any], labels: Sequence[str]) -> list[str]:
    """Return every value that an action replaced: "X 612.40 → 621.40"."""
    old, new = line.get("replaced"), line.get("typed")
    if old is None or new is None:
        return []
    if not isinstance(old, list) or not isinstance(new, list):
        return [f"{line.get('key') or ''} {old} → {new}".strip()]
    if not len(old) == len(new) == len(labels):
        return [f"{' '.join(map(str, old))} → {' '.join(map(str, new))}"]
    fields = zip(labels, old, new, strict=True)
    return [f"{label} {before} → {after}" for label, before, after in fields if before != after]


def before(document: Mapping[str, Any]) -> Html | str:
    """Return where the camera was before a quick re-calibration; empty for any other result."""
    said = document.get("before")
    if not isinstance(said, Mapping):
        return ""
    trusted = said.get("trusted_board") is True
    told = (
        f"Re-calibrated from few stations, the board on its mount as in session "
        f"{said.get('session')}."
        if trusted
        else f"The board is not where session {said.get('session')} had it: its place there was "
        "not used."
    )
    move = said.get("movement")
    move = move if isinstance(move, Mapping) else {}
    rows = [("Camera before [mm]", _triple(said.get("position_mm")), "")]
    rows += [
        (name, number(known_number(move, key), digits), _expanded(known_number(move, u), digits))
        for name, key, u, digits in MOVED
        if move
    ]
    return section("Before and after", paragraph(told), table(("", "", "U (k = 2)"), rows))


def _expanded(u: float | None, digits: int) -> str:
    return "–" if u is None else f"± {number(2 * u, digits)}"


def cameras(document: Mapping[str, Any], cell: Cell, shown: str) -> Html | str:
    """Return what the other cameras of the session gave; empty where there is only one."""
    names = [camera.name for camera in (cell.camera, *cell.cameras) if camera.name != shown]
    if not names:
        return ""
    rows = [_other(document, cell, name) for name in names]
    text = "All cameras of a session see one board at the same stops; each has a record of its own."
    head = ("camera", "verdict", "position [mm]", "U of a pick [mm]", "findings")
    return section("The other cameras", paragraph(text), table(head, rows))


def _other(document: Mapping[str, Any], cell: Cell, name: str) -> tuple[str, ...]:
    try:
        part = of_camera(document, cell, name)
    except StationbookError:
        return name, "no stations", "–", "–", "–"
    placed = part.get(cell.camera_key)
    position = placed.get("position_mm") if isinstance(placed, Mapping) else None
    u = known_number(part.get("uncertainty"), "pick_mm")
    codes = ", ".join(dict.fromkeys(str(item.get("code")) for item in found(part)))
    verdict = str(part.get("verdict")).replace("-", " ").upper()
    return name, verdict, _triple(position), _expanded(u, 3), codes or "none"


def proof(document: Mapping[str, Any]) -> Html:
    """Return the proof by touch points in a result, or that there is none yet."""
    said = document.get("proof")
    said = said if isinstance(said, Mapping) else {}
    points = [p for p in said.get("points") or [] if isinstance(p, Mapping)]
    if not points:
        return section("Proof by touch points", paragraph(
            "No touch points were compared. The fit alone cannot see a wrong active tool or frame: "
            "touch at least four points spread over the work volume (common practice) and compare."
        ))  # fmt: skip
    rows = [
        (str(p.get("point")), _triple(p.get("place_mm")), _triple(p.get("error_mm")),
         number(known_number(p, "size_mm"), 3), number(known_number(p, "expanded_mm"), 3),
         "yes" if p.get("agrees") is True else "NO")
        for p in points
    ]  # fmt: skip
    head = ("point", "by the camera [mm]", "touched less camera [mm]", "apart [mm]", "U [mm]",
            "within U")  # fmt: skip
    mean, most = (number(known_number(said, key), 3) for key in ("mean_mm", "max_mm"))
    told = f"{len(points)} touches: mean distance {mean} mm, largest {most} mm."
    return section("Proof by touch points", paragraph(told), table(head, rows))


def _triple(values: object) -> str:
    try:
        return " ".join(number(float(v), 3) for v in values)  # type: ignore[attr-defined]
    except (TypeError, ValueError):
        return "not known"


def signatures() -> Html:
    """Return the lines to sign."""
    rows = [
        (who, BLANK, BLANK, BLANK) for who in ("Calibrated by", "Checked by", "For the customer")
    ]
    return element("div", section("Signatures", table(("", "name", "date", "signature"), rows)),
                   class_="sign")  # fmt: skip


def ending(program: str, printed: str, result_sha256: str | None) -> Html:
    """Return what kind of paper this is, and where its numbers come from."""
    return element("footer", joined([
        paragraph(
            "This is a record, not an accredited certificate. It relates only to the cell, robot, "
            "camera, lens, board, active tool and active frame named in it, as they were at the "
            "time of its stations."
        ),
        pairs([("Made by", program), ("Printed", printed), ("result.yaml SHA-256", result_sha256)]),
    ]))  # fmt: skip
