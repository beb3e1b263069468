"""Whether a camera moved since an earlier session, and the quick re-calibration after it did."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime
from filecmp import cmp
from pathlib import Path

import numpy as np

from ..arrays import Array
from ..camera.model import Camera
from ..cell.cell import Cell
from ..cell.mount import EYE_IN_HAND
from ..cell.result import Before, found_lens, not_known_by, of_all
from ..cell.session import REVISIT, PlannedStation, Session, cell_of, labelled, taken_before
from ..cell.stations import station_pose
from ..checks.entry import OFF_PLAN_DEG, OFF_PLAN_MM
from ..diagnosis.diagnose import diagnosed
from ..diagnosis.together import SolvedTogether
from ..errors import FileError, StationbookError, UsageError
from ..estimate.information import predict_flange
from ..estimate.problem import Problem
from ..estimate.result import Result
from ..findings import Finding, finding
from ..frames import apply, displacement
from ..plans.pose_plan import alike
from ..proof.assumed import mount_notes
from ..proof.compare import Movement
from ..proof.pick_now import Ways, commands, not_told, pick_now, said
from ..proof.quick import Quick, quick
from ..proof.recheck import RECHECK_COUNT, Recheck, stations_to_revisit
from ..proof.recheck_cameras import recheck_cameras
from ..proof.stated import check_same, transform_of
from ..sessions.changes import Change, Who, commit, remark
from ..sessions.folder import open_session
from ..sessions.journal import LIFTED, OPEN, OVERTAKEN, overtaken
from ..sessions.lock import writing
from ..sessions.numbers import observations
from ..sessions.results import input_hashes, read_result
from .solve import (
    Solved,
    refuted,
    session_problems,
    solve_problems,
    solved_of,
    stops_compared,
    told_or_shown,
    typed_texts,
    unread,
    without,
)
from .starting import found_session, swapped_in

ACTION = "recheck"  # the word in the journal
QUICK_COUNT = 5  # stations planned again: enough for a quick re-calibration, should it be needed


@dataclass(frozen=True, slots=True, eq=False)
class Earlier:
    """An earlier session, solved anew: its full covariance is not in result.yaml.

    ``problems`` by camera name, the first camera first; ``solved`` in the same order.
    """

    folder: Path
    session: Session
    problems: dict[str, Problem]
    solved: SolvedTogether

    def to_revisit(self, count: int) -> list[int]:
        """Return the ids of so many stations that tell the first camera most, best first."""
        problem = next(iter(self.problems.values()))
        return stations_to_revisit(self.solved.results[0], problem, count)

    def visited(self, station: int, been: Sequence[Array]) -> bool:
        """Tell whether one of the poses (4, 4) is that of a station again."""
        pose = station_pose(self.session.cell, self.session.existing(station))
        return pose is not None and any(alike(pose, other) for other in been)

    def of(self, name: str) -> Result | None:
        """Return the result of a camera, or None where there is none."""
        names = list(self.problems)
        return self.solved.results[names.index(name)] if name in names else None

    def spoiled_by(self, name: str) -> str | None:
        """Return the code of the cause of all stations that stands here for a camera, or None.

        What the result says of its own uncertainty means nothing beside it. Raises PoseError.
        """
        result = self.of(name)
        if result is not None and (code := result.stored().spoiled_by):
            return code
        _, shown = told_or_shown(self.session.cell, stops_compared(self.session))
        return next((item.code for item in shown if of_all(item)), None)


def earlier(folder: Path) -> Earlier:
    """Return the earlier session in ``folder``. Raises FileError where it gives no result."""
    session = open_session(folder)
    problems = session_problems(session, folder)
    solved = solve_problems(session, problems)
    if not any(result.solved and result.noise is not None for result in solved.results):
        raise FileError(
            folder,
            "this session gives no result to compare with",
            "Name a session that has one, or do the full job.",
        )
    return Earlier(folder, session, problems, solved)


def recheck_session(
    session: Session,
    folder: Path,
    against: Path,
    visit: int | None = None,
    ways: Ways | None = None,
) -> dict[str, Recheck]:
    """Return whether each camera moved since the session in ``against``, by name, the first first.

    A further camera without new stations is left out. Without any station yet, or with ``visit``,
    says which (so many) stations to visit again. ``ways`` to go on are told; None: by command.
    Raises UsageError where the sessions belong to different cells, are one and the same or the
    wrong way round, FileError for what cannot be read.
    """
    _refuse_itself(session, folder, against)
    old, first = earlier(against), session.cell.camera.name
    if taken_before(session, old.session):
        raise UsageError(
            f"{against} was recorded after these stations: they show nothing of what moved since",
            "Open the newer session and compare it with the earlier one.",
        )
    ways = ways or commands(str(folder), str(against))
    check_same(old.session.cell, session.cell)
    session = _with_lens_of(old, session)
    if visit is not None or not observations(session, folder):
        been = [
            pose
            for one in session.stations
            if (pose := station_pose(session.cell, one)) is not None
        ]
        where = nothing_yet(old, RECHECK_COUNT if visit is None else visit, been)
        said_too = (*_spoiled(old, first), *_renamed(old, session))
        now = not_told(session.cell.tolerance, ways.again)
        return {first: replace(where, findings=(*where.findings, *said_too), pick=now)}
    problems = session_problems(session, folder)
    for name in list(problems)[1:]:
        check_same(cell_of(old.session.cell, name), cell_of(session.cell, name))
        if name not in old.problems:
            raise FileError(
                against,
                f"camera {name!r} saw no station in this session",
                "Name a session that has a result of it, or set its views aside.",
            )
    each = [problems.get(name) for name in old.problems]
    answers = recheck_cameras(old.solved, each, typed_texts(session))
    named = zip(old.problems, answers, strict=True)
    return {
        name: _ended(answer, old, name, problems[name], session, ways)
        for name, answer in named
        if answer is not None
    }


def _with_lens_of(old: Earlier, session: Session) -> Session:
    """Return the session with the lens that the earlier one's images gave, where its cell has none.

    One to five stations tell a lens badly or not at all, and the earlier place of the camera
    belongs to that lens.
    """
    known = {one.name: one for one in old.session.cell.every_camera if one.lens_from == "images"}

    def seen_through(one: Camera) -> Camera:
        taken = one.lens_from != "cell" and one.name in known
        return one.with_lens_of(known[one.name]) if taken else one

    return replace(session, cell=session.cell.with_each_camera(seen_through))


def _ended(
    answer: Recheck,
    old: Earlier,
    name: str,
    problem: Problem,
    session: Session,
    ways: Ways,
) -> Recheck:
    """Return the answer with what a pick on the old result is off, and how to go on, last."""
    result, tolerance = old.solved.results[list(old.problems).index(name)], session.cell.tolerance
    answer = _as_told(answer, old, result, problem, session)
    if unknown := _spoiled(old, name):
        answer = Recheck(None, "unclear", None, None, None, answer.stations, tuple(unknown))
    now = pick_now(result, old.problems[name], problem, answer, tolerance, ways)
    ending = said(now, answer, tolerance)
    told = (*answer.findings, *_disproved(old), *_renamed(old, session))
    return replace(answer, findings=(*told, ending), pick=now)


def _renamed(old: Earlier, session: Session) -> list[Finding]:
    here, there = session.cell.name, old.session.cell.name
    return [] if here == there else [finding("cell-renamed", here=here, there=there)]


def _spoiled(old: Earlier, name: str) -> list[Finding]:
    """Return that nobody knows how far off the earlier result is, where a cause of all stands."""
    why = not_known_by(old.spoiled_by(name))
    return [finding("earlier-spoiled", session=old.session.name, why=why)] if why else []


def _disproved(old: Earlier) -> list[Finding]:
    """Return that touches speak against the earlier result, where they do."""
    name = old.session.name
    return [finding("earlier-disproved", "recheck", session=name)] if refuted(old.folder) else []


def _as_told(
    answer: Recheck, old: Earlier, result: Result, problem: Problem, session: Session
) -> Recheck:
    """Return the answer of one stop without believing a pose that was told and typed as told.

    A hand that jogs there ends beside it: what does not fit by no more than that may be that.
    """
    if answer.moved is not True or len(answer.stations) != 1:
        return answer
    (station,) = answer.stations
    told = [item.pose for item in session.plan]
    told += [item.typed for item in old.session.stations]
    if session.existing(station).typed not in told:
        return answer
    (seen,) = (item for item in problem.observations if item.id == station)
    expected, _ = predict_flange(result, problem, seen)
    off = displacement(seen.base_T_flange, expected)
    mm, deg = float(np.linalg.norm(off[3:])), float(np.degrees(np.linalg.norm(off[:3])))
    if mm > OFF_PLAN_MM or deg > OFF_PLAN_DEG:
        return answer
    doubted = finding("moved-unclear", "told-pose", distance_mm=mm, angle_deg=deg)
    others = tuple(item for item in answer.findings if item.code != "moved-unclear")
    return replace(answer, moved=None, cause="unclear", movement=None, findings=(doubted, *others))


def _refuse_itself(session: Session, folder: Path, against: Path) -> None:
    """Refuse stations as evidence about the very result they gave, in this folder or a copy."""
    same = folder.resolve() == against.resolve()
    if same or _same_stations(session, folder, against):
        raise UsageError(
            f"{against} holds the same stations: a session says nothing about itself",
            "Record one to three new stations in a session of their own, then name the earlier "
            "session with --against.",
        )


def _same_stations(session: Session, folder: Path, against: Path) -> bool:
    """Tell whether a folder holds the same stations, their points among them.

    Poses alone do not tell: where the robot is sent to stored poses, a recheck shows the same ones.
    """
    if not session.stations or session.stations != open_session(against).stations:
        return False
    names = [item.points for item in session.stations if item.points is not None]
    pairs = [(folder / name, against / name) for name in names]
    return all(a.is_file() and b.is_file() and cmp(a, b, shallow=False) for a, b in pairs)


def nothing_yet(old: Earlier, count: int, been: Sequence[Array] = ()) -> Recheck:
    """Return the answer before the first station: where to go.

    Places where the new session has ``been`` already (4, 4) come last.
    """
    if count < 1:
        raise UsageError(f"{count} stations to visit is too few", "Visit 1 or more.")
    first = old.to_revisit(count + len(been))
    ids = sorted(first, key=lambda one: old.visited(one, been))[:count]
    labels = old.session.cell.pendant.labels
    poses = "; ".join(f"{i}: {labelled(labels, old.session.existing(i).typed)}" for i in ids)
    where = finding("recheck-stations", stations=ids, count=len(ids), poses=poses)
    return Recheck(
        None, "unclear", None, None, None, (), (where, *mount_notes(old.session.cell.board))
    )


def gravest(answers: Mapping[str, Recheck]) -> str:
    """Return the name of the camera whose answer matters most: one that moved before any other."""
    return max(
        answers,
        key=lambda name: (answers[name].moved is True, answers[name].cause != "none"),
    )


def note_recheck(
    answers: Mapping[str, Recheck], session: Session, folder: Path, against: Path
) -> Change | None:
    """Keep in the journal of the session in ``folder`` what its recheck said.

    Of several cameras the gravest answer is kept. Nothing is kept before the first station that
    tells something.
    """
    name = gravest(answers)
    answer = answers[name]
    if not answer.stations:
        return None
    details: dict[str, object] = {
        "against": beside(folder, against),
        "cause": answer.cause,
        "moved": answer.moved,
        "stations": list(answer.stations),
    }
    if session.cell.cameras:
        details["camera"] = name
    if answer.pick is not None:
        told = answer.pick.document()
        del told["next"]  # which belongs to that moment
        details["decision"] = told
    if answer.movement is not None:
        details["movement"] = movement_noted(answer.movement, session.cell, against)
    return remark(ACTION, session, folder, details)


def movement_noted(movement: Movement, cell: Cell, against: Path) -> dict[str, object]:
    """Return a movement as the journal keeps it: its numbers, and the shift seen while picking.

    That is the apparent shift (3,) [mm] of the centre of the work volume, in the base frame; for a
    camera on the flange in the flange frame, and null where the earlier session holds no result.
    """
    center: Array | None = np.array(cell.work_volume.center_mm)
    if cell.mount == EYE_IN_HAND:
        placed = None
        with suppress(StationbookError):
            placed = transform_of(read_result(against).camera, cell.camera_key)
        center = None if placed is None or center is None else apply(placed, center[None])[0]
    shift = None if center is None else apply(movement.matrix, center[None])[0] - center
    return {**movement.document(), "shift_mm": shift}


def mark_recheck(answers: Mapping[str, Recheck], folder: Path, against: Path, who: Who) -> None:
    """Mark the earlier session in ``against`` with what speaks against its result, or lift a mark.

    What another session found stands until a recheck finds a pick within the tolerance; one that
    cannot tell changes nothing about it. Takes its lock and stores the marks; nothing where nothing
    is new. Raises StationbookError.
    """
    by, marks = beside(against, folder), overtaken(against, tuple(answers))
    for name, answer in answers.items():
        mark, found = marks.get(name), _mark_of(answer)
        stands = mark.found if mark else LIFTED
        same = found == stands and (mark is None or mark.by == by)
        if found is None or same:
            continue
        if found != OPEN or mark is None or not mark.bars or mark.by == by:
            moved_ = None if found == OPEN else found != LIFTED
            details: dict[str, object] = {"by": by, "moved": moved_, "found": found}
            with writing(against):
                old = open_session(against)
                if old.cell.cameras:
                    details["camera"] = name
                commit(against, remark(OVERTAKEN, old, against, details), who)


def _mark_of(answer: Recheck) -> str | None:
    """Return with what an answer marks the earlier result; None: it says nothing of it."""
    codes = {item.code for item in answer.findings}
    lens_or_board = ("moved-unclear", "other") in {(x.code, x.variant) for x in answer.findings}
    if not answer.stations or answer.pick is None or "earlier-spoiled" in codes:
        return None
    if answer.moved:
        return "camera" if answer.cause == "camera" else "something"
    if answer.cause == "lens" or lens_or_board:
        return "lens"
    if "stations-contradict" in codes:
        return "contradict"
    if answer.pick.state == "beyond":
        return "beyond"
    within = answer.moved is False and answer.pick.state == "within"
    return LIFTED if within else OPEN


def beside(folder: Path, other: Path) -> str:
    """Return how a session names another one: its folder's name where both lie side by side."""
    here, there = folder.resolve(), other.resolve()
    return there.name if there.parent == here.parent else str(there)


def revisits(old: Earlier, stations: Sequence[int]) -> tuple[PlannedStation, ...]:
    """Return stations of the earlier session, by their ids, as a plan."""
    return tuple(
        PlannedStation(
            old.session.existing(i).typed,
            why=f"{REVISIT}station {i} of the earlier session; is the way there still clear?",
        )
        for i in stations
    )


def start_again(
    against: Path,
    folder: Path,
    name: str | None = None,
    operator: str | None = None,
    *,
    now: datetime,
) -> Session:
    """Make a session folder for the cell of an earlier session, to see whether its camera moved.

    The plan names the earlier stations that tell most, best first: the first three for a recheck,
    all of them for a quick re-calibration. Raises FileError where the earlier session gives no
    result, the folder holds a session already or nothing can be written there.
    """
    old = earlier(against)
    cell = old.session.cell
    session = Session(
        name=name or f"{cell.name}, recheck {now:%Y-%m-%d}",
        operator=operator,
        created=now.isoformat("T", "seconds"),
        cell=cell,
        plan=revisits(old, old.to_revisit(QUICK_COUNT)),
    )
    return found_session(session, against, folder, {"against": beside(folder, against)}, now)


# ---- the quick re-calibration ------------------------------------------------------------------


def solve_quickly(session: Session, folder: Path, board_from: Path) -> Solved:
    """Return the result of ``session`` with the board where ``board_from`` had it.

    Further cameras each use the board's old place too, and are not solved together. The result also
    says what was ``before``: the earlier camera transform, the movement since, and the hashes of
    the earlier session's files. Nothing is written. Raises UsageError where the sessions belong to
    different cells, FileError for what cannot be read.
    """
    old, swapped = earlier(board_from), swapped_in(folder)
    check_same(old.session.cell, session.cell, swapped)
    if swapped != "camera":
        session = _with_lens_of(old, session)
    lost = unread(session)
    problems = session_problems(without(session, lost), folder)
    inputs, before = input_hashes(session, folder), input_hashes(old.session, old.folder)
    texts = typed_texts(session)
    results, parts = [], []
    for name, problem in problems.items():
        known = _known(old, session, name, swapped)
        found = quick(
            known, problem, old.session.name, lambda one: diagnosed(one, texts),
            spare=swapped == "camera",
        )  # fmt: skip
        if spoiled := old.spoiled_by(name):
            found = replace(found, movement=None)
        results.append(found.result)
        before_it, own = _before(old, before, known, found), found_lens(problem.camera)
        part = replace(found.result.stored(), before=before_it, lens=own)
        if spoiled and found.trusted:
            why, name_of_it = not_known_by(spoiled), old.session.name
            told = finding("earlier-spoiled", "board", session=name_of_it, why=why)
            part = replace(part, findings=(*part.findings, told))
        parts.append(part)
    said = _renamed(old, session)
    if refuted(board_from) and any(part.before and part.before.trusted_board for part in parts):
        said.append(finding("earlier-disproved", session=old.session.name))
    parts[0] = replace(parts[0], findings=(*parts[0].findings, *said))
    return solved_of(session, folder, inputs, problems, results, parts, lost)


def _known(old: Earlier, session: Session, camera: str, swapped: str | None) -> Result:
    """Return the earlier result of a camera. Raises FileError where there is none."""
    check_same(cell_of(old.session.cell, camera), cell_of(session.cell, camera), swapped)
    known = old.of(camera)
    if known is None or not known.solved:
        raise FileError(
            old.folder,
            f"this session gives no result of camera {camera!r}",
            "Name a session that has one, or do the full job.",
        )
    return known


def _before(old: Earlier, inputs: Mapping[str, str], known: Result, found: Quick) -> Before:
    placed = known.stored().camera
    return Before(
        session=old.session.name,
        created=old.session.created,
        inputs=inputs,
        position_mm=placed.position_mm if placed else None,
        quaternion_xyzw=placed.quaternion_xyzw if placed else None,
        trusted_board=found.trusted,
        movement=found.movement.stored() if found.movement else None,
    )
