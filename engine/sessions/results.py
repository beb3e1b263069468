"""Storing a result with the SHA-256 of everything it was computed from, and what changed since."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from ..cell.result import StoredResult
from ..cell.session import Session
from ..errors import StationbookError
from ..findings import finding
from .cell_file import cell_document
from .changes import Change
from .folder import STATION
from .store import RESULT_FILE, SESSION_FILE, encoded, write_bytes_new
from .stored_result import read_result
from .yaml_text import plain, read_bytes, sha256, yaml_dump

MOST_NAMED = 4  # changed files that a sentence can carry
# What of a station enters a result; the rest of it is for people.
DECIDING = ("id", "pose", "joints", "points", "board_pose", "closing", "views")


def input_hashes(session: Session, folder: Path) -> dict[str, str]:
    """Return the SHA-256 of every file that a result is computed from, by path in the folder.

    These are session.yaml, the robot file and the board's points file where the cell names them,
    and the points of every station in use. Raises FileError for one that cannot be read.
    """
    robot, board = session.cell.robot, session.cell.board
    names = [SESSION_FILE, robot.file if robot else None, board.points_file]
    used = [station for station in session.stations if station.use]
    names += [station.points for station in used]
    names += [view.points for station in used for view in station.views]
    return {name: sha256(read_bytes(folder / name)) for name in names if name is not None}


def basis(session: Session) -> str:
    """Return the SHA-256 of all of a session that a result depends on: cell and stations in use.

    A note, a plan or another operator change session.yaml, but no result.
    """
    stations = [STATION.write(station) for station in session.stations if station.use]
    whole = [
        cell_document(session.cell),
        [{key: station.get(key) for key in DECIDING} for station in stations],
    ]
    return sha256(json.dumps(plain(whole), sort_keys=True).encode())


def changed_since(session: Session, folder: Path, result: StoredResult) -> list[str] | None:
    """Return the files that changed since a result of ``session`` was computed, by name.

    None: not known, as the result does not say what it was computed from. Raises FileError where
    such a file cannot be read.
    """
    if result.inputs is None:
        return None
    now, then = input_hashes(session, folder), result.inputs
    changed = {name for name in {*now, *then} if now.get(name) != then.get(name)}
    if result.basis == basis(session):
        changed.discard(SESSION_FILE)
    return sorted(changed)


def current_result(session: Session, folder: Path) -> StoredResult:
    """Return the stored result; one that the session has left behind is not accepted and says so.

    Raises FileError where there is no result or it is damaged.
    """
    result = read_result(folder)
    changed = what_changed(session, folder, result)
    if changed is None:
        return result
    said, tolerance = finding("result-outdated", changed=changed), session.cell.tolerance
    parts = result.cameras.items()
    further = {
        name: part and part.judged([said, *part.findings], tolerance) for name, part in parts
    }
    return replace(result.judged([said, *result.findings], tolerance), cameras=further)


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


def result_change(
    action: str, session: Session, folder: Path, document: Mapping[str, Any]
) -> Change | None:
    """Return the change that puts ``document`` into result.yaml, the one before kept beside it.

    Numbers that are not finite are stored as null. None: the folder holds the same result already.
    """
    path = folder / RESULT_FILE
    data = encoded(yaml_dump(plain(document)))
    kept = _earlier_copy(path)
    if kept is None:
        return Change(action, session, {"kept": None}, {}, RESULT_FILE, data)
    if (before := read_bytes(path)) == data:
        return None
    return Change(action, session, {"kept": kept.name}, {kept.name: before}, RESULT_FILE, data)


def keep_earlier(path: Path) -> Path | None:
    """Store a copy of ``path`` beside it as name-001, name-002, ... and return the copy's path.

    None where there is nothing to keep. A copy that holds the same content already is used again.
    """
    copy = _earlier_copy(path)
    if copy is not None and not copy.exists():
        write_bytes_new(copy, read_bytes(path))
    return copy


def _earlier_copy(path: Path) -> Path | None:
    """Return where a copy of ``path`` belongs, or lies already; None where nothing is to keep."""
    if not path.is_file():
        return None
    data, number = read_bytes(path), 1
    while (copy := path.with_stem(f"{path.stem}-{number:03d}")).exists():
        if read_bytes(copy) == data:
            break
        number += 1
    return copy
