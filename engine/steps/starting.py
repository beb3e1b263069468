"""Starting a session: its folder, and the questions that only a person can answer.

The folder gets copies of the robot and points files that the cell names.

A constant wrong tool or frame fits every image as well as the right one, a board measured wrong
scales everything, and lens data of another focus bend it. The answers are kept in the journal.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import Literal, get_args

from ..camera.model import Camera
from ..cell.cell import Cell
from ..cell.session import Session
from ..errors import FileError, StationbookError
from ..files import read_bytes
from ..pendant.entry import parse_active
from ..pendant.settings import BASE, FLANGE
from ..sessions.cell_file import read_cell
from ..sessions.changes import Change, Who, commit, remark
from ..sessions.folder import session_text
from ..sessions.journal import read_journal
from ..sessions.lock import take_lock
from ..sessions.store import SESSION_FILE, make_folder

Part = Literal["camera", "board", "cell"]  # what may be swapped
START = "start"  # the word in the journal for a new session


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


def swapped_in(folder: Path) -> Part | None:
    """Return what was swapped when the session in ``folder`` was begun, or None."""
    with suppress(FileError):
        for line in read_journal(folder):
            if line.get("action") == START and line.get("swap") in get_args(Part):
                part: Part = line["swap"]
                return part
    return None


def begun_against(folder: Path) -> tuple[str | None, str]:
    """Return the folder's name of the session that this one goes on from, or None.

    Behind it what was swapped since (camera, board, or all of the cell); "": it is a recheck. A
    journal that cannot be read names none.
    """
    with suppress(FileError):
        for line in read_journal(folder):
            if line.get("action") == START and isinstance(line.get("against"), str):
                return str(line["against"]), str(line.get("swap") or "")
    return None, ""


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

    return cell.with_each_camera(anchored)


ACTION = "start questions"
OPEN = "start questions, lens data open"  # kept, and asked again
SKIPPED = "start questions, skipped"


@dataclass(frozen=True, slots=True)
class Answers:
    """What was answered.

    ``active_tool`` and ``active_frame``: "flange" and "base", or their name and the values that
    the pendant shows for them ("T3: 0 0 120 0 0 0"). ``pitch_mm`` as measured on the
    board. ``lens_fits``: the lens data were made at this image size, focus and zoom.
    ``height_u_mm``: of the height of the board's point 0; None: it was not asked for, and stays
    as the cell says. ``height_mm``: that height, None where it is not measured. ``scale_u``: of
    all lengths on the board, relative; None: as the cell says.
    """

    operator: str
    active_tool: str
    active_frame: str
    warmed_up: bool
    pitch_mm: float
    lens_fits: bool
    height_mm: float | None = None
    height_u_mm: float | None = None
    scale_u: float | None = None


def answered(folder: Path) -> bool:
    """Tell whether the questions were answered in this session. Raises FileError."""
    return any(line["finished"] and line.get("action") == ACTION for line in read_journal(folder))


def kept_open(folder: Path) -> Answers | None:
    """Return the answers kept last while the lens data were open, or None. Raises FileError."""
    lines = [line for line in read_journal(folder) if line["finished"]]
    given = next((x["answers"] for x in reversed(lines) if x.get("action") == OPEN), None)
    return None if given is None else Answers(**given)


def questions_skipped(session: Session, folder: Path) -> Change:
    """Return the line of the journal which says that the questions were left open."""
    return remark(SKIPPED, session, folder, {})


def answer_questions(session: Session, answers: Answers) -> Change:
    """Keep the answers; tool, frame and pitch become those of the session's copy of the cell.

    Nothing is written; whoever answered is to commit it. Where the lens data do not fit, the
    questions stay open: they will be asked again. Raises StationbookError where something must be
    put right first.
    """
    if not answers.operator.strip():
        raise StationbookError("no operator named", "Say who works at the robot.")
    cell, board = session.cell, replace(session.cell.board, pitch_mm=answers.pitch_mm)
    if answers.scale_u is not None:
        board = replace(board, scale_u=answers.scale_u)
    if answers.height_u_mm is not None:
        board = replace(board, height_mm=answers.height_mm, height_u_mm=answers.height_u_mm)
    new = replace(
        session,
        operator=session.operator or answers.operator,
        cell=replace(
            cell,
            pendant=replace(
                cell.pendant,
                active_tool=parse_active(answers.active_tool, FLANGE, cell.pendant),
                active_frame=parse_active(answers.active_frame, BASE, cell.pendant),
            ),
            board=board,
        ),
    )
    action = ACTION if answers.lens_fits else OPEN
    return Change(action, new, {"answers": asdict(answers)})
