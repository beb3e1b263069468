"""The report's sections on the stations, the findings, the proof, and who stands for it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..cautions import REPORT
from ..cell.budget import KEPT_WORDS
from ..cell.cell import Cell
from ..cell.result import StoredResult
from ..cell.rule import POINTER
from ..cell.session import About, Session, Station
from ..errors import FileError
from ..files import LARGEST_FILE, inside, read_bytes, sha256
from ..findings import Level
from ..frames import rotation_log
from ..sessions.journal import Line
from .html_base import (
    BLANK,
    Html,
    element,
    figure,
    joined,
    number,
    pairs,
    paragraph,
    rounded,
    section,
    table,
)
from .stations import StationView, Thumbnail, small_photo

RESIDUALS = (("residual_px", 3), ("robot_residual_mm", 3), ("robot_residual_deg", 4))
MANY = 10_000  # degrees of freedom from which on their number says nothing more
MOST_ACTIONS = 200  # lines of the journal shown: the latest
MOVED = (
    ("Moved [mm]", "position_mm", "u_position_mm", 3),
    ("Turned [°]", "angle_deg", "u_angle_deg", 4),
    ("Moved at the work volume, at most [mm]", "work_volume_mm", "u_work_volume_mm", 3),
)
LEVELS = {Level.ERROR: "ERROR", Level.WARNING: "WARNING", Level.NOTE: "Note"}


def cautions() -> Html:
    """Return the usual cautions of work inside a robot's fence."""
    items = joined(element("li", text) for text in REPORT)
    return element("div", joined([element("b", "Before anything moves"), element("ul", items)]),
                   class_="caution")  # fmt: skip


def findings(result: StoredResult, views: list[StationView]) -> Html:
    """Return what the program noticed, and what the operator did about it."""
    items = [
        element("div", joined([
            element("b", f"{LEVELS[item.level]}: {item.code}"), paragraph(item.message),
            paragraph(f"Remedy: {item.remedy}") if item.remedy else "",
        ]), class_=f"finding {item.level}")
        for item in result.findings
    ]  # fmt: skip
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
    said = "set aside" if not station.use else "yes" if row.used else "no"
    if station.closing:
        said += ", closing"
    if row.turn:
        said += f", board read turned by {row.turn}"
    if view.problem:
        said += f"; {view.problem}"
    return (
        str(station.id), _lines([taken, station.operator or ""]),
        element("span", _typed(station, cell), class_="typed"), read,
        *(number(getattr(row, key), digits) for key, digits in RESIDUALS), said,
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
    return figure(Html(picture.svg or ""), title, "; ".join(words) + ".")


def actions(lines: Sequence[Line], cell: Cell) -> Html:
    """Return the journal: who did what and when, the latest `MOST_ACTIONS`."""
    if not lines:
        return section("What was done", paragraph("There is no journal."))
    labels = cell.pendant.labels
    rows = [_action(line, labels) for line in lines[-MOST_ACTIONS:]]
    more = len(lines) - len(rows)
    text = f"The journal's last {len(rows)} entries; {more} earlier ones are in journal.jsonl."
    head = ("when", "who", "what", "station", "changed", "accepted", "reason")
    return section("What was done", paragraph(text) if more else "", table(head, rows))


def _action(line: Line, labels: Sequence[str]) -> tuple[object, ...]:
    accepted = line.get("accepted")
    codes = ", ".join(map(str, accepted)) if isinstance(accepted, list | tuple) else ""
    what = str(line.get("action") or "–") + ("" if line.get("finished", True) else " (unfinished)")
    station = line.get("station")
    return (
        _lines([str(line.get("at") or "not known")]), str(line.get("who") or "–"), what,
        "–" if station is None else str(station), _lines(_changed(line, labels)) or "–",
        codes or "–", str(line.get("reason") or "–"),
    )  # fmt: skip


def _changed(line: Line, labels: Sequence[str]) -> list[str]:
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


def before(result: StoredResult) -> Html | str:
    """Return where the camera was before a quick re-calibration; empty for any other result."""
    said = result.before
    if said is None:
        return ""
    told = (
        f"Re-calibrated from few stations, the board on its mount as in session {said.session}."
        if said.trusted_board
        else f"The board is not where session {said.session} had it: its place there was not used."
    )
    rows = [("Camera before [mm]", _triple(said.position_mm), "")]
    if (move := said.movement) is not None:
        rows += [
            (name, number(getattr(move, key), digits), _expanded(getattr(move, u), digits))
            for name, key, u, digits in MOVED
        ]
    return section("Before and after", paragraph(told), table(("", "", "U (k = 2)"), rows))


def _expanded(u: float | None, digits: int) -> str:
    return "–" if u is None else f"± {number(2 * u, digits)}"


def cameras(result: StoredResult, cell: Cell, shown: str) -> Html | str:
    """Return what the other cameras of the session gave; empty where there is only one."""
    parts = {cell.camera.name: result, **result.further}
    names = [name for name in cell.camera_names if name != shown]
    if not names:
        return ""
    others = [(name, parts.get(name)) for name in names]
    rows = [_other(name, part and part.as_told()) for name, part in others]
    text = "All cameras of a session see one board at the same stops; each has a record of its own."
    head = ("camera", "verdict", "position [mm]", "U of a pick [mm]", "findings")
    return section("The other cameras", paragraph(text), table(head, rows))


def _other(name: str, part: StoredResult | None) -> tuple[str, ...]:
    if part is None:
        return name, "no stations", "–", "–", "–"
    codes = ", ".join(dict.fromkeys(item.code for item in part.findings))
    position = _triple(part.camera.position_mm if part.camera else None)
    u = _expanded(part.uncertainty.pick_mm, 3)
    return name, part.verdict_words.upper(), position, u, codes or "none"


def proof(result: StoredResult) -> Html:
    """Return the proof by touch points in a result, or that there is none yet."""
    said = result.proof
    if said is None or not said.points:
        return section("Proof by touch points", paragraph(
            "No touch points were compared. The fit alone cannot see a wrong active tool or frame: "
            "touch at least four points spread over the work volume (common practice) and compare."
        ))  # fmt: skip
    rows = [
        (p.touch, p.point, _triple(p.place_mm), _triple(p.seen_mm), _triple(p.error_mm),
         number(p.size_mm, 3), number(p.expanded_mm, 3), "yes" if p.agrees else "NO")
        for p in said.points
    ]  # fmt: skip
    head = ("touch", "point", "touched [mm]", "seen [mm]", "seen less touched [mm]", "apart [mm]",
            "U [mm]", "within U")  # fmt: skip
    mean, most = number(said.mean_mm, 3), number(said.max_mm, 3)
    told = f"{len(said.points)} touches: mean distance {mean} mm, largest {most} mm."
    alike = f"Mean of seen less touched: {_triple(said.mean_error_mm)} mm"
    if said.bias_t is not None:
        t = ", ".join(f"{value:.1f}" for value in said.bias_t)
        alike += f"; against the scatter of the points t = {t}"
    axes = "All on the axes of base: where the pointer touched, and where the camera saw it."
    stands = f"Proven by touch points: {result.touched}."
    texts = [
        stands,
        told,
        f"{alike}.",
        *([said.decision.words(POINTER)] if said.decision else []),
        *filter(None, [said.left_out_words]),
        axes,
    ]
    title = "Proof by touch points"
    return section(title, *map(paragraph, texts), table(head, rows))


def _triple(values: Iterable[float | None] | None) -> str:
    return "not known" if values is None else " ".join(number(v, 3) for v in values)


# ---- for whom, where and how -------------------------------------------------------------------


def circumstances(session: Session, journal: Sequence[Line]) -> Html | str:
    """Return customer, place, temperature, warm-up and instruments; empty where none is noted."""
    about, warm = session.about, _warmed_up(journal)
    if about is None and warm is None:
        return ""
    about = about or About()
    degrees, minutes = about.temperature_degc, about.warm_up_min
    rows = [
        ("Customer", about.customer), ("Place", about.place),
        ("Temperature", None if degrees is None else f"{degrees:g} °C"),
        ("Warm-up", warm if minutes is None else f"the robot ran {minutes:g} min before"),
    ]  # fmt: skip
    return section("For whom, where and how", pairs(rows), _instruments(about, session.created))


def _warmed_up(journal: Sequence[Line]) -> str | None:
    """Return what was answered at the start, in words."""
    given = [line["answers"] for line in journal if isinstance(line.get("answers"), dict)]
    if not given or not isinstance(given[-1].get("warmed_up"), bool):
        return None
    return "warmed up, by the operator's word" if given[-1]["warmed_up"] else "NOT warmed up"


def _instruments(about: About, created: str) -> Html | str:
    if not about.instruments:
        return ""
    rows = [
        (item.name, item.serial or BLANK, item.due or BLANK,
         "OVERDUE then" if item.due and created and item.due < created[:10] else "")
        for item in about.instruments
    ]  # fmt: skip
    head = ("instrument", "serial number", "calibration due", "")
    return table(head, rows, "What was measured with")


def budget(result: StoredResult) -> Html | str:
    """Return what the uncertainty of a pick is made of; empty where it is not known."""
    made = result.budget
    if made is None or not made.parts:
        return ""
    total = made.total_mm
    rows = [(part.name, number(part.u_mm, 4), made.share(part)) for part in made.parts]
    rows.append(("together", number(total, 4), "100 %"))
    freedom, expanded = made.degrees_of_freedom, number(made.k * total, 3)
    told = "Standard uncertainties at the worst corner of the work volume; their squares add up."
    many = "" if freedom is None else f"{freedom:.0f}" if freedom < MANY else f"over {MANY}"
    told += (
        f" U is {result.pick_k[4:]} times that, so that all corners keep it in {KEPT_WORDS} of "
        f"cases{f' with {many} degrees of freedom' if many else ''}."
    )
    rows.append((f"U of a pick ({result.pick_k})", expanded, ""))
    head = ("from", "u [mm]", "share of u²")
    beside = made.drift_words()
    said = [paragraph(told), table(head, rows), *([paragraph(beside)] if beside else [])]
    return section("Uncertainty budget of a pick", *said)


# ---- photographs of the pendant ----------------------------------------------------------------


def photographs(views: list[StationView], folder: Path, cell: Cell) -> Html | str:
    """Return the photographs of the pendant beside what was typed; empty where there are none."""
    shown = [_photograph(view.station, folder, cell) for view in views if view.station.photo]
    if not shown:
        return ""
    text = "Evidence of what the pendant showed, as it was stored; compare with what was typed."
    pictures = element("div", joined(shown), class_="pictures")
    return section("Photographs of the pendant", paragraph(text), pictures)


def _photograph(station: Station, folder: Path, cell: Cell) -> Html:
    name, title = station.photo or "", f"Station {station.id}"
    try:
        data = read_bytes(inside(folder, name), LARGEST_FILE)
        small = small_photo(data, name)
    except FileError as error:
        return figure(Html(""), title, str(error))
    image = Html(
        f'<img alt="pendant at station {station.id}" src="data:image/jpeg;base64,{small}">'
    )
    typed = element("span", _typed(station, cell), class_="typed")
    words = joined([typed, element("span", f"{name}, SHA-256 {sha256(data)}", class_="hash")])
    return figure(image, title, words)


# ---- the cell before and since -----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Past:
    """One line of a cell's history: the day, what it was, its session, and what came of it."""

    day: str
    what: str
    session: str
    said: str


def past(history: Sequence[Past]) -> Html | str:
    """Return the history of the cell; empty where nothing else is known of it."""
    if not history:
        return ""
    rows = [(_lines([item.day]), item.what, item.session, item.said) for item in history]
    text = "Results, rechecks and noted events of the sessions that lie beside this one."
    head = ("day", "what", "session", "what came of it")
    return section("History of the cell", paragraph(text), table(head, rows))


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
