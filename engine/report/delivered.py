"""One transform ready to be handed over, and all that must be said of it in any form."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from ..arrays import Array
from ..cell.cell import Cell
from ..cell.result import NOT_SHOWN, SHOWN, TO_SHOW, StoredResult, Uncertainty, Verdict, only_if
from ..cell.rule import RULES, STATIONS, Decision, often_good, percent
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
        proven: agreed with touch points; None where not known. ``touched`` says it in words.
        source_sha256: of result.yaml.
        frames: whether stops with joints and pose show that tool and frame are as told.
        said: what else belongs to the verdict, as (key, one line of text): see `SAID`.
        axes: where from_frame (of an inverse: to_frame) lies, in words.
        decision: by which rule the tolerance was judged, None for what no tolerance was.
        k, pick_k: the coverage factors of U and of that of a pick, in words.
        holds: on which numbers, as told, the verdict rests, in words; "" for none.
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
    touched: str
    source_sha256: str
    frames: str
    said: tuple[tuple[str, str], ...]
    axes: str = CAMERA_AXES
    decision: Decision | None = None
    k: str = "k = 2"
    pick_k: str = "k = 2"
    holds: str = ""

    @property
    def name(self) -> str:
        """Name of the transform, such as base_T_camera."""
        return f"{self.to_frame}_T_{self.from_frame}"


def delivered(
    result: StoredResult, cell: Cell, source_sha256: str, inverted: bool, allow_not_accepted: bool
) -> Delivered:
    """Return the camera's transform in a result, or its inverse.

    ``source_sha256`` is the hash of result.yaml. Raises UsageError for a result that is not
    accepted unless ``allow_not_accepted``, StationbookError for one without that transform or whose
    numbers disagree.
    """
    if result.mount != cell.mount:
        problem = f"the result is {result.mount}, the cell {cell.mount}"
        raise StationbookError(problem, "Solve again.")
    result = result.as_told()
    caution = None if result.accepted else f"NOT ACCEPTED: {reasons(result)}"
    if caution and not allow_not_accepted:
        raise UsageError(
            f"the result is not accepted: {reasons(result).rstrip('.')}",
            "Put that right and solve again. `--not-accepted` hands it over all the same, marked.",
        )
    T = transform_of(result.camera, cell.camera_key)
    if T is None:
        raise StationbookError(
            f"the result holds no complete {cell.camera_key}",
            "What the stations do not show is missing in it; see the findings, then solve again.",
        )
    if result.lens is not None:
        cell = replace(cell, camera=result.lens.on(cell.camera))
    to_frame, _, from_frame = cell.camera_key.partition("_T_")
    covariance, u = covariance_of(result.covariance), result.uncertainty
    if inverted:
        to_frame, from_frame = from_frame, to_frame
        if covariance is not None:
            covariance = inverse_covariance(T, covariance)
        position = None
        if covariance is not None:
            position = result.wider * float(np.sqrt(np.trace(covariance[3:, 3:])))
        T, u = inverse(T), replace(u, position_mm=position)
    return Delivered(
        cell, to_frame, from_frame, T, covariance, u, result.verdict, caution, result.proven,
        result.touched, source_sha256, result.frames.how if result.frames else NOT_SHOWN,
        _said(result), decision=result.decision, k=result.k, pick_k=result.pick_k,
        holds=only_if(result.told),
    )  # fmt: skip


SAID = {  # below the level of an error: by which key it is handed over
    "unobservable": "direction not shown",  # a measured number gave it, not the stations
    SHOWN: "direction shown",  # by a touch
    "overruled": "overruled",
    "recheck-open": "recheck open",
}


def _said(result: StoredResult) -> tuple[tuple[str, str], ...]:
    said: dict[str, list[str]] = {}
    for item in result.findings:
        if item.level is not Level.ERROR and item.code in SAID:
            said.setdefault(SAID[item.code], []).append(item.message)
    return tuple((key, " ".join(map(one_line, words))) for key, words in said.items())


def reasons(result: StoredResult) -> str:
    """Return in one line why a result is not accepted."""
    errors = [item.message or item.code for item in result.findings if item.level is Level.ERROR]
    return " ".join(map(one_line, errors)) or "no reason is given in the result"


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
    return [
        ("transform", item.name),
        ("direction", f"maps coordinates in {item.from_frame} into {item.to_frame}"),
        ("unit", unit),
        ("convention", convention),
        ("cell", one_line(cell.name)),
        ("mount", cell.mount),
        ("frames", f"as with active tool {one_line(str(pendant.active_tool))!r} and active frame "
         f"{one_line(str(pendant.active_frame))!r}, {item.frames}"),
        *item.said,
        ("camera axes" if item.axes is CAMERA_AXES else "axes", item.axes),
        ("verdict", f"{item.verdict} {item.holds}".strip()),
        *([("until shown", TO_SHOW)] if item.holds else []),
        *([("caution", item.caution)] if item.caution else []),
        *_decided(item),
        ("proven by touch points", item.touched),
        ("U of position", _expanded(u.position_mm, "mm", f"about 95 %, {item.k}")),
        ("U of rotation", _expanded(u.angle_deg, "°", f"about 95 %, {item.k}")),
        ("U of a pick", _expanded(u.pick_mm, "mm", f"above 99 %, {item.pick_k}")),
        ("source", "result.yaml"),
        ("source sha256", item.source_sha256),
        *_lens_facts(item),
    ]  # fmt: skip


BEFORE_MOVING = "before moving"  # the key of the cautions in every file


def _decided(item: Delivered) -> list[tuple[str, str]]:
    """Return tolerance and rule, who set it, and how likely the verdict is wrong."""
    said, limit = item.decision, item.cell.tolerance
    if said is None:
        return []
    rule = f"{limit.position_mm:g} mm, {limit.angle_deg:g}°, {RULES[said.rule]}"
    found = [("tolerance", rule), ("rule", one_line(said.owner))]
    if said.chance_wrong is not None:
        price = often_good(said.chance_wrong, STATIONS)
        chance = f"{percent(said.chance_wrong)}. {price}" if price else percent(said.chance_wrong)
        found.append(("chance that the verdict is wrong", chance))
    return found


def _lens_facts(item: Delivered) -> list[tuple[str, str]]:
    """Return the lens data with their U (k = 2), for the camera's own transform."""
    if item.axes is not CAMERA_AXES:
        return []
    camera = item.cell.camera
    if camera.guessed:
        return [("lens data", "not known: the cell gives no lens data, and no images gave them")]
    source = camera.assumed_words or "given"
    if camera.lens_from == "images":
        source = "found from the session's own images"
    (fx, skew_px, cx), (_, fy, cy), _ = camera.matrix
    u, (width, height) = camera.known_u, camera.image_size_px
    bent = " ".join(f"{value:.9g}" for value in camera.distortion) or "none"
    skewed = f" skew {skew_px:.9g}" if skew_px else ""
    return [
        ("lens px", f"fx {fx:.9g} fy {fy:.9g} cx {cx:.9g} cy {cy:.9g}{skewed}, image {width} x "
         f"{height}, pixel 0 0 is the centre of the first"),
        ("distortion", f"{bent} (k1 k2 p1 p2 k3 ...)"),
        ("U of the lens (k = 2)", f"focal {2 * u.focal:.3g} relative, centre {2 * u.center_px:.3g} "
         f"px, image corner {2 * u.edge_px:.3g} px, {source}"),
    ]  # fmt: skip


def lens_document(item: Delivered) -> dict[str, Any] | None:
    """Return the lens data with standard uncertainties, as the cell names them.

    None where it is no camera, or only a guess stands in for its lens.
    """
    if item.axes is not CAMERA_AXES or item.cell.camera.guessed:
        return None
    camera = item.cell.camera
    return {
        "name": one_line(camera.name),
        "image_size_px": list(camera.image_size_px),
        "matrix": [list(row) for row in camera.matrix],
        "distortion": list(camera.distortion),
        "u": asdict(camera.known_u),
        "u_assumed": bool(camera.u_assumed),
        "u_assumed_of": list(camera.u_assumed),
        "from_images": camera.lens_from == "images",
    }


def _expanded(u: float | None, unit: str, covered: str) -> str:
    return "not known" if u is None else f"{2 * u:.3g} {unit} ({covered})"


def matrix_in(item: Delivered, unit: str) -> Array:
    """Return the matrix (4, 4) in ``unit``, without negative zeros."""
    T = item.matrix.copy()
    T[:3, 3] = scaled(T[:3, 3], unit)
    return T + 0.0


def use_as(item: Delivered) -> str:
    """Return what kind of frame on the robot these values are."""
    if item.to_frame == "base" and item.axes is not CAMERA_AXES:
        return f"To be typed as a user frame: {item.from_frame} in the base."
    if item.to_frame == "base":
        return "To be typed as a user frame: the camera in the base."
    if item.to_frame == "flange":
        return "To be typed as a tool: the camera on the flange."
    return f"The {item.from_frame} as the camera sees it: neither a user frame nor a tool."
