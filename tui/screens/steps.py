"""Steps of the job beside the stations, each on a page of text or a form: focus, lens, frames."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType

from engine.cautions import TOUCH

from ..desk import records, steps
from ..desk.desk import Desk
from ..desk.form import Question
from ..widgets.form import Form
from ..widgets.sheet import Paragraph, Scroll, written
from ..words import caution
from .jobs import Ask, Halves, Jobs, Working, in_background, pause, required

LOOK_EVERY = 0.5  # s between looks for a new image while the lens is set

Lines = Callable[[], list[str]]
Fill = Callable[[Desk, dict[str, str]], list[str]]


class Page(Working[None]):
    """What a step says; with ``again`` it looks once more every so many seconds."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,q", "dismiss", "back", id="page.leave", tooltip="Back to the stations"),
    ]

    def __init__(self, title: str, work: Lines, again: float | None = None) -> None:
        super().__init__()
        self.called, self.work, self.again = title, work, again

    def parts(self) -> ComposeResult:
        yield Scroll(written("Reading ..."), id="said")

    def on_mount(self) -> None:
        self.headed(self.called)
        self.query_one(Scroll).focus()
        self.jobs.begin(self._work, group="page")

    async def _work(self) -> None:
        while True:
            lines = await in_background(self.work)
            self.query_one(Scroll).show(written(*lines), top=False)
            if self.again is None:
                return
            await pause(self.again)

    def tell(self, text: str, role: str) -> None:
        self.query_one(Scroll).show(written(text, role=role))


class Sheet(Halves, Working[None]):
    """A form and below it what came of it; it can be filled in again."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "dismiss", "back", id="sheet.leave", tooltip="Back to the stations"),
    ]

    def __init__(
        self,
        desk: Desk,
        title: str,
        questions: list[Question],
        work: Fill,
        beware: Sequence[str] = (),
    ) -> None:
        """``work`` gets the texts of the form by key and returns lines for a person.

        ``beware``: cautions, where the form has the robot moved.
        """
        super().__init__()
        self.desk, self.called, self.questions, self.work = desk, title, questions, work
        self.beware = beware
        self.HALF = title

    def parts(self) -> ComposeResult:
        if self.beware:
            yield Paragraph(caution(self.beware), "warning", id="caution")
        yield Form(self.questions, id="form")
        yield Scroll(written(), id="said")

    def on_mount(self) -> None:
        self.headed(self.called)

    def tell(self, text: str, role: str) -> None:
        self.query_one(Form).refuse(text)

    def on_form_finished(self, message: Form.Finished) -> None:
        self.jobs.begin(self._work, message.answers, group="sheet")

    async def _work(self, texts: dict[str, str]) -> None:
        lines = await in_background(self.work, self.desk, texts)
        self.query_one(Scroll).show(written(*lines), top=True)
        self.taken()


class JobSteps:
    """Opens the page of a step, after asking for a file where it writes one."""

    KEYS: ClassVar[list[BindingType]] = [
        Binding("d", "step('board')", "print board", show=False, id="job.board",
                tooltip="Print the calibration board at true scale"),
        Binding("f", "step('focus')", "focus", show=False, id="job.focus",
                tooltip="Sharpness and exposure, image after image, to set the lens"),
        Binding("l", "step('lens')", "lens data", show=False, id="job.lens",
                tooltip="Do the lens data fit what the session saw?"),
        Binding("v", "step('compare')", "compare", show=False, id="job.compare",
                tooltip="The difference from earlier results of this cell, and their history"),
        Binding("p", "step('pack')", "pack", show=False, id="job.pack",
                tooltip="Put the session into one zip file"),
        Binding("I", "step('about')", "for whom", show=False, id="job.about",
                tooltip="Customer, place, temperature, instruments: what the report says"),
        Binding("z", "step('frame')", "frame", show=False, id="job.frame",
                tooltip="A conveyor or pallet frame through three touched or seen points"),
    ]  # fmt: skip
    CHANGING = ("about", "frame")  # steps that write into the session

    def __init__(self, desk: Desk, jobs: Jobs) -> None:
        self.desk, self.jobs = desk, jobs

    def do(self, step: str) -> None:
        getattr(self, step)()

    def _open(self, title: str, work: Lines, again: float | None = None) -> None:
        self.jobs.node.app.push_screen(Page(title, work, again))

    def _fill(
        self,
        title: str,
        ask: Callable[[Desk], list[Question]],
        work: Fill,
        beware: Sequence[str] = (),
    ) -> None:
        self.jobs.node.app.push_screen(Sheet(self.desk, title, ask(self.desk), work, beware))

    def _with_file(self, title: str, text: str, file: str, work: Callable[..., list[str]]) -> None:
        def named(path: str) -> None:
            self._open(title, partial(work, self.desk, path.strip()))

        self.jobs.ask(Ask(title, text, file, required), named)

    def board(self) -> None:
        file = str(self.desk.folder / "board.pdf")
        self._with_file("Print the board", "File (.pdf or .svg), A4:", file, steps.board)

    def pack(self) -> None:
        folder = self.desk.folder.resolve()
        file = str(folder.with_name(f"{folder.name}.zip"))
        self._with_file("Pack the session", "New zip file:", file, steps.pack)

    def focus(self) -> None:
        self._open("Focus and exposure", steps.Focus(self.desk).look, LOOK_EVERY)

    def lens(self) -> None:
        self._open("Do the lens data fit?", partial(steps.lens, self.desk))

    def about(self) -> None:
        self._fill("For whom, where and how", records.about_questions, records.note_about)

    def frame(self) -> None:
        self._fill("A frame through three points", records.frame_questions, records.find_frame,
                   TOUCH)  # fmt: skip

    def compare(self) -> None:
        self._open("This result and the earlier ones", partial(steps.comparison, self.desk))
