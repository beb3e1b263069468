"""result.yaml: its keys, and both directions.

Nothing heavy is loaded here: the list of sessions reads results before the engine is there.
"""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import Any

from ..cell.result import (
    ACCEPTED,
    KEYS,
    NOT_ACCEPTED,
    Placed,
    Pointer,
    StoredMovement,
    StoredProof,
    StoredResult,
    SystematicError,
)
from ..cell.session import FORMAT
from ..errors import FileError
from .derived import record_of
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


def result_document(result: StoredResult) -> dict[str, Any]:
    """Return the result as plain data, as result.yaml holds it."""
    written: dict[str, Any] = RESULTS[result.mount].write(result)
    return written


def changed_inputs(result: StoredResult, folder: Path) -> set[str] | None:
    """Return the files in ``folder`` that are not those the result was computed from.

    None where it does not say. What the session came to need since is not among them.
    """
    if result.inputs is None:
        return None
    return {name for name, digest in result.inputs.items() if _digest(folder / name) != digest}


def _digest(path: Path) -> str | None:
    try:
        return sha256(read_bytes(path))
    except FileError:
        return None


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
        return result_document(value)


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
