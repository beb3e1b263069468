"""What the keys do with a recorded or planned station."""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar, Literal

from textual.binding import Binding, BindingType

from ..desk import changes
from ..desk.closing import first_station, planned_closing, turned
from ..desk.desk import Desk
from ..desk.entry import Entry
from ..desk.rows import Kind, Row
from ..widgets.lists import StationList
from .ask import Ask, Check, required
from .entry_pad import EntryPad
from .jobs import Jobs, in_background

Deed = Literal["correct", "aside", "back", "note", "retake", "jump", "skip", "closing", "operator",
               "undo", "redo"]  # fmt: skip


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
        """Carry out what a key asks for."""
        deeds: dict[Deed, Callable[[], None]] = {
            "correct": self.correct, "aside": self.aside, "back": self.back, "note": self.note,
            "retake": self.retake, "jump": self.jump, "skip": self.skip, "closing": self.closing,
            "operator": self.operator, "undo": self.undo, "redo": self.redo,
        }  # fmt: skip
        deeds[deed]()

    def makes_sense(self, deed: object) -> bool:
        """Tell whether a deed on the chosen row can do anything."""
        row = self.stations.item
        kind, state = (row.kind, row.state) if row is not None else ("", "")
        if deed in ("correct", "aside", "note", "retake"):
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

    def _ask(self, title: str, text: str, then: Callable[[str], None], value: str = "",
             check: Check | None = required) -> None:  # fmt: skip
        self.jobs.ask(Ask(title, text, value, check), then)

    # ---- the deeds -------------------------------------------------------------------------

    def correct(self) -> None:
        """Type another pose for a recorded station."""
        if row := self._row("recorded"):
            self.pad.begin(Entry("correct", row.key, " ".join(row.fields)))
            self.pad.pose.focus()

    def retake(self) -> None:
        """Take pose and image of a recorded station again."""
        if row := self._row("recorded"):
            self.pad.begin(Entry("retake", row.key))
            self.pad.pose.focus()

    def closing(self) -> None:
        """Enter the next station as a return to the first one; once more: as any other."""
        first, now = first_station(self.desk), self.pad.entry
        if first is None:
            self.jobs.tell("No station is recorded yet to go back to.", "warning")
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

    def aside(self) -> None:
        """Set a recorded station aside, with a reason."""
        if row := self._row("recorded"):
            said = f"Station {row.label} is set aside."
            self._ask(
                f"Why is station {row.label} set aside?",
                "It stays in the session and is left out of the solution.",
                lambda reason: self._act(said, changes.set_aside, row.key, reason),
            )

    def back(self) -> None:
        """Bring back a station that was set aside, or take up one that was skipped."""
        row = self.stations.item
        if row is not None and row.state == "skipped":
            self._act("Back in the plan.", changes.take_up, row.key)
        elif row := self._row("recorded"):
            self._act(f"Station {row.label} is used again.", changes.bring_back, row.key)

    def note(self) -> None:
        """Keep a remark with a recorded station."""
        if row := self._row("recorded"):
            station = self.desk.opened().station(row.key)
            said = f"Remark kept with station {row.label}."
            self._ask(
                f"Station {row.label}: remark",
                "Empty removes it.",
                lambda note: self._act(said, changes.annotate, row.key, note),
                value=(station.note if station else None) or "",
                check=None,
            )

    def jump(self) -> None:
        """Make a planned station the next one."""
        if row := self._row("planned"):
            self.desk.wished = row.key
            self.show()
            self.jobs.tell(f"Station {row.label} of the plan comes next.", "good")

    def skip(self) -> None:
        """Pass over a planned station, with a reason."""
        if row := self._row("planned"):
            self._ask(
                "Why is this station skipped?",
                row.text,
                lambda reason: self._act("Skipped.", changes.skip, row.key, reason),
            )

    def operator(self) -> None:
        """Ask who works at the robot now; kept with every station."""

        def taken(name: str) -> None:
            self.desk.operator = name.strip()
            self.show()
            self.jobs.tell(f"{self.desk.operator} works at the robot now.", "good")

        self._ask("Who works at the robot?", "Kept with every station.", taken,
                  value=self.desk.operator or "")  # fmt: skip

    def undo(self) -> None:
        """Take the last change back."""
        self._act("Taken back: {}.", Desk.undo)

    def redo(self) -> None:
        """Do again what was taken back."""
        self._act("Done again: {}.", Desk.redo)
