"""The lower part of the recording screen: type a pose, see the checks answer, store it."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.message import Message

from engine.errors import StationbookError
from engine.findings import Level, worst

from ..desk.desk import Desk
from ..desk.entering import examined, store
from ..desk.entry import Entry
from ..desk.views import FieldView
from ..widgets.entry_parts import FieldsLine, FindingsView
from ..widgets.line_edit import LineEdit, Prompt
from ..widgets.looks import Line
from .jobs import begin_job, in_background

if TYPE_CHECKING:
    from engine.steps.station_image import ViewDraft

PAUSE = 0.08  # s without a key before the checks run: shorter than a person notices


class PoseEdit(LineEdit):
    """The line in which a pose (or joints) is typed; Enter stores the station."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "submit", "store", id="pose.store", tooltip="Store this station"),
    ]


class EntryPad(Vertical):
    """One entry after the other. Message: `EntryPad.Stored` with the station's id."""

    DEFAULT_CSS = "EntryPad { height: auto; }"

    class Stored(Message):
        """A station was stored."""

        def __init__(self, station: int, purpose: str) -> None:
            self.station, self.purpose = station, purpose
            super().__init__()

    class Renewed(Message):
        """Another entry began, so another image is wanted."""

    def __init__(self, desk: Desk, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.desk = desk
        self.entry = Entry()
        self.message: Line = []
        self._turn = asyncio.Lock()  # accepting and storing happen one after the other
        self.searching: dict[str, str] = {}  # by camera, the image in which the board is searched

    def compose(self) -> ComposeResult:
        for name in ("pose", "joints"):
            hidden = " hidden" if name == "joints" else ""
            with Horizontal(classes=f"line{hidden}", id=f"{name}-line"):
                yield Prompt()
                yield PoseEdit(id=name)
        yield FieldsLine([FieldView(label, "") for label in self.desk.labels], id="fields")
        yield FindingsView(id="findings")

    def on_mount(self) -> None:
        self.pose.set_prompt("Pose")
        self.joints.set_prompt("Joints")
        self.show_findings()

    @property
    def pose(self) -> PoseEdit:
        return self.query_one("#pose", PoseEdit)

    @property
    def joints(self) -> PoseEdit:
        return self.query_one("#joints", PoseEdit)

    def begin(self, entry: Entry | None = None, message: Line | None = None) -> None:
        """Begin another entry; ``message`` is said until a check answers."""
        self.entry = entry or Entry()
        station = self.entry.station
        name = {"retake": f"Again {station}", "correct": f"Edit {station}"}
        self.pose.set_prompt(name.get(self.entry.purpose, "Pose"))
        self.pose.set(self.entry.text)
        self.joints.set(self.entry.joints)
        self.message = message or []
        self.show_fields()
        self.show_findings()
        self.post_message(self.Renewed())

    def tell(self, text: str, role: str = "text") -> None:
        """Say something in the place of the findings."""
        self.message = [(text, role)]
        self.show_findings()

    def take_view(self, view: ViewDraft, camera: str | None = None) -> None:
        """Take what a camera (None: the first) saw for this entry."""
        if camera is None:
            self.entry.view = view
        else:
            self.entry.views[camera] = view
        self.check()

    # ---- typing ----------------------------------------------------------------------------

    def on_line_edit_changed(self, message: LineEdit.Changed) -> None:
        """Show the fields at once, and let the checks answer when the hand rests."""
        message.stop()
        if message.control is self.pose:
            self.entry.text = message.value
        else:
            self.entry.joints = message.value
        if message.value:
            self.message = []
        self.entry.draft = None
        self.show_fields()
        self.check()

    def show_fields(self) -> None:
        """Show the fields of what is typed under the pendant's labels."""
        try:
            fields = self.desk.fields(self.entry.text)
        except StationbookError:  # still being opened: labels only
            shown = [FieldView(label, "") for label in self.desk.labels]
        else:
            shown = [FieldView(field.label, field.text, field.problem) for field in fields]
        self.query_one(FieldsLine).show(shown)

    def check(self) -> None:
        """Examine the entry in the background; a newer call takes the place of an older one."""
        if self.desk.session is not None:
            begin_job(self, self._check, group="check")

    async def _check(self) -> None:
        await asyncio.sleep(PAUSE)
        if self.entry.text.strip() and self._whole():
            try:
                self.entry.draft = await in_background(examined, self.desk, self.entry)
            except StationbookError as error:
                self.tell(str(error), "error")
                return
        self.show_findings()

    def _whole(self) -> bool:
        """Tell whether nothing is missing or wrong in the line itself."""
        fields = self.query_one(FieldsLine).fields
        return all(field.text and field.problem is None for field in fields)

    def show_findings(self) -> None:
        """Show what the checks say about the entry, and how to go on."""
        view = self.query_one(FindingsView)
        if self.entry.draft is None:
            view.show((), message=self.message or self._typed_so_far())
        else:
            view.show(self.entry.findings, self.entry.codes, self.message or self._how_to_go_on())

    def _typed_so_far(self) -> Line:
        fields = self.query_one(FieldsLine).fields
        wrong = [field for field in fields if field.problem is not None]
        if wrong and self.entry.text.strip():
            return [(f"{wrong[0].label or 'line'}: ", "error"), (wrong[0].problem or "", "text")]
        missing = [field.label for field in fields if not field.text]
        if self.entry.text.strip() and missing:
            return [(f"still to type: {' '.join(missing)}", "dim")]
        return [("Type the pose as the pendant shows it, in one line.", "dim")]

    def _how_to_go_on(self) -> Line:
        standing = self.entry.standing()
        if not standing:
            return [("Ready. ", "good"), ("Enter stores it.", "text")]
        if worst(standing) is Level.ERROR:
            overrule = self._may_accept()
            way = "Put it right, or F2 accepts with a reason." if overrule else "Put it right."
            return [("Not ready. ", "error"), (way, "text")]
        return [("Look at this. ", "warning"), ("Put it right, or F2 accepts it.", "text")]

    def _may_accept(self) -> bool:
        from ..desk.entry import refuse_hard

        try:
            refuse_hard(self.entry.standing())
        except StationbookError:
            return False
        return True

    # ---- accepting and storing -------------------------------------------------------------

    def accept(self) -> None:
        """Accept what stands; ask for a reason where one is needed."""
        self.workers.cancel_group(self, "check")
        begin_job(self, self._accept, group="store", exclusive=False)

    async def _accept(self) -> None:
        async with self._turn:
            try:
                await self._examined()
                if self._may_accept() and self.entry.needs_reason():
                    self._ask_reason()
                else:
                    self._accepted(None)
            except StationbookError as error:
                self.tell(str(error), "warning")

    async def _examined(self) -> None:
        """Examine the entry as it is typed now, unless that was done."""
        if self.entry.draft is None:
            self.entry.draft = await in_background(examined, self.desk, self.entry)

    def _ask_reason(self) -> None:
        from .ask import Ask, required

        text = "\n".join(item.message for item in self.entry.standing())
        ask = Ask("Why is it right all the same?", text, check=required)
        self.app.push_screen(ask, lambda reason: self._accepted(reason) if reason else None)

    def _accepted(self, reason: str | None) -> None:
        codes = self.entry.accept(reason)
        self.message = [(f"Accepted: {', '.join(codes)}. ", "good"), ("Enter stores it.", "text")]
        self.show_findings()

    def on_line_edit_submitted(self, message: LineEdit.Submitted) -> None:
        """Store the entry, unless something stands in the way."""
        message.stop()
        self.workers.cancel_group(self, "check")
        begin_job(self, self._storing, group="store", exclusive=False)

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
        try:
            while self.searching:
                names = ", ".join(self.searching.values())
                self.tell(f"Waiting: the board is being searched in {names}.", "note")
                await asyncio.sleep(PAUSE)
            entry.draft = await in_background(examined, self.desk, entry)
            if entry.standing():
                self.message = []
                self.app.bell()
                self.show_findings()
                return
            station = await in_background(store, self.desk, entry)
        except StationbookError as error:
            self.tell(str(error), "error")
            return
        word = {"record": "stored", "retake": "taken again", "correct": "corrected"}[entry.purpose]
        self.begin(message=[(f"Station {station} {word}. ", "good"), ("F7 takes it back.", "text")])
        self.post_message(self.Stored(station, entry.purpose))

    def toggle_joints(self) -> None:
        """Show or hide the line for joint values."""
        line = self.query_one("#joints-line")
        line.toggle_class("hidden")
        if line.has_class("hidden"):
            self.joints.set("")
        (self.pose if line.has_class("hidden") else self.joints).focus()
