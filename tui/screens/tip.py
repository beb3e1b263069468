"""A pointer's tip, found on the screen: one fixed point touched in several orientations."""

from __future__ import annotations

from typing import ClassVar, NamedTuple

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal

from engine.cautions import TOUCH
from engine.errors import StationbookError
from engine.proof.tip import LEAST_ORIENTATIONS
from engine.steps.pointing import TipFound, tip_found
from engine.steps.proving import typed_fields

from ..desk.desk import Desk
from ..widgets.line_edit import LineEdit, Prompt
from ..widgets.lists import Chooser
from ..widgets.looks import Line
from ..widgets.sheet import Paragraph
from ..words import caution
from .jobs import Halves, Working, as_job, in_background

FIRST = (
    "Touch one fixed point, such as the tip of a nail, and type the pose; then the same point with "
    f"the flange tilted by 30° and more, about different axes: {LEAST_ORIENTATIONS} times and more."
)


class TipTouch(NamedTuple):
    """One touch: the pose as typed, and how far it is from where the others meet, in words."""

    pose: str
    off: str
    role: str


class TipList(Chooser[TipTouch]):
    """The touches of the point in the order made."""

    def headline(self, width: int) -> Line | None:
        return [(f"{'off mm':>9}  pose", "dim")]

    def row_line(self, item: TipTouch, width: int) -> Line:
        return [(f"{item.off:>9}  ", item.role), (item.pose, "text")]


TOUCHED = "tip touches"  # under this name the touches are kept until their tip is used


class FindTip(Halves, Working[bool]):
    """Finds the tip. The answer is True when it became the pointer of the proof."""

    HALF = "tip"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("x", "forget", "leave out", id="tip.forget", tooltip="Forget the chosen touch"),
        Binding("f10", "use", "use it", id="tip.use",
                tooltip="Store the tip as the pointer of the proof, with its covariance"),
        Binding("tab", "other", "list/line", id="tip.other", tooltip="The touches, or the line"),
        Binding("escape", "dismiss(False)", "back", id="tip.leave", tooltip="Back to the proof"),
    ]  # fmt: skip

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self.desk = desk
        self.poses: list[str] = []
        self.found: TipFound | None = None

    def parts(self) -> ComposeResult:
        yield Paragraph(caution(TOUCH), "warning", id="caution")
        yield TipList(empty="nothing touched yet", id="touches")
        with Horizontal(classes="line"):
            yield Prompt()
            yield LineEdit(id="pose")
        yield Paragraph(FIRST, "note", id="said")

    @property
    def touches(self) -> TipList:
        return self.query_one(TipList)

    def on_mount(self) -> None:
        self.headed("The tip of the pointer", "nothing is stored yet")
        line = self.query_one(LineEdit)
        line.set_prompt("Touch")
        line.focus()
        self.poses = list(self.desk.kept.under(TOUCHED).values())
        if self.poses:
            self.jobs.begin(self._find, group="tip")

    def on_line_edit_submitted(self, message: LineEdit.Submitted) -> None:
        """Take a touch, and find the tip anew; what is typed meanwhile belongs to the next one."""
        if message.value.strip():
            message.edit.hold()
            self.jobs.begin(self._touch, message.value.strip(), group="tip")

    async def _touch(self, text: str) -> None:
        line = self.query_one(LineEdit)
        try:
            await in_background(typed_fields, self.desk.opened().cell, text)
            await in_background(self.desk.touched, text)
            self.poses.append(text)
            line.set("")
            await self._find()
        finally:
            line.release()

    async def _find(self) -> None:
        self.desk.kept.put_under(TOUCHED, {str(n): pose for n, pose in enumerate(self.poses)})
        await in_background(self.desk.kept.save)
        self.found, said = None, (FIRST, "note")
        if len(self.poses) >= LEAST_ORIENTATIONS:
            try:
                self.found = await in_background(
                    tip_found, self.desk.opened(), self.desk.folder, self.poses
                )
            except StationbookError as error:
                said = (str(error), "error")
        tip = self.found.tip if self.found else None
        rows = []
        for n, pose in enumerate(self.poses):
            off = "-" if tip is None else f"{tip.off_mm[n]:.3f}"
            wrong = tip is not None and tip.off == n
            rows.append(
                TipTouch(pose, f"OFF {off}" if wrong else off, "error" if wrong else "text")
            )
        self.touches.show_items(rows, len(rows) - 1)
        if self.found is not None and tip is not None:
            x, y, z = tip.tip_mm
            u = [2.0 * float(v) ** 0.5 for v in tip.covariance.diagonal()]
            place = f"Tip X {x:.2f} ± {u[0]:.2f}  Y {y:.2f} ± {u[1]:.2f}  Z {z:.2f} ± {u[2]:.2f} mm"
            texts = [place, *(item.message for item in self.found.findings), "F10 uses it."]
            said = ("\n".join(texts), "warning" if tip.off is not None else "good")
        self.tell(*said)
        self.refresh_bindings()

    def action_forget(self) -> None:
        at = self.touches.chosen
        if at < len(self.poses):
            del self.poses[at]
            self.jobs.begin(self._find, group="tip")

    @as_job("tip")
    async def action_use(self) -> None:
        found = self.found
        if found is not None:
            await in_background(self.desk.beside, lambda _: found.change)
            self.desk.kept.put_under(TOUCHED, {})
            self.dismiss(True)

    def action_other(self) -> None:
        line = self.query_one(LineEdit)
        (line if self.touches.has_focus else self.touches).focus()

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        return action != "use" or self.found is not None
