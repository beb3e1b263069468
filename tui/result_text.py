"""A result as lines of (text, role): what `solve` prints and what the screen shows."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from engine.cell.cell import Cell
from engine.cell.result import (
    KEYS,
    Before,
    FoundLens,
    Placed,
    StationResult,
    StoredResult,
    most_expanded,
)
from engine.cell.session import cell_of
from engine.pendant.entry import format_place

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
)

BAR = 20  # cells


def result_lines(
    result: StoredResult, cell: Cell, wrap: Wrap, width: int, *, fresh: bool = True, hint: str = ""
) -> list[Line]:
    """Return the results of all cameras of ``cell``.

    ``fresh`` False: the session was changed since. ``hint`` is said below what a recheck would
    tell more about.
    """
    lines: list[Line] = [[(f"Camera {cell.camera.name}", "title")]] if cell.cameras else []
    lines += _camera(result, cell, wrap, width, fresh, hint)
    for name, part in result.cameras.items():
        lines += [[], [(f"Camera {name}", "title")]]
        if part is None:
            lines.append([("no stations", "warning")])
        else:
            lines += _camera(part, cell_of(cell, name), wrap, width, fresh, hint)
    return lines


def _camera(
    result: StoredResult, cell: Cell, wrap: Wrap, width: int, fresh: bool, hint: str
) -> list[Line]:
    lines = [_verdict(result, fresh), *_uncertainties(result, cell, width)]
    decided = [result.decision.words()] if result.decision else []
    for text in (*decided, *_before(result.before)):
        lines += [[(part, "text")] for part in wrap(text, width)]
    for finding in result.findings:
        lines += finding_lines(finding, wrap, width)
        if hint and finding.code in RECHECKABLE:
            lines += [[(f"  {part}", "dim")] for part in wrap(hint, width - 2)]
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
    u = max((part.expanded_mm or 0.0 for part in results), default=0.0)
    accepted = all(part.accepted for part in results)
    parts = [("accepted", "good") if accepted else ("not accepted", "error")]
    parts += [(f"U {u:.2f} mm", "title")] if u else []
    if accepted:
        proven = all(part.proven for part in results)
        parts.append(("proven", "good") if proven else ("not proven", "warning"))
    return parts


def _verdict(result: StoredResult, fresh: bool) -> Line:
    word, role = ("ACCEPTED", "good") if result.accepted else ("NOT ACCEPTED", "error")
    proven = "proven by touch points" if result.proven else "not proven yet"
    if result.proven and result.frames:
        proven += f" for frame {result.frames.frame}"
    line: Line = [("Verdict: ", "dim"), (word, role), (f", {proven}", "text")]
    if not fresh:
        line.append(("  The session was changed since: solve again.", "warning"))
    return line


def _uncertainties(result: StoredResult, cell: Cell, width: int) -> list[Line]:
    u, tolerance = result.uncertainty, cell.tolerance
    name = KEYS[cell.mount][0]
    rows = (
        ("a pick, robot too", u.pick_mm, "mm", tolerance.position_mm),
        ("at the work volume", u.work_volume_mm, "mm", None),
        (f"{name} position", u.position_mm, "mm", None),
        (f"{name} rotation", u.angle_deg, "°", tolerance.angle_deg),
    )
    head = f"Expanded uncertainty (U = 2u, about 95 %) of {name} as delivered"
    lines: list[Line] = [[(head, "dim")]]
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
    """Return the lens data that the session's own images gave."""
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
    """Return the residuals of every station of the first camera."""
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
