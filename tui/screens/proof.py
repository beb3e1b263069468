"""Proof by touch: points that the camera sees and the robot touches, and what they prove."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal

from engine.cautions import TOUCH
from engine.errors import StationbookError, UsageError
from engine.images.sources import NewImage
from engine.steps.pointing import tips_told

from ..desk.desk import Desk
from ..desk.form import above_zero, numbers
from ..desk.images import Watch
from ..desk.proof import Touching, TouchRow, tip_text
from ..desk.say import title
from ..widgets.large import LargeLine
from ..widgets.line_edit import LineEdit, Prompt
from ..widgets.lists import Chooser
from ..widgets.looks import Line
from ..widgets.panels import FactsPanel, FieldsLine, FindingsView
from ..widgets.sheet import Paragraph
from ..words import caution, proof_parts
from .help import Findings
from .images import confirmation
from .jobs import Ask, Confirm, Halves, Jobs, Working, as_job, in_background, required
from .tip import FindTip

LOW = 20  # rows of a window with room for all that stands beside the touches


class BoardImages:
    """Takes an image for the proof, on a key; the station that is being entered gets none."""

    KEYS: ClassVar[list[BindingType]] = [
        Binding("f4", "view", "image", id="proof.view",
                tooltip="Take the newest image of the board lying in the cell"),
        Binding("i", "file", "image file", show=False, id="proof.file",
                tooltip="Name an image (or points) file of the board lying in the cell"),
    ]  # fmt: skip

    def __init__(
        self, desk: Desk, touching: Touching, jobs: Jobs, act: Callable[..., None]
    ) -> None:
        """``act`` says a text (with a place for the answer) after work on the touches."""
        self.desk, self.touching, self.jobs, self.act = desk, touching, jobs, act
        self.source = Watch(desk, desk.cameras[0])

    def take(self) -> None:
        """Take the newest image of the source, confirm the source, or ask for a file."""
        state = self.source.state
        if state == "none":
            if self.source.trouble:
                self.jobs.tell(self.source.trouble, "error")
            self.ask_file()
        elif state == "unconfirmed":
            question = confirmation(self.source, "this folder")
            self.jobs.ask(question, lambda _: self._confirmed())
        else:
            self._take_newest()

    @as_job("image")
    async def _confirmed(self) -> None:
        await in_background(self.source.confirm)
        if self.source.trouble:
            self.jobs.tell(self.source.trouble, "error")
        else:
            self.take()

    @as_job("image")
    async def _take_newest(self) -> None:
        self.jobs.tell("The board is being searched ...", "note")
        await in_background(self.source.again)
        image = await in_background(self.source.newest)
        if image is None:
            self.jobs.tell(f"No new image in {self.source.name}: take one, then F4.", "warning")
        else:
            self._with_pose(image.name, self.touching.add_image, image)

    def ask_file(self) -> None:

        def answered(name: str) -> None:
            path = Path(name.strip()).expanduser()
            self._with_pose(path.name, self.touching.add_view, path)

        text = "Image, or points as CSV, of the board lying in the cell:"
        self.jobs.ask(Ask("Board in the cell", text, check=required), answered)

    def _with_pose(self, name: str, add: Callable[..., object], image: NewImage | Path) -> None:
        """Add an image; a camera on the flange also needs the pose at which it looked."""

        def looked_from(pose: str | None) -> None:
            self.act("Image {} of the board is stored.", add, image, pose)

        if self.desk.opened().cell.mount == "eye-to-hand":
            looked_from(None)
        else:
            text = f"Pose of the flange when {name} was taken, as the pendant shows it:"
            self.jobs.ask(Ask("Where the camera looked from", text, check=required), looked_from)


LOOK_EVERY = 0.5  # s between looks while following: a follower is at most 1 s behind


class TouchEdit(LineEdit):
    """The line in which point and pose of a touch are typed."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "submit", "store", id="touch.store", tooltip="Store this touch"),
    ]


ALL_COLUMNS = 67  # cells that number, state, point and five figures take


class TouchList(Chooser[TouchRow]):
    """Touches in the order made, each with how far camera and robot disagree there."""

    def headline(self, width: int) -> Line | None:
        names = ("X mm", "Y mm", "Z mm", "off mm", "U mm")
        return [(f"{'No':>3} {'state':9}{'point':14}{_columns(names, width)}", "dim")]

    def row_line(self, item: TouchRow, width: int) -> Line:
        state, rest = f"{item.state:9}", f"{item.point:14}{_columns(item.figures, width)}"
        return [(f"{item.touch:>3} ", "text"), (state, item.role), (rest, "text")]


def _columns(texts: Sequence[str], width: int) -> str:
    """Return the figures in columns; without those of the axes where all of them find no room."""
    shown = texts if width >= ALL_COLUMNS else texts[3:]
    return "".join(f"{text:>8}" for text in shown)


class Proof(Halves, Working[None]):
    """Records what is touched and concludes after every touch; images come by `BoardImages`.

    Until joints have shown tool and frame, a line for them stands below the one of the touch.
    """

    HALF = "touch"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("f3", "pointer", "pointer", id="proof.pointer",
                tooltip="Describe the pointer: its tip in the flange, and how well it is known"),
        Binding("t", "tip", "find tip", id="proof.tip",
                tooltip="Find the pointer's tip by touching one point in several orientations"),
        *BoardImages.KEYS,
        Binding("f5", "said", "findings", id="proof.said",
                tooltip="Everything that the touches say, with what to do about it"),
        Binding("f6", "keep", "conclude", id="proof.keep",
                tooltip="Store what the touches prove with the result"),
        Binding("f7", "joints", "joints", id="proof.joints",
                tooltip="Type the joints too: of this touch, or else of the chosen one. They show "
                "that tool and frame are as told"),
        Binding("x", "forget", "leave out", id="proof.forget",
                tooltip="Leave the chosen touch out of the proof"),
        Binding("escape,tab", "other", "list/line", id="proof.other",
                tooltip="Typing line or list"),
        Binding("q", "leave", "back", id="proof.leave",
                tooltip="Back to the result; what is proven is stored with it"),
    ]  # fmt: skip
    CHANGING: ClassVar[tuple[str, ...]] = (
        "pointer", "tip", "view", "file", "keep", "joints", "forget", "other",
    )  # fmt: skip

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self.desk = desk
        self.touching = Touching(desk)
        self.asked = ""  # the touch that was asked about
        self.of_typed = False  # what is said is about a line that is being typed
        self.refused = ""  # why the conclusion could not be stored on the way back
        self.images = BoardImages(desk, self.touching, self.jobs, self.act)
        self.action_view, self.action_file = self.images.take, self.images.ask_file
        self.touches = TouchList(empty="nothing touched yet", id="touches")
        self.line, self.joints = TouchEdit(id="touch"), TouchEdit(id="joints")
        self.joint_fields = FieldsLine((), id="joint-fields")

    def parts(self) -> ComposeResult:
        yield Paragraph(caution(TOUCH), "warning", id="caution")
        yield LargeLine(id="verdict")
        yield FactsPanel(id="proven")
        yield self.touches
        with Horizontal(classes="line", id="touch-line"):
            yield Prompt()
            yield self.line
        yield FieldsLine(self.touching.fields(""), id="fields")
        with Horizontal(classes="line hidden", id="joints-line"):
            yield Prompt()
            yield self.joints
        yield self.joint_fields
        yield FindingsView(more="F5", id="findings")

    def on_mount(self) -> None:
        """Read what was touched; while following look again and again."""
        self.desk.proving = True
        self.headed("Proof by touch", title(self.desk).right)
        self.line.set_prompt("Touch")
        self.joints.set_prompt("Joints")
        if self.desk.follow:
            self.query_one("#touch-line").display = self.query_one("#fields").display = False
            self.touches.focus()
            self.set_interval(LOOK_EVERY, self._look)
        else:
            self.touches.figures_to = self.line
            self.line.focus()
        self.show_proof()
        self.jobs.begin(self._begin, group="proof")

    def on_unmount(self) -> None:
        """Let the stations have the next image, however this screen is left."""
        self.desk.proving = False

    async def _begin(self) -> None:
        """Open the source of images and read; a source that fails leaves the touches readable."""
        refused = ""
        if not self.desk.follow and self.touching.found is None:
            try:
                await in_background(self.images.source.open)
            except StationbookError as error:
                refused = str(error)
        await in_background(self.touching.read)
        self.show_proof(last=True)
        if refused:
            self.tell(refused, "error")

    def _look(self) -> None:
        if self.touching.changed():
            self.jobs.begin(self._begin, group="proof")

    # ---- showing ---------------------------------------------------------------------------

    def show_proof(self, said: str = "", *, last: bool = False) -> None:
        """Show the touches and what they prove; ``last`` chooses the last one."""
        rows = self.touching.rows()
        self.show_joints(False)
        self.query_one(FactsPanel).show(self.touching.facts())
        self.query_one(LargeLine).show(proof_parts(self.touching.proof))
        self.touches.show_items(rows, len(rows) - 1 if last else None)
        trouble = self.touching.trouble
        step = self.touching.next_step()
        if said and self.touching.begins:
            said = f"{said} {step}"
        self.tell(said or trouble or step, "error" if trouble else "note")
        self.of_typed = False
        self.refresh_bindings()

    def show_joints(self, shown: bool) -> None:
        """Show the line for joints, or hide it where they show nothing new and none are typed."""
        kept = self.focused is self.joints or bool(self.joints.value.strip())
        shown = shown or kept or self.touching.joints_wanted
        if shown and not self.joint_fields.data:
            self.joint_fields.show(tuple(self.desk.joint_fields("")))
        self.query_one("#joints-line").set_class(not shown, "hidden")
        self._fit()

    def on_resize(self) -> None:
        self._fit()

    def on_descendant_focus(self) -> None:
        self._fit()

    def _fit(self) -> None:
        """In a low window keep room for what is said: one row of facts, fields of one line."""
        low, on_joints = self.size.height < LOW, self.joints.has_focus
        asked = not self.query_one("#joints-line").has_class("hidden")
        self.set_class(low, "-low")
        self.query_one("#fields").set_class(low and on_joints, "hidden")
        self.joint_fields.set_class(not asked or (low and not on_joints), "hidden")

    def tell(self, text: str, role: str) -> None:
        self.query_one(FindingsView).show(self.touching.findings, message=[(text, role)])

    def on_line_edit_changed(self, message: LineEdit.Changed) -> None:
        if message.value != self.asked and self.touching.doubts:
            self.touching.doubts = ()
            self.tell(self.touching.next_step(), "note")
        joints = message.edit is self.joints
        read = self.desk.joint_fields if joints else self.touching.fields
        fields = read(message.value)
        shown = self.joint_fields if joints else self.query_one("#fields", FieldsLine)
        shown.show(tuple(fields))
        wrong = [field for field in fields if field.problem and message.value.strip()]
        if wrong:
            self.tell(f"{wrong[0].label or 'line'}: {wrong[0].problem}", "error")
        elif message.value:
            missing = " ".join(field.label for field in fields if not field.text)
            self.tell(f"still to type: {missing}" if missing else "Enter stores it.", "note")
        elif self.of_typed:
            self.tell(self.touching.next_step(), "note")
        self.of_typed = bool(message.value)

    # ---- recording -------------------------------------------------------------------------

    def act(self, said: str, work: Callable[..., object], *args: object) -> None:
        """Record something in the background; ``said`` has a place for its answer."""
        self.jobs.begin(self._acting, said, work, *args, group="proof", exclusive=False)

    async def _acting(self, said: str, work: Callable[..., object], *args: object) -> None:
        self.show_proof(said.format(await in_background(work, *args)), last=True)

    def on_line_edit_submitted(self, message: LineEdit.Submitted) -> None:
        """Store the touch, or joints alone with the chosen one; what is typed meanwhile waits."""
        touch, joints = self.line.value, self.joints.value.strip()
        row: TouchRow | None = self.touches.item
        if touch.strip():
            for edit in (self.line, self.joints):
                edit.hold()
            self.jobs.begin(self._touch, touch, joints, group="proof", exclusive=False)
        elif joints and row is not None:
            self.joints.hold()
            self.jobs.begin(self._joints, row.touch, joints, group="proof", exclusive=False)

    async def _joints(self, touch: int, joints: str) -> None:
        """Store the joints of a touch that is stored already."""
        try:
            await in_background(self.touching.add_joints, touch, joints)
            self.joints.set("")
            self.set_focus(self.line)
            self.show_proof(f"Joints of touch {touch} stored.", last=True)
        finally:
            self.joints.release()

    async def _touch(self, text: str, joints: str) -> None:
        """Store it; where something speaks against it, only at the second Enter."""
        try:
            wrong = [f for f in self.desk.joint_fields(joints) if f.problem] if joints else []
            if wrong:
                self.tell(f"{wrong[0].label or 'joints'}: {wrong[0].problem}", "error")
                return
            if text != self.asked and await in_background(self.touching.doubt, text):
                self.asked = text
                self.tell("Not stored yet. If all is right, Enter stores it as typed.", "warning")
                return
            number = await in_background(self.touching.add_touch, text)
            self.asked = ""
            self.line.set("")
            if joints:
                await in_background(self.touching.add_joints, number, joints)
                self.joints.set("")
            self.set_focus(self.line)
            said = self.touching.next_step() if self.touching.open_number else ""
            self.show_proof(f"Touch {number} stored. {said}".strip(), last=True)
        finally:
            for edit in (self.line, self.joints):
                edit.release()

    def action_pointer(self) -> None:
        pointer = self.touching.found.pointer if self.touching.found else None
        tip_now = tip_text(pointer) if pointer else ""

        def known(tip: str, u: str) -> None:
            self.act("The pointer is described.", self.touching.set_pointer, tip, u)

        def placed(tip: str) -> None:
            now = f"{pointer.u_mm:.2g}" if pointer else ""
            self.jobs.ask(Ask(U, U_TEXT, now, above_zero), lambda u: known(tip, u))

        found = self.touching.found
        count = sum(touch.use for touch in found.touches) if found else 0
        text = f"{TIP_TEXT} {READ_TOO.format(count)}" if count else TIP_TEXT
        self.jobs.ask(Ask(TIP, text, tip_now, numbers(3)), placed)

    def action_tip(self) -> None:
        """Find the pointer's tip by touching; read it again once it is stored."""
        try:
            tips_told(self.desk.opened().cell)
        except UsageError as error:
            self.tell(str(error), "warning")
            return
        self.jobs.ask(FindTip(self.desk), lambda _: self.jobs.begin(self._begin, group="proof"))

    def action_joints(self) -> None:
        if self.focused is self.joints:
            self.set_focus(self.line)
            self.show_joints(False)
        else:
            self.show_joints(True)
            self.joints.focus()
            self.tell(JOINTS_TEXT, "note")

    def action_forget(self) -> None:
        row: TouchRow | None = self.touches.item
        if row is None:
            return
        touch = row.touch

        text = "It stays in proof.yaml and proves nothing from now on. It cannot be brought back."
        self.jobs.ask(
            Confirm(f"Leave touch {touch} out?", text),
            lambda _: self.act(f"Touch {touch} is left out.", self.touching.forget, touch),
        )

    # ---- keys ------------------------------------------------------------------------------

    def action_other(self) -> None:
        (self.line if self.touches.has_focus else self.touches).focus()

    def action_said(self) -> None:
        self.app.push_screen(Findings(self.touching.findings))

    def action_keep(self) -> None:
        self.act("Stored with the result.", self.touching.keep)

    @as_job("leave")
    async def action_leave(self) -> None:
        """Store what is not stored yet, then go back; where it fails twice, without that."""
        if not (self.touching.stored or self.desk.follow):
            try:
                await in_background(self.touching.keep)
            except StationbookError as error:
                if str(error) != self.refused:
                    self.refused = str(error)
                    self.tell(f"Not stored: {error} {KEPT_TOUCHES}", "error")
                    return
        self.dismiss(None)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Leave only what makes sense now: nothing that changes anything while following."""
        if self.desk.follow and action in self.CHANGING:
            return False
        if action == "joints":
            return self.desk.joints_help
        if action == "forget":
            row = self.touches.item
            return row is not None and row.state != "left out"
        return not (action == "keep" and self.touching.proof is None)


KEPT_TOUCHES = "The touches are kept; q once more leaves."
TIP = "The pointer's tip in the flange frame"
TIP_TEXT = (
    "x y z in mm from the flange's middle, on the flange's axes. Leave the tool and the frame of "
    "the stations active while you touch."
)
READ_TOO = (
    "Touches stored: {}. They are read with this tip too; those of another pointer are left out "
    "with x first. A touch that gives a missing number keeps its own."
)
JOINTS_TEXT = (
    "As the pendant shows them, with the robot still standing at this touch. Beside the pose they "
    "show whether tool, frame and robot file are as told."
)
U = "How well the tip is known"
U_TEXT = (
    "Standard uncertainty on each axis in mm: the pointer's calibration, and how well the tip is "
    "brought to a point."
)
