"""What stands in the session, in words, for the parts of the screen."""

from __future__ import annotations

from typing import TYPE_CHECKING

from engine.findings import Level, worst

from .desk import Desk
from .rows import Row, counts
from .views import Fact, Facts, Move, Quality, Title

if TYPE_CHECKING:
    from engine.steps.record import ViewDraft

_ROLES = {Level.ERROR: "error", Level.WARNING: "warning", Level.NOTE: "note", None: "good"}


def title(desk: Desk) -> Title:
    """Say which session this is, who works on it and how far it is."""
    source = desk.source
    if source is None:
        return Title(desk.folder.name, "")
    used, aside, left = counts(source.stations, source.plan)
    parts = [f"{used} done"]
    parts += [f"{aside} aside"] if aside else []
    parts += [f"{left} left"] if source.plan else []
    who = desk.operator or source.operator
    right = ", ".join(parts) + (f"  {who}" if who else "")
    return Title(source.name, f"FOLLOWING, read-only  {right}" if desk.follow else right)


def move(desk: Desk) -> Move:
    """Say what to do next."""
    source = desk.source
    number = 1 + max((station.id for station in source.stations), default=0) if source else 1
    if source is None or desk.next_index is None:
        return Move(f"Station {number}:", _free(number, bool(source and source.plan)))
    planned = source.plan[desk.next_index]
    pose = "  ".join(
        f"{label} {text}" for label, text in zip(desk.labels, planned.pose or (), strict=False)
    )
    return Move(f"Station {number}:", planned.jog or f"go to {pose}", planned.why or "")


def _free(number: int, planned: bool) -> str:
    if planned:
        return "the plan is done. Solve, or go on where you like."
    if number == 1:
        return "jog until the board fills the middle of the camera's view."
    return "jog on: another place in the view, and tilt the board another way."


def quality(desk: Desk) -> Quality:
    """Say how good the result would be now, and what is worst."""
    tolerance = desk.session.cell.tolerance.position_mm if desk.session else None
    level = worst(desk.findings)
    named = next((item for item in desk.findings if item.level is level), None)
    text = "" if named is None else f"{named.level.value}: {named.code}"
    expanded = desk.solution.expanded_mm if desk.solution else None
    remark = "" if expanded is None or desk.fresh else "before the last change"
    return Quality(expanded, tolerance, remark, text, _ROLES[level])


def station_facts(desk: Desk, row: Row) -> Facts:
    """Say everything about one row of the list."""
    if row.kind == "planned":
        return Facts(f"Planned, {row.state}", (Fact("move", row.text),))
    source = desk.source
    found = [s for s in source.stations if s.id == row.key] if source else []
    if not found:
        return Facts("")
    station = found[0]
    typed = "  ".join(
        f"{label} {text}" for label, text in zip(desk.labels, row.fields, strict=False)
    )
    facts = [Fact("state", row.state, row.role), Fact("pose", typed or "none")]
    if station.joints and station.pose:
        facts.append(Fact("joints", " ".join(station.joints)))
    facts.append(Fact("image", station.image or "none"))
    facts += [
        Fact(name, value)
        for name, value in (
            ("taken", (station.taken or "").replace("T", " ")[:19]),
            ("by", station.operator or ""),
            ("accepted", ", ".join(station.accepted)),
            ("note", station.note or ""),
        )
        if value
    ]
    return Facts(f"Station {station.id}", tuple(facts))


def view_facts(view: ViewDraft | None, wanted: str) -> Facts:
    """Say what the camera saw for the entry; ``wanted`` is said while there is nothing."""
    if view is None or view.report is None:
        return Facts("No image yet", (Fact("", wanted, "dim"),))
    report = view.report
    said = {item.code for item in view.findings}
    whole = report.found == report.expected
    facts = [
        Fact("points", f"{report.found} of {report.expected}", "good" if whole else "warning"),
        _measured("sharpness", report.edge_width_px, "px wide edges", "blurred" in said),
        _measured("white", 100 * report.white_fraction, "%", "over-exposed" in said),
        _measured("contrast", report.contrast, "grey levels", "under-exposed" in said),
        _measured("tilt", report.tilt_deg, "°", "steep-view" in said),
        _measured("margin", report.margin_px, "px to the border", "board-cut-off" in said),
    ]
    return Facts(view.name or "image", tuple(facts))


def _measured(name: str, value: float | None, unit: str, doubtful: bool) -> Fact:
    if value is None:
        return Fact(name, "not known", "dim")
    digits = 1 if value < 10 else 0
    word = " (look!)" if doubtful else ""
    return Fact(name, f"{value:.{digits}f} {unit}{word}", "warning" if doubtful else "text")
