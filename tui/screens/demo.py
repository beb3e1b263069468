"""The demo: the whole job on a simulated cell, with a pendant to read and a camera that sees."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType

from engine.errors import StationbookError
from engine.plans.types import Step

from ..desk.demo import STOPS, TIP, TIP_U, Simulated
from ..desk.desk import Desk
from ..desk.entry import first_station
from ..desk.kept import Kept
from ..desk.practice import plant
from ..desk.views import Fact, Move
from ..widgets.looks import Line
from ..widgets.panels import FactsPanel
from ..widgets.sheet import Sheet
from .entry_pad import EntryPad
from .jobs import as_job, in_background, pause
from .practice import Practice
from .proof import Proof
from .stations import Stations

PROVING = "F4 lays the board in the cell and takes its image, then brings the tip to points of it."


class PendantPanel(Sheet):
    """The simulated pendant: labels and values as a pendant shows them."""

    DEFAULT_CSS = "PendantPanel { height: 4; }"
    labels: Sequence[str] = ()
    fields: Sequence[str] = ()
    stop, stops = 0, STOPS

    def show(self, labels: Sequence[str], simulated: Simulated) -> None:
        self.labels, self.fields = labels, simulated.fields
        self.stop, self.stops = simulated.stop, simulated.stops
        self.redraw()

    def draw(self, width: int, height: int) -> Sequence[Line]:
        lines: list[Line] = [[("Simulated pendant", "title"), (f"  {self._where()}", "dim")]]
        half = (len(self.fields) + 1) // 2
        cells = [
            f"{label:>3} {text:>9}" for label, text in zip(self.labels, self.fields, strict=False)
        ]
        for row in range(half):
            right = cells[row + half] if row + half < len(cells) else ""
            lines.append([(f"{cells[row]}   {right} ", "chosen")])
        return lines

    def _where(self) -> str:
        """Say at which stop the robot stands; more than asked for may be driven to."""
        if not self.stop:
            return "F4 drives"
        stops = self.stops
        return f"stop {self.stop} of {stops}" if self.stop <= stops else f"stop {self.stop}"


class Demo(Stations):
    """The recording screen with a simulated robot, pendant and camera."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("f4", "drive", "drive on", id="demo.drive", tooltip="Drive to the next stop"),
        Binding("h", "bump", "bump", show=False, id="demo.bump",
                tooltip="A pallet knocks the camera: go on with a recheck"),
        Binding("z", "practice", "find the fault", show=False, id="demo.practice",
                tooltip="Practice: a mistake is planted in a copy of the session; name it"),
    ]  # fmt: skip

    def __init__(self, desk: Desk, simulated: Simulated) -> None:
        super().__init__(desk)
        desk.joints_seen = False
        self.simulated = simulated
        self.pendant = PendantPanel(id="pendant")
        self.solving.proof = lambda desk: DemoProof(desk, simulated)

    def side(self) -> ComposeResult:
        yield self.pendant
        yield from super().side()

    def on_mount(self) -> None:
        super().on_mount()
        self._show_pendant()

    async def ask_at_start(self) -> None:
        """Ask nothing: this cell is simulated."""

    def _show_pendant(self) -> None:
        self.pendant.show(self.desk.labels, self.simulated)

    @as_job("drive")
    async def action_drive(self) -> None:
        self.tell("The simulated robot moves ...", "note")
        if self.pad.entry.closing:
            await in_background(self.simulated.drive_back, first_station(self.desk))
        else:
            await in_background(self.simulated.drive, await self._next_step())
        self._show_pendant()
        self.show_move()
        self.tell("Read the simulated pendant and type its numbers in one line.", "note")

    def show_move(self) -> None:
        """Show the next move, or the slip that is asked for at this stop."""
        super().show_move()
        asked = self.simulated.slip and not self.pad.entry.closing
        if asked and self.simulated.stop > len(self.desk.opened().stations):
            text = f"once, type {self.simulated.slip} by mistake, and see what happens."
            self.next_move.show(Move(f"Station {self.desk.opened().next_id}:", text))

    async def _next_step(self) -> Step | None:
        """Return the station that comes next, once it is proposed."""
        if not (self.desk.opened().stations or self.simulated.first):
            return None
        while (advice := self.desk.advice) is None or advice.session is not self.desk.session:
            await pause(0.1)
        at = self.desk.next_index
        proposed = None if at is None else self.desk.proposed(at)
        if proposed is None:
            raise StationbookError("no further stop is proposed", "F6 solves.")
        return advice.steps[proposed]

    def on_entry_pad_stored(self, message: EntryPad.Stored) -> None:
        super().on_entry_pad_stored(message)
        simulated = self.simulated
        if simulated.stop < simulated.stops:
            self.tell(f"Station {message.station} stored. F4 drives on.", "good")
        elif simulated.first:
            self.tell("Enough to tell: Esc, then m. Did the camera move?", "good")
        else:
            count = len(self.desk.opened().stations)
            self.tell(f"{count} stops are stored. F6 solves and shows the result.", "good")

    # ---- after the result ------------------------------------------------------------------

    @as_job("drive")
    async def action_bump(self) -> None:
        after = await in_background(self.simulated.bump)
        desk = Desk(after.folder)
        await in_background(desk.open)
        again = Demo(desk, after)
        await self.app.push_screen(again)
        again.tell("Something knocked the cell. F4 drives to an earlier stop.", "warning")

    @as_job("drive")
    async def action_practice(self) -> None:
        settings: Kept = self.app.settings  # type: ignore[attr-defined]
        self.tell("A mistake is being planted ...", "note")
        planted = await in_background(plant, self.desk, settings.get("practice asked"))
        settings.put("practice asked", str(planted.number))
        self.tell("z plants another mistake in a copy.", "note")
        self.app.push_screen(Practice(self.desk, planted))


class DemoProof(Proof):
    """Proof by touch with a simulated pointer; the pendant stands among the facts."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("f4", "drive", "drive on", id="demo.touch",
                tooltip="Lay the board and take its image, or bring the tip to its next point"),
    ]  # fmt: skip

    def __init__(self, desk: Desk, simulated: Simulated) -> None:
        super().__init__(desk)
        self.simulated = simulated
        self.shown = ""

    async def _begin(self) -> None:
        await super()._begin()
        found = self.touching.found
        if found is not None and found.pointer is None:
            tip = " ".join(f"{x:g}" for x in TIP)
            await in_background(self.touching.set_pointer, tip, TIP_U)
            self.show_proof(PROVING)

    def show_proof(self, said: str = "", *, last: bool = False) -> None:
        super().show_proof(said, last=last)
        facts = self.touching.facts()
        pendant = Fact("simulated", self.shown or "F4 drives", "note")
        self.query_one(FactsPanel).show(facts._replace(facts=(pendant, *facts.facts)))

    @as_job("drive")
    async def action_drive(self) -> None:
        if self.simulated.lays:
            self.tell("The board is laid, and its image is taken ...", "note")
            await in_background(self.simulated.lay)
            self.images.take()
            return
        point, pose = await in_background(self.simulated.touch)
        self.shown = f"point {point}  {pose}"
        self.show_proof("The tip is there: read the simulated pendant.")
