"""The door for a site's own scripts: read a session, add a station, solve, recheck, export.

What stands here stays: names, arguments and the types that are returned. Everything else in
`engine` may change from one version to the next. docs/api.md shows each call, and its examples are
run by the tests. Every call raises an `engine.errors.StationbookError`, whose text is one sentence
with a remedy. Lengths are in mm and angles in degrees, as in the files.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from .cell.result import StoredResult
from .cell.session import Session, Station
from .errors import StationbookError, UsageError
from .findings import Finding, Level
from .plant.archive import summaries
from .plant.cells import CellRow, rows
from .plant.summary import Summary
from .proof.recheck import Recheck
from .sessions import folder as _folder
from .sessions.changes import Who, commit
from .sessions.lock import writing
from .sessions.results import current_result
from .steps.checking import check_session
from .steps.handover import POSES, export_result, poses_text
from .steps.recheck import mark_recheck, note_recheck, recheck_session
from .steps.recording import Consent, examine, outstanding, record_station
from .steps.solve import keep, solve_session
from .steps.starting import create_session
from .steps.station_image import (
    DEPTH_ALONE,
    DEPTH_NEEDS,
    ViewDraft,
    examine_board_pose,
    examine_file,
    no_view,
)
from .steps.station_pose import examine_pose

__all__ = [
    "Added",
    "CellRow",
    "Finding",
    "Level",
    "Recheck",
    "Session",
    "Station",
    "StationbookError",
    "StoredResult",
    "Summary",
    "add_station",
    "cells",
    "check",
    "export",
    "read_result",
    "read_session",
    "recheck",
    "solve",
    "start",
]

PathLike = str | Path


@dataclass(frozen=True, slots=True)
class Added:
    """What became of a station: None where a finding stands in the way, and all findings."""

    station: Station | None
    findings: tuple[Finding, ...]


def start(
    cell: PathLike, folder: PathLike, *, name: str | None = None, operator: str | None = None
) -> Session:
    """Start a session in a new folder for the cell that a cell.yaml describes."""
    return create_session(Path(cell), Path(folder), name, operator, now=_now())


def read_session(folder: PathLike) -> Session:
    """Return the session in a folder, read strictly."""
    return _folder.open_session(Path(folder))


def add_station(
    folder: PathLike,
    pose: str | None = None,
    *,
    joints: str | None = None,
    image: PathLike | None = None,
    points: PathLike | None = None,
    board_pose: str | None = None,
    depth: PathLike | None = None,
    accept: Sequence[str] = (),
    reason: str | None = None,
    operator: str | None = None,
) -> Added:
    """Record one stop through all checks, as if it were typed.

    ``pose`` and ``joints``: texts as the pendant shows them. One of ``image``, ``points`` (CSV
    id,u_px,v_px; in space: id,x_mm,y_mm,z_mm) and ``board_pose`` ("x y z qx qy qz qw", mm), or
    none; ``depth`` that a 3-D camera took with it. ``accept``: codes of
    warnings to accept; ``reason``: why reach or joint-limit is. Nothing is stored while a finding
    stands in the way: `Added.station` is None then.
    """
    path, consent = Path(folder), Consent(accept, reason)
    with writing(path, operator):
        session = read_session(path)
        draft = examine(
            session, path, examine_pose(session, pose, joints),
            _view(session, path, image, points, board_pose, depth),
        )  # fmt: skip
        if outstanding(draft.findings, consent):
            return Added(None, draft.findings)
        who = Who(operator, _now())
        change = record_station(session, path, draft, who, consent)
        commit(path, change, who)
        return Added(change.session.existing(session.next_id), draft.findings)


def _view(
    session: Session, folder: Path, image: PathLike | None, points: PathLike | None,
    board_pose: str | None, depth: PathLike | None,
) -> ViewDraft:  # fmt: skip
    given = [item for item in (image, points, board_pose) if item is not None]
    if len(given) > 1:
        raise UsageError("several views of one stop", "Give an image, points or a board pose.")
    if depth is not None and (image or points) is None:
        raise UsageError(DEPTH_ALONE, DEPTH_NEEDS)
    if board_pose is not None:
        return examine_board_pose(board_pose)
    deep = None if depth is None else Path(depth)
    return examine_file(session, folder, Path(given[0]), deep) if given else no_view()


def check(folder: PathLike) -> tuple[Finding, ...]:
    """Return what is to be said of a session as it stands."""
    path = Path(folder)
    return tuple(check_session(read_session(path), path))


def solve(folder: PathLike, *, store: bool = True) -> StoredResult:
    """Return the result of a session; ``store``: write result.yaml, the one before beside it."""
    path = Path(folder)
    if not store:
        return solve_session(read_session(path), path).stored
    with writing(path):
        session = read_session(path)
        solved = solve_session(session, path)
        commit(path, keep(solved, session, path), Who(None, _now()))
        return solved.stored


def read_result(folder: PathLike) -> StoredResult:
    """Return the stored result; a note in it says where the session was changed since."""
    path = Path(folder)
    return current_result(read_session(path), path)


def recheck(folder: PathLike, against: PathLike, *, note: bool = True) -> Mapping[str, Recheck]:
    """Return by camera name whether it moved since the session in ``against``, the first one first.

    ``note``: keep the answer in the journal, from which the overview of cells takes it, and mark
    the earlier result where its camera moved: it is then handed over no more.
    """
    path, old = Path(folder), Path(against)
    session = read_session(path)
    answers = recheck_session(session, path, old)
    if note:
        with writing(path):
            commit(path, note_recheck(answers, session, path, old), Who(None, _now()))
        mark_recheck(answers, path, old, Who(None, _now()))
    return answers


def export(
    folder: PathLike,
    form: str,
    *,
    inverse: bool = False,
    unit: str | None = None,
    not_accepted: bool = False,
    camera: str | None = None,
    anyway: bool = False,
) -> str:
    """Return the stored result as the text of a file in one of the forms of `stationbook export`.

    The form ``poses`` gives the stations as a table. A result that is not accepted is refused
    unless ``not_accepted``, one whose camera a recheck found moved unless ``anyway``.
    """
    path = Path(folder)
    session = read_session(path)
    if form == POSES:
        return poses_text(session, path)
    return export_result(
        session,
        path,
        form,
        inverse=inverse,
        unit=unit,
        not_accepted=not_accepted,
        camera=camera,
        anyway=anyway,
    )[0]


def cells(root: PathLike, *, now: datetime | None = None) -> list[CellRow]:
    """Return every cell of the sessions below ``root``, those to look at first on top."""
    return rows(summaries(Path(root)), now or _now())


def _now() -> datetime:
    return datetime.now().astimezone()
