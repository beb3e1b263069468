"""What stands in the session, in words, for the parts of the screen."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import groupby

import numpy as np

from engine.cautions import BEWARE
from engine.cell.result import StoredResult
from engine.cell.rule import SIMPLE, most_expanded
from engine.cell.session import PlannedStation, labelled
from engine.depth.board import DepthReport
from engine.findings import Finding, Level, counted, worst
from engine.frames import AXES
from engine.pendant.conventions import is_quaternion
from engine.plans.blind import TO_THE_MIDDLE
from engine.plans.way import Leg, read_legs
from engine.steps.pictures import HOLE, OUTSIDE, depth_picture
from engine.steps.station_image import ViewDraft

from ..words import RECHECKABLE, Part
from .desk import Desk
from .entry import Entry, first_station, planned_closing
from .kept import Kept
from .solution import Advice, lacks_number
from .views import Fact, Facts, Job, Move, Quality, Row, Title, counts

_ROLES = {Level.ERROR: "error", Level.WARNING: "warning", Level.NOTE: "note", None: "good"}


def title(desk: Desk) -> Title:
    """Say which session this is, who works on it and how far it is."""
    session = desk.session
    if session is None:
        return Title(desk.folder.name, "")
    done, bare, aside, left = counts(session.stations, desk.plan)
    parts = [f"{done} done"]
    parts += [f"{bare} without points"] if bare else []
    parts += [f"{aside} aside"] if aside else []
    parts += [f"{left} left"] if left else []
    who = desk.operator or session.operator
    right = ", ".join(parts) + (f"  {who}" if who else "")
    return Title(session.name, f"FOLLOWING, read-only  {right}" if desk.follow else right)


def move(desk: Desk, entry: Entry | None = None) -> Move:
    """Say what to do next for ``entry``: the station that is entered, edited or taken again."""
    session = desk.session
    if entry is not None and entry.station is not None and session is not None:
        return _again(desk, entry)
    number = session.next_id if session else 1
    if entry is not None and entry.closing and (start := first_station(desk)) is not None:
        text = f"go back to station {start.id}.\n{labelled(desk.labels, start.typed)}"
        text += _told(desk.plan[desk.next_index or 0]) if planned_closing(desk) else ""
        why = "shows whether board or camera moved meanwhile"
        large = _large(number, [f"back to {start.id}"], _fields(desk, start.typed))
        return Move(f"Station {number}, closing:", text, why, large)
    head, index = f"Station {number}:", desk.next_index
    advice = desk.advice if desk.advised else None
    notes = advice.notes if advice is not None else ()
    if index is None:
        if session is None or number == 1:
            return Move(head, f"{TO_THE_MIDDLE}.", large=_large(number))
        if desk.planning:
            return Move(head, "planning the next move ...", large=_large(number))
        text = (
            " ".join(notes) or "jog on: another place in the view, and tilt the board another way."
        )
        return Move(head, text, large=_large(number))
    planned = desk.plan[index]
    pose, why = labelled(desk.labels, planned.pose or ()), planned.why or ""
    if planned.jog:
        large = _large(number, *_groups(read_legs(planned.jog)))
    else:
        large = _large(number, _fields(desk, planned.pose or ()))
    if planned.pose:
        told = f"{'' if planned.jog else 'go to '}{pose}{_told(planned)}"
    else:
        told = f"{planned.jog}{_told(replace(planned, jog=None))}"
    return Move(head, told, why, large, notes)


def _told(planned: PlannedStation) -> str:
    """Return the jog and what may go wrong on it, each on a line of its own."""
    word = "jog " if read_legs(planned.jog or "") else ""  # not of "stay here"
    jog = f"\n{word}{planned.jog}" if planned.jog else ""
    return f"{jog}\n{BEWARE}{planned.beware}" if planned.beware else jog


def _large(number: int, *groups: Sequence[str]) -> tuple[Part, ...]:
    """Return number and moves for large letters, one group leading on to the next."""
    parts: list[Part] = []
    for group in groups:
        parts += [(">", "dim")] if parts and group else []
        parts += [(text, "note" if text.endswith("°") else "title") for text in group]
    return ((str(number), "good"), *parts)


def _groups(legs: Sequence[Leg]) -> list[list[str]]:
    """Return shifts in a row, and turns in a row, each in few words."""
    return [
        [f"{'turn ' if turns and n == 0 else ''}{_leg(leg)}" for n, leg in enumerate(some)]
        for turns, some in groupby(legs, key=lambda leg: leg.turns)
    ]


def _leg(leg: Leg) -> str:
    size = f"{np.degrees(leg.amount) if leg.turns else leg.amount:+.0f}".replace("-", "−")
    return f"{AXES[leg.axis]} {size}{'°' if leg.turns else ' mm'}"


def _fields(desk: Desk, fields: Sequence[str]) -> list[str]:
    return [f"{label} {text}" for label, text in zip(desk.labels, fields, strict=False)]


def _again(desk: Desk, entry: Entry) -> Move:
    """Say of a station that is edited or taken again what was recorded."""
    found = [s for s in desk.session.stations if s.id == entry.station] if desk.session else []
    pose = labelled(desk.labels, found[0].typed) if found else ""
    if entry.purpose == "correct":
        head = f"Station {entry.station} is edited."
        large: tuple[Part, ...] = ((f"edit {entry.station}", "note"),)
        return Move(head, f"Recorded:\n{pose}", "its image stays; no move is needed", large)
    text = f"new pose and image. Recorded before:\n{pose}"
    large = ((f"again {entry.station}", "note"),)
    return Move(f"Station {entry.station} again:", text, large=large)


TELLING = 2  # stops, from which on a moved camera and a slipped board can be told apart


def job(desk: Desk, *, here: bool = False) -> Job:
    """Say where the job stands and which key comes next: F6, then p, then r, then nothing.

    In a session that was begun to recheck an earlier one, or for a spare camera, it is m, until it
    is solved.

    ``here``: on the page of the result, where p and r act.
    """
    if desk.follow:
        return Job("followed from here; it is recorded elsewhere")
    open_ = ", start questions open" if desk.questions_open else ""
    if mark := next((item for item in desk.findings if item.code == "result-overtaken"), None):
        # Where the recheck left something open:
        repeat = mark.variant in ("something", "lens", "contradict")
        next_ = "calibrate again: a new session"
        next_ = "repeat the recheck, or calibrate again" if repeat else next_
        return Job(f"a recheck is against the result{open_}", next_, due=True)
    if desk.fresh and desk.solution is not None and desk.solution.kept:
        return _after_solving(desk, desk.solution.stored, open_, "" if here else "F6, then ")
    advice = desk.advice if desk.advised else None
    used = sum(station.use for station in desk.session.stations) if desk.session else 0
    recheck = desk.against is not None and not desk.swapped
    if recheck and not used:
        return Job(f"recheck, one to three stops tell{open_}")
    if recheck:
        stops = f"recheck, {counted(used, 'stop')}{open_}"
        return Job(stops, "Esc, then m: did the camera move?", due=used >= TELLING)
    if desk.swapped == "camera":
        todo = any(item.skipped is None for item in desk.opened().plan)
        stops = f"spare camera, {counted(used, 'stop')}{open_}"
        return Job(stops, "Esc, m, Enter, then b: by the board's place", due=not todo)
    if used and advice is not None and advice.enough:
        now = quality(desk)
        within = now.expanded_mm is None or now.expanded_mm <= (now.most_mm or math.inf)
        state = "enough stations" if within else "further stations help little"
        return Job(f"{state}{open_}", "F6 solves", due=True)
    left = f", about {len(advice.steps)} to go" if advice is not None and advice.steps else ""
    return Job(f"recording, {used} stored{left}{open_}")


SEE_BELOW = "what to do stands below"


def _after_solving(desk: Desk, stored: StoredResult, open_: str, way: str) -> Job:
    if stored.by_touch == "failed":
        return Job(f"the proof failed{open_}", "F6 shows why" if way else SEE_BELOW, due=True)
    if not stored.accepted:
        return Job(
            f"not accepted{open_}", "F6 shows why" if way else _put_right(desk, stored), due=True
        )
    if not stored.proven:
        state = "accepted as told" if stored.told else "accepted"
        return Job(f"{state}{open_}", f"prove: {way}p", due=True)
    if not desk.reported():
        return Job(f"proven{open_}", f"report: {way}r", due=True)
    return Job(f"done{open_}" if open_ else "done: proven and reported")


def _put_right(desk: Desk, stored: StoredResult) -> str:
    if not lacks_number(stored):
        return SEE_BELOW
    return "s solves with the touched point" if desk.number_touched() else "touch one point: p"


def caution_read(settings: Kept, desk: Desk) -> bool:
    """Tell whether whoever works here read the caution today."""
    return settings.get("caution read") == _today(desk)


def keep_caution_read(settings: Kept, desk: Desk) -> None:
    """Keep that the caution was read. Writes a file."""
    settings.put("caution read", _today(desk))
    settings.save()


def _today(desk: Desk) -> str:
    return f"{desk.clock():%Y-%m-%d} {desk.operator or ''}".strip()


def quality(desk: Desk) -> Quality:
    """Say how good the result would be now, and what is worst."""
    limit = desk.session.cell.tolerance if desk.session else None
    most = most_expanded(limit.position_mm, limit.rule) if limit else None
    third = limit is not None and limit.rule == SIMPLE
    level = worst(desk.findings)
    named = next((item for item in desk.findings if item.level is level), None)
    text = "" if named is None else f"{named.level.value}: {named.code}"
    text += " (m: recheck)" if named is not None and named.code in RECHECKABLE else ""
    expanded = desk.solution.stored.expanded_mm if desk.solution else None
    remark = "" if expanded is None or desk.fresh else "not counting the last change"
    if desk.fresh and desk.advice is not None and desk.advice.session is desk.session:
        remark = _outlook(desk.advice, desk.findings)
    if desk.trouble:
        text, level = desk.trouble, Level.WARNING
    return Quality(expanded, most, remark, text, _ROLES[level], third)


def _outlook(advice: Advice, findings: Iterable[Finding]) -> str:
    """Say what the next station would bring; where that is little, which one measurement helps."""
    if advice.enough:
        helps = next((item.remedy for item in findings if item.code == "what-helps"), None)
        what, _, gain = (helps or "").rpartition(":")
        return f"{what.partition(',')[0]}:{gain}" if gain else ""
    after = advice.after(0)
    return "" if after is None else f"next: {after:.2f}"


def station_facts(desk: Desk, row: Row) -> Facts:
    if row.kind == "planned":
        return _planned_facts(desk, row)
    session = desk.session
    found = [s for s in session.stations if s.id == row.key] if session else []
    if not found:
        return Facts("")
    station = found[0]
    typed = labelled(desk.labels, row.fields)
    facts = [Fact("state", row.state, row.role), Fact("pose", typed or "none")]
    if station.joints and station.pose:
        facts.append(Fact("joints", " ".join(station.joints)))
    facts.append(Fact("image", station.image or "none"))
    facts += [Fact(view.camera, view.image or view.points or "none") for view in station.views]
    facts += _noted(
        depth=station.depth,
        taken=(station.taken or "").replace("T", " ")[:19],
        by=station.operator,
        accepted=", ".join(station.accepted),
        note=station.note,
    )
    return Facts(f"Station {station.id}", tuple(facts))


def _noted(**values: str | None) -> list[Fact]:
    """Return a fact for each text that there is, by its name."""
    return [Fact(name, value) for name, value in values.items() if value]


def _planned_facts(desk: Desk, row: Row) -> Facts:
    planned = desk.plan[row.key]
    at = desk.proposed(row.key)
    after = desk.advice.after(at) if desk.advice is not None and at is not None else None
    facts = _noted(
        skipped=planned.skipped,
        pose=labelled(desk.labels, planned.pose or ()),
        jog=planned.jog,
        why=planned.why,
        beware=planned.beware,
        then=None if after is None else f"U of a pick {after:.2f} mm",
    )
    return Facts(f"Planned, {row.state}", tuple(facts))


def view_facts(view: ViewDraft | None, wanted: str) -> Facts:
    """Say what the camera saw for the entry; ``wanted`` is said while there is nothing."""
    if view is None or view.report is None:
        return Facts("No image yet", (Fact("", wanted, "dim"),))
    report = view.report
    said = {item.code for item in view.findings}
    whole = report.found == report.expected
    facts = [
        Fact("points", f"{report.found} of {report.expected}", "good" if whole else "warning"),
        _measured("u", report.u_mm, " mm", "imprecise" in said),
        _measured("edges", report.edge_width_px, " px", "blurred" in said or "smeared" in said),
        _measured("white", 100 * report.white_fraction, " %", "over-exposed" in said),
        _measured("contrast", report.contrast, "", "under-exposed" in said),
        _measured("tilt", report.tilt_deg, "°", "steep-view" in said),
        _measured("to border", report.margin_px, " px", "board-cut-off" in said),
    ]
    name = view.name or "image"
    depth = None if view.depth is None else view.depth.report
    if depth is None:
        return Facts(name, tuple(facts))
    figures = (*facts, *_depth_facts(depth, said))
    return Facts(name, figures, depth_signs(depth, *DEPTH_SIZE), DEPTH_LEGEND)


def _depth_facts(depth: DepthReport, said: set[str]) -> list[Fact]:
    away = "depth-disagrees" in said
    scale = None if depth.scale is None else 100 * depth.scale
    return [
        _measured("depth", 100 * depth.filled, " %", "depth-holes" in said),
        _measured("its noise", depth.noise_mm, " mm", "depth-noisy" in said),
        _measured("its bow", depth.bow_mm, " mm", away),
        Fact("its scale", "not known", "dim")
        if scale is None
        else Fact(
            "its scale", f"{scale:+.2f} %{' !' if away else ''}", "warning" if away else "text"
        ),
    ]


DEPTH_SIZE = (13, 5)  # columns and rows of the small picture of depth
DEPTH_SIGNS = {-1: "-", 0: "=", 1: "+", HOLE: ".", OUTSIDE: " "}
DEPTH_LEGEND = "depth: = flat + far - near . none"


def depth_signs(report: DepthReport, columns: int, rows: int) -> tuple[str, ...]:
    """Return depth on the board as ``rows`` of signs; () where there is none."""
    grid = depth_picture(report, columns, rows)
    if grid is None:
        return ()
    return tuple("".join(DEPTH_SIGNS[int(cell)] for cell in row) for row in grid)


def seen_fact(camera: str, view: ViewDraft | None) -> Fact:
    if view is None or view.report is None:
        return Fact(camera, "no image yet", "dim")
    whole = view.report.found == view.report.expected
    text = f"{view.report.found} of {view.report.expected} points"
    return Fact(camera, text, "good" if whole else "warning")


def _measured(name: str, value: float | None, unit: str, doubtful: bool) -> Fact:
    if value is None:
        return Fact(name, "not known", "dim")
    digits = 2 if value < 1 else 1 if value < 10 else 0
    word = " !" if doubtful else ""
    return Fact(name, f"{value:.{digits}f}{unit}{word}", "warning" if doubtful else "text")


def cell_facts(desk: Desk) -> Facts:
    cell = desk.opened().cell
    pendant, board, camera = cell.pendant, cell.board, cell.camera
    units = f"{pendant.length_unit}, {pendant.angle_unit}"
    if is_quaternion(pendant.rotation):
        units = pendant.length_unit
    robot = cell.robot.name if cell.robot else "not described: reach is not checked"
    source = "no source of images"
    if camera.source:
        source = f"images from {' '.join(next(iter(camera.source.items())))}"
    width, height = camera.image_size_px
    box = " × ".join(f"{size:g}" for size in cell.work_volume.size_mm)
    facts = (
        Fact("cell", f"{cell.name}, {cell.mount}"),
        Fact("robot", robot),
        Fact("pendant", f"{' '.join(pendant.labels)} ({pendant.rotation}, {units})"),
        Fact("camera", f"{camera.name}, {width} × {height} px, {source}"),
        *(Fact("and", f"{more.name}, the same board") for more in cell.cameras),
        Fact("board", f"{board.pattern} {board.columns} × {board.rows}, {board.pitch_mm:g} mm"),
        Fact("pick area", f"{box} mm, tolerance {cell.tolerance.position_mm:g} mm"),
    )
    return Facts("Is this the cell?", facts)
