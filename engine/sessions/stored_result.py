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
from ..findings import Finding, by_gravity, has_error
from .derived import record_of
from .result_parts import (
    Before,
    Convergence,
    Covariance,
    NoiseLevels,
    Placed,
    Pointer,
    StationResult,
    StoredMovement,
    StoredProof,
    SystematicError,
    Uncertainty,
)
from .schema import (
    Field,
    Many,
    Number,
    OrNull,
    Record,
    Table,
    Text,
    Values,
    Whole,
    check_format,
    missing,
)
from .store import RESULT_FILE
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


@dataclass(frozen=True, slots=True)
class StoredResult:
    """Everything that a result says; the keys and units are those of docs/file-formats.md.

    ``camera`` is the delivered transform, ``geometric`` where the camera truly stands. Of a cell
    with further cameras, ``cameras`` holds what each gave; None for one without stations.
    """

    mount: Literal["eye-to-hand", "eye-in-hand"]
    verdict: Verdict = NOT_ACCEPTED
    camera: Placed | None = None
    board: Placed | None = None
    covariance: Covariance | None = None
    uncertainty: Uncertainty = field(default_factory=Uncertainty)
    proven: bool | None = None
    noise: NoiseLevels = field(default_factory=NoiseLevels)
    stations: tuple[StationResult, ...] = ()
    findings: tuple[Finding, ...] = ()
    geometric: Placed | None = None
    board_covariance: Covariance | None = None
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
        return RESULTS[self.mount].write(self)


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


_PLACED = record_of(Placed)
_SYSTEMATIC = record_of(SystematicError).leaving_out("value_mm", "u_mm", "value_deg", "u_deg")
POINTER = record_of(Pointer, u_mm=Number(above=0.0))
MOVEMENT = record_of(StoredMovement)
PROOF = record_of(StoredProof, pointer=POINTER).leaving_out("inputs")


class _Part:
    """What a further camera gave, of the same form as the whole."""

    def read(self, node: Node) -> StoredResult:
        return _result(node)

    def write(self, value: Any) -> Any:
        return value.document()


def _record(camera: str, board: str) -> Record[StoredResult]:
    """Return the record of a result whose transforms have these names."""
    own = record_of(
        StoredResult,
        mount=Text(tuple(KEYS)),
        verdict=Text((ACCEPTED, NOT_ACCEPTED)),
        geometric=Table(OrNull(_PLACED)),
        systematic=Many(_SYSTEMATIC),
        cameras=Table(OrNull(_Part())),
        proof=PROOF,
    ).leaving_out("before", "basis", "cameras", "inputs", "proof")
    names = {"camera": camera, "board": board}
    keys = [replace(field, key=names.get(field.key, field.key)) for field in own.fields]

    def build(values: Values, _: Node) -> StoredResult:
        del values["format"]
        values["camera"], values["board"] = values.pop(camera), values.pop(board)
        values["geometric"] = (values["geometric"] or {}).get(camera)
        return StoredResult(**values)

    def parts(result: StoredResult) -> Values:
        values = {name: getattr(result, name) for name in StoredResult.__slots__}
        values |= {"format": FORMAT, camera: result.camera, board: result.board}
        return values | {"geometric": {camera: result.geometric}}

    head = Field("format", Whole(1, FORMAT), FORMAT, always=True)
    return Record((head, *keys), build, parts)


RESULTS = {mount: _record(*names) for mount, names in KEYS.items()}


def _result(node: Node) -> StoredResult:
    if "mount" not in node.entries():
        raise missing(node, "mount")
    mount = Text(tuple(KEYS)).read(node.at("mount"))
    return RESULTS[mount].read(node)  # type: ignore[index]


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
