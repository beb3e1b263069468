"""What the keys do with a recorded or planned station."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, ClassVar

from textual.binding import Binding
from textual.dom import DOMNode

from engine.errors import StationbookError

from ..desk import changes
from ..desk.closing import first_station, planned_closing, turned
from ..desk.desk import Desk
from ..desk.entry import Entry
from ..desk.rows import Row
from .jobs import begin_job, in_background

if TYPE_CHECKING:
    from ..widgets.station_list import StationList
    from .entry_pad import EntryPad


class StationActions(DOMNode):
    """Actions on the chosen row; each is a key, a job and a message."""

    KEYS: ClassVar[list[Binding]] = [
        Binding("e", "correct", "edit pose", id="station.correct", tooltip="Correct the pose"),
        Binding("a", "aside", "aside", id="station.aside", tooltip="Leave out of the solution"),
        Binding("b", "back", "bring back", id="station.back", tooltip="Use it again"),
        Binding("n", "note", "note", id="station.note", tooltip="Keep a remark with it"),
        Binding("r", "retake", "retake", id="station.retake", tooltip="New pose and image for it"),
        Binding("j", "jump", "make next", id="station.jump", tooltip="Make it the next station"),
        Binding("k", "skip", "skip", id="station.skip", tooltip="Pass over it, with a reason"),
        Binding("c", "closing", "closing", id="station.closing", tooltip="Return to station 1"),
        Binding(
            "o",
            "operator",
            "operator",
            show=False,
            id="station.operator",
            tooltip="Somebody else works at the robot now",
        ),
        Binding("u", "undo", "undo", show=False, id="station.undo", tooltip="Take the last back"),
        Binding("y", "redo", "redo", show=False, id="station.redo", tooltip="Do it again"),
    ]
    CHANGING: ClassVar[tuple[str, ...]] = (
        *(
            "correct",
            "aside",
            "back",
            "note",
            "retake",
            "jump",
            "skip",
            "closing",
            "operator",
            "image",
            "file",
        ),
        *("undo", "redo", "accept", "joints", "other"),
    )

    _decided: Entry | None = None  # entry of which somebody said whether it is a closing one

    if TYPE_CHECKING:
        desk: Desk

        @property
        def stations(self) -> StationList: ...

        @property
        def pad(self) -> EntryPad: ...

        def show_session(self, choose: int | None = None) -> None: ...

        def solve_quietly(self) -> None: ...

    @staticmethod
    def makes_sense(action: str, row: Row | None) -> bool:
        """Tell whether an action on the chosen row can do anything."""
        if action in ("correct", "aside", "note", "retake"):
            return (
                row is not None
                and row.kind == "recorded"
                and not (action == "aside" and row.state == "aside")
            )
        if action == "back":
            return row is not None and row.state in ("aside", "skipped")
        if action in ("jump", "skip"):
            return row is not None and row.kind == "planned" and row.state != "skipped"
        return True

    def _row(self, kind: str) -> Row | None:
        """Return the chosen row if it is of this kind, or say that another must be chosen."""
        row = self.stations.item
        if row is not None and row.kind == kind:
            return row
        self.pad.tell(f"Choose a {kind} station first (arrow keys).", "warning")
        return None

    def _act(self, said: str, work: Callable[..., object], *args: object) -> None:
        begin_job(self, self._acting, said, work, *args, group="act", exclusive=False)

    async def _acting(self, said: str, work: Callable[..., object], *args: object) -> None:
        try:
            answer = await in_background(work, self.desk, *args)
        except StationbookError as error:
            self.pad.tell(str(error), "warning")
            return
        self.show_session()
        self.solve_quietly()
        self.pad.tell(said.format(answer), "good")

    def _ask(self, title: str, text: str, value: str, then: Callable[[str], None]) -> None:
        from .ask import Ask, required

        def answered(answer: str | None) -> None:
            if answer is not None:
                then(answer)

        check = None if "remark" in title else required
        self.app.push_screen(Ask(title, text, value, check), answered)

    def _note(self, station: int) -> str:
        found = self.desk.opened().station(station)
        return (found.note if found else None) or ""

    def action_correct(self) -> None:
        """Type another pose for a recorded station."""
        if row := self._row("recorded"):
            text = " ".join(row.fields)
            self.pad.begin(Entry("correct", row.key, text))
            self.pad.pose.focus()

    def action_retake(self) -> None:
        """Take pose and image of a recorded station again."""
        if row := self._row("recorded"):
            self.pad.begin(Entry("retake", row.key))
            self.pad.pose.focus()

    def action_closing(self) -> None:
        """Enter the next station as a return to the first one; once more: as any other."""
        first, now = first_station(self.desk), self.pad.entry
        if first is None:
            self.pad.tell("No station is recorded yet to go back to.", "warning")
            return
        entry = turned(now if now.purpose == "record" else Entry())
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

    def action_aside(self) -> None:
        """Set a recorded station aside, with a reason."""
        if row := self._row("recorded"):
            self._ask(
                f"Why is station {row.label} set aside?",
                "It stays in the session and is left out of the solution.",
                "",
                lambda reason: self._act(
                    f"Station {row.label} is set aside.",
                    changes.set_aside,
                    row.key,
                    reason,
                ),
            )

    def action_back(self) -> None:
        """Bring back a station that was set aside, or take up one that was skipped."""
        row = self.stations.item
        if row is not None and row.state == "skipped":
            self._act("Back in the plan.", changes.take_up, row.key)
        elif row := self._row("recorded"):
            self._act(f"Station {row.label} is used again.", changes.bring_back, row.key)

    def action_note(self) -> None:
        """Keep a remark with a recorded station."""
        if row := self._row("recorded"):
            self._ask(
                f"Station {row.label}: remark",
                "Empty removes it.",
                self._note(row.key),
                lambda note: self._act(
                    f"Remark kept with station {row.label}.",
                    changes.annotate,
                    row.key,
                    note,
                ),
            )

    def action_jump(self) -> None:
        """Make a planned station the next one."""
        if row := self._row("planned"):
            self.desk.wished = row.key
            self.show_session()
            self.pad.tell(f"Station {row.label} of the plan comes next.", "good")

    def action_skip(self) -> None:
        """Pass over a planned station, with a reason."""
        if row := self._row("planned"):
            self._ask(
                "Why is this station skipped?",
                row.text,
                "",
                lambda reason: self._act("Skipped.", changes.skip, row.key, reason),
            )

    def action_operator(self) -> None:
        """Ask who works at the robot now; kept with every station."""

        def taken(name: str) -> None:
            self.desk.operator = name.strip()
            self.show_session()
            self.pad.tell(f"{self.desk.operator} works at the robot now.", "good")

        self._ask(
            "Who works at the robot?", "Kept with every station.", self.desk.operator or "", taken
        )

    def action_undo(self) -> None:
        self._act("Taken back: {}.", Desk.undo)

    def action_redo(self) -> None:
        self._act("Done again: {}.", Desk.redo)
