"""One open session: what is recorded, every action on it, and the way back.

Nothing here knows of the screen. Methods that touch the disk or the engine take time and belong in
the background; they load the engine when first called, so that the first picture need not wait.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from threading import RLock
from typing import Any

from engine.cell.cameras import seen_by
from engine.cell.session import PlannedStation, Session
from engine.errors import FileError, StationbookError
from engine.findings import Finding
from engine.sessions.folder import open_session
from engine.sessions.glance import Glance, read_glance
from engine.sessions.lock import WriterLock, writing
from engine.sessions.places import SESSION_FILE
from engine.steps import edit, plan_edit, record
from engine.steps.edit import restore
from engine.steps.record import Draft, Known, PoseDraft, ViewDraft, examine_image_data, known
from engine.steps.record_view import judged_view
from engine.steps.solve import keep
from engine.steps.stored import FurtherView

from . import now
from .advice import Advice
from .closing import visited
from .entry import Entry
from .rows import Row, next_planned, rows
from .solution import Solution


class Desk:
    """One session folder, opened for writing or (``follow``) for watching."""

    def __init__(
        self, folder: Path, *, follow: bool = False, clock: Callable[[], datetime] = now
    ) -> None:
        self.folder, self.follow, self.clock = folder, follow, clock
        self.session: Session | None = None
        self.operator: str | None = None
        self.solution: Solution | None = None
        self.advice: Advice | None = None
        self.trouble = ""  # why the expected uncertainty or the proposal could not be worked out
        self.wished: int | None = None  # planned station that the operator jumped to
        self.proving = False  # new images show the board lying in the cell, not a station
        self.used_images: set[str] = set()  # SHA-256 of images taken for something else
        self._glance: Glance | None = None
        self._lock: WriterLock | None = None
        self._guard = RLock()  # one action at a time
        self._done: list[tuple[str, Session]] = []
        self._undone: list[tuple[str, Session]] = []
        self._known: tuple[Session, int | None, Known] | None = None
        self._stamp: tuple[int, int] | None = None

    def look(self) -> Glance:
        """Read the first look at the folder; needs nothing heavy. Raises FileError."""
        self._glance = read_glance(self.folder)
        return self._glance

    def open(self) -> None:
        """Read the session strictly, for writing unless following.

        Raises BusyError naming the other writer, FileError naming what is wrong.
        """
        with self._guard:
            if not self.follow and self._lock is None:
                self._lock = writing(self.folder, self.operator)
            self._stamp = self._current_stamp()
            self.session = open_session(self.folder)
            self.operator = self.operator or self.session.operator

    def close(self) -> None:
        """Let the next writer in."""
        with self._guard:
            if self._lock is not None:
                self._lock.release()
                self._lock = None

    def changed(self) -> bool:
        """Tell whether the session file is another one than the one that was read."""
        return self._current_stamp() != self._stamp

    def opened(self) -> Session:
        """Return the session; raises StationbookError while it is still being opened."""
        if self.session is None:
            raise StationbookError("the session is still being opened", "Wait a moment.")
        return self.session

    @property
    def source(self) -> Session | Glance | None:
        """The session, or the first look at it until it is opened."""
        return self.session or self._glance

    @property
    def next_index(self) -> int | None:
        """Index in `plan` of the planned station that comes next."""
        return next_planned(self.plan, self.wished)

    @property
    def plan(self) -> tuple[PlannedStation, ...]:
        """What was passed over, then what is left as chosen after the last station."""
        own = self.source.plan if self.source else ()
        if self.advice is None:
            return own
        return tuple(item for item in own if item.skipped is not None) + self.advice.planned

    def proposed(self, index: int) -> int | None:
        """Return the index in the advice of a station of `plan`, or None for one passed over."""
        if self.advice is None:
            return None
        at = index - (len(self.plan) - len(self.advice.planned))
        return at if at >= 0 else None

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Findings of the last result."""
        return self.solution.findings if self.solution else ()

    def rows(self) -> list[Row]:
        """Return what the list of stations shows."""
        source = self.source
        if source is None:
            return []
        return rows(source.stations, self.plan, self.next_index, self.findings)

    @property
    def labels(self) -> tuple[str, ...]:
        """Labels of the fields as this pendant shows them."""
        if self.session is not None:
            return self.session.cell.pendant.labels
        return self._glance.labels if self._glance else ()

    # ---- entering a station ----------------------------------------------------------------

    def examine(self, entry: Entry) -> Draft:
        """Examine what was typed so far and what was seen."""
        session = self.opened()
        if entry.purpose == "correct" and entry.station is not None:
            return edit.examine_correction(
                session,
                self.folder,
                entry.station,
                entry.text,
                joints=entry.joints or None,
                earlier=self._earlier(session, entry.station),
            )
        joints_only = session.cell.pendant.rotation == "joints"
        pose = record.examine_pose(
            session,
            None if joints_only else entry.text,
            entry.text if joints_only else entry.joints or None,
            closing=entry.closing,
            earlier=self._earlier(session, entry.station),
        )
        view = entry.view or record.no_view(seen_by_others=bool(entry.views))
        draft = record.examine(
            session, self.folder, pose, view, closing=entry.closing, retake=entry.station
        )
        return draft.with_views(self._further(entry, pose))

    def _further(self, entry: Entry, pose: PoseDraft) -> list[FurtherView]:
        """Return what further cameras saw, held against the typed pose."""
        session, folder = self.opened(), self.folder
        return [
            judged_view(
                session, folder, pose, name, view, closing=entry.closing, station=entry.station
            )
            for name, view in entry.views.items()
        ]

    def examine_image(self, data: bytes, name: str, camera: str) -> ViewDraft:
        """Search the board in an image of ``camera`` and look at its quality. Raises FileError."""
        return examine_image_data(seen_by(self.opened(), camera), self.folder, data, name)

    @property
    def cameras(self) -> tuple[str, ...]:
        """Names of the cell's cameras, the first one first."""
        cell = self.opened().cell
        return tuple(camera.name for camera in (cell.camera, *cell.cameras))

    def store(self, entry: Entry) -> int:
        """Store the entry and return the station's id; raises StationbookError if it cannot be."""
        session = self.opened()
        draft = entry.draft or self.examine(entry)
        given: dict[str, Any] = {
            "accepted": entry.codes,
            "reason": entry.reason,
            "operator": self.operator,
        }
        if entry.purpose == "correct" and entry.station is not None:
            self.do(f"correct {entry.station}", edit.correct_pose, entry.station, draft, **given)
            return entry.station
        step = visited(self, entry)
        done = None if step is None else self.plan[step]
        planned = plan_edit.with_rest(session, [item for item in self.plan if item != done])
        new_id = entry.station if entry.station is not None else session.next_id

        def stored(_: Session, folder: Path, **more: Any) -> Session:
            return record.store(planned, folder, draft, **more)[0]

        self.do(f"{entry.purpose} {new_id}", stored, **given)
        self.wished = None
        return new_id

    # ---- every action, and the way back ----------------------------------------------------

    def do(self, what: str, step: Callable[..., Session], *args: Any, **more: Any) -> None:
        """Carry out one action so that it can be undone."""
        with self._guard:
            before = self._writable()
            self.session = step(before, self.folder, *args, now=self.clock(), **more)
            self._stamp = self._current_stamp()
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

    def keep(self, solution: Solution) -> None:
        """Store a result in the folder, unless the session was changed while it was computed."""
        with self._guard:
            if self._writable() is not solution.session:
                raise StationbookError("the session was changed meanwhile", "Solve again.")
            keep(solution.solved, self.folder, who=self.operator, now=self.clock())

    def alone(self, step: Callable[[], object]) -> None:
        """Carry out a change beside the stations, which undo does not reach."""
        with self._guard:
            self._writable()
            step()
            self._stamp = self._current_stamp()

    # ---- inside ----------------------------------------------------------------------------

    def _writable(self) -> Session:
        if self.follow:
            raise StationbookError(
                "this screen only follows the session", "Change it where it is being recorded."
            )
        session = self.opened()
        if self._lock is None:  # a job that ends after the session was left
            raise StationbookError("this session is closed", "Open it again.")
        return session

    def _step_back(
        self, source: list[tuple[str, Session]], target: list[tuple[str, Session]], word: str
    ) -> str:
        with self._guard:
            current = self._writable()
            if not source:
                raise StationbookError(f"nothing to {word}")
            what, other = source[-1]
            self.session = restore(
                current, self.folder, other, self.operator, self.clock(), f"{word}: {what}"
            )
            self._stamp = self._current_stamp()
            source.pop()
            target.append((what, current))
            return what

    def _earlier(self, session: Session, station: int | None) -> Known:
        """Return what earlier stations say, computed once per state of the session."""
        kept = self._known
        if kept is None or kept[0] is not session or kept[1] != station:
            kept = self._known = (session, station, known(session, before=station))
        return kept[2]

    def _current_stamp(self) -> tuple[int, int] | None:
        with suppress(OSError, FileError):
            status = (self.folder / SESSION_FILE).stat()
            return status.st_mtime_ns, status.st_size
        return None
