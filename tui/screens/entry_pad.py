"""The lower part of the recording screen: type a pose, see the checks answer, store it."""

from __future__ import annotations

import asyncio
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.message import Message

from engine.findings import Level, worst
from engine.steps.recording import Draft
from engine.steps.station_image import ViewDraft

from ..desk.desk import Desk
from ..desk.entry import Entry, examined, keep_entry, kept_entry, store
from ..desk.views import FieldView, answer
from ..widgets.large import LargeAnswer
from ..widgets.line_edit import LineEdit, Prompt
from ..widgets.looks import Line
from ..widgets.panels import FieldsLine, FindingsView
from ..words import Part
from .jobs import Ask, Jobs, as_job, in_background, pause, required, save_soon

WAIT = 0.08  # s between looks while the board is being searched
LOW = 18  # rows of a window with room for the fields of both lines and for what the checks say
SETTLE = 0.3  # s without a key before a number is judged that could go on; quick hands need 0.2
AGAIN: tuple[Part, Part] = (
    ("Typed before and not stored: ", "note"),
    ("it is there again.", "text"),
)
BACK = {  # how what was typed half comes back
    "record": "it is there again when this is left or stored.",
    "correct": "e at that station brings it back.",
    "retake": "r at that station brings it back.",
}


class PoseEdit(LineEdit):
    """The line in which a pose (or joints) is typed; Enter stores the station."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "submit", "store", id="pose.store", tooltip="Store this station"),
    ]

    class Block(Message):
        """Several lines were pasted: perhaps one station each."""

        def __init__(self, edit: PoseEdit, text: str) -> None:
            self.edit, self.text = edit, text
            super().__init__()

    def paste(self, text: str) -> None:
        """Insert one line; let the screen look at several."""
        if len(text.split("\n")) > 2 or "\n" in text.strip():
            self.post_message(self.Block(self, text))
        else:
            super().paste(text)


class EntryPad(Vertical):
    """One entry after the other. Message: `EntryPad.Stored` with the station's id."""

    DEFAULT_CSS = """
    EntryPad, EntryPad .typing, EntryPad .typing > Vertical { height: auto; }
    EntryPad .typing > Vertical { width: 1fr; }
    """

    class Stored(Message):
        def __init__(self, station: int, purpose: str) -> None:
            self.station, self.purpose = station, purpose
            super().__init__()

    class Renewed(Message):
        """Another entry began, so another image is wanted."""

    def __init__(self, desk: Desk, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.desk = desk
        self.jobs = Jobs(self, self.tell)
        self.pose, self.joints = PoseEdit(id="pose"), PoseEdit(id="joints")
        self._asked = False  # the line for joints opened by itself
        self.lines = [
            Horizontal(Prompt(), edit, classes="line", id=f"{edit.id}-line")
            for edit in (self.pose, self.joints)
        ]
        self.fields = FieldsLine([FieldView(label, "") for label in desk.labels], id="fields")
        self.joint_fields = FieldsLine((), id="joint-fields")
        self.answer, self.findings = LargeAnswer(id="answer"), FindingsView(id="findings")
        self.entry = Entry()
        self._first = ("", "")  # what stood in the lines when nothing was typed yet
        self._left: dict[tuple[str, int | None], Entry] = {}  # typed half, by purpose and station
        self.message: Line = []
        self.resumed = ""  # what stood in the line when the session was opened
        self._judged = False  # a verdict stands on the screen
        self._turn = asyncio.Lock()  # accepting and storing happen one after the other
        self.searching: dict[str, str] = {}  # by camera, the image in which the board is searched

    def compose(self) -> ComposeResult:
        with Horizontal(classes="typing"):
            with Vertical():
                for line, fields in zip(self.lines, (self.fields, self.joint_fields), strict=True):
                    yield line
                    yield fields
            yield self.answer
        yield self.findings

    def on_mount(self) -> None:
        """Ask for joints only when told to; ask for nothing while following."""
        self.pose.set_prompt("Pose")
        self.joints.set_prompt("Joints")
        self._show_joints(False)
        if self.desk.follow:
            self.fields.display = self.lines[0].display = False
        self.show_findings()

    def on_unmount(self) -> None:
        """Keep half a line, however this screen is left."""
        self._keep()
        self.desk.kept.save()

    @property
    def begun(self) -> bool:
        """Whether somebody types here, since the session was opened."""
        return self.entry.text not in ("", self.resumed)

    def begin(
        self, entry: Entry | None = None, message: Line | None = None, *, half: bool = False
    ) -> None:
        """Begin another entry; ``message`` is said until a check answers.

        ``half``: it was typed before and not stored.
        """
        self.entry = entry or Entry()
        fresh = self.entry.purpose == "correct" and not half
        self._first = (self.entry.text, self.entry.joints) if fresh else ("", "")
        station = self.entry.station
        name = {"retake": f"Again {station}", "correct": f"Edit {station}"}
        self.pose.set_prompt(name.get(self.entry.purpose, "Pose"))
        self.pose.set(self.entry.text)
        self.joints.set(self.entry.joints)
        self._show_joints(bool(self.entry.joints) or (self._joints_shown and not self._asked))
        self._asked = False
        self.message = message or []
        self.show_fields()
        self.show_findings()
        self.post_message(self.Renewed())

    def turn_to(self, entry: Entry) -> None:
        """Begin another entry; what is typed and not stored is there when its own begins again."""
        left = self.entry
        changed = (left.text, left.joints) != self._first
        if changed:
            self._left[left.purpose, left.station] = left
        half = self._left.pop((entry.purpose, entry.station), None)
        said: Line = []
        if changed and half is not left:
            said = [("Not stored: ", "warning"), (f"{left.text}; {BACK[left.purpose]}", "text")]
        elif half is not None:
            said = list(AGAIN)
        self.begin(half or entry, said, half=half is not None)
        if half is not None:
            self.check()

    def resume(self, typed: str) -> None:
        """Begin with what was typed and not stored; ``typed`` was typed just now."""
        kept = None if self.desk.follow else kept_entry(self.desk)
        said: Line = [AGAIN[0], (kept.text, "text") if kept and typed else AGAIN[1]]
        entry = Entry(text=typed) if typed or kept is None else kept
        self.begin(entry, said if kept else None, half=True)
        self.resumed = "" if typed else self.entry.text
        if self.entry.text:
            self.check()

    def tell(self, text: str, role: str = "text") -> None:
        self.message = [(text, role)]
        self.show_findings()

    def take_view(self, view: ViewDraft, camera: str) -> None:
        """Take what a camera saw for this entry."""
        if camera == self.desk.cameras[0]:
            self.entry.view = view
        else:
            self.entry.views[camera] = view
        self.check()

    # ---- typing ----------------------------------------------------------------------------

    def on_line_edit_changed(self, message: LineEdit.Changed) -> None:
        """Show the fields at once, and let the checks answer."""
        message.stop()
        before = self.entry.text, self.entry.joints
        if message.control is self.pose:
            self.entry.text = message.value
        else:
            self.entry.joints = message.value
        if message.value and before != (self.entry.text, self.entry.joints):
            self.message = []
        self.entry.draft = None
        self.show_fields()
        self.check()
        self._keep()
        self.jobs.begin(save_soon, self.desk.kept.save, group="keep")

    def _keep(self) -> None:
        """Keep what is typed by now: at once, as a job could put back what is stored since."""
        if not self.desk.follow:
            keep_entry(self.desk, self.entry)

    def show_fields(self) -> None:
        self.fields.show(tuple(self.desk.fields(self.entry.text)))
        if self._joints_shown:
            self.joint_fields.show(tuple(self.desk.joint_fields(self.entry.joints)))

    @as_job("check")
    async def check(self) -> None:
        """Examine the entry in the background; a newer call takes the place of an older one."""
        entry = self.entry
        whole = all(field.text and field.problem is None for field in self.fields.data)
        if entry.text.strip() and whole:
            draft = await in_background(examined, self.desk, entry)
            if not self._judged and self._goes_on(draft):
                await pause(SETTLE)
            entry.draft = draft
            self._ask_joints(draft)
        self.show_findings()

    def _goes_on(self, draft: Draft) -> bool:
        """Tell whether the last number may go on, and what is said of it so far would pass by."""
        shown = self.desk.opened().cell.pendant.decimals[: len(self.fields.data)]
        last = self.fields.data[len(shown) - 1].text
        typed = len(last.partition(".")[2])
        passing = any(item not in draft.view.findings for item in draft.findings)
        return passing and bool(shown) and typed < shown[-1] and self.pose.has_focus

    def show_findings(self) -> None:
        """Show what the checks say about the entry, and how to go on.

        What is wrong with the image is said when it arrives, before anything is typed.
        """
        typing = self.entry.draft is None
        self._judged = not typing
        message = self.message or (self._typed_so_far() if typing else self._how_to_go_on())
        self.answer.show(answer(message))
        self.findings.show(self.entry.findings, self.entry.codes, message)

    def _typed_so_far(self) -> Line:
        for text, fields in self._lines():
            wrong = [field for field in fields if field.problem is not None]
            if wrong and text.strip():
                label = wrong[0].label or "line"
                return [(f"{label}: ", "error"), (wrong[0].problem or "", "text")]
            missing = [field.label for field in fields if not field.text]
            if text.strip() and missing:
                return [(f"still to type: {' '.join(missing)}", "dim")]
        if self.desk.follow:
            return []
        return [("Type the pose as the pendant shows it, in one line.", "dim")]

    def _lines(self) -> list[tuple[str, tuple[FieldView, ...]]]:
        lines = [(self.entry.text, self.fields.data)]
        if self._joints_shown:
            lines.append((self.entry.joints, self.joint_fields.data))
        return lines

    def _how_to_go_on(self) -> Line:
        standing = self.entry.standing()
        if not standing:
            return [("Ready. ", "good"), ("Enter stores it.", "text")]
        if worst(standing) is Level.ERROR:
            overrule = self.entry.hard() is None
            way = "Put it right, or F2 accepts with a reason." if overrule else "Put it right."
            return [("Not ready. ", "error"), (way, "text")]
        return [("Look at this. ", "warning"), ("Put it right, or F2 accepts it.", "text")]

    # ---- accepting and storing -------------------------------------------------------------

    def accept(self) -> None:
        """Accept what stands; ask for a reason where one is needed."""
        self.jobs.stop("check")
        self.jobs.begin(self._accept, group="store", exclusive=False)

    async def _accept(self) -> None:
        async with self._turn:
            if self.entry.draft is None:
                self.entry.draft = await in_background(examined, self.desk, self.entry)
            if self.entry.hard() is None and self.entry.needs_reason():
                text = "\n".join(item.message for item in self.entry.standing())
                ask = Ask("Why is it right all the same?", text, check=required)
                self.jobs.ask(ask, self._accepted)
            else:
                self._accepted()

    def _accepted(self, reason: str | None = None) -> None:
        codes = self.entry.accept(reason)
        self.message = [(f"Accepted: {', '.join(codes)}. ", "good"), ("Enter stores it.", "text")]
        self.show_findings()

    def on_line_edit_submitted(self, message: LineEdit.Submitted) -> None:
        message.stop()
        self.jobs.stop("check")
        self.jobs.begin(self._storing, group="store", exclusive=False)

    async def _storing(self) -> None:
        """Store, and keep what is typed meanwhile for the next station."""
        held = (self.pose, self.joints)
        for edit in held:
            edit.hold()
        try:
            async with self._turn:
                await self._store()
        finally:
            for edit in held:
                edit.release()

    async def _store(self) -> None:
        entry = self.entry
        while self.searching:
            names = ", ".join(self.searching.values())
            self.tell(f"Waiting: the board is being searched in {names}.", "note")
            await pause(WAIT)
        entry.draft = await in_background(examined, self.desk, entry)
        if entry.standing():
            self.message = []
            self.app.bell()
            self.show_findings()
            return
        station = await in_background(store, self.desk, entry)
        word = {"record": "stored", "retake": "taken again", "correct": "corrected"}[entry.purpose]
        said: Line = [(f"Station {station} {word}. ", "good"), ("F7 takes it back.", "text")]
        self.begin(self._left.pop(("record", None), None), said)
        self.post_message(self.Stored(station, entry.purpose))
        self._keep()
        await in_background(self.desk.kept.save)

    # ---- joints beside the pose ------------------------------------------------------------

    @property
    def _joints_shown(self) -> bool:
        return not self.lines[1].has_class("hidden")

    def _show_joints(self, shown: bool) -> None:
        if not shown and self.joints.has_focus:  # what is hidden takes no keys
            self.pose.focus()
        self.lines[1].set_class(not shown, "hidden")
        self._fit()

    def on_descendant_focus(self) -> None:
        self._fit()

    def on_resize(self) -> None:
        self._fit()

    def _fit(self) -> None:
        """Show the fields of both lines; in a low window those of the line typed in alone."""
        low = self._joints_shown and self.screen.size.height < LOW
        self.fields.set_class(low and self.joints.has_focus, "hidden")
        self.findings.set_class(low, "-low")
        self.joint_fields.set_class(
            not self._joints_shown or (low and not self.joints.has_focus), "hidden"
        )

    def _ask_joints(self, draft: Draft) -> None:
        """Show the line for joints where they would show tool and frame; the pose keeps keys."""
        if not self._joints_shown and any(item.code == "frames-told" for item in draft.findings):
            self._asked = True
            self._show_joints(True)
            self.show_fields()

    def toggle_joints(self) -> None:
        """Go to the line for joint values and back; an empty one is hidden, nothing is lost."""
        if not self._joints_shown:
            self._show_joints(True)
            self.show_fields()
            self.joints.focus()
        elif not self.joints.has_focus:
            self.joints.focus()
        else:
            self._show_joints(bool(self.joints.value.strip()))
            self.pose.focus()
