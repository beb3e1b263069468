"""The transform that a result delivers, with all that a file handed over must say about it."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..arrays import Array
from ..cell.cameras import cell_of
from ..cell.cell import Cell
from ..errors import StationbookError, UsageError
from ..frames import checked_transform, from_position_quaternion, inverse, rotation_angle, skew
from ..pendant.settings import LENGTH_MM

AGREE_MM, AGREE_RAD = 1e-3, 1e-6  # rounding of a file written by this program stays below both
LONGEST_TEXT = 200  # characters of a free text repeated in a handed-over file
ACCEPTED = "accepted"
CAMERA_AXES = "x to the right and y down in the image, z along the view, origin in the lens"


@dataclass(frozen=True, slots=True, eq=False)
class Delivered:
    """One transform ready to be written in any form.

    Attributes:
        to_frame, from_frame: the transform maps coordinates in from_frame into to_frame.
        matrix: (4, 4) [mm].
        covariance: (6, 6) of [rx ry rz tx ty tz] [rad, mm] on the axes of to_frame, or None.
        uncertainty: standard uncertainties position_mm, angle_deg, work_volume_mm, pick_mm;
            None where not known.
        verdict: accepted or not-accepted; ``caution`` says why not, None when accepted.
        proven: agreed with touch points; None where not known.
        source_sha256: of what the transform was taken from, ``source`` says of what.
    """

    cell: Cell
    to_frame: str
    from_frame: str
    matrix: Array
    covariance: Array | None
    uncertainty: dict[str, float | None]
    verdict: str
    caution: str | None
    proven: bool | None
    source: str
    source_sha256: str

    @property
    def name(self) -> str:
        """Name of the transform, such as base_T_camera."""
        return f"{self.to_frame}_T_{self.from_frame}"


def delivered(
    document: Mapping[str, Any],
    cell: Cell,
    *,
    inverted: bool = False,
    allow_not_accepted: bool = False,
    source_sha256: str | None = None,
) -> Delivered:
    """Return the camera's transform in a solve document, or its inverse.

    ``source_sha256`` is the hash of the file result.yaml; without it the document itself is
    hashed. Raises StationbookError for a document without that transform or one whose numbers
    disagree, UsageError for a result that is not accepted unless ``allow_not_accepted``.
    """
    mount = document.get("mount")
    if mount != cell.mount:
        raise StationbookError(f"the result is {mount}, the cell {cell.mount}", "Solve again.")
    verdict = ACCEPTED if document.get("verdict") == ACCEPTED else "not-accepted"
    caution = None if verdict == ACCEPTED else f"NOT ACCEPTED: {_reasons(document)}"
    if caution and not allow_not_accepted:
        raise UsageError(
            f"the result is not accepted: {_reasons(document).rstrip('.')}",
            "Put that right and solve again, or hand it over marked as such with --not-accepted.",
        )
    T = transform_of(document, cell.camera_key)
    if T is None:
        raise StationbookError(
            f"the result holds no complete {cell.camera_key}",
            "What the stations do not show is missing in it; see the findings, then solve again.",
        )
    to_frame, _, from_frame = cell.camera_key.partition("_T_")
    covariance = covariance_of(document)
    uncertainty = {
        key: known_number(document.get("uncertainty"), key)
        for key in ("position_mm", "angle_deg", "work_volume_mm", "pick_mm")
    }
    if inverted:
        to_frame, from_frame = from_frame, to_frame
        if covariance is not None:
            covariance = inverse_covariance(T, covariance)
        position = None if covariance is None else float(np.sqrt(np.trace(covariance[3:, 3:])))
        T, uncertainty["position_mm"] = inverse(T), position
    proven = document.get("proven")
    return Delivered(
        cell, to_frame, from_frame, T, covariance, uncertainty, verdict, caution,
        proven if isinstance(proven, bool) else None,
        "result.yaml" if source_sha256 else "the result as canonical JSON",
        source_sha256 or document_sha256(document),
    )  # fmt: skip


def of_camera(document: Mapping[str, Any], cell: Cell, name: str) -> Mapping[str, Any]:
    """Return the part of a solve document that speaks of camera ``name``, with its inputs.

    Raises UsageError for a camera that the cell does not have, StationbookError where the result
    says nothing of it.
    """
    cell_of(cell, name)
    if name == cell.camera.name:
        return document
    further = document.get("cameras")
    part = further.get(name) if isinstance(further, Mapping) else None
    if not isinstance(part, Mapping):
        raise StationbookError(
            f"the result says nothing of camera {name!r}", "Record its views, then solve again."
        )
    return {**part, "inputs": document.get("inputs"), "basis": document.get("basis")}


def _reasons(document: Mapping[str, Any]) -> str:
    findings = document.get("findings") or []
    errors = [f for f in findings if isinstance(f, Mapping) and f.get("level") == "error"]
    texts = [str(f.get("message") or f.get("code")) for f in errors]
    return one_line(" ".join(texts)) or "no reason is given in the result"


def one_line(text: str) -> str:
    """Return ``text`` without line breaks and control characters, cut to `LONGEST_TEXT`."""
    plain = "".join(c if c.isprintable() else " " for c in text)
    plain = " ".join(plain.split())
    return plain if len(plain) <= LONGEST_TEXT else plain[: LONGEST_TEXT - 1] + "…"


def known_number(mapping: object, key: str) -> float | None:
    """Return a finite number of a mapping, or None where there is none."""
    value = mapping.get(key) if isinstance(mapping, Mapping) else None
    if isinstance(value, bool) or not isinstance(value, int | float) or not np.isfinite(value):
        return None
    return float(value)


def transform_of(document: Mapping[str, Any], key: str) -> Array | None:
    """Return the transform (4, 4) [mm] under ``key``, or None where it is not wholly known.

    Raises StationbookError where matrix and position with quaternion are damaged or disagree.
    """
    entry = document.get(key)
    if entry is None:
        return None
    try:
        if entry["quaternion_xyzw"] is None or None in entry["position_mm"]:
            return None
        T = checked_transform(entry["matrix"], key)
        other = from_position_quaternion([*entry["position_mm"], *entry["quaternion_xyzw"]])
    except (KeyError, TypeError, ValueError) as problem:
        raise StationbookError(
            f"{key} in the result cannot be read ({problem!r})", "Solve again."
        ) from problem
    shift = float(np.abs(T[:3, 3] - other[:3, 3]).max())
    turn = float(rotation_angle(T[:3, :3].T @ other[:3, :3]))
    if shift > AGREE_MM or turn > AGREE_RAD:
        raise StationbookError(
            f"{key} in the result: matrix and position with quaternion differ by {shift:.3g} mm "
            f"and {np.rad2deg(turn):.3g}°",
            "The file was edited or damaged; solve again.",
        )
    return T


def covariance_of(document: Mapping[str, Any]) -> Array | None:
    """Return the covariance (6, 6) [rad, mm] of the camera's transform, or None."""
    try:
        covariance = np.asarray(document.get("covariance"), float)
    except (TypeError, ValueError):
        return None
    return covariance if covariance.shape == (6, 6) and np.isfinite(covariance).all() else None


def inverse_covariance(T: Array, covariance: Array) -> Array:
    """Return the covariance (6, 6) of ``inverse(T)`` from that of ``T``, to first order.

    With T = [R | t] and a displacement (r, d), the inverse moves by (−Rᵀ r, −Rᵀ (t × r) − Rᵀ d).
    """
    R_t = T[:3, :3].T
    J = np.block([[-R_t, np.zeros((3, 3))], [-R_t @ skew(T[:3, 3]), -R_t]])
    return np.asarray(J @ covariance @ J.T)


def document_sha256(document: Mapping[str, Any]) -> str:
    """Return the SHA-256 of a document as JSON with sorted keys and no spaces."""
    text = json.dumps(document, sort_keys=True, separators=(",", ":"), default=str)
    return hashlib.sha256(text.encode()).hexdigest()


def scaled(values: Array, unit: str) -> Array:
    """Return lengths [mm] in ``unit``, without negative zeros."""
    return np.asarray(values, float) / LENGTH_MM[unit] + 0.0


def facts(item: Delivered, unit: str, convention: str) -> list[tuple[str, str]]:
    """Return what every file says, as (key, one line of text)."""
    pendant, cell = item.cell.pendant, item.cell
    u = item.uncertainty
    lines = [
        ("transform", item.name),
        ("direction", f"maps coordinates in {item.from_frame} into {item.to_frame}"),
        ("unit", unit),
        ("convention", convention),
        ("cell", one_line(cell.name)),
        ("mount", cell.mount),
        ("frames", f"as with active tool {one_line(pendant.active_tool)!r} and active frame "
         f"{one_line(pendant.active_frame)!r}"),
        ("camera axes", CAMERA_AXES),
        ("verdict", item.verdict),
        ("caution", item.caution or "none"),
        ("proven by touch points", {True: "yes", False: "no", None: "not known"}[item.proven]),
        ("U of position (k = 2)", _expanded(u["position_mm"], "mm")),
        ("U of rotation (k = 2)", _expanded(u["angle_deg"], "°")),
        ("U of a pick (k = 2)", _expanded(u["pick_mm"], "mm")),
        ("source", item.source),
        ("source sha256", item.source_sha256),
    ]  # fmt: skip
    return [(key, text) for key, text in lines if key != "caution" or item.caution]


def _expanded(u: float | None, unit: str) -> str:
    return "not known" if u is None else f"{2 * u:.3g} {unit}"
