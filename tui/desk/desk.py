"""One open session: what is recorded, every action on it, and the way back.

Nothing here knows of the screen. Methods that touch the disk or the engine take time and belong in
the background; they load the engine when first called, so that the first picture need not wait.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from threading import RLock
from typing import TypeVar

from engine.cell.session import PlannedStation, Session
from engine.cell.stations import Observation
from engine.errors import ChangedError, FileError, StationbookError, StoredError
from engine.findings import Finding
from engine.pendant.entry import parse_partial, parse_partial_joints
from engine.sessions.changes import Change, Who, commit
from engine.sessions.folder import open_session
from engine.sessions.lock import WriterLock, writing
from engine.sessions.results import input_hashes, read_result
from engine.sessions.store import PROOF_FILE, RESULT_FILE, SESSION_FILE
from engine.steps.handover import REPORT_FILE
from engine.steps.solve import keep
from engine.steps.starting import begun_against
from engine.steps.station_pose import Known, known

from ..clock import now
from .kept import Kept
from .overview import Stamps, stamps
from .solution import Advice, Solution, lacks_number
from .views import FieldView, Row, next_planned, rows

Answer = TypeVar("Answer")


class Desk:
    """One session folder, opened for writing or (``follow``) for watching."""

    def __init__(
        self, folder: Path, *, follow: bool = False, clock: Callable[[], datetime] = now
    ) -> None:
        self.folder, self.follow, self.clock = folder, follow, clock
        self.session: Session | None = None
        self.operator: str | None = None
        self.against: str | None = None  # the earlier session that this one goes on from
        self.swapped = ""  # since that one: camera, board, or all of the cell; "": a recheck
        self.solution: Solution | None = None
        self.advice: Advice | None = None
        self.trouble = ""  # why the expected uncertainty or the proposal could not be worked out
        self.unplanned: Session | None = None  # for which somebody left the planning
        self.wished: int | None = None  # planned station that the operator jumped to
        self.questions_open = False  # those at the start: asked, and not answered
        self.proving = False  # new images show the board lying in the cell, not a station
        self.used_images: set[str] = set()  # SHA-256 of images taken for something else
        self.refused: dict[str, Observation] = {}  # stops that did not fit, by image; not stored
        self.kept = Kept.typed(folder)  # what was typed here and not stored
        self.joints_seen = True  # there is a pendant that shows them; a simulated one does not
        self._lock: WriterLock | None = None
        self._guard = RLock()  # one action at a time
        self._done: list[tuple[str, Session]] = []
        self._undone: list[tuple[str, Session]] = []
        self._known: tuple[Session, dict[str, int], Known] | None = None
        self._stamp: Stamps = ()
        self._origin: str | None = None  # SHA-256 of session.yaml as it was opened or stored last

    def open(self) -> None:
        """Read the session strictly, for writing unless following.

        Raises BusyError naming the other writer, FileError naming what is wrong.
        """
        with self._guard:
            if not self.follow and self._lock is None:
                self._lock = writing(self.folder, self.operator)
            self._stamp = self._stamped()
            self.session = open_session(self.folder)
            self._origin = self.session.origin
            self.against, self.swapped = begun_against(self.folder)
            self.operator = self.operator or self.session.operator

    def close(self) -> None:
        """Let the next writer in."""
        with self._guard:
            if self._lock is not None:
                self._lock.close()
                self._lock = None

    def changed(self) -> bool:
        """Tell whether session, touches or result are others than when the session was read."""
        return self._stamped() != self._stamp

    def _stamped(self) -> Stamps:
        return stamps(self.folder, SESSION_FILE, PROOF_FILE, RESULT_FILE)

    def opened(self) -> Session:
        """Return the session; raises StationbookError while it is still being opened."""
        if self.session is None:
            raise StationbookError("the session is still being opened", "Wait a moment.")
        return self.session

    @property
    def advised(self) -> bool:
        """Whether the next moves were worked out from the stations as they are now."""
        if self.advice is None or self.session is None:
            return False
        known = self.advice.session
        return known is self.session or moves_rest_on(known) == moves_rest_on(self.session)

    @property
    def planning(self) -> bool:
        """Whether the next move is still being worked out."""
        given_up = self.unplanned is not None and self.unplanned is self.session
        return not (self.advised or self.trouble or given_up)

    @property
    def next_index(self) -> int | None:
        """Index in `plan` of the planned station that comes next."""
        return next_planned(self.plan, self.wished)

    @property
    def plan(self) -> tuple[PlannedStation, ...]:
        """What was passed over, then what is left as chosen after the last station.

        Nothing is left while that is not worked out: a move chosen before it would mislead.
        """
        own = self.session.plan if self.session else ()
        left = self.advice.planned if self.advice is not None and self.advised else ()
        return tuple(item for item in own if item.skipped is not None) + left

    def proposed(self, index: int) -> int | None:
        """Return the index in the advice of a station of `plan`, or None for one passed over."""
        if self.advice is None or not self.advised:
            return None
        at = index - (len(self.plan) - len(self.advice.planned))
        return at if at >= 0 else None

    @property
    def findings(self) -> tuple[Finding, ...]:
        return self.solution.findings if self.solution else ()

    def rows(self) -> list[Row]:
        if self.session is None:
            return []
        return rows(self.session.stations, self.plan, self.next_index, self.findings)

    @property
    def labels(self) -> tuple[str, ...]:
        return self.session.cell.pendant.labels if self.session else ()

    # ---- entering a station ----------------------------------------------------------------

    def fields(self, text: str) -> list[FieldView]:
        """Return the fields of a line that is being typed."""
        parsed = parse_partial(text, self.opened().cell.pendant)
        return [FieldView(part.label, part.text, part.problem) for part in parsed]

    @property
    def joints_help(self) -> bool:
        """Whether joints beside a pose can show tool and frame in this cell."""
        cell = self.opened().cell
        return self.joints_seen and cell.robot is not None and not cell.pendant.shows_joints

    def joint_fields(self, text: str) -> list[FieldView]:
        """Return the fields of a line of joints that is typed beside a pose; [] without a robot."""
        cell = self.opened().cell
        if cell.robot is None:
            return []
        parsed = parse_partial_joints(text, cell.pendant, cell.robot.axes, cell.robot)
        return [FieldView(part.label, part.text, part.problem) for part in parsed]

    @property
    def cameras(self) -> tuple[str, ...]:
        """Names of the cell's cameras, the first one first."""
        return self.opened().cell.camera_names

    def earlier(self, **about: int) -> Known:
        """Return `known` ``about`` a station, computed once per state of the session."""
        session, kept = self.opened(), self._known
        if kept is None or kept[0] is not session or kept[1] != about:
            kept = self._known = (session, about, known(session, **about))
        return kept[2]

    # ---- every action, and the way back ----------------------------------------------------

    @property
    def who(self) -> Who:
        """Who changes the session, and when: the operator, now."""
        return Who(self.operator, self.clock())

    def do(
        self, what: str, step: Callable[..., Change], *args: object, operator: str | None = None
    ) -> None:
        """Carry out ``step(session, *args)`` so that it can be undone.

        ``operator``: who did it, if another.
        """
        with self._guard:
            before = self._writable()
            self._commit(step(before, *args), operator)
            self._done.append((what, before))
            self._undone.clear()

    def undo(self) -> str:
        """Take the last action back and return what it was."""
        return self._step_back(self._done, self._undone, "undo")

    def redo(self) -> str:
        """Do the last undone action again and return what it was."""
        return self._step_back(self._undone, self._done, "redo")

    # ---- solving ---------------------------------------------------------------------------

    @property
    def fresh(self) -> bool:
        """Tell whether the last result belongs to the session as it is now."""
        return self.solution is not None and self.solution.session is self.session

    @property
    def settled(self) -> bool:
        """Whether the stored result is the session's: solving again would only lose what it knows.

        Stations alone know no touches and no earlier place of the board. One that lacks a number
        may find it touched meanwhile.
        """
        found = self.solution
        return self.fresh and found is not None and found.kept and not lacks_number(found.stored)

    def keep(self, solution: Solution) -> None:
        """Store a result in the folder, unless the session was changed while it was computed."""
        with self._guard:
            if self._writable() is not solution.session:
                raise StationbookError("the session was changed meanwhile", "Solve again.")
            self._commit(keep(solution.solved, solution.session, self.folder))
        self.solution = replace(solution, kept=True)

    def keep_shown(self) -> None:
        """Store the result that is shown, where the folder holds none of the session as it is.

        So it is after a full disk, and where it was only foreseen.
        """
        if self.follow or self.solution is None or not self.fresh:
            return
        current = None
        with suppress(FileError):
            current = read_result(self.folder).inputs
        if current != input_hashes(self.opened(), self.folder):
            self.keep(self.solution)

    def number_touched(self) -> bool:
        """Tell whether a touched point gives the number that the stations leave open."""
        from engine.proof.touch import read_touches  # not for the first picture

        with suppress(StationbookError):
            return bool(read_touches(self.folder).of_role("missing-number"))
        return False

    def reported(self) -> bool:
        """Tell whether the report was written after the result."""
        with suppress(OSError):
            result = (self.folder / RESULT_FILE).stat().st_mtime_ns
            return (self.folder / REPORT_FILE).stat().st_mtime_ns >= result
        return False

    def beside(self, step: Callable[[Session], Change | None]) -> None:
        """Carry out a change beside the stations, which undo does not reach."""
        with self._guard:
            self._commit(step(self._writable()))

    def touched(self, typed: str) -> None:
        """Note that the robot was brought to a point, so that no jog is told from a station."""
        from engine.steps.pointing import at_a_point  # not for the first picture

        self.beside(lambda session: at_a_point(session, self.folder, typed))
        self.advice = None

    def alone(self, write: Callable[[], Answer]) -> Answer:
        """Write what is no change of the session, such as a report, while nobody else writes."""
        with self._guard:
            self._writable()
            return write()

    # ---- inside ----------------------------------------------------------------------------

    def _writable(self) -> Session:
        if self.follow:
            raise StationbookError(
                "this screen only follows the session", "Change it where it is being recorded."
            )
        session = self.opened()
        if self._lock is None:  # a job that ends after the session was left
            raise StationbookError("this session is closed", "Open it again.")
        if not self._lock.held():  # somebody deleted its file: another may write here by now
            self._lock.close()
            self._lock = None
            self._lock = writing(self.folder, self.operator)
        return session

    def _step_back(
        self, source: list[tuple[str, Session]], target: list[tuple[str, Session]], word: str
    ) -> str:
        with self._guard:
            current = self._writable()
            if not source:
                raise StationbookError(f"nothing to {word}")
            what, other = source[-1]
            self._commit(Change(f"{word}: {what}", other))
            source.pop()
            target.append((what, current))
            return what

    def _commit(self, change: Change | None, operator: str | None = None) -> None:
        if change is None:
            return
        who = Who(operator or self.operator, self.clock())
        try:
            self._origin = commit(self.folder, change, who, self._origin)
        except ChangedError:  # what was typed stays, and is put on top of this by the next Enter
            self.session = open_session(self.folder)
            self._origin = self.session.origin
            self._stamp = self._stamped()
            self._done.clear()
            self._undone.clear()
            raise
        except StoredError as error:  # it is there: what is said of it must not be that it is not
            self._taken_over(change, error.after)
            raise
        self._taken_over(change, self._origin)

    def _taken_over(self, change: Change, origin: str | None) -> None:
        self._origin = origin if change.file == SESSION_FILE else self._origin
        self.session = change.session
        self._stamp = self._stamped()


def moves_rest_on(session: Session) -> tuple[object, ...]:
    """Return what the next moves are chosen from: all but remarks and names."""
    plain = [replace(s, note=None, operator=None, accepted=()) for s in session.stations]
    return session.cell, session.plan, *plain
