"""The whole job on a simulated cell, unattended: every step is the one that people use."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path

import numpy as np

from ..cell.session import Session
from ..errors import FileError, StationbookError
from ..files import MAX_BYTES, holds
from ..findings import Level
from ..frames import displacement
from ..images.load import encode_png
from ..sessions.changes import Change, Who, commit
from ..sessions.folder import open_session
from ..sessions.lock import writing
from ..sessions.store import (
    JOURNAL_FILE,
    LOCK_FILE,
    SESSION_FILE,
    make_folder,
    write_bytes_new,
    write_text_atomic,
)
from ..simulate.render import DepthSensor
from ..simulate.scenario import BoardName, cell, cell_text, truth
from ..simulate.stations import typing_slip
from ..simulate.virtual_cell import VirtualCell
from .correcting import correct_pose, examine_correction
from .planning import replace_plan, revised, with_rest
from .recording import Consent, Draft, examine, outstanding, record_station
from .solve import Solved, keep, solve_session
from .starting import create_session
from .station_image import ViewDraft, examine_image, read_depth
from .station_pose import examine_pose

STATIONS = 8  # enough for the demo cell's tolerance, with one to spare
SLIP_AT = 6  # the station where a digit is mistyped on purpose
OPERATOR = "demo"
DEPTH_SEED, DEPTH_SCALE_U = 3, 0.0005  # [-] what the 3-D camera measures too large or too small
CELL_FILE = "cell.yaml"
INCOMING = "incoming"  # where the simulated camera saves its images

Clock = Callable[[], datetime]
Told = tuple[str, Solved | None]  # one step of the demo in words, and at the end what was found


def prepare(
    folder: Path,
    seed: int,
    now: datetime,
    board: BoardName = "chessboard",
    depth: bool = False,
) -> VirtualCell:
    """Make a session of the simulated cell in ``folder`` and return the cell, standing still.

    ``depth``: its camera is a 3-D camera, whose scale is a little off, by the seed. Raises
    FileError where the folder holds something already; what a demo left that was stopped before
    its session stood is done again.
    """
    text = cell_text(board=board, depth=depth).replace(
        "source: none", f"source: {{folder: {INCOMING}}}"
    )
    _check_free(folder, text)
    make_folder(folder / INCOMING)
    write_text_atomic(folder / CELL_FILE, text)
    create_session(folder / CELL_FILE, folder, operator=OPERATOR, now=now)
    own = cell(board=board, depth=depth)
    scale = float(np.random.default_rng([seed, DEPTH_SEED]).normal(0.0, DEPTH_SCALE_U))
    return VirtualCell(own, truth(), seed, depth=DepthSensor(scale=scale) if depth else None)


def _check_free(folder: Path, text: str) -> None:
    """Refuse a folder with a session, or with anything that a demo does not begin with."""
    try:
        held = {path.name for path in folder.iterdir()} if folder.exists() else set()
        if SESSION_FILE in held:
            raise FileError(
                folder,
                "this folder holds a session already",
                f"Go on with it: `stationbook open {folder}`. Or choose another folder with --dir.",
            )
        seen = any((folder / INCOMING).iterdir()) if INCOMING in held else False
    except OSError as error:
        raise FileError.from_os(folder, error, "read") from None
    own = CELL_FILE not in held or holds(folder / CELL_FILE, text.encode(), MAX_BYTES)
    if held - {INCOMING, CELL_FILE, JOURNAL_FILE, LOCK_FILE} or seen or not own:
        raise FileError(folder, "this folder is not empty", "Choose another one with --dir.")


def save_image(folder: Path, number: int, virtual: VirtualCell) -> Path:
    """Let the simulated camera take an image, and depth where it can; return the image's file."""
    image = virtual.take_image()
    depth = virtual.take_depth(image)
    if depth is not None:
        write_bytes_new(depth_path(folder, number), encode_png(depth))
    path = folder / INCOMING / f"{number:04d}.png"
    write_bytes_new(path, encode_png(image))
    return path


def depth_path(folder: Path, number: int) -> Path:
    """Return where the depth of an image lies."""
    return folder / INCOMING / f"{number:04d}_depth.png"


def unattended(
    folder: Path,
    seed: int,
    clock: Clock,
    board: BoardName = "chessboard",
    depth: bool = False,
) -> Iterator[Told]:
    """Do the whole job in ``folder``, one sentence a step; the last one carries the result."""
    virtual = prepare(folder, seed, clock(), board, depth)
    yield f"cell {virtual.cell.name!r} described, session started in {folder}", None
    shown: dict[int, tuple[str, ...]] = {}
    with writing(folder, OPERATOR):
        for number in range(1, STATIONS + 1):
            if number > 1:
                yield from _next_move(folder, virtual, clock())
            shown[number] = virtual.pendant_pose()
            yield from _station(folder, virtual, number, seed, clock)
        solved = solve_session(open_session(folder), folder)
        wrong = [item.station for item in solved.result.findings if item.level is Level.ERROR]
        for number in filter(None, wrong):
            yield f"solved: station {number} does not fit; it is typed again from the paper", None
            session = open_session(folder)
            draft = examine_correction(session, folder, number, " ".join(shown[number]))
            accepted = tuple(item.code for item in draft.findings)
            _commit(folder, correct_pose(session, number, draft, Consent(accepted)), clock())
            solved = solve_session(open_session(folder), folder)
        _commit(folder, keep(solved, open_session(folder), folder), clock())
    yield _against_truth(solved, virtual), solved


def _next_move(folder: Path, virtual: VirtualCell, now: datetime) -> Iterator[Told]:
    """Plan from what is recorded, as anybody would who does not know where the camera is."""
    session = open_session(folder)
    plan = revised(session, folder)
    if plan is None or not plan.steps:
        raise StationbookError("the demo's plan ended early", "Choose another --seed.")
    _commit(folder, replace_plan(session, plan), now)
    step = plan.steps[0]
    yield f"next: {step.jog} ({'; '.join(filter(None, (step.why, step.beware)))})", None
    virtual.go_to(step.base_T_flange)


def _station(
    folder: Path, virtual: VirtualCell, number: int, seed: int, clock: Clock
) -> Iterator[Told]:
    """Take the image, type the pose (once with a slip), and store the station."""
    image = save_image(folder, number, virtual)
    typed = virtual.pendant_pose()
    session = open_session(folder)
    depth = None if virtual.depth is None else read_depth(depth_path(folder, number))
    view = examine_image(session, folder, image, depth)
    if number == SLIP_AT:
        typed = typing_slip(typed, np.random.default_rng(seed))
        yield f"station {number}: a slip of the finger, typed {' '.join(typed)}", None
    draft = _drafted(session, folder, typed, view)
    standing = outstanding(draft.findings)
    if standing and number == SLIP_AT:
        yield f"station {number}: not stored: {standing[0].message}", None
        typed = virtual.pendant_pose()
        draft = _drafted(session, folder, typed, view)
        standing = outstanding(draft.findings)
    accepted = tuple(item.code for item in standing)
    session, who = with_rest(session, session.plan[1:]), Who(OPERATOR, clock())
    commit(folder, record_station(session, folder, draft, who, Consent(accepted)), who)
    found = 0 if view.point_ids is None else len(view.point_ids)
    yield f"station {number}: {' '.join(typed)} stored, {found} points found", None


def _drafted(session: Session, folder: Path, typed: tuple[str, ...], view: ViewDraft) -> Draft:
    return examine(session, folder, examine_pose(session, " ".join(typed)), view)


def _commit(folder: Path, change: Change | None, now: datetime) -> None:
    commit(folder, change, Who(OPERATOR, now))


def _against_truth(solved: Solved, virtual: VirtualCell) -> str:
    """Compare where the camera is with what only a simulation knows."""
    result = solved.result
    if not result.solved:
        return "not solved"
    off = displacement(result.geometric, virtual.truth.camera)
    variance = np.diag(result.joint_covariance)[:6]
    U_mm, U_rad = 2 * np.sqrt(variance[3:].sum()), 2 * np.sqrt(variance[:3].sum())
    return (
        f"the simulation knows the truth: the camera stands {np.linalg.norm(off[3:]):.2f} mm and "
        f"{np.degrees(np.linalg.norm(off[:3])):.3f}° from the geometric place found "
        f"(U {U_mm:.2f} mm and {np.degrees(U_rad):.3f}°; the figures below are of the delivered "
        f"transform, which picks best with this arm and lens)"
    )
