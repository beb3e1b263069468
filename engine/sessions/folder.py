"""A session folder: opened, created, and changed one committed action at a time.

A commit writes in this order: new files (images, points), the journal's line, then session.yaml by
renaming. The rename is the commit: stopped before it, the folder holds the state before.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..boards.points_file import read_points
from ..camera.model import Camera
from ..cell.cell import Cell
from ..cell.session import Session, Station
from ..cell.stations import Observation, joint_values, station_pose
from ..errors import FileError, StationbookError
from ..frames import from_position_quaternion
from . import journal
from .cell_file import read_cell
from .lock import take_lock
from .places import SESSION_FILE
from .schema import leads_outside
from .session_file import read_session, session_text
from .store import encoded, make_folder, remove, write_bytes_atomic, write_bytes_new
from .yaml_text import MAX_BYTES, read_bytes, sha256

START = "start"  # the word in the journal for a new session
MAX_STORED = 512 * 2**20  # bytes; the largest image of an industrial sensor takes 300 MB


open_session = read_session


def create_session(
    cell_path: Path,
    folder: Path,
    name: str | None = None,
    operator: str | None = None,
    *,
    now: datetime,
) -> Session:
    """Make a session folder for a cell, with copies of the robot and points files it names.

    ``name`` defaults to the cell's name and the day. Raises FileError where the cell cannot be
    read, the folder holds a session already or nothing can be written there.
    """
    cell = read_cell(cell_path)
    session = Session(
        name=name or f"{cell.name}, {now:%Y-%m-%d}",
        operator=operator,
        created=now.isoformat("T", "seconds"),
        cell=cell,
    )
    return found_session(session, cell_path.parent, folder, {"cell": str(cell_path)}, now)


def found_session(
    session: Session, origin: Path, folder: Path, details: Mapping[str, Any], now: datetime
) -> Session:
    """Make a session folder for ``session``, with copies of the files that its cell names.

    Those lie in ``origin``; ``details`` go into the journal. Raises FileError as `create_session`.
    """
    cell, copies = _self_contained(session.cell, origin)
    if origin.resolve() != folder.resolve():
        cell = _anchored(cell, origin)
    session = replace(session, cell=cell)
    _check_no_session(folder)
    session_text(session)  # complains before a folder is made
    make_folder(folder)
    with take_lock(folder, session.operator, now):
        _check_no_session(folder)
        action = {"action": START, "who": session.operator, **details}
        commit(folder, session, action, copies, now)
    return session


def _check_no_session(folder: Path) -> None:
    if os.path.exists(folder / SESSION_FILE):
        raise FileError(folder, "this folder holds a session already", "Use another folder.")


def _self_contained(cell: Cell, origin: Path) -> tuple[Cell, dict[str, bytes]]:
    """Return the cell with its files inside the folder, and the files' contents by new name."""
    copies: dict[str, bytes] = {}

    def inside(kept_in: str, file: str) -> str:
        new = f"{kept_in}/{PurePosixPath(file).name}"
        copies[new] = read_bytes(origin / file)
        return new

    robot, board = cell.robot, cell.board
    if robot is not None and robot.file is not None:
        robot = replace(robot, file=inside("robots", robot.file))
    if board.points_file is not None:
        board = replace(board, points_file=inside("board", board.points_file))
    return replace(cell, robot=robot, board=board), copies


def _anchored(cell: Cell, origin: Path) -> Cell:
    """Return the cell with image folders named in full: relative ones start where it lay."""

    def anchored(camera: Camera) -> Camera:
        folder = (camera.source or {}).get("folder")
        if folder is None or os.path.isabs(folder):
            return camera
        return replace(camera, source={"folder": os.path.abspath(origin / folder)})

    cameras = tuple(anchored(camera) for camera in cell.cameras)
    return replace(cell, camera=anchored(cell.camera), cameras=cameras)


def commit(
    folder: Path,
    session: Session,
    action: Mapping[str, Any],
    new_files: Mapping[str, bytes],
    now: datetime,
) -> None:
    """Store one action: new files, the journal's line, then session.yaml.

    ``action`` holds the word ``action``, ``who``, and what was typed and accepted. ``new_files``
    are contents by path inside the folder; existing files are never overwritten. Hold the lock
    (`lock.writing`) from before opening the session until after this. Raises FileError; then the
    folder holds the state before, and no new file is left behind.
    """
    data = encoded(session_text(session))
    line = _journal_line(folder, SESSION_FILE, action, data, now)
    line["files"] = {name: sha256(content) for name, content in new_files.items()}
    stored: list[Path] = []
    try:
        for name, content in new_files.items():
            if path := _store_new(folder, name, content):
                stored.append(path)
        journal.append(folder, line)
        write_bytes_atomic(folder / SESSION_FILE, data)
    except BaseException:
        if _hash_of(folder / SESSION_FILE) != line["after"]:
            for path in stored:
                with suppress(FileError):
                    remove(path)
        raise


def record_change(
    folder: Path, file: str, data: bytes, action: Mapping[str, Any], now: datetime
) -> None:
    """Replace one file of the session folder whole, with a line in the journal before it."""
    journal.append(folder, _journal_line(folder, file, action, data, now))
    write_bytes_atomic(folder / file, data)


def record_remark(folder: Path, action: Mapping[str, Any], now: datetime) -> None:
    """Add a line to the journal that goes with no change: something was found out. Hold the lock.

    The line carries the session's hash, so that it tells which state it speaks of.
    """
    data = read_bytes(folder / SESSION_FILE, MAX_BYTES)
    journal.append(folder, _journal_line(folder, SESSION_FILE, action, data, now))


def _journal_line(
    folder: Path, file: str, action: Mapping[str, Any], data: bytes, now: datetime
) -> dict[str, Any]:
    return {
        "at": now.isoformat("T", "seconds"),
        **action,
        "file": file,
        "before": _hash_of(folder / file),
        "after": sha256(data),
        "files": {},
    }


def _hash_of(path: Path) -> str | None:
    return sha256(read_bytes(path, MAX_BYTES)) if os.path.exists(path) else None


def _store_new(folder: Path, name: str, content: bytes) -> Path | None:
    """Store a new file; None where the same content lies there already."""
    if leads_outside(name):
        raise FileError(folder, f"{name!r} is not a path inside this folder")
    path = folder / name
    if path.is_file() and read_bytes(path, MAX_STORED) == content:
        return None
    make_folder(path.parent)
    write_bytes_new(path, content)
    return path


def stored_points(
    session: Session, folder: Path, station: Station
) -> tuple[NDArray[np.int64], Array] | None:
    """Return ids (n,) and pixels (n, 2) [px] of a station's points, or None where it names none.

    Raises FileError naming station and file where it is missing, damaged, short or of another
    board.
    """
    if station.points is None:
        return None
    path = folder / station.points
    try:
        return read_points(path, session.cell.board)
    except FileError as error:
        raise _about(station, error) from None


def _about(station: Station, error: FileError) -> FileError:
    problem = f"station {station.id}: {error.clause}"
    return FileError(error.path, problem, error.remedy, line=error.line, key=error.key)


def observations(session: Session, folder: Path) -> tuple[Observation, ...]:
    """Return every station in use as numbers, in the order recorded.

    Raises FileError naming station and file where points are missing, damaged or short, or where
    what was typed cannot be read.
    """
    return tuple(_observation(session, folder, s) for s in session.stations if s.use)


def _observation(session: Session, folder: Path, station: Station) -> Observation:
    try:
        pose = station_pose(session.cell, station)
        joints = joint_values(session.cell, station)
    except StationbookError as error:
        field = getattr(error, "field", None)
        about = f"{field}: " if field else ""
        problem = f"station {station.id}: {about}{error.problem}"
        raise FileError(folder / SESSION_FILE, problem, error.remedy) from None
    if pose is None:
        raise FileError(folder / SESSION_FILE, f"station {station.id}: nothing typed")
    points = stored_points(session, folder, station)
    board = station.board_pose
    return Observation(
        id=station.id,
        base_T_flange=pose,
        point_ids=points[0] if points else None,
        pixels=points[1] if points else None,
        camera_T_board=from_position_quaternion(board) if board else None,
        joints=joints,
    )
