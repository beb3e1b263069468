"""Solving an archive again: every session below a folder, on all cores, and what changed.

A session is one piece of work for one process, so time is linear in their number. What is done is
kept line by line in the user's configuration folder until all is done: a killed run goes on where
it was. It holds for the same program and the same inputs only.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import redirect_stderr, suppress
from dataclasses import asdict, dataclass
from datetime import datetime
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from ..arrays import Array
from ..cell.cell import Cell
from ..cell.mount import EYE_TO_HAND
from ..cell.result import ACCEPTED, StoredResult, not_known_by, only_if
from ..cell.session import Session
from ..errors import FileError, StationbookError, UsageError
from ..files import content, inside, read_bytes, sha256
from ..frames import apply, inverse
from ..proof.stated import transform_of
from ..sessions.changes import Who, commit
from ..sessions.folder import open_session
from ..sessions.journal import read_journal
from ..sessions.lock import writing
from ..sessions.results import input_hashes, moved_since, read_result, with_marks
from ..sessions.schema import program_version
from ..sessions.store import (
    RESULT_FILE,
    SESSION_FILE,
    append_line,
    config_folder,
    make_folder,
    remove,
)
from .recheck import solve_quickly
from .solve import Solved, keep, solve_session

AHEAD = 4  # pieces of work waiting for each process; more would only take memory
NOTICED_U = 0.1  # of U; a smaller change is no change to anybody who uses the result
NOTICED_WIDER = 0.05  # relative change of U: common practice, no source


@dataclass(frozen=True, slots=True)
class Again:
    """One session solved again; None for what is not known.

    ``unknown_by``: the code of the cause for which U is not known; ``verdict_holds``: on which told
    numbers the verdict rests, in words, see `StoredResult`. ``shift_mm``: how far the corners of
    the work volume moved at most from the stored result; ``shift_u`` the same in units of the
    stored U. ``inputs``: SHA-256 of all it was computed from. ``error``: the sentence where it
    could not be solved.
    """

    folder: str
    inputs: str = ""
    verdict_before: str | None = None
    verdict: str | None = None
    verdict_holds_before: str | None = None
    verdict_holds: str | None = None
    expanded_mm_before: float | None = None
    expanded_mm: float | None = None
    unknown_by_before: str | None = None
    unknown_by: str | None = None
    shift_mm: float | None = None
    shift_u: float | None = None
    codes_gone: tuple[str, ...] = ()
    codes_new: tuple[str, ...] = ()
    stored: bool = False
    error: str | None = None

    @property
    def not_known(self) -> str:
        """Why U is not known now, in words; "" where no cause of all stations stands."""
        return not_known_by(self.unknown_by)

    @property
    def changed(self) -> bool:
        """Whether somebody should look at it."""
        before = self.verdict_before, self.verdict_holds_before
        if self.error or (self.verdict, self.verdict_holds) != before:
            return True
        if (self.expanded_mm is None) != (self.expanded_mm_before is None):
            return True
        wider = 0.0
        if self.expanded_mm and self.expanded_mm_before:
            wider = abs(self.expanded_mm / self.expanded_mm_before - 1.0)
        return (self.shift_u or 0.0) > NOTICED_U or wider > NOTICED_WIDER

    @property
    def worse(self) -> bool:
        """Whether a result that was accepted no longer is."""
        return self.verdict_before == ACCEPTED and self.verdict != ACCEPTED


def solve_again(folder: str, store: bool, known: Again | None, now: datetime) -> Again:
    """Return one session solved anew, or ``known`` where its inputs are still the same."""
    path = Path(folder)
    try:
        if not store:
            return _solved(path, known)
        if known is not None and known.stored and known.inputs == _inputs(path):
            return known
        with writing(path):
            return _solved(path, None, Who(None, now))
    except StationbookError as error:
        return Again(folder, error=str(error))


def _inputs(folder: Path) -> str:
    hashes = input_hashes(open_session(folder), folder)
    return sha256(json.dumps(hashes, sort_keys=True).encode())


def _solved(folder: Path, known: Again | None, who: Who | None = None) -> Again:
    inputs = _inputs(folder)
    if known is not None and known.inputs == inputs and not known.error:
        return known
    session = open_session(folder)
    marks = moved_since(session, folder)
    before = None
    if os.path.exists(folder / RESULT_FILE):
        before = with_marks(read_result(folder), marks, session)
    solved = solved_as_before(session, folder, before)
    if who is not None:
        commit(folder, keep(solved, session, folder), who)
    new = with_marks(solved.stored, marks, session)
    shift, u = _shift(session.cell, before, new)
    codes = [{item.code for item in r.all_findings} if r else set() for r in (before, new)]
    return Again(
        folder=str(folder),
        inputs=inputs,
        verdict_before=before.verdict if before else None,
        verdict=new.verdict,
        verdict_holds_before=(only_if(before.told) or None) if before else None,
        verdict_holds=only_if(new.told) or None,
        expanded_mm_before=before.expanded_mm if before else None,
        expanded_mm=new.expanded_mm,
        unknown_by_before=before.unknown_by if before else None,
        unknown_by=new.unknown_by,
        shift_mm=shift,
        shift_u=None if shift is None or not u else shift / u,
        codes_gone=tuple(sorted(codes[0] - codes[1])) if before else (),
        codes_new=tuple(sorted(codes[1] - codes[0])) if before else (),
        stored=who is not None,
    )


def solved_as_before(session: Session, folder: Path, before: StoredResult | None) -> Solved:
    """Return the result of a session, resting on an earlier one if the stored result does.

    Raises UsageError where that earlier session lies nowhere as it was.
    """
    rests = None if before is None else before.before
    if rests is None:
        return solve_session(session, folder)
    for other in _may_be_earlier(folder):
        if _is(other, rests.inputs):
            return solve_quickly(session, folder, other)
    raise UsageError(
        f"its result rests on the board's place in the session {rests.session!r}, which does not "
        "lie beside it as it was then",
        "Put that session there, or solve this one by itself: `stationbook solve DIR`.",
    )


def _may_be_earlier(folder: Path) -> Iterator[Path]:
    """Yield where the session that this one rests on may lie: as named at its start, and beside."""
    here = folder.resolve()
    with suppress(FileError):
        for line in read_journal(folder):
            if isinstance(name := line.get("against"), str):
                yield here.parent / name
    yield from (other for other in sorted(here.parent.iterdir()) if other != here)


def _is(folder: Path, inputs: Mapping[str, str]) -> bool:
    """Tell whether the session in ``folder`` has these hashes."""
    try:
        own = content(inside(folder, SESSION_FILE)).sha256
        if own != inputs.get(SESSION_FILE):
            return False
        return input_hashes(open_session(folder), folder) == inputs
    except StationbookError:
        return False


def _shift(
    cell: Cell, before: StoredResult | None, new: StoredResult
) -> tuple[float | None, float | None]:
    """Return how far the work volume moved [mm], and the stored U there; None: not known."""
    if before is None or before.mount != new.mount:
        return None, None
    places = [transform_of(result.camera, cell.camera_key) for result in (before, new)]
    if places[0] is None or places[1] is None:
        return None, None
    u = before.as_told().uncertainty.work_volume_mm
    moved = _corners(cell, places[1], places[0]) - _corners(cell, places[0], places[0])
    return float(np.linalg.norm(moved, axis=1).max()), None if u is None else 2.0 * u


def _corners(cell: Cell, placed: Array, old: Array) -> Array:
    """Return the corners (8, 3) of the work volume, seen by ``old``, as ``placed`` puts them."""
    corners = cell.work_volume.corners()
    if cell.mount == EYE_TO_HAND:
        corners = apply(inverse(old), corners)
    return apply(placed, corners)


# ---- many of them ------------------------------------------------------------------------------


def solved_again(
    folders: Sequence[Path], record: Path | None, *, jobs: int | None, store: bool, now: datetime
) -> Iterator[Again]:
    """Yield every session solved anew, as they are done; ``record`` keeps what is done.

    Sessions that stand in the record with the same inputs are not solved again. Closing the
    generator stops what waits.
    """
    done = _read(record) if record is not None else {}
    if record is not None:
        make_folder(record.parent)
    work = [(str(folder), store, done.get(str(folder)), now) for folder in folders]
    for item in _worked(work, jobs):
        if record is not None and item is not done.get(item.folder) and not item.error:
            append_line(record, json.dumps({"made by": program_version(), **asdict(item)}))
        yield item


def _worked(work: Sequence[tuple[Any, ...]], jobs: int | None) -> Iterator[Again]:
    workers = min(len(work), jobs or os.cpu_count() or 1)
    if workers <= 1:
        for one in work:
            yield solve_again(*one)
        return
    waiting: set[Future[Again]] = set()
    left = iter(work)
    pool = processes(workers)
    try:
        for one in left:
            waiting.add(pool.submit(solve_again, *one))
            if len(waiting) >= AHEAD * workers:
                ready, waiting = wait(waiting, return_when=FIRST_COMPLETED)
                yield from (future.result() for future in ready)
        while waiting:
            ready, waiting = wait(waiting, return_when=FIRST_COMPLETED)
            yield from (future.result() for future in ready)
    except BrokenProcessPool:
        raise StationbookError(
            "a process that solved sessions was ended from outside",
            "Give the same command again: it goes on where it was.",
        ) from None
    finally:
        pool.shutdown(cancel_futures=True)


def processes(workers: int) -> ProcessPoolExecutor:
    """Return so many processes that keep the libraries they use to one thread each.

    Where this process has one thread alone, those of libraries counted, they are copies of it and
    need load nothing again.
    """
    threads = Path("/proc/self/task")  # Linux
    alone = threads.is_dir() and len(os.listdir(threads)) == 1
    context = get_context("fork" if alone else "spawn")
    with redirect_stderr(sys.__stderr__):  # a screen has one of its own that is no file
        return ProcessPoolExecutor(
            workers, mp_context=context, initializer=cv2.setNumThreads, initargs=(1,)
        )  # the number library is told so where `engine` is loaded


def record_of(root: Path, store: bool) -> Path:
    """Return where the progress of a run over ``root`` is kept."""
    name = sha256(f"{root.resolve()} {store}".encode())[:16]
    return config_folder() / "archive" / f"{name}.jsonl"


def _read(record: Path) -> dict[str, Again]:
    """Return what an earlier run of this very program did; a damaged line is passed over."""
    found: dict[str, Again] = {}
    with suppress(FileError):
        for line in read_bytes(record).decode("utf-8", "replace").splitlines():
            with suppress(ValueError, TypeError, KeyError, RecursionError):
                values: Mapping[str, Any] = json.loads(line)
                if values["made by"] == program_version():
                    known = {k: v for k, v in values.items() if k != "made by"}
                    lists = {k: tuple(known[k]) for k in ("codes_gone", "codes_new")}
                    found[known["folder"]] = Again(**{**known, **lists})
    return found


def finished(record: Path) -> None:
    """Forget the progress of a run that is done."""
    with suppress(FileError):
        remove(record)
