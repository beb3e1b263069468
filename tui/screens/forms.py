"""Forms: the questions at the start of a session, and a new cell without knowing its file."""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType

from engine.cell.mount import EYE_IN_HAND
from engine.errors import PoseError
from engine.pendant.entry import parse_active
from engine.pendant.labels import IN_WORDS, LEVEL_IN_WORDS, LabelSet, example_shift
from engine.pendant.settings import BASE, FLANGE, Active, Pendant
from engine.steps.starting import Answers

from ..desk.board_length import asked_of, length_u, pitch_of
from ..desk.changes import answer
from ..desk.desk import Desk
from ..desk.form import Check, Question, as_number, is_yes, needed, yes_or_no
from ..desk.kept import Kept
from ..desk.new_cell import (
    PAGES,
    PENDANT_PAGE,
    height_questions,
    label_sets,
    level_arm,
    next_page,
    save,
)
from ..desk.say import cell_facts
from ..widgets.form import Form
from ..widgets.line_edit import LineEdit
from ..widgets.lists import Chooser
from ..widgets.looks import Line
from ..widgets.panels import CAUTION, FactsPanel, KeyLine
from ..widgets.sheet import Paragraph
from .jobs import Halves, Working, in_background, save_soon

TOOL = (
    "Tool that the pendant shows as active: flange, or its name and values as the pendant shows "
    "them, such as T3: {}. It must stay the same to the end: no residual can show that "
    "it was wrong."
)
FRAME = (
    "User frame that the pendant shows as active: base, or its name and values in the base, such "
    "as F5: {}. It must stay the same to the end."
)


LENS_OPEN = (
    "Your answers are kept; the lens data stay open. With data of another image size, focus or "
    "zoom every result is wrong: set the camera as it was, then answer y; or Esc, calibrate the "
    "lens as the camera is now, and start a session for a cell with those data."
)


class Start(Halves, Working[bool]):
    """Asks what cannot be seen later. The answer is True when nothing is open any more.

    ``before``: what was answered at an earlier opening, while the lens data did not fit.
    """

    HALF = "start"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "dismiss(False)", "later", id="start.leave",
                tooltip="Answer another time"),
    ]  # fmt: skip

    def __init__(self, desk: Desk, before: Answers | None = None) -> None:
        super().__init__()
        self.desk, self.before = desk, before

    def parts(self) -> ComposeResult:
        yield FactsPanel(id="cell")
        yield Form(self._questions(), id="form")

    def on_mount(self) -> None:
        which = "next" if self.desk.opened().stations else "first"
        self.headed(f"Before the {which} station", "the cell at a glance")
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
            *self._frames(),
            Question("warm", "Robot warmed up (y/n)", warm, yes_or_no,
                     "A cold arm drifts by tenths of a millimetre in its first half hour: let it "
                     "run before recording.", choices=("y", "n")),
            *asked_of(cell.board),
            *([] if cell.camera.guessed else [
                Question("lens", "Lens data fit (y/n)", fits, yes_or_no,
                         f"Made with this camera at {width} × {height} px, this focus and zoom?",
                         choices=("y", "n")),
            ]),
            *self._height(),
        ]  # fmt: skip

    def _frames(self) -> list[Question]:
        """Ask in which tool and frame poses are shown; joints are the same in all of them."""
        pendant = self.desk.opened().cell.pendant
        if pendant.shows_joints:
            return []
        tool, frame = (example_shift(at, pendant) for at in ((0, 0, 120), (600, 0, 40)))
        return [
            Question("tool", "Active tool", str(pendant.active_tool), _active(FLANGE, pendant),
                     TOOL.format(tool)),
            Question("frame", "Active user frame", str(pendant.active_frame),
                     _active(BASE, pendant), FRAME.format(frame)),
        ]  # fmt: skip

    def _height(self) -> list[Question]:
        """Ask for the board's height where the cell goes by it, or the arm cannot show it."""
        cell, board = self.desk.opened().cell, self.desk.opened().cell.board
        level = cell.level
        if not level and board.height_mm is None:
            return []
        height = "" if board.height_mm is None else f"{board.height_mm:g}"
        in_hand = cell.mount == EYE_IN_HAND
        return height_questions(height, f"{board.height_u_mm:g}", in_hand=in_hand)

    def on_form_finished(self, message: Form.Finished) -> None:
        self.jobs.begin(self._keep, message.answers, group="keep")

    async def _keep(self, texts: dict[str, str]) -> None:
        height = texts.get("height", "").strip()
        kept = await in_background(
            answer,
            self.desk,
            operator=texts["operator"],
            active_tool=texts.get("tool", "flange"),
            active_frame=texts.get("frame", "base"),
            warmed_up=is_yes(texts["warm"]),
            pitch_mm=pitch_of(texts["length"]),
            scale_u=length_u(texts["length"], texts["length_u"]),
            lens_fits=is_yes(texts.get("lens", "y")),
            height_mm=as_number(height) if height else None,
            height_u_mm=as_number(texts["height_u"]) if "height_u" in texts else None,
        )
        self.taken()
        if kept:
            self.dismiss(True)
        else:
            self.tell(LENS_OPEN, "error")

    def tell(self, text: str, role: str) -> None:
        self.query_one(Form).refuse(text)


def _active(own: Active, pendant: Pendant) -> Check:
    """Check for ``own``, or a name with values: a name alone does not say where it is."""

    def check(text: str) -> str | None:
        try:
            parse_active(text, own, pendant)
        except PoseError as error:
            return str(error)
        return None

    return check


CELL = "cell"  # under this name a new cell is kept until it is saved
QUESTION = (
    "Which of these does your pendant show? Several makers use the same labels, so jog the robot "
    "to this pose and compare the numbers: {pose}. The robot's manual decides."
)


class LabelSets(Chooser[tuple[LabelSet, tuple[str, ...]]]):
    """The common label sets with the example's numbers."""

    def headline(self, width: int) -> Line | None:
        return [(f"{'labels':<15}{'the pendant then shows':<37}remark", "dim")]

    def row_line(self, item: tuple[LabelSet, tuple[str, ...]], width: int) -> Line:
        labels, fields = item
        shown = "".join(f"{text:>9}" for text in fields)
        remark = labels.remark or labels.rotation
        names = " ".join(labels.labels)
        return [(f"{names:<15}", "title"), (f"{shown:<37}", "text"), (remark, "dim")]


class CellEditor(Working[Path | None]):
    """One page after the other. The answer is the file that was written, or None."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "back", "page before", id="editor.back", tooltip="The page before"),
        Binding("escape", "leave", "leave", id="editor.leave",
                tooltip="Leave; what was typed is there the next time"),
        Binding("enter", "take", "take this", id="editor.take", tooltip="Take the chosen labels"),
    ]  # fmt: skip

    def __init__(self) -> None:
        super().__init__()
        self.answers: dict[str, str] = {}
        self.saved = False
        self.page = 0
        self._before: list[tuple[int, bool]] = []
        self._choosing = False
        self._level = False  # the label sets shown are those of an arm with a level flange

    def parts(self) -> ComposeResult:
        yield Paragraph("", "dim", id="intro")
        yield Paragraph(CAUTION, "warning", id="caution")
        yield LabelSets(label_sets(), id="labels")

    async def on_mount(self) -> None:
        """Go on with what was typed before and not saved."""
        self.half: Kept = self.app.half_typed  # type: ignore[attr-defined]
        self.answers = self.half.under(CELL)
        self._typed = set(self.answers)
        await self._show()

    def on_unmount(self) -> None:
        """Keep what was typed and not saved, however this is left."""
        self.half.put_under(CELL, {} if self.saved else self.answers)
        self.half.save()

    def on_line_edit_changed(self, message: LineEdit.Changed) -> None:
        self._read()
        self.half.put_under(CELL, self.answers)
        self.jobs.begin(save_soon, self.half.save, group="keep soon")

    async def _show(self) -> None:
        """Show the page, or the label sets that come before the pendant's page."""
        await self.query(Form).remove()
        page, chooser = PAGES[self.page], self.query_one(LabelSets)
        chooser.display = self.query_one("#caution").display = self._choosing
        step = f"page {len(self._before) + 1}"
        title = "Labels on the pendant" if self._choosing else page.title
        self.headed(f"A new cell: {title}", step)
        if self._choosing:
            level = await in_background(level_arm, self.answers)
            pose = LEVEL_IN_WORDS if level else IN_WORDS
            self.query_one("#intro", Paragraph).show(QUESTION.format(pose=pose))
            sets = label_sets(level=level)
            first = 0 if level != self._level else None
            named = (self.answers.get("shown"), self.answers.get("rotation"))
            before = [(" ".join(one.labels), one.rotation) for one, _ in sets]
            chooser.show_items(sets, before.index(named) if named in before else first)
            self._level = level
            chooser.focus()
            self.refresh_bindings()
            return
        self.query_one("#intro", Paragraph).show(page.intro, "dim")
        questions = [
            q._replace(value=self.answers.get(q.key, q.value), typed=q.key in self._typed)
            for q in page.questions(self.answers)
        ]
        await self.mount(Form(questions), before=self.query_one(KeyLine))
        self.refresh_bindings()

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        there = {"take": self._choosing, "back": bool(self._before), "leave": not self._before}
        return there.get(action, True)

    async def action_take(self) -> None:
        item = self.query_one(LabelSets).item
        if item is not None:
            chosen = {"shown": " ".join(item[0].labels), "rotation": item[0].rotation}
            if not chosen.items() <= self.answers.items():  # else what was changed by hand stays
                for proposed in ("labels", "angle_unit", "angle_decimals"):
                    self.answers.pop(proposed, None)
                self.answers |= chosen
            self._before.append((self.page, True))
            self._choosing = False
            await self._show()

    async def on_form_finished(self, message: Form.Finished) -> None:
        self.answers |= message.answers
        coming = next_page(self.answers, self.page)
        if coming is None:
            self.jobs.begin(self._save, group="save")
            return
        self._before.append((self.page, False))
        self.page = coming
        self._choosing = self.page == PENDANT_PAGE
        await self._show()

    async def _save(self) -> None:
        path = await in_background(save, self.answers)
        self.saved = True
        self.dismiss(path)

    def tell(self, text: str, role: str) -> None:
        for form in self.query(Form):
            form.refuse(text)

    async def action_back(self) -> None:
        self._read()
        self.page, self._choosing = self._before.pop()
        await self._show()

    def action_leave(self) -> None:
        self._read()
        self.dismiss(None)

    def _read(self) -> None:
        """Take what stands in the lines of the page."""
        for form in self.query(Form):
            self.answers |= form.texts()
