"""What the keys of the recording screen do: with a station, and solving in the background."""

from __future__ import annotations

from collections.abc import Callable
from time import monotonic
from typing import ClassVar, Literal

from textual.binding import Binding, BindingType
from textual.timer import Timer

from engine.errors import StationbookError
from engine.steps import editing

from ..desk import changes
from ..desk.desk import Desk
from ..desk.entry import Entry, first_station, planned_closing, turned
from ..desk.records import keep_photo
from ..desk.solution import advise, as_stored, foresee, solvable, solve
from ..desk.views import Kind, Row
from ..memory import give_back
from ..widgets.lists import StationList
from .entry_pad import EntryPad
from .jobs import Ask, Jobs, in_background, required
from .proof import Proof
from .recheck import Recheck
from .result import Result, Wish

LASTING = 3.0  # s after which a planning says that it lasts, and how to leave it
PLANNING = (
    "Planning the next move, {:.0f} s. Esc leaves it: then choose the place yourself. A pose can "
    "be typed all the time."
)

Deed = Literal["correct", "aside", "back", "note", "photo", "retake", "jump", "skip", "closing",
               "operator", "undo", "redo"]  # fmt: skip


class StationActions:
    """Deeds on the chosen row; each is a key, a job and a message."""

    KEYS: ClassVar[list[BindingType]] = [
        Binding("e", "station('correct')", "edit pose", id="station.correct",
                tooltip="Correct the pose"),
        Binding("a", "station('aside')", "aside", id="station.aside",
                tooltip="Leave out of the solution"),
        Binding("b", "station('back')", "bring back", id="station.back", tooltip="Use it again"),
        Binding("n", "station('note')", "note", id="station.note",
                tooltip="Keep a remark with it"),
        Binding("P", "station('photo')", "photograph", show=False, id="station.photo",
                tooltip="Keep a photograph of the pendant with it, as evidence"),
        Binding("r", "station('retake')", "retake", id="station.retake",
                tooltip="New pose and image for it"),
        Binding("j", "station('jump')", "make next", id="station.jump",
                tooltip="Make it the next station"),
        Binding("k", "station('skip')", "skip", id="station.skip",
                tooltip="Pass over it, with a reason"),
        Binding("c", "station('closing')", "closing", id="station.closing",
                tooltip="Return to station 1"),
        Binding("o", "station('operator')", "operator", show=False, id="station.operator",
                tooltip="Somebody else works at the robot now"),
        Binding("u", "station('undo')", "undo", show=False, id="station.undo",
                tooltip="Take the last back"),
        Binding("y", "station('redo')", "redo", show=False, id="station.redo",
                tooltip="Do it again"),
    ]  # fmt: skip

    def __init__(self, desk: Desk, jobs: Jobs, pad: EntryPad, stations: StationList,
                 show: Callable[[], None], changed: Callable[[], None]) -> None:  # fmt: skip
        """``show`` shows the session again; ``changed`` also works out what follows from it."""
        self.desk, self.jobs, self.pad, self.stations = desk, jobs, pad, stations
        self.show, self.changed = show, changed
        self._decided: Entry | None = None  # of which somebody said whether it is a closing one

    def do(self, deed: Deed) -> None:
        getattr(self, deed)()  # each has a method of its own

    def makes_sense(self, deed: object) -> bool:
        """Tell whether a deed on the chosen row can do anything."""
        row = self.stations.item
        kind, state = (row.kind, row.state) if row is not None else ("", "")
        if deed in ("correct", "aside", "note", "photo", "retake"):
            return kind == "recorded" and not (deed == "aside" and state == "aside")
        if deed == "back":
            return state in ("aside", "skipped")
        if deed in ("jump", "skip"):
            return kind == "planned" and state != "skipped"
        return True

    def _row(self, kind: Kind) -> Row | None:
        """Return the chosen row if it is of this kind, or say that another must be chosen."""
        row = self.stations.item
        if row is not None and row.kind == kind:
            return row
        self.jobs.tell(f"Choose a {kind} station first (arrow keys).", "warning")
        return None

    def _act(self, said: str, work: Callable[..., object], *args: object) -> None:
        """Carry out a change in the background; ``said`` has a place for its answer."""
        self.jobs.begin(self._acting, said, work, *args, group="act", exclusive=False)

    async def _acting(self, said: str, work: Callable[..., object], *args: object) -> None:
        answer = await in_background(work, self.desk, *args)
        self.changed()
        self.jobs.tell(said.format(answer), "good")

    def _ask(self, ask: Ask, said: str, work: Callable[..., object], *args: object) -> None:
        """Carry out a change for which a text is asked, its last argument."""
        self.jobs.ask(ask, lambda text: self._act(said, work, *args, text))

    # ---- the deeds -------------------------------------------------------------------------

    def correct(self) -> None:
        if row := self._row("recorded"):
            self.pad.turn_to(Entry("correct", row.key, " ".join(row.fields)))
            self.pad.pose.focus()

    def retake(self) -> None:
        if row := self._row("recorded"):
            closing = self.desk.opened().existing(row.key).closing
            self.pad.turn_to(Entry("retake", row.key, closing=closing))
            self.pad.pose.focus()

    def closing(self) -> None:
        """Enter the next station as a return to the first one; once more: as any other."""
        first = first_station(self.desk)
        if first is None:
            self.jobs.tell("No station is recorded yet to go back to.", "warning")
            return
        if self.pad.entry.purpose != "record":  # what is typed half, there and before, is kept
            self.pad.turn_to(Entry())
        entry = turned(self.pad.entry)
        self._decided = entry
        said = f"Closing station: go back to station {first.id}. Esc c: an ordinary one again."
        self.pad.begin(entry, [(said if entry.closing else "An ordinary station again.", "note")])
        self.pad.check()
        self.pad.pose.focus()

    def close_as_planned(self) -> None:
        """Enter the closing stop of a plan as closing, unless somebody decided otherwise."""
        entry = self.pad.entry
        planned = planned_closing(self.desk)
        if entry.purpose == "record" and entry is not self._decided and entry.closing != planned:
            entry.closing, entry.draft = planned, None
            self.pad.check()

    def aside(self) -> None:
        if row := self._row("recorded"):
            said = f"Station {row.label} is set aside."
            title = f"Why is station {row.label} set aside?"
            text = "It stays in the session and is left out of the solution."
            ask = Ask(title, text, check=required)
            self._ask(ask, said, Desk.do, f"set aside {row.key}", editing.set_aside, row.key)

    def back(self) -> None:
        """Bring back a station that was set aside, or take up one that was skipped."""
        row = self.stations.item
        if row is not None and row.state == "skipped":
            self._act("Back in the plan.", changes.take_up, row.key)
        elif row := self._row("recorded"):
            said = f"Station {row.label} is used again."
            self._act(said, Desk.do, f"bring back {row.key}", editing.bring_back, row.key)

    def note(self) -> None:
        if row := self._row("recorded"):
            station = self.desk.opened().station(row.key)
            said = f"Remark kept with station {row.label}."
            before = (station.note if station else None) or ""
            ask = Ask(f"Station {row.label}: remark", "Empty removes it.", before, edited=True)
            self._ask(ask, said, Desk.do, f"note at {row.key}", editing.annotate, row.key)

    def photo(self) -> None:
        if row := self._row("recorded"):
            said = f"Photograph kept with station {row.label}."
            title, text = f"Station {row.label}: photograph of the pendant", "File of the image:"
            self._ask(Ask(title, text, check=required), said, keep_photo, row.key)

    def jump(self) -> None:
        if row := self._row("planned"):
            self.desk.wished = row.key
            self.show()
            self.jobs.tell(f"Station {row.label} of the plan comes next.", "good")

    def skip(self) -> None:
        if row := self._row("planned"):
            ask = Ask("Why is this station skipped?", row.text, check=required)
            self._ask(ask, "Skipped.", changes.skip, row.key)

    def operator(self) -> None:
        """Ask who works at the robot now; kept with every station."""

        def taken(name: str) -> None:
            self.desk.operator = name.strip()
            self.show()
            self.jobs.tell(f"{self.desk.operator} works at the robot now.", "good")

        text, now = "Kept with every station.", self.desk.operator or ""
        self.jobs.ask(Ask("Who works at the robot?", text, now, required), taken)

    def undo(self) -> None:
        self._act("Taken back: {}.", Desk.undo)

    def redo(self) -> None:
        self._act("Done again: {}.", Desk.redo)


class Solving:
    """Solves on a key and shows the result; solves quietly after every change of the stations."""

    KEYS: ClassVar[list[BindingType]] = [
        Binding("f6", "solve", "solve", id="solve.solve", tooltip="Solve; once more: stop it"),
        Binding("s", "solve", show=False, id="solve.again", tooltip="Solve; once more: stop it"),
        Binding("w", "result", "result", id="solve.result",
                tooltip="Show the last result; from there proof, report and export"),
        Binding("m", "recheck", "recheck", show=False, id="solve.recheck",
                tooltip="Did the camera move since an earlier session? Quick re-calibration"),
    ]  # fmt: skip

    def __init__(self, desk: Desk, jobs: Jobs, pad: EntryPad, show: Callable[[], None]) -> None:
        """``show`` shows the session again."""
        self.desk, self.jobs, self.pad, self.show = desk, jobs, pad, show
        self.proof: Callable[[Desk], Proof] = Proof  # makes the screen of the proof
        self._ticking: Timer | None = None
        self._planning: Timer | None = None  # says how long the next move has been worked out
        self._began = 0.0

    @property
    def busy(self) -> bool:
        """Whether it solves because somebody asked for it."""
        return self._ticking is not None

    @property
    def planning(self) -> bool:
        """Whether the next move is being worked out."""
        return self._planning is not None

    @property
    def lasting(self) -> bool:
        """Whether it has been for so long that the screen says so."""
        lasts = self.planning and monotonic() - self._began >= LASTING
        return lasts and self.desk.planning

    def solve(self) -> None:
        if self._ticking is not None:
            self.jobs.stop("solve")
            self._end_of_solving()
            self.jobs.tell("Solving stopped; nothing was stored.", "warning")
            return
        self._end_of_planning()
        self._began = monotonic()
        self._ticking = self.jobs.node.set_interval(1.0, self._tick)
        self._tick()
        self.jobs.begin(self._solve, True, group="solve")

    def quietly(self) -> None:
        """Bring what is expected and proposed up to date, unless solving runs already."""
        if self._ticking is None:
            self._began = monotonic()
            self.jobs.begin(self._solve, False, group="solve")
            if self._planning is None and self.desk.planning:
                self._planning = self.jobs.node.set_interval(1.0, self._planning_lasts)

    def _planning_lasts(self) -> None:
        """Say that planning lasts, until it ends."""
        if not self.desk.planning:
            self._end_of_planning()
        elif self.lasting:
            self.jobs.tell(PLANNING.format(monotonic() - self._began), "note")

    def _end_of_planning(self) -> None:
        if self._planning is not None:
            said = monotonic() - self._began >= LASTING
            self._planning.stop()
            self._planning = None
            if said:
                self.pad.message = []
                self.pad.show_findings()

    def leave_planning(self) -> None:
        """Go on without a proposal; the next stored station brings one again."""
        self.jobs.stop("solve")
        self._end_of_planning()
        self.desk.unplanned = self.desk.session
        self.show()

    async def _solve(self, asked: bool) -> None:
        """Solve, then propose what to do next; ``asked``: store and show the result."""
        session, folder = self.desk.opened(), self.desk.folder
        self.desk.trouble = ""
        try:
            if asked or solvable(session):
                solution = await in_background(solve, session, folder)
                if not asked:
                    solution = await in_background(as_stored, solution, folder)
                self.desk.solution = solution
                if asked and not self.desk.follow:
                    await in_background(self.desk.keep, solution)
                self.show()
            if asked:
                self._end_of_solving()
                self._show_result()
            self.desk.advice = await in_background(advise, session, folder, self.desk.solution)
            await in_background(foresee, session, folder, self.desk.solution)
            await in_background(give_back)
        except StationbookError as error:
            self.desk.trouble = str(error)
            if asked:
                self._end_of_solving()
                self.jobs.tell(str(error), "error")
        finally:
            self._end_of_planning()
        self.show()

    def _tick(self) -> None:
        self.jobs.tell(f"Solving, {monotonic() - self._began:.0f} s. F6 stops it.", "note")

    def _end_of_solving(self) -> None:
        if self._ticking is not None:
            self._ticking.stop()
            self._ticking = None
            self.pad.message = []
            self.pad.show_findings()

    def result(self) -> None:
        if self.desk.solution is None:
            self.jobs.tell("Not solved yet: F6 solves.", "warning")
        else:
            self._show_result()

    def recheck(self) -> None:
        """Compare with an earlier session; after a quick re-calibration show its result."""
        if self._ticking is not None:
            self.jobs.tell("Solving still runs. F6 stops it.", "warning")
        else:
            self.jobs.ask(Recheck(self.desk), self._recalibrated)

    def _recalibrated(self, _: bool) -> None:
        """Show the result of a quick re-calibration; what was worked out before is stale."""
        self.quietly()
        self.show()
        self._show_result()

    def _show_result(self) -> None:
        self.jobs.ask(Result(self.desk, self.proof), self._wished)

    def _wished(self, wish: Wish) -> None:
        if wish == "solve":
            self.solve()
        elif wish == "recheck":
            self.recheck()
        elif isinstance(wish, tuple):
            self.jobs.begin(self._apply, *wish, group="act")

    async def _apply(self, code: str, station: int | None) -> None:
        said = await in_background(changes.fix, self.desk, code, station)
        self.show()
        self.jobs.tell(f"Corrected: {said}. F7 takes it back.", "good")
        self.solve()
