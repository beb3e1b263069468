"""Whether the camera moved since an earlier session, and the quick re-calibration after it did.

A recheck leaves a line in the journal, so that the list of sessions can tell the last one. What
takes time belongs in the background; storing is a step of its own, which a job that was left never
comes to.
"""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import NamedTuple

from engine.errors import FileError, StationbookError
from engine.findings import Level
from engine.proof.answer import rechecked
from engine.proof.pick_now import Ways
from engine.proof.recheck import Recheck
from engine.sessions.journal import read_journal
from engine.sessions.store import RESULT_FILE
from engine.steps.recheck import ACTION, mark_recheck, note_recheck, recheck_session, solve_quickly

from .desk import Desk
from .overview import SessionRow, overview
from .solution import Solution

KEYS = Ways(
    again="record one more, then m and Enter",
    more="record {} more at the earlier stations, then m and Enter",
    anew="in the list, m on the earlier session begins it",
    quick="b, the quick re-calibration",
    full="record more stations, then F6 solves",
    report="open the earlier session, F6, then r writes its report",
)


class LastRecheck(NamedTuple):
    """The last recheck that a session took part in: when, what was found, and against which."""

    at: str
    cause: str
    moved: bool | None
    against: str
    camera: str = ""

    @property
    def short(self) -> str:
        return rechecked(self.cause, self.moved)[2]

    @property
    def sentence(self) -> str:
        said = rechecked(self.cause, self.moved)[0]
        whose = f" ({self.camera})" if self.camera else ""
        return f"Last recheck {self.at[:16].replace('T', ' ')}, with {self.against}: {said}{whose}"


def earlier_sessions(desk: Desk) -> list[SessionRow]:
    """Return the other sessions beside this one that have a result.

    Accepted results come first, and among them the session changed last.
    """
    here = desk.folder.resolve()
    rows = overview(here.parent, desk.clock())
    others = [row for row in rows if row.folder.resolve() != here and row.comparable]
    return sorted(others, key=lambda row: row.role != "good")


def compare(desk: Desk, against: Path) -> dict[str, Recheck]:
    """Return what the stations say of each camera, the first one first. Takes seconds.

    Raises UsageError for another cell, FileError for what cannot be read.
    """
    return recheck_session(desk.opened(), desk.folder, against, ways=KEYS)


def note(desk: Desk, against: Path, answers: dict[str, Recheck]) -> None:
    """Keep in the journal what was said, and mark an earlier result whose camera moved.

    Raises StationbookError.
    """
    desk.beside(lambda session: note_recheck(answers, session, desk.folder, against))
    mark_recheck(answers, desk.folder, against, desk.who)


def recalibrated(desk: Desk, board_from: Path) -> Solution:
    """Return the result with the board where the earlier session had it. Takes seconds.

    Nothing is stored. Raises StationbookError.
    """
    session = desk.opened()
    solution = Solution(session, solve_quickly(session, desk.folder, board_from))
    if not solution.solved.result.solved:
        why = next(item for item in solution.findings if item.level is Level.ERROR)
        raise StationbookError(f"No result: {why.message.rstrip('.')}", why.remedy or "")
    return solution


def last_rechecks(folders: Iterable[Path]) -> dict[str, LastRecheck]:
    """Return the last recheck of each session by its folder's name, as either of the two.

    Once the session that was recorded for it has a result of its own, only the earlier one: of that
    new result the recheck says nothing.
    """
    found: dict[str, LastRecheck] = {}
    for folder in folders:
        with suppress(FileError):
            for line in read_journal(folder):
                if line.get("action") == ACTION:
                    own = not (folder / RESULT_FILE).exists()
                    _remember(found, folder.name, line, own)
    return found


def _remember(found: dict[str, LastRecheck], name: str, line: dict[str, object], own: bool) -> None:
    """Take one line of the journal of session ``name``; one that was changed by hand is left.

    ``own``: it speaks of that session too, not of the earlier one alone.
    """
    moved = line.get("moved")
    last = LastRecheck(
        str(line.get("at")),
        str(line.get("cause")),
        moved if isinstance(moved, bool) else None,
        str(line.get("against")),
        str(line.get("camera") or ""),
    )
    with suppress(ValueError):
        for session, other in ((last.against, name), (name, last.against))[: 1 + own]:
            before = found.get(session)
            if before is None or _time(before.at) <= _time(last.at):
                found[session] = last._replace(against=other)


def _time(text: str) -> float:
    """Return seconds since 1970; raises ValueError for what is no time."""
    return datetime.fromisoformat(text).timestamp()
