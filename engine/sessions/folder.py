"""A session folder: opened and created, and its stations as numbers."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime
from pathlib import Path, PurePosixPath

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
from .cell_file import read_cell
from .changes import Change, Who, commit
from .lock import take_lock
from .session_file import read_session, session_text
from .store import SESSION_FILE, make_folder
from .yaml_text import read_bytes

START = "start"  # the word in the journal for a new session

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
    session: Session, origin: Path, folder: Path, details: Mapping[str, object], now: datetime
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
        commit(folder, Change(START, session, details, copies), Who(session.operator, now))
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
