"""result.yaml: its keys, both directions, and whether the session is still what it came from.

Nothing heavy is loaded here: the list of sessions reads results before the engine is there.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from ..cell.mount import KEYS
from ..cell.result import Placed, StoredMovement, StoredResult, SystematicError
from ..cell.session import FORMAT, Session
from ..cell.touched import Pointer, StoredProof
from ..errors import FileError, StationbookError
from ..files import content, inside
from ..findings import Finding, Level, finding
from .journal import Mark, overtaken
from .schema import (
    Field,
    Kind,
    Many,
    Number,
    OrNull,
    Record,
    Table,
    Text,
    Values,
    Whole,
    attributes,
    check_format,
    missing,
    record_of,
)
from .store import RESULT_FILE, SESSION_FILE
from .yaml_text import Node, read_yaml

MOST_NAMED = 4  # changed files that a sentence can carry


def result_document(result: StoredResult) -> dict[str, Any]:
    """Return the result as plain data, as result.yaml holds it."""
    return RESULT.write(result)


def changed_inputs(result: StoredResult | StoredProof, folder: Path) -> set[str] | None:
    """Return the files in ``folder`` that are not those the result, or its proof, was made from.

    None where it does not say. What the session came to need since is not among them.
    """
    if result.inputs is None:
        return None
    return {name for name, digest in result.inputs.items() if _digest(folder, name) != digest}


def input_hashes(session: Session, folder: Path) -> dict[str, str]:
    """Return the SHA-256 of every file that a result is computed from, by path in the folder.

    These are session.yaml, the robot file and the board's points file where the cell names them,
    and the points of every station in use, which hold what counts of image and depth. Raises
    FileError for one that cannot be read.
    """
    robot, board = session.cell.robot, session.cell.board
    names = [SESSION_FILE, robot.file if robot else None, board.points_file]
    used = [station for station in session.stations if station.use]
    names += [station.points for station in used]
    names += [view.points for station in used for view in station.views]
    return {name: content(inside(folder, name)).sha256 for name in names if name is not None}


def changed_since(session: Session, folder: Path, result: StoredResult) -> list[str] | None:
    """Return the files that changed since a result of ``session`` was computed, by name.

    None: not known, as the result does not say what it was computed from. Raises FileError where
    such a file cannot be read.
    """
    if result.inputs is None:
        return None
    from .folder import basis  # numpy behind it: not before the first picture

    now, then = input_hashes(session, folder), result.inputs
    changed = {name for name in {*now, *then} if now.get(name) != then.get(name)}
    if result.basis == basis(session):
        changed.discard(SESSION_FILE)
    return sorted(changed)


def current_result(session: Session, folder: Path) -> StoredResult:
    """Return the stored result as it stands today.

    One that the session has left behind, or against which a recheck spoke, is not accepted and says
    so.
    Raises FileError where there is no result or it is damaged.
    """
    result = with_marks(read_result(folder), moved_since(session, folder), session)
    changed = what_changed(session, folder, result)
    if changed is None:
        return result
    said = finding("result-outdated", changed=changed)
    every = (session.cell.camera.name, *result.cameras)
    return with_marks(result, dict.fromkeys(every, said), session)


def what_changed(session: Session, folder: Path, result: StoredResult) -> str | None:
    """Return in words what changed since ``result`` was computed, None where nothing did.

    A result that does not say what it was computed from counts as unchanged.
    """
    try:
        changed = changed_since(session, folder, result)
    except StationbookError as error:
        return error.problem
    if not changed:
        return None
    more = len(changed) - MOST_NAMED
    return ", ".join(changed[:MOST_NAMED]) + (f" and {more} more" if more > 0 else "")


def _digest(folder: Path, name: str) -> str | None:
    try:
        return content(inside(folder, name)).sha256
    except FileError:
        return None


_PLACED = record_of(Placed)
_SYSTEMATIC = record_of(SystematicError).leaving_out("value_mm", "u_mm", "value_deg", "u_deg")
FARTHEST_MM = 1e5  # mm; no tip and no touched mark is farther than 100 m
POINTER = record_of(
    Pointer, tip_mm=Many(Number(most=FARTHEST_MM), (3,)), u_mm=Number(above=0.0, most=FARTHEST_MM)
).leaving_out("covariance_mm2")
MOVEMENT = record_of(StoredMovement)
PROOF = record_of(StoredProof, pointer=POINTER).leaving_out("inputs")


class _OfMount(Kind):
    """A result, whose keys depend on how the camera is mounted."""

    def read(self, node: Node) -> StoredResult:
        if "mount" not in node.entries():
            raise missing(node, "mount")
        mount = Text(tuple(KEYS)).read(node.at("mount"))
        return RESULTS[mount].read(node)  # type: ignore[index]

    def write(self, value: Any) -> dict[str, Any]:
        return RESULTS[value.mount].write(value)


RESULT = _OfMount()
HOLDS = "holds_only_if"  # these numbers are right, as told; follows from the findings


def _record(camera: str, board: str) -> Record[StoredResult]:
    """Return the record of a result whose transforms have these names."""
    own = record_of(
        StoredResult,
        geometric=Table(OrNull(_PLACED)),
        systematic=Many(_SYSTEMATIC),
        cameras=Table(OrNull(RESULT)),
        proof=PROOF,
    ).leaving_out("before", "basis", "cameras", "inputs", "proof", "frames", "lens")
    names = {"camera": camera, "board": board}
    keys = [replace(field, key=names.get(field.key, field.key)) for field in own.fields]

    def build(values: Values, _: Node) -> StoredResult:
        del values["format"], values[HOLDS]
        values["camera"], values["board"] = values.pop(camera), values.pop(board)
        values["geometric"] = (values["geometric"] or {}).get(camera)
        return StoredResult(**values)

    def parts(result: StoredResult) -> Values:
        transforms = {camera: result.camera, board: result.board}
        geometric = {camera: result.geometric}
        own = {"format": FORMAT, "geometric": geometric, HOLDS: result.told}
        return attributes(result) | transforms | own

    head = Field("format", Whole(1, FORMAT), FORMAT, always=True)
    return Record((head, *keys, Field(HOLDS, Many(Text()), ())), build, parts)


RESULTS = {mount: _record(*names) for mount, names in KEYS.items()}


def result_from(root: Node) -> StoredResult:
    """Return the result in the root of its file; raises FileError naming file, line and key."""
    check_format(root)
    return RESULT.read(root)


def read_result(folder: Path) -> StoredResult:
    """Return result.yaml of a session folder.

    Raises FileError where it is missing, or damaged, naming file, line and key.
    """
    path = inside(folder, RESULT_FILE)
    if not os.path.exists(path):
        raise FileError(folder, f"there is no {RESULT_FILE}", "Run `stationbook solve` first.")
    return result_from(read_yaml(path))


def moved_since(session: Session, folder: Path) -> dict[str, Finding]:
    """Return what rechecks found against the result, as findings by camera. Raises FileError."""
    names = session.cell.camera_names
    several = len(names) > 1
    return {
        name: _spoken(mark, f"Camera {name!r}" if several else "The camera")
        for name, mark in overtaken(folder, names).items()
    }


def _spoken(mark: Mark, camera: str) -> Finding:
    if not mark.bars:
        return finding("recheck-open", camera=camera, at=mark.at, by=mark.by)
    variant = None if mark.found == "camera" else mark.found
    return finding("result-overtaken", variant, camera=camera, at=mark.at, by=mark.by)


def with_marks(
    result: StoredResult, marks: Mapping[str, Finding], session: Session
) -> StoredResult:
    """Return the result as it stands beside the marks: not accepted nor proven for those cameras.

    A mark below the level of an error only stands beside it. Nothing so is stored.
    """

    def beside(name: str, part: StoredResult) -> StoredResult:
        if name not in marks:
            return part
        if marks[name].level is not Level.ERROR:
            return part.judged([marks[name], *part.findings], session.cell.tolerance)
        kept = (item for item in part.findings if item.code != "proven")
        judged = part.judged([marks[name], *kept], session.cell.tolerance)
        return replace(judged, proven=False)

    further = {name: part and beside(name, part) for name, part in result.cameras.items()}
    return replace(beside(session.cell.camera.name, result), cameras=further)
