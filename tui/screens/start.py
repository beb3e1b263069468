"""The cell at a glance, and the questions at the start of a session."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.screen import Screen

from engine.steps.starting import Answers

from ..desk.changes import answer
from ..desk.desk import Desk
from ..desk.form import Question, above_zero, as_number, is_yes, needed, yes_or_no
from ..desk.say import cell_facts
from ..desk.views import Title
from ..widgets.form import Form
from ..widgets.head import FactsPanel, TitleLine
from ..widgets.key_line import KeyLine
from .jobs import Jobs, in_background

TOOL = (
    "Tool that the pendant shows as active. Where the flange cannot be selected, type its values; "
    "it must stay the same to the end: no residual can show that it was wrong."
)
FRAME = (
    "User frame that the pendant shows as active; where the base cannot be selected, its values. "
    "It must stay the same to the end."
)


LENS_OPEN = (
    "Your answers are kept; the lens data stay open. With data of another image size, focus or "
    "zoom every result is wrong: set the camera as it was, then answer y; or Esc, calibrate the "
    "lens as the camera is now, and start a session for a cell with those data."
)


class Start(Screen[bool]):
    """Asks what cannot be seen later. The answer is True when nothing is open any more.

    ``before``: what was answered at an earlier opening, while the lens data did not fit.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "leave", "later", id="start.leave", tooltip="Answer another time"),
    ]

    def __init__(self, desk: Desk, before: Answers | None = None) -> None:
        super().__init__()
        self.desk, self.before = desk, before
        self.jobs = Jobs(self, self.tell)

    def compose(self) -> ComposeResult:
        yield TitleLine(id="title")
        yield FactsPanel(id="cell")
        yield Form(self._questions(), id="form")
        yield KeyLine()

    def on_mount(self) -> None:
        which = "next" if self.desk.opened().stations else "first"
        self.query_one(TitleLine).show(Title(f"Before the {which} station", "the cell at a glance"))
        self.query_one(FactsPanel).show(cell_facts(self.desk))

    def _questions(self) -> list[Question]:
        cell = self.desk.opened().cell
        width, height = cell.camera.image_size_px
        operator, warm, fits = self.desk.operator or "", "", ""
        if self.before is not None:
            operator, fits = self.before.operator, "n"
            warm = "y" if self.before.warmed_up else "n"
        return [
            Question("operator", "Who works at the robot", operator, needed,
                     "Kept with every station."),
            Question("tool", "Active tool", cell.pendant.active_tool, needed, TOOL),
            Question("frame", "Active user frame", cell.pendant.active_frame, needed, FRAME),
            Question("warm", "Robot warmed up (y/n)", warm, yes_or_no,
                     "A cold arm drifts by tenths of a millimetre in its first half hour: let it "
                     "run before recording."),
            Question("pitch", "Board pitch measured, mm", f"{cell.board.pitch_mm:g}", above_zero,
                     "Measure over the whole row and divide by the number of steps."),
            Question("lens", "Lens data fit (y/n)", fits, yes_or_no,
                     f"Made with this camera at {width} × {height} px, this focus and zoom?"),
        ]  # fmt: skip

    def on_form_finished(self, message: Form.Finished) -> None:
        self.jobs.begin(self._keep, message.answers, group="keep")

    async def _keep(self, texts: dict[str, str]) -> None:
        kept = await in_background(
            answer,
            self.desk,
            operator=texts["operator"],
            active_tool=texts["tool"],
            active_frame=texts["frame"],
            warmed_up=is_yes(texts["warm"]),
            pitch_mm=as_number(texts["pitch"]),
            lens_fits=is_yes(texts["lens"]),
        )
        if kept:
            self.dismiss(True)
        else:
            self.tell(LENS_OPEN, "error")

    def tell(self, text: str, role: str) -> None:
        self.query_one(Form).refuse(text)

    def action_leave(self) -> None:
        self.dismiss(False)
