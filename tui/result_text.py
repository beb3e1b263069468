"""A result as lines of (text, role): what `solve` prints and what the screen shows.

What else is found is said in lines of text alone: a lens, a frame, the difference of two results.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from engine.camera.calibration import NAMES, OF_MATRIX
from engine.camera.model import Camera
from engine.cell.budget import KEPT_WORDS
from engine.cell.cell import Cell
from engine.cell.mount import KEYS
from engine.cell.result import (
    TO_SHOW,
    Before,
    FoundLens,
    Placed,
    StationResult,
    StoredResult,
    not_known_by,
    only_if,
)
from engine.cell.rule import most_expanded
from engine.cell.session import cell_of
from engine.pendant.entry import format_place

from .output import finding_texts
from .words import (
    NOT_KNOWN,
    RECHECKABLE,
    Line,
    Part,
    Wrap,
    bar,
    expanded,
    figure,
    finding_lines,
    line_text,
    number,
    short_verdict,
)

if TYPE_CHECKING:
    from engine.cell.touched import ByTouch
    from engine.proof.compare import Difference, Entry
    from engine.steps.checking import LensCheck
    from engine.steps.focus import Bar
    from engine.steps.pointing import FrameFound

BAR, FOCUS_BAR = 20, 24  # cells
BY_TOUCH: dict[ByTouch, str] = {
    "proven": "proven by touch points",
    "failed": "the proof by touch points FAILED",
    "no longer": "no longer proven",
    "not yet": "not proven yet",
    "not known": "not proven yet",
}


def result_lines(
    result: StoredResult, cell: Cell, wrap: Wrap, width: int, *, fresh: bool = True, hint: str = ""
) -> list[Line]:
    """Return the results of all cameras of ``cell``.

    ``fresh`` False: the session was changed since. ``hint`` is said below what a recheck would
    tell more about.
    """
    lines: list[Line] = [[(f"Camera {cell.camera.name}", "title")]] if cell.cameras else []
    lines += _camera(result, cell, wrap, width, fresh, hint)
    for name, part in result.further.items():
        lines += [[], [(f"Camera {name}", "title")]]
        if part is None:
            lines.append([("no stations", "warning")])
        else:
            lines += _camera(part, cell_of(cell, name), wrap, width, fresh, hint)
    return lines


def _camera(
    result: StoredResult, cell: Cell, wrap: Wrap, width: int, fresh: bool, hint: str
) -> list[Line]:
    result = result.as_told()
    lines = [
        _verdict(result, fresh),
        *_told(result, wrap, width),
        *_uncertainties(result, cell, wrap, width),
    ]
    decided = [result.decision.words()] if result.decision else []
    for text in (*decided, *_before(result.before)):
        lines += [[(part, "text")] for part in wrap(text, width)]
    for finding in result.findings:
        lines += finding_lines(finding, wrap, width)
        if hint and finding.code in RECHECKABLE:
            lines += [[(f"  {part}", "dim")] for part in wrap(hint, width - 2)]
    lines += [[(text, "text")] for part in _made_of(result) for text in wrap(part, width)]
    lines.append([])
    for name, placed in result.transforms.items():
        lines += _transform(name, placed, cell, wrap, width)
    lines += _lens(result.lens, wrap, width)
    return lines + _stations(result.stations, width)


def verdict_parts(result: StoredResult, *, fresh: bool) -> list[Part]:
    """Return the verdict in few words, for large letters: of the worst camera, where several."""
    if not fresh:
        return [("changed: solve again", "warning")]
    results = [result, *(part for part in result.cameras.values() if part is not None)]
    u = result.expanded_mm
    accepted = all(part.accepted for part in results)
    parts = [("accepted", "good") if accepted else ("not accepted", "error")]
    if accepted and result.told:
        parts = [("accepted as told", "warning")]
    parts += [(f"U {u:.2f} mm", "title")] if u else []
    if result.by_touch == "failed":
        parts.append(("proof failed", "error"))
    elif accepted:
        proven = all(part.proven for part in results)
        parts.append(("proven", "good") if proven else ("not proven", "warning"))
    return parts


def _verdict(result: StoredResult, fresh: bool) -> Line:
    word, role = ("ACCEPTED", "good") if result.accepted else ("NOT ACCEPTED", "error")
    if result.told:
        word, role = "ACCEPTED AS TOLD", "warning"
    failed = result.by_touch == "failed"
    proven = BY_TOUCH[result.by_touch]
    if result.by_touch == "proven" and result.frames:
        proven += f" for frame {result.frames.frame}"
    line: Line = [
        ("Verdict: ", "dim"),
        (word, role),
        (f", {proven}", "error" if failed else "text"),
    ]
    if any(item.code == "overruled" for item in result.findings):
        line.append((", limits or reach overruled", "warning"))
    if not fresh:
        line.append(("  The session was changed since: solve again.", "warning"))
    return line


def _told(result: StoredResult, wrap: Wrap, width: int) -> list[Line]:
    """Return on which told numbers the verdict rests, and how to show them."""
    if not result.told:
        return []
    return [
        [(text, "warning")] for text in wrap(f"It holds {only_if(result.told)}. {TO_SHOW}", width)
    ]


def _uncertainties(result: StoredResult, cell: Cell, wrap: Wrap, width: int) -> list[Line]:
    u, tolerance = result.uncertainty, cell.tolerance
    name = KEYS[cell.mount][0]
    rows = (
        ("a pick, robot too", u.pick_mm, "mm", tolerance.position_mm),
        ("at the work volume", u.work_volume_mm, "mm", None),
        (f"{name} position", u.position_mm, "mm", None),
        (f"{name} rotation", u.angle_deg, "°", tolerance.angle_deg),
    )
    factor = "" if result.spoiled_by else f", {result.k_and_why}"
    head = f"Expanded uncertainty U (about 95 %{factor}; of a pick above 99 %)"
    lines: list[Line] = [[(text, "dim")] for text in wrap(head, width)]
    if result.spoiled_by:
        return [*lines, [(f"  {not_known_by(result.spoiled_by)}", "warning")], []]
    for name, value, unit, limit in rows:
        line: Line = [(f"  {name:<25}", "dim"), (f"{expanded(value, unit):<14}", "title")]
        if limit is not None and value is not None:
            most = most_expanded(limit, tolerance.rule)
            share = 2 * value / most
            role = "good" if share <= 1 else "error"
            word = "within" if share <= 1 else "above"
            what = "the tolerance" if most == limit else "a third of the tolerance"
            allowed = f"{limit:g}{'' if unit == '°' else ' '}{unit}"
            said = f" {word} {what} {allowed}"
            if len(line_text(line)) + len(said) > width:
                said = f" {word} {allowed}" if most == limit else f" {word} {allowed} / 3"
            room = width - len(line_text(line)) - len(said)
            line += [(bar(share, max(min(BAR, room), 0)), role), (said, role)]
        lines.append(line)
    return [*lines, []]


def _made_of(result: StoredResult) -> list[str]:
    """Return the uncertainty budget of a pick, the largest part first, and how U comes of it."""
    made = result.budget
    if made is None or not made.parts:
        return []
    parts = [f"{part.name} {part.u_mm:.2g} ({made.share(part)})" for part in made.parts]
    beside = made.drift_words()
    return [
        f"u of a pick is made of, in mm (share of u²): {', '.join(parts)}; together "
        f"{made.total_mm:.3f}, times {made.k:.2f} is U. All corners of the "
        f"work volume keep it in {KEPT_WORDS} of cases.",
        *([beside] if beside else []),
    ]


def _before(before: Before | None) -> list[str]:
    """Return where the camera was before a quick re-calibration, and how far it moved."""
    if before is None or before.movement is None:
        return []
    move, place = before.movement, _row(before.position_mm, "{:.3f}", "  ")
    return [
        f"before: camera at {place} mm ({before.session})",
        f"moved since: {move.position_mm:.2f} {expanded(move.u_position_mm, 'mm', 2)}, "
        f"{move.angle_deg:.3f} ± {2 * move.u_angle_deg:.3f}°, "
        f"{move.work_volume_mm:.2f} mm at the work volume",
    ]


def _transform(name: str, placed: Placed | None, cell: Cell, wrap: Wrap, width: int) -> list[Line]:
    if placed is None:
        return [[(name, "title"), (f"  {NOT_KNOWN}", "warning")], []]
    lines: list[Line] = [[(name, "title")]]
    if shown := as_shown(placed, cell):
        pairs = zip(cell.pendant.labels, shown, strict=False)
        text = "  ".join(f"{label} {value}" for label, value in pairs)
        lines.append([("  as the pendant shows it", "dim")])
        lines += [[(f"    {part}", "title")] for part in wrap(text, width - 4)]
    lines.append([("  position mm ", "dim"), (_row(placed.position_mm, "{:11.3f}"), "text")])
    lines.append([("  quaternion xyzw ", "dim"), (_row(placed.quaternion_xyzw, "{:.6f}"), "text")])
    for n, row in enumerate(placed.matrix):
        head = "  matrix  " if n == 0 else " " * 10
        lines.append([(head, "dim"), (_row(row, "{:11.6f}"), "text")])
    return [*lines, []]


def _lens(lens: FoundLens | None, wrap: Wrap, width: int) -> list[Line]:
    if lens is None:
        return []
    (fx, _, cx), (_, fy, cy), _ = lens.matrix
    u = lens.u
    texts = (
        f"fx {fx:.2f}  fy {fy:.2f}  cx {cx:.2f}  cy {cy:.2f} px",
        "distortion " + (" ".join(f"{value:.6g}" for value in lens.distortion) or "none"),
        f"U (k = 2): focal length {200 * u.focal:.2g} %, centre {2 * u.center_px:.2g} px, "
        f"image corner {2 * u.edge_px:.2g} px",
    )
    head = "Lens data from the session's own images; locate parts with them"
    lines: list[Line] = [[(head, "title")]]
    lines += [[(f"  {part}", "text")] for text in texts for part in wrap(text, width - 2)]
    return [*lines, []]


def as_shown(placed: Placed, cell: Cell) -> tuple[str, ...]:
    """Return a transform as the pendant would show it; () where it cannot, or not all is known."""
    if cell.pendant.rotation in ("joints", "yaw") or not placed.known:
        return ()
    return format_place(np.array(placed.matrix, float), cell.pendant)


def _row(values: Sequence[float | None] | None, form: str, between: str = " ") -> str:
    if values is None:
        return NOT_KNOWN
    return between.join("?" if value is None else form.format(value) for value in values)


def residual_lines(result: StoredResult, width: int) -> list[Line]:
    return _stations(result.stations, width)


def _stations(stations: Sequence[StationResult], width: int) -> list[Line]:
    """Return image and robot residuals, each with a bar up to the largest."""
    size = max(min((width - 48) // 2, 30), 6)
    most_px = max((s.residual_px or 0 for s in stations), default=0)
    most_mm = max((s.robot_residual_mm or 0 for s in stations), default=0)
    head = f" No  used  {'image px':<{size + 9}}{'robot mm':<{size + 9}}robot °"
    lines: list[Line] = [[(head, "dim")]]
    for s in stations:
        used, role = ("yes ", "text") if s.used else ("NO  ", "error")
        lines.append(
            [
                (f"{s.id:3d}  ", "text"),
                (f"{used}  ", role),
                *_residual(s.residual_px, most_px, size),
                *_residual(s.robot_residual_mm, most_mm, size),
                (figure(s.robot_residual_deg), "text"),
            ]
        )
    return lines


def _residual(value: float | None, most: float, size: int) -> Line:
    share = value / most if value is not None and most > 0 else None
    return [(f"{figure(value):>7} ", "text"), (bar(share, size) + " ", "rule")]


# ---- what else is found -------------------------------------------------------------------------


def difference_lines(found: Difference, other: str) -> list[str]:
    movement = found.movement
    volume = number(movement.work_volume_mm, "mm", 2)
    if found.unknown_by:
        size = f"{movement.position_mm:.2f} mm, {movement.angle_deg:.3f}°"
        return [
            f"difference from {other}: {size}; U is {not_known_by(found.unknown_by)}",
            f"at the work volume: {volume}",
            *finding_texts(found.findings),
        ]
    return [
        f"difference from {other}: {movement.words()} (± U = 2u)",
        f"at the work volume: {volume} {expanded(movement.u_work_volume_mm, 'mm', 2)}",
        *finding_texts(found.findings),
    ]


def history_lines(entries: list[Entry]) -> list[str]:
    """Return the history as a table: drift at the work volume since the first result."""
    lines = ["", "day         drift mm    U mm  verdict        proven  session"]
    for entry in entries:
        drift = "       -       -"
        if (since := entry.since_first) is not None:
            u = since.u_work_volume_mm
            drift = f"{since.movement.work_volume_mm:8.2f}{figure(u and 2 * u, 2):>8}"
        proven = {"proven": "yes", "failed": "FAILED"}.get(entry.by_touch, "no")
        verdict = short_verdict(entry.verdict, entry.holds)
        lines.append(f"{entry.created[:10]:10}{drift}  {verdict:13}  {proven:6}  {entry.name}")
    return lines


def lens_lines(check: LensCheck) -> list[str]:
    found = check.found
    K, u = np.array(found.camera.matrix), found.u_px()
    values = (K[0, 0], K[1, 1], K[0, 2], K[1, 2])
    rows = zip(("fx", "fy", "cx", "cy"), values, u, strict=True)
    lines = [f"lens found from {len(found.poses)} stations (U = 2u):"]
    lines += [f"  {name} {value:10.2f} ± {2 * s:.2f} px" for name, value, s in rows]
    for name, value in zip(NAMES[OF_MATRIX:], found.camera.distortion, strict=False):
        shown = f"{value:10.5f} ± {2 * found.u_of(name):.5f}"
        lines.append(f"  {name} {shown if name in found.kept else '        0   not significant'}")
    bows = zip(found.bow_mm, found.u_bow_mm, strict=True)
    lines.append(f"  board's bow {', '.join(f'{b:.2f} ± {2 * s:.2f}' for b, s in bows)} mm")
    lines.append(f"points miss by {found.rms_px:.3f} px with these data")
    if check.cell_residual_px is not None:
        lines[-1] += f", {check.cell_residual_px:.3f} px with the cell's"
        lines += _lens_verdict(check)
    lines += finding_texts(check.notes)
    if check.stays:
        return [*lines, "the cell's own lens data are known better: they stay"]
    return [*lines, "for cell.yaml:", *_as_in_cell(found.camera)]


def _lens_verdict(check: LensCheck) -> list[str]:
    if check.fits:
        return ["the cell's lens data fit"]
    what = ", ".join(check.differs) or "solve names the lens"
    return [f"DIFFERS from the cell: {what}", *finding_texts(check.findings)]


def _as_in_cell(camera: Camera) -> list[str]:
    """Return lens data and uncertainties as a cell takes them."""
    (fx, _, cx), (_, fy, cy), _ = camera.matrix
    bent = ", ".join(f"{value:.6g}" for value in camera.distortion)
    lines = [
        f"  matrix: [[{fx:.3f}, 0, {cx:.3f}], [0, {fy:.3f}, {cy:.3f}], [0, 0, 1]]",
        f"  distortion: [{bent}]",
    ]
    if (u := camera.u) is not None:
        about = f"focal: {u.focal:.2g}, center_px: {u.center_px:.2g}, edge_px: {u.edge_px:.2g}"
        lines.append(f"  u: {{{about}}}")
    return lines


def bar_line(bar: Bar) -> str:
    """Return one figure with its bar; ``|`` marks the best since watching began."""
    filled = ["#" if k < round(FOCUS_BAR * bar.share) else "." for k in range(FOCUS_BAR)]
    best = round(FOCUS_BAR * bar.best)
    if best > round(FOCUS_BAR * bar.share):
        filled[best - 1] = "|"
    return f"  {bar.name:14} {''.join(filled)} {'ok ' if bar.good else 'bad'} {bar.text}"


def frame_lines(found: FrameFound) -> list[str]:
    x, y, z = found.base_T_frame[:3, 3]
    u = found.delivered.uncertainty
    position, angle = 2 * (u.position_mm or 0.0), 2 * (u.angle_deg or 0.0)
    lines = [
        f"{found.name} in the base: origin X {x:.3f}  Y {y:.3f}  Z {z:.3f} mm",
        f"U of the origin {position:.3f} mm, of the rotation {angle:.4f}° ({found.delivered.k})",
    ]
    lines.append(f"axes: {found.delivered.axes}")
    lines.append(f"proven by touch points: {found.delivered.touched}")
    if found.delivered.holds:
        lines.append(f"ACCEPTED {found.delivered.holds}. {TO_SHOW}")
    if found.delivered.caution:
        lines.append(f"NOT ACCEPTED: {found.delivered.caution}")
    return lines
