"""A result in words and columns, for a person at a terminal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from .output import finding_lines

NOT_KNOWN = "not known"


def result_lines(document: Mapping[str, Any]) -> list[str]:
    """Return a solve document as lines of text, from the verdict to the findings.

    All of it again for every further camera.
    """
    lines = [f"verdict: {document['verdict'].replace('-', ' ').upper()}"]
    lines += _transforms(document)
    lines += _uncertainty(document["uncertainty"])
    lines += _stations(document["stations"])
    lines += finding_lines(document["findings"])
    lines += before_lines(document)
    for name, further in document.get("cameras", {}).items():
        lines += ["", f"== camera {name}"]
        lines += ["no stations"] if further is None else result_lines(further)
    return lines


def before_lines(document: Mapping[str, Any]) -> list[str]:
    """Return where the camera was before a quick re-calibration, and how far it moved."""
    before = document.get("before")
    if before is None or before["movement"] is None:
        return []
    x, y, z = before["position_mm"]
    move = before["movement"]
    return [
        f"before: camera at {x:.3f}  {y:.3f}  {z:.3f} mm ({before['session']})",
        f"moved since: {move['position_mm']:.2f} ± {2 * move['u_position_mm']:.2f} mm, "
        f"{move['angle_deg']:.3f} ± {2 * move['u_angle_deg']:.3f}°, "
        f"{move['work_volume_mm']:.2f} mm at the work volume",
    ]


def number(value: float | None, unit: str, digits: int = 3) -> str:
    """Return a value with its unit, or the words that it is not known."""
    return NOT_KNOWN if value is None else f"{value:.{digits}f} {unit}"


def expanded(u: float | None, unit: str, digits: int = 3) -> str:
    """Return ± U = 2u with its unit, or the words that it is not known."""
    return NOT_KNOWN if u is None else f"± {2 * u:.{digits}f} {unit}"


def _transforms(document: Mapping[str, Any]) -> list[str]:
    keys = ("base_T_camera", "flange_T_camera", "flange_T_board", "base_T_board")
    lines = []
    for key in (key for key in keys if key in document):
        placed = document[key]
        if placed is None:
            lines.append(f"{key}: {NOT_KNOWN}")
            continue
        position = _row(placed["position_mm"], "{:10.3f}")
        turned = placed["quaternion_xyzw"]
        lines.append(f"{key}: position {position} mm")
        lines.append(f"{'':{len(key)}}  quaternion xyzw {_row(turned, '{:.6f}')}")
    return lines


def _row(values: Sequence[float | None] | None, form: str) -> str:
    if values is None:
        return NOT_KNOWN
    return "  ".join("?" if value is None else form.format(value) for value in values)


def _uncertainty(u: Mapping[str, float | None]) -> list[str]:
    return [
        "expanded uncertainty (U = 2u, about 95 %):",
        f"  camera position        {expanded(u['position_mm'], 'mm')}",
        f"  camera rotation        {expanded(u['angle_deg'], '°')}",
        f"  at the work volume     {expanded(u['work_volume_mm'], 'mm')}",
        f"  of a pick, robot too   {expanded(u['pick_mm'], 'mm')}",
    ]


def _stations(stations: Sequence[Mapping[str, Any]]) -> list[str]:
    lines = ["station  used   image px   robot mm    robot °"]
    for item in stations:
        cells = [
            "-" if item[key] is None else f"{item[key]:.3f}"
            for key in ("residual_px", "robot_residual_mm", "robot_residual_deg")
        ]
        used = "yes" if item["used"] else "NO"
        lines.append(f"{item['id']:7d}  {used:4}" + "".join(f"{cell:>11}" for cell in cells))
    return lines
