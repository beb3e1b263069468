"""The transform that a result delivers, with all that a file handed over must say about it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..arrays import Array
from ..cell.cell import Cell
from ..cell.result import StoredResult, Uncertainty, Verdict
from ..errors import StationbookError, UsageError
from ..findings import Level
from ..frames import inverse, skew
from ..pendant.settings import LENGTH_MM
from ..proof.stated import covariance_of, transform_of

LONGEST_TEXT = 200  # characters of a free text repeated in a handed-over file
CAMERA_AXES = "x to the right and y down in the image, z along the view, origin in the lens"


@dataclass(frozen=True, slots=True, eq=False)
class Delivered:
    """One transform ready to be written in any form.

    Attributes:
        to_frame, from_frame: the transform maps coordinates in from_frame into to_frame.
        matrix: (4, 4) [mm].
        covariance: (6, 6) of [rx ry rz tx ty tz] [rad, mm] on the axes of to_frame, or None.
        uncertainty: of the transform as it is written.
        verdict: accepted or not-accepted; ``caution`` says why not, None when accepted.
        proven: agreed with touch points; None where not known.
        source_sha256: of result.yaml.
    """

    cell: Cell
    to_frame: str
    from_frame: str
    matrix: Array
    covariance: Array | None
    uncertainty: Uncertainty
    verdict: Verdict
    caution: str | None
    proven: bool | None
    source_sha256: str

    @property
    def name(self) -> str:
        """Name of the transform, such as base_T_camera."""
        return f"{self.to_frame}_T_{self.from_frame}"


def delivered(
    result: StoredResult,
    cell: Cell,
    source_sha256: str,
    *,
    inverted: bool = False,
    allow_not_accepted: bool = False,
) -> Delivered:
    """Return the camera's transform in a result, or its inverse.

    ``source_sha256`` is the hash of the file result.yaml. Raises StationbookError for a result
    without that transform or one whose numbers disagree, UsageError for one that is not accepted
    unless ``allow_not_accepted``.
    """
    if result.mount != cell.mount:
        raise StationbookError(
            f"the result is {result.mount}, the cell {cell.mount}", "Solve again."
        )
    caution = None if result.accepted else f"NOT ACCEPTED: {_reasons(result)}"
    if caution and not allow_not_accepted:
        raise UsageError(
            f"the result is not accepted: {_reasons(result).rstrip('.')}",
            "Put that right and solve again, or hand it over marked as such with --not-accepted.",
        )
    T = transform_of(result.camera, cell.camera_key)
    if T is None:
        raise StationbookError(
            f"the result holds no complete {cell.camera_key}",
            "What the stations do not show is missing in it; see the findings, then solve again.",
        )
    to_frame, _, from_frame = cell.camera_key.partition("_T_")
    covariance, u = covariance_of(result.covariance), result.uncertainty
    if inverted:
        to_frame, from_frame = from_frame, to_frame
        if covariance is not None:
            covariance = inverse_covariance(T, covariance)
        position = None if covariance is None else float(np.sqrt(np.trace(covariance[3:, 3:])))
        T, u = inverse(T), replace(u, position_mm=position)
    return Delivered(
        cell, to_frame, from_frame, T, covariance, u, result.verdict, caution, result.proven,
        source_sha256,
    )  # fmt: skip


def _reasons(result: StoredResult) -> str:
    errors = [item.message or item.code for item in result.findings if item.level is Level.ERROR]
    return one_line(" ".join(errors)) or "no reason is given in the result"


def one_line(text: str) -> str:
    """Return ``text`` without line breaks and control characters, cut to `LONGEST_TEXT`."""
    plain = "".join(c if c.isprintable() else " " for c in text)
    plain = " ".join(plain.split())
    return plain if len(plain) <= LONGEST_TEXT else plain[: LONGEST_TEXT - 1] + "…"


def inverse_covariance(T: Array, covariance: Array) -> Array:
    """Return the covariance (6, 6) of ``inverse(T)`` from that of ``T``, to first order.

    With T = [R | t] and a displacement (r, d), the inverse moves by (−Rᵀ r, −Rᵀ (t × r) − Rᵀ d).
    """
    R_t = T[:3, :3].T
    J = np.block([[-R_t, np.zeros((3, 3))], [-R_t @ skew(T[:3, 3]), -R_t]])
    return np.asarray(J @ covariance @ J.T)


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
        ("U of position (k = 2)", _expanded(u.position_mm, "mm")),
        ("U of rotation (k = 2)", _expanded(u.angle_deg, "°")),
        ("U of a pick (k = 2)", _expanded(u.pick_mm, "mm")),
        ("source", "result.yaml"),
        ("source sha256", item.source_sha256),
    ]  # fmt: skip
    return [(key, text) for key, text in lines if key != "caution" or item.caution]


def _expanded(u: float | None, unit: str) -> str:
    return "not known" if u is None else f"{2 * u:.3g} {unit}"
