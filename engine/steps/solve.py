"""Solving a session: the estimate, what the diagnosis makes of it, and the stored result."""

from __future__ import annotations

import os
from collections.abc import Collection, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from ..cell.cell import Cell
from ..cell.result import Frames, StoredResult, found_lens
from ..cell.session import Session, seen_by
from ..cell.stations import joint_values, station_pose
from ..cell.touched import REFUTED
from ..checks.entry import REACH_IN_A_ROW
from ..checks.shown import Comparison, Stop, compared, comparison_findings, stops_of
from ..diagnosis.diagnose import diagnosed, without_consequences
from ..diagnosis.together import SolvedTogether, diagnosed_together
from ..errors import FileError, PoseError
from ..estimate.loosened import OF_BOARD
from ..estimate.numbers import settled
from ..estimate.problem import Problem, problem_from
from ..estimate.result import Result
from ..findings import Finding, Level, finding
from ..pendant.conventions import active_places
from ..proof.touch import missing_numbers, read_touches
from ..robots.reach import out_of_reach
from ..sessions.changes import Change, result_change
from ..sessions.folder import basis, with_lens
from ..sessions.journal import read_journal
from ..sessions.numbers import observations
from ..sessions.results import input_hashes, read_result, result_document
from ..sessions.store import PROOF_FILE, RESULT_FILE
from .starting import ACTION, OPEN, SKIPPED
from .unusable import too_few_told

MOST_OVERRULED = 0.5  # [-] of the stations: one wrong limit stops fewer, common practice, no source

READ_WRONG = ("rotation-convention", "unit", "inverse-pose")  # all poses mean something else
OF_READING = ("joints-disagree", "overruled")  # then joints, reach and limits cannot agree
OF_THE_BOARD = "board-assumed"  # the same board for every camera


@dataclass(frozen=True, slots=True, eq=False)
class Solved:
    """A result, how it is shown and stored, and the hashes of what it was computed from.

    ``others`` are the results of further cameras by name; ``stored`` holds them too.
    """

    result: Result
    stored: StoredResult
    inputs: dict[str, str]
    others: Mapping[str, Result] = field(default_factory=dict)

    def document(self) -> dict[str, Any]:
        """Return the result as plain data, as `solve` prints it."""
        return result_document(self.stored)


def solve_session(session: Session, folder: Path) -> Solved:
    """Return the result of the session in ``folder``; nothing is written.

    A station whose typed pose cannot be read is told, and the others are solved without it. Raises
    FileError when a file that a station names is missing or damaged.
    """
    lost = unread(session)
    problems = session_problems(without(session, lost), folder)  # first: its errors name a station
    inputs = input_hashes(session, folder)
    results = solve_problems(session, problems).results
    parts = [
        replace(result.stored(), lens=found_lens(problem.camera))
        for problem, result in zip(problems.values(), results, strict=True)
    ]
    return solved_of(session, folder, inputs, problems, results, parts, lost)


def solved_of(
    session: Session,
    folder: Path,
    inputs: dict[str, str],
    problems: Mapping[str, Problem],
    results: Sequence[Result],
    parts: Sequence[StoredResult],
    lost: Mapping[int, PoseError],
) -> Solved:
    """Return the results of the cameras as one; ``parts`` in the same order, the first one first.

    ``inputs`` are the hashes of what they were computed from, ``lost`` the stations that were left
    out as `unread`. A further camera that saw no station has no part.
    """
    first, tolerance = session.cell.camera.name, session.cell.tolerance
    parts = [
        replace(part, findings=too_few_told(part.findings, seen_by(session, name), folder))
        for name, part in zip(problems, parts, strict=True)
    ]
    shown = stops_compared(without(session, lost))
    frames, said = told_or_shown(session.cell, shown)
    found = (*parts[0].findings, *open_questions(folder))
    if shown is not None and shown.of_all:
        found = without_consequences(found)
    else:
        known = bool(frames.shown)
        said += overruled_findings(problems[first], parts[0], session.cell, known=known)
    if any(item.code in READ_WRONG for item in found):
        said = [item for item in said if item.code not in OF_READING]
    said += damaged(session, lost)
    wrong = [item for item in said if item.level is Level.ERROR]
    rest = [item for item in said if item not in wrong]
    if touched := refuted(folder) or not_compared(folder):
        found = (*touched, *(item for item in found if item.code != "not-proven"))
    own = parts[0].judged((*wrong, *found, *rest), tolerance)
    further = [
        part.judged((*wrong, *_but_the_boards(part.findings, parts[0].findings)), tolerance)
        for part in parts[1:]
    ]
    named = dict(zip(list(problems)[1:], further, strict=True))
    cameras = {camera.name: named.get(camera.name) for camera in session.cell.cameras}
    stored = replace(own, basis=basis(session), cameras=cameras, frames=frames)
    others = dict(zip(list(problems)[1:], results[1:], strict=True))
    return Solved(results[0], stored, inputs, others)


def _but_the_boards(findings: Sequence[Finding], first: Sequence[Finding]) -> tuple[Finding, ...]:
    """Return a further camera's findings without what those of the ``first`` say of their board."""
    told = any(item.code in (OF_THE_BOARD, "what-helps") for item in first)
    doubted = {item.field for item in first if item.code == "input-doubted"}
    return tuple(
        item
        for item in findings
        if not (told and item.code == OF_THE_BOARD)
        and not (item.code == "input-doubted" and item.field in doubted & {*OF_BOARD})
    )


def stops_compared(session: Session, further: Sequence[Stop] = ()) -> Comparison | None:
    """Return what the stops with joints and pose say of tool and frame; None where none has both.

    ``further``: stops that are no stations. Raises PoseError for texts that cannot be read.
    """
    both = [station for station in session.stations if station.pose and station.joints]
    stops = (*stops_of(session.cell, both), *further) if both else further
    return compared(session.cell, stops) if stops else None


def told_or_shown(cell: Cell, found: Comparison | None) -> tuple[Frames, list[Finding]]:
    """Return tool and frame with the stops that show them, and the findings about that."""
    tool, frame = str(cell.pendant.active_tool), str(cell.pendant.active_frame)
    if cell.pendant.shows_joints:  # the robot file gives the pose, in flange and base
        return Frames("flange", "base"), []
    if found is None:
        variant = "no-robot" if cell.robot is None else None
        told = finding("frames-told", variant, tool=tool, frame=frame)
        return Frames(tool, frame), [told, *_upwards(cell)]
    shown = found.stops if found.kind == "shown" else ()
    return Frames(tool, frame, shown), comparison_findings(cell, found, Level.ERROR)


def _upwards(cell: Cell) -> list[Finding]:
    """Return that a tool's Z is taken upwards under a flange that points down, as likely as not.

    Half of the tolerance is left to all the rest; beyond it nothing is accepted where typed joints
    could show the tool.
    """
    if not cell.pendant.flange_down:
        return []
    distance = 2.0 * abs(float(active_places(cell.pendant)[1][2, 3]))
    if 2.0 * distance <= cell.tolerance.position_mm:
        return []
    level = Level.WARNING if cell.robot is None else Level.ERROR
    tool = cell.pendant.active_tool
    return [finding("frames-told", "upwards", level=level, tool=tool, distance_mm=distance)]


def overruled_findings(
    problem: Problem, result: StoredResult, cell: Cell, *, known: bool
) -> list[Finding]:
    """Return `overruled` where stations that count stand out of reach or limits by the robot file.

    ``known``: tool and frame are shown, so that the limits are what is wrong.
    """
    counted = {station.id for station in result.stations if station.used}
    seen = [one for one in problem.observations if one.id in counted]
    if problem.robot is None or not seen:
        return []
    poses = np.array([one.base_T_flange for one in seen])
    out = out_of_reach(problem.robot, poses, [one.joints for one in seen])
    ids = [one.id for one, is_out in zip(seen, out, strict=True) if is_out]
    if not ids:
        return []
    many = not known and len(ids) >= REACH_IN_A_ROW and len(ids) >= MOST_OVERRULED * len(seen)
    variant = "joints" if many and cell.pendant.shows_joints else "most" if many else None
    return [finding("overruled", variant, stations=ids, count=len(ids), total=len(seen))]


def open_questions(folder: Path) -> tuple[Finding, ...]:
    """Return `start-open` where somebody was asked and left the questions open. Raises FileError.

    Who works without the screen was never asked.
    """
    actions = [line.get("action") for line in read_journal(folder) if line["finished"]]
    asked = [action for action in actions if action in (ACTION, OPEN, SKIPPED)]
    if not asked or ACTION in asked:
        return ()
    return (finding("start-open", what=" at the lens data" if OPEN in asked else ""),)


def refuted(folder: Path) -> tuple[Finding, ...]:
    """Return what stored touches said against the result so far, until `proof` judges them again.

    A result that does not agree with them is not accepted because it is computed again.
    """
    if not all(os.path.exists(folder / name) for name in (PROOF_FILE, RESULT_FILE)):
        return ()
    with suppress(FileError):
        return tuple(item for item in read_result(folder).findings if item.code in REFUTED)
    return ()


def not_compared(folder: Path) -> tuple[Finding, ...]:
    """Return that touches are stored which nobody has compared with a new result, if any are."""
    with suppress(FileError):
        if touches := read_touches(folder).of_role("proof"):
            return (finding("not-proven", "stored", count=len(touches)),)
    return ()


def board_left(folder: Path) -> tuple[Finding, ...]:
    """Return that the stored result rests on the board of an earlier session too, if it does.

    For who solves without it: the new result takes its place.
    """
    with suppress(FileError):
        if before := read_result(folder).before:
            return (finding("board-prior", "left", session=before.session),)
    return ()


def damaged(session: Session, lost: Mapping[int, PoseError]) -> list[Finding]:
    """Return a finding for each station of the file that could not be read, or its pose not."""
    found = [finding("station-damaged", problem=problem) for problem in session.damaged]
    return found + [
        finding(
            "format",
            "station",
            station=station,
            field=error.field,
            problem=error.problem,
            remedy=error.remedy,
        )
        for station, error in lost.items()
    ]


def unread(session: Session) -> dict[int, PoseError]:
    """Return by id the stations in use whose typed values make no pose, and why."""
    found = dict[int, PoseError]()
    for station in session.visited:
        try:
            if station.use:
                station_pose(session.cell, station)
                joint_values(session.cell, station)
        except PoseError as error:
            found[station.id] = error
    return found


def without(session: Session, lost: Collection[int]) -> Session:
    """Return the session with the stations ``lost`` set aside."""
    if not lost:
        return session
    stations = tuple(replace(s, use=s.use and s.id not in lost) for s in session.stations)
    return replace(session, stations=stations)


def solve_problems(session: Session, problems: Mapping[str, Problem]) -> SolvedTogether:
    """Return the estimates of the cameras of a session, all together where there are several."""
    texts = typed_texts(session)
    if len(problems) == 1:
        return SolvedTogether(tuple(diagnosed(problem, texts) for problem in problems.values()))
    return diagnosed_together(list(problems.values()), [texts] * len(problems))


def session_problems(session: Session, folder: Path) -> dict[str, Problem]:
    """Return what is to be estimated by camera name, the first camera first. Raises FileError.

    A further camera that saw no station in use has no problem. A touched point belongs to the
    first camera.
    """
    session = with_lens(session, folder)
    problems = {session.cell.camera.name: session_problem(session, folder)}
    for camera in session.cell.cameras:
        own = seen_by(session, camera.name)
        if seen := observations(own, folder):
            problems[camera.name] = settled(problem_from(own.cell, seen))
    return problems


def session_problem(session: Session, folder: Path) -> Problem:
    """Return what is to be estimated from the session in ``folder``. Raises FileError."""
    problem = problem_from(with_lens(session, folder).cell, observations(session, folder))
    return settled(replace(problem, touched=missing_numbers(session.cell, folder)))


def typed_texts(session: Session) -> dict[int, tuple[str, ...]]:
    """Return the texts of each station in use: the pose, or the joints where those are typed."""
    return {s.id: s.typed for s in session.stations if s.use and s.typed}


def keep(solved: Solved, session: Session, folder: Path) -> Change | None:
    """Store the result of ``session``, the one before beside it; None: it is stored already."""
    document = solved.document() | {"inputs": solved.inputs}
    return result_change("solve", session, folder, document)
