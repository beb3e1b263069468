"""The proof of the demo: a simulated hand lays the board and brings the tip to its points."""

from __future__ import annotations

from typing import ClassVar

from textual.binding import Binding, BindingType

from ..desk.demo import TIP, TIP_U, Simulated
from ..desk.desk import Desk
from ..desk.views import Fact
from ..widgets.panels import FactsPanel
from .jobs import in_background
from .proof import Proof

WHAT = "F4 lays the board in the cell and takes its image. F7 brings the tip to a point of it."


class DemoProof(Proof):
    """Proof by touch with a simulated pointer; the pendant stands among the facts."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("f7", "touch", "touch", id="demo.touch",
                tooltip="Bring the simulated tip to the next point of the board"),
    ]  # fmt: skip

    def __init__(self, desk: Desk, simulated: Simulated) -> None:
        super().__init__(desk)
        self.simulated = simulated
        self.shown = ""
        self.action_view = lambda: self.jobs.begin(self._laying, group="drive")

    def show_joints(self, shown: bool) -> None:
        """Ask for no joints: the simulated pendant shows none."""
        self.query_one("#joints-line").display = self.joint_fields.display = False

    async def _begin(self) -> None:
        await super()._begin()
        found = self.touching.found
        if found is not None and found.pointer is None:
            tip = " ".join(f"{x:g}" for x in TIP)
            await in_background(self.touching.set_pointer, tip, TIP_U)
            self.show_proof(WHAT)

    def show_proof(self, said: str = "", *, last: bool = False) -> None:
        """Show the touches, what they prove, and what the simulated pendant shows."""
        super().show_proof(said, last=last)
        facts = self.touching.facts()
        pendant = Fact("simulated", self.shown or "F7 drives the tip", "note")
        self.query_one(FactsPanel).show(facts._replace(facts=(*facts.facts, pendant)))

    async def _laying(self) -> None:
        self.tell("The board is laid, and its image is taken ...", "note")
        await in_background(self.simulated.lay)
        self.images.take()

    def action_touch(self) -> None:
        """Bring the tip to the next point."""
        self.jobs.begin(self._touching, group="drive")

    async def _touching(self) -> None:
        point, pose = await in_background(self.simulated.touch)
        self.shown = f"point {point}  {pose}"
        self.show_proof("Type the point's number, then the pendant's numbers, in one line.")
