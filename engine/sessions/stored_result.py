"""A result as result.yaml holds it and `solve` prints it: one type, read and written in one place.

What is not known is None. Nothing heavy is loaded here: the list of sessions reads results before
the engine is there. `proof.stated` makes checked arrays of the transforms.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from ..cell.session import FORMAT
from ..errors import FileError
from ..findings import Finding, Level, by_gravity, has_error
from .places import RESULT_FILE
from .schema import (
    MAX_ID,
    Field,
    Flag,
    Many,
    Number,
    OrNull,
    Record,
    Table,
    Text,
    Values,
    Whole,
    Words,
    missing,
    plain_record,
)
from .versions import check_format
from .yaml_text import Node, read_bytes, read_yaml, sha256

if TYPE_CHECKING:
    from ..cell.cell import Mount, Tolerance

Verdict = Literal["accepted", "not-accepted"]
ACCEPTED: Verdict = "accepted"
NOT_ACCEPTED: Verdict = "not-accepted"
KEYS: dict[Mount, tuple[str, str]] = {  # names of the camera's and of the board's transform
    "eye-to-hand": ("base_T_camera", "flange_T_board"),
    "eye-in-hand": ("flange_T_camera", "base_T_board"),
}
Numbers = tuple[float | None, ...]
Matrix = tuple[tuple[float | None, ...], ...]


@dataclass(frozen=True, slots=True)
class Placed:
    """A transform [mm], None for what is not known: position (3,), x y z w, matrix (4, 4)."""

    position_mm: Numbers
    quaternion_xyzw: tuple[float, ...] | None
    matrix: Matrix

    @property
    def known(self) -> bool:
        """Whether all of it is known."""
        return self.quaternion_xyzw is not None and None not in self.position_mm


@dataclass(frozen=True, slots=True)
class Uncertainty:
    """Standard uncertainties (k = 1); None where not known.

    ``position_mm`` and ``angle_deg`` of the delivered transform, ``work_volume_mm`` of a point
    placed by it at the worst corner of the work volume, ``pick_mm`` with the robot's systematic
    error.
    """

    position_mm: float | None = None
    angle_deg: float | None = None
    work_volume_mm: float | None = None
    pick_mm: float | None = None


@dataclass(frozen=True, slots=True)
class NoiseLevels:
    """Standard deviations of one pixel coordinate, and of one typed pose on each axis."""

    pixel_px: float | None = None
    robot_position_mm: float | None = None
    robot_angle_deg: float | None = None


@dataclass(frozen=True, slots=True)
class StationResult:
    """One station in the result; None where it could not be used at all.

    ``residual_px`` RMS per coordinate after the fit; ``robot_residual_mm`` and ``_deg`` the error
    the fit gives to this stop's typed pose; ``left_out_mm`` and ``_deg`` the distance of the typed
    pose from where the other stations and this image put the flange, ``left_out_size`` the same as
    a multiple of what is expected (1: as expected). ``turn`` names the board turn undone, if any.
    """

    id: int
    used: bool = False
    weight: float | None = None
    residual_px: float | None = None
    robot_residual_mm: float | None = None
    robot_residual_deg: float | None = None
    left_out_mm: float | None = None
    left_out_deg: float | None = None
    left_out_size: float | None = None
    turn: str | None = None


@dataclass(frozen=True, slots=True)
class SystematicError:
    """One of the arm's errors that come back at every visit, in mm or deg, and its u."""

    name: str
    unit: Literal["mm", "deg"]
    value: float
    u: float


@dataclass(frozen=True, slots=True)
class Convergence:
    """How the fit ended: ``steps``, ``relinearised`` times, last ``change`` [-], ``converged``."""

    steps: int
    relinearised: int
    change: float
    converged: bool


@dataclass(frozen=True, slots=True)
class StoredMovement:
    """How far a camera moved, with standard uncertainties; ``matrix`` new · old⁻¹."""

    position_mm: float
    angle_deg: float
    work_volume_mm: float
    u_position_mm: float
    u_angle_deg: float
    u_work_volume_mm: float
    matrix: Matrix


@dataclass(frozen=True, slots=True)
class Before:
    """The earlier session that a quick re-calibration rests on: where it had the camera."""

    session: str
    created: str
    inputs: Mapping[str, str]
    position_mm: Numbers | None
    quaternion_xyzw: tuple[float, ...] | None
    trusted_board: bool
    movement: StoredMovement | None


@dataclass(frozen=True, slots=True)
class TouchedPoint:
    """One touch [mm]: the point in words, its place by the camera, the error and its size and U."""

    touch: int
    point: str
    place_mm: tuple[float, ...]
    error_mm: tuple[float, ...]
    size_mm: float
    expanded_mm: float
    agrees: bool


@dataclass(frozen=True, slots=True)
class RepeatedPoint:
    """A point touched more than once: accuracy and repeatability [mm]."""

    point: str
    count: int
    accuracy_mm: float
    repeatability_mm: float


@dataclass(frozen=True, slots=True)
class Pointer:
    """A calibrated pointer: its tip in the flange frame [mm], and u on each axis [mm]."""

    tip_mm: tuple[float, float, float]
    u_mm: float


@dataclass(frozen=True, slots=True)
class StoredProof:
    """What touching said about the result, and the hashes of what it was concluded from."""

    proven: bool
    points: tuple[TouchedPoint, ...]
    mean_mm: float | None
    max_mm: float | None
    mean_error_mm: tuple[float, ...] | None
    repeated: tuple[RepeatedPoint, ...]
    pointer: Pointer
    tolerance_mm: float
    inputs: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class StoredResult:
    """Everything that a result says; the keys and units are those of docs/file-formats.md.

    ``camera`` is the delivered transform, ``geometric`` where the camera truly stands. Of a cell
    with further cameras, ``cameras`` holds what each gave; None for one without stations.
    """

    mount: Mount
    verdict: Verdict = NOT_ACCEPTED
    camera: Placed | None = None
    board: Placed | None = None
    covariance: Matrix | None = None
    uncertainty: Uncertainty = Uncertainty()
    proven: bool | None = None
    noise: NoiseLevels = NoiseLevels()
    stations: tuple[StationResult, ...] = ()
    findings: tuple[Finding, ...] = ()
    geometric: Placed | None = None
    board_covariance: Matrix | None = None
    systematic: tuple[SystematicError, ...] = ()
    convergence: Convergence | None = None
    before: Before | None = None
    basis: str | None = None
    cameras: Mapping[str, StoredResult | None] = field(default_factory=dict)
    inputs: Mapping[str, str] | None = None
    proof: StoredProof | None = None

    @property
    def accepted(self) -> bool:
        """Whether the result may be handed over."""
        return self.verdict == ACCEPTED

    @property
    def transforms(self) -> dict[str, Placed | None]:
        """Both transforms by name, the camera's first."""
        camera, board = KEYS[self.mount]
        return {camera: self.camera, board: self.board}

    @property
    def expanded_mm(self) -> float | None:
        """U = 2u of a pick [mm] by the worst camera, or None where it is not known."""
        parts = [self, *(part for part in self.cameras.values() if part)]
        known = [u for part in parts if (u := part.uncertainty.pick_mm) is not None]
        return 2 * max(known) if len(known) == len(parts) else None

    @property
    def all_findings(self) -> tuple[Finding, ...]:
        """The findings of all cameras; those of a further one name it."""
        found = list(self.findings)
        for name, part in self.cameras.items():
            for item in part.findings if part else ():
                found.append(replace(item, message=f"camera {name}: {item.message}"))
        return tuple(found)

    def judged(self, findings: Iterable[Finding], tolerance: Tolerance) -> StoredResult:
        """Return the result with these findings, errors first, and the verdict they give."""
        found = tuple(by_gravity(findings))
        return replace(self, findings=found, verdict=verdict(self.uncertainty, tolerance, found))

    def changed_inputs(self, folder: Path) -> set[str] | None:
        """Return the files in ``folder`` that are not those the result was computed from.

        None where it does not say. What the session came to need since is not among them.
        """
        if self.inputs is None:
            return None
        return {name for name, digest in self.inputs.items() if _digest(folder / name) != digest}

    def document(self) -> dict[str, Any]:
        """Return the result as plain data, as result.yaml holds it."""
        document: dict[str, Any] = RESULTS[self.mount].write(self)
        return document


def _digest(path: Path) -> str | None:
    try:
        return sha256(read_bytes(path))
    except FileError:
        return None


def verdict(u: Uncertainty, tolerance: Tolerance, findings: Iterable[Finding]) -> Verdict:
    """Return accepted when nothing is at level error and U keeps the tolerance."""
    inside = keeps(u.pick_mm, tolerance.position_mm) and keeps(u.angle_deg, tolerance.angle_deg)
    return ACCEPTED if inside and not has_error(findings) else NOT_ACCEPTED


def keeps(u: float | None, limit: float) -> bool:
    """Tell whether the expanded uncertainty 2u is known and within the tolerance ``limit``."""
    return u is not None and 2 * u <= limit


def _always(kind: Any, *keys: str, default: Any = None) -> tuple[Field, ...]:
    """Return keys that are written even where nothing is known."""
    return tuple(Field(key, kind, default, always=True) for key in keys)


def _square(size: int) -> Many:
    return Many(Many(OrNull(Number()), (size,)), (size,))


_HASHES = Table(Words())
_PLACED = plain_record(
    Placed,
    Field("position_mm", Many(OrNull(Number()), (3,))),
    *_always(Many(Number(), (4,)), "quaternion_xyzw"),
    Field("matrix", _square(4)),
)
_UNCERTAINTY = plain_record(Uncertainty, *_always(Number(), *Uncertainty.__slots__))
_NOISE = plain_record(NoiseLevels, *_always(Number(), *NoiseLevels.__slots__))
_STATION = plain_record(
    StationResult,
    Field("id", Whole(1, MAX_ID)),
    *_always(Flag(), "used", default=False),
    *_always(Number(), *StationResult.__slots__[2:-1]),
    *_always(Words(), "turn"),
)
_FINDING = Record(
    (
        Field("code", Text()),
        Field("level", Text(tuple(Level))),
        *_always(Whole(1, MAX_ID), "station"),
        *_always(Many(Whole(1, MAX_ID)), "stations"),
        *_always(Words(), "field", "typed", "suggested"),
        *_always(Words(), "message", "remedy", default=""),
    ),
    lambda values, _: Finding(**{**values, "level": Level(values["level"])}),
)


def _systematic(values: Values, node: Node) -> SystematicError:
    unit: Literal["mm", "deg"] = "mm" if values["value_mm"] is not None else "deg"
    value, u = values[f"value_{unit}"], values[f"u_{unit}"]
    if value is None or u is None:
        raise node.fail("an error needs value and u, both in mm or both in deg")
    return SystematicError(values["name"], unit, value, u)


_SYSTEMATIC = Record(
    (
        Field("name", Words()),
        *(Field(key, Number(), None) for key in ("value_mm", "u_mm", "value_deg", "u_deg")),
    ),
    _systematic,
    lambda item: (
        dict.fromkeys(("value_mm", "u_mm", "value_deg", "u_deg"))
        | {"name": item.name, f"value_{item.unit}": item.value, f"u_{item.unit}": item.u}
    ),
)


_CONVERGENCE = plain_record(
    Convergence,
    Field("steps", Whole(0, 10**9)),
    Field("relinearised", Whole(0, 10**9)),
    Field("change", Number()),
    Field("converged", Flag()),
)
MOVEMENT = plain_record(
    StoredMovement,
    *(Field(key, Number()) for key in StoredMovement.__slots__[:-1]),
    Field("matrix", _square(4)),
)
_BEFORE = plain_record(
    Before,
    Field("session", Words()),
    *_always(Words(), "created", default=""),
    *_always(_HASHES, "inputs", default={}),
    *_always(Many(OrNull(Number()), (3,)), "position_mm"),
    *_always(Many(Number(), (4,)), "quaternion_xyzw"),
    Field("trusted_board", Flag()),
    *_always(MOVEMENT, "movement"),
)
POINTER = plain_record(
    Pointer,
    Field("tip_mm", Many(Number(), (3,))),
    Field("u_mm", Number(above=0.0)),
)
PROOF = plain_record(
    StoredProof,
    Field("proven", Flag()),
    *_always(
        Many(
            plain_record(
                TouchedPoint,
                Field("touch", Whole(1, MAX_ID)),
                Field("point", Words()),
                Field("place_mm", Many(Number(), (3,))),
                Field("error_mm", Many(Number(), (3,))),
                Field("size_mm", Number()),
                Field("expanded_mm", Number()),
                Field("agrees", Flag()),
            )
        ),
        "points",
        default=(),
    ),
    *_always(Number(), "mean_mm", "max_mm"),
    *_always(Many(Number(), (3,)), "mean_error_mm"),
    *_always(
        Many(
            plain_record(
                RepeatedPoint,
                Field("point", Words()),
                Field("count", Whole(1, MAX_ID)),
                Field("accuracy_mm", Number()),
                Field("repeatability_mm", Number()),
            )
        ),
        "repeated",
        default=(),
    ),
    Field("pointer", POINTER),
    Field("tolerance_mm", Number()),
    Field("inputs", _HASHES, {}),
)


class _Part:
    """What a further camera gave, of the same form as the whole."""

    def read(self, node: Node) -> StoredResult:
        return _result(node)

    def write(self, value: Any) -> Any:
        return value.document()


def _record(camera: str, board: str) -> Record:
    """Return the keys of a result whose transforms have these names."""
    fields = (
        Field("format", Whole(1, FORMAT), FORMAT, always=True),
        Field("mount", Text(tuple(KEYS))),
        *_always(Text((ACCEPTED, NOT_ACCEPTED)), "verdict", default=NOT_ACCEPTED),
        *_always(_PLACED, camera, board),
        *_always(_square(6), "covariance"),
        *_always(_UNCERTAINTY, "uncertainty", default=Uncertainty()),
        *_always(Flag(), "proven"),
        *_always(_NOISE, "noise", default=NoiseLevels()),
        *_always(Many(_STATION), "stations", default=()),
        *_always(Many(_FINDING), "findings", default=()),
        *_always(Table(OrNull(_PLACED)), "geometric"),
        *_always(_square(6), "board_covariance"),
        *_always(Many(_SYSTEMATIC), "systematic", default=()),
        *_always(_CONVERGENCE, "convergence"),
        Field("before", _BEFORE, None),
        Field("basis", Words(), None),
        Field("cameras", Table(OrNull(_Part())), {}),
        Field("inputs", _HASHES, None),
        Field("proof", PROOF, None),
    )

    def build(values: Values, _: Node) -> StoredResult:
        del values["format"]
        values["camera"], values["board"] = values.pop(camera), values.pop(board)
        values["geometric"] = (values["geometric"] or {}).get(camera)
        return StoredResult(**values)

    def parts(result: StoredResult) -> Values:
        values = {name: getattr(result, name) for name in StoredResult.__slots__}
        values |= {"format": FORMAT, camera: result.camera, board: result.board}
        return values | {"geometric": {camera: result.geometric}}

    return Record(fields, build, parts)


RESULTS = {mount: _record(*names) for mount, names in KEYS.items()}


def _result(node: Node) -> StoredResult:
    if "mount" not in node.entries():
        raise missing(node, "mount")
    mount = Text(tuple(KEYS)).read(node.at("mount"))
    result: StoredResult = RESULTS[mount].read(node)  # type: ignore[index]
    return result


def result_from(root: Node) -> StoredResult:
    """Return the result in the root of its file; raises FileError naming file, line and key."""
    check_format(root)
    return _result(root)


def read_result(folder: Path) -> StoredResult:
    """Return result.yaml of a session folder.

    Raises FileError where it is missing, or damaged, naming file, line and key.
    """
    path = folder / RESULT_FILE
    if not os.path.exists(path):
        raise FileError(folder, f"there is no {RESULT_FILE}", "Run `stationbook solve` first.")
    return result_from(read_yaml(path))
