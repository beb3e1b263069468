"""A result on the screen: verdict, uncertainties, findings, transforms, residuals."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from engine.findings import from_document

from ..desk.say import MOVED
from ..result_text import NOT_KNOWN, before_lines, expanded
from .entry_parts import finding_lines
from .looks import Line, Looks, bar

TRANSFORMS = ("base_T_camera", "flange_T_camera", "flange_T_board", "base_T_board")
BAR = 20  # cells
SINCE = "m compares with an earlier session: did the camera move since?"


@dataclass(frozen=True, slots=True)
class ResultView:
    """What is shown: the solve document, and what the cell adds to it.

    ``shown`` holds transforms as the pendant would show them, ``labels`` its labels. ``fresh``
    False: the session was changed since. ``camera``: its name, where there are several.
    """

    document: Mapping[str, Any]
    shown: Mapping[str, Sequence[str]]
    labels: Sequence[str]
    tolerance_mm: float | None
    tolerance_deg: float | None
    fresh: bool = True
    camera: str = ""


def write_results(views: Sequence[ResultView], looks: Looks, width: int) -> list[Line]:
    """Return the results of all cameras as lines."""
    lines: list[Line] = []
    for view in views:
        if view.camera:
            lines += [[]] if lines else []
            lines.append([(f"Camera {view.camera}", "title")])
        lines += write_result(view, looks, width)
    return lines


def write_result(view: ResultView, looks: Looks, width: int) -> list[Line]:
    """Return the whole result as lines."""
    findings = [from_document(item) for item in view.document["findings"]]
    lines = _verdict(view)
    lines += _uncertainties(view)
    for text in before_lines(view.document):
        lines += [[(part, "text")] for part in looks.wrap(text, width)]
    for finding in findings:
        lines += finding_lines(finding, looks.wrap, width, False)
        if finding.code in MOVED:
            lines += [[(f"  {part}", "dim")] for part in looks.wrap(SINCE, width - 2)]
    lines.append([])
    for key in TRANSFORMS:
        if key in view.document:
            lines += _transform(key, view, looks, width)
    return lines + _stations(view.document["stations"], width)


def _verdict(view: ResultView) -> list[Line]:
    accepted = view.document["verdict"] == "accepted"
    word, role = ("ACCEPTED", "good") if accepted else ("NOT ACCEPTED", "error")
    proven = "proven by touch points" if view.document["proven"] else "not proven yet"
    line: Line = [("Verdict: ", "dim"), (word, role), (f", {proven}", "text")]
    if not view.fresh:
        line.append(("  The session was changed since: solve again.", "warning"))
    return [line]


def _uncertainties(view: ResultView) -> list[Line]:
    u = view.document["uncertainty"]
    rows = (
        ("a pick, robot too", u["pick_mm"], "mm", view.tolerance_mm),
        ("at the work volume", u["work_volume_mm"], "mm", None),
        ("camera position", u["position_mm"], "mm", None),
        ("camera rotation", u["angle_deg"], "°", view.tolerance_deg),
    )
    lines: list[Line] = [[("Expanded uncertainty (U = 2u, about 95 %)", "dim")]]
    for name, value, unit, limit in rows:
        line: Line = [(f"  {name:<20}", "dim"), (f"{expanded(value, unit):<16}", "title")]
        if limit is not None and value is not None:
            share = 2 * value / limit
            role = "good" if share <= 1 else "error"
            word = "within" if share <= 1 else "above"
            line += [(bar(share, BAR), role), (f" {word} the tolerance {limit:g} {unit}", role)]
        lines.append(line)
    return [*lines, []]


def _transform(key: str, view: ResultView, looks: Looks, width: int) -> list[Line]:
    placed = view.document[key]
    if placed is None:
        return [[(key, "title"), (f"  {NOT_KNOWN}", "warning")], []]
    lines: list[Line] = [[(key, "title")]]
    if key in view.shown:
        pairs = zip(view.labels, view.shown[key], strict=False)
        text = "  ".join(f"{label} {value}" for label, value in pairs)
        lines.append([("  as the pendant shows it", "dim")])
        lines += [[(f"    {part}", "title")] for part in looks.wrap(text, width - 4)]
    lines.append([("  position mm ", "dim"), (_row(placed["position_mm"], "{:11.3f}"), "text")])
    quaternion = placed["quaternion_xyzw"]
    lines.append([("  quaternion xyzw ", "dim"), (_row(quaternion, "{:.6f}"), "text")])
    matrix = [_row(row, "{:11.6f}") for row in placed["matrix"]]
    lines += [[("  matrix  " if n == 0 else "          ", "dim"), (row, "text")]
              for n, row in enumerate(matrix)]  # fmt: skip
    return [*lines, []]


def _row(values: Sequence[float | None] | None, form: str) -> str:
    if values is None:
        return NOT_KNOWN
    return " ".join("?" if value is None else form.format(value) for value in values)


def _stations(stations: Sequence[Mapping[str, Any]], width: int) -> list[Line]:
    """Return image and robot residuals, each with a bar up to the largest."""
    size = max(min((width - 48) // 2, 30), 6)
    most_px = max((s["residual_px"] or 0 for s in stations), default=0)
    most_mm = max((s["robot_residual_mm"] or 0 for s in stations), default=0)
    head = f" No  used  {'image px':<{size + 9}}{'robot mm':<{size + 9}}robot °"
    lines: list[Line] = [[(head, "dim")]]
    for s in stations:
        used, role = ("yes ", "text") if s["used"] else ("NO  ", "error")
        lines.append(
            [
                (f"{s['id']:3d}  ", "text"),
                (f"{used}  ", role),
                *_residual(s["residual_px"], most_px, size),
                *_residual(s["robot_residual_mm"], most_mm, size),
                (_figure(s["robot_residual_deg"]), "text"),
            ]
        )
    return lines


def _residual(value: float | None, most: float, size: int) -> Line:
    share = value / most if value is not None and most > 0 else None
    return [(f"{_figure(value):>7} ", "text"), (bar(share, size) + " ", "rule")]


def _figure(value: float | None) -> str:
    return "-" if value is None else f"{value:.3f}"
