"""A table of poses as a block: shown with its images first, then stored in one go."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal

from ..desk.block import BlockRow, brought_in
from ..desk.desk import Desk
from ..widgets.line_edit import LineEdit, Prompt
from ..widgets.lists import Chooser
from ..widgets.looks import Line
from ..widgets.sheet import Paragraph
from .jobs import Halves, Working, in_background

IMAGES = "Folder of the images, or of points (CSV); empty: none. Enter looks."
FILE = "Table (CSV, TSV, a pendant's text), or a script's NPZ, NPY, JSON, CSV."
MEANING = "A script's numbers: mm, m or in; rotation if no matrix; inverse. Else empty."
LINES = {"file": ("File", FILE), "meaning": ("Meaning", MEANING), "images": ("Images", IMAGES)}


class BlockList(Chooser[BlockRow]):
    """One row of the table each."""

    def headline(self, width: int) -> Line | None:
        return [(f"{'line':>5} {'state':8} {'image':17} pose", "dim")]

    def row_line(self, item: BlockRow, width: int) -> Line:
        return [
            (f"{item.number:5d} ", "text"),
            (f"{item.state:8} ", item.role),
            (f"{self.looks.cut(item.image, 16):17} {item.pose}", "text"),
        ]


class Block(Halves, Working[None]):
    """Rows of a pasted text, or of a file; nothing is stored before F10."""

    HALF = "table"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "look", "look", id="block.look", tooltip="Read and pair, store nothing"),
        Binding("f2", "accept", "accept", id="block.accept",
                tooltip="Accept the warnings of all rows"),
        Binding("f10", "store", "store", id="block.store", tooltip="Store what is ready"),
        Binding("tab", "other", "list/line", id="block.other", tooltip="The rows, or the line"),
        Binding("escape", "dismiss(None)", "back", id="block.leave", tooltip="Back"),
    ]  # fmt: skip

    def __init__(self, desk: Desk, text: str) -> None:
        """``text``: what was pasted; "" asks for a file."""
        super().__init__()
        self.desk, self.text = desk, text
        self.accepted: set[str] = set()
        self.stored = False

    def parts(self) -> ComposeResult:
        for name, (_, words) in LINES.items():
            if name == "images" or not self.text:
                yield Paragraph(words, "dim")
                with Horizontal(classes="line"):
                    yield Prompt()
                    yield LineEdit(id=name)
        yield BlockList(id="rows")
        yield Paragraph("", "dim", id="said")

    @property
    def rows(self) -> BlockList:
        return self.query_one(BlockList)

    def on_mount(self) -> None:
        for edit in self.query(LineEdit):
            edit.set_prompt(LINES[str(edit.id)][0])
        self.headed("A table of poses", "nothing is stored yet")
        self.query(LineEdit).first().focus()
        if self.text:
            self.action_look()

    def on_line_edit_submitted(self, message: LineEdit.Submitted) -> None:
        if not self.stored:
            self.jobs.begin(self._looked, message.edit, group="read")

    async def _looked(self, edit: LineEdit) -> None:
        """Look, then go on to the next line where there is one."""
        await self._read(False)
        edits = list(self.query(LineEdit))
        after = edits[edits.index(edit) + 1 :]
        if after and edit.has_focus:
            after[0].focus()

    def on_chooser_chosen(self) -> None:
        self._say()

    def action_look(self) -> None:
        """Read the table and pair it with the images; nothing is stored."""
        if not self.stored:
            self.jobs.begin(self._read, False, group="read")

    async def _read(self, store: bool) -> None:
        values = {str(edit.id): edit.value for edit in self.query(LineEdit)}
        self.tell("Searching the board in the images ..." if values["images"] else "...", "note")
        if self.text or values.get("file", "").strip():
            rows = await in_background(
                brought_in, self.desk, self.text, values.get("file", ""), values["images"],
                values.get("meaning", ""), self.accepted, store,
            )  # fmt: skip
            self.rows.show_items(rows)
        self.stored = store
        self._say()
        self.refresh_bindings()

    def _say(self) -> None:
        """Say what is wrong with the chosen row, and how many are ready."""
        items = self.rows.items
        done = sum(row.state in ("ready", "stored") for row in items)
        word = "stored" if self.stored else "ready"
        self.headed("A table of poses", f"{done} of {len(items)} {word}")
        row = self.rows.item
        if row is not None and row.wrong:
            self.tell(f"line {row.number}: {row.wrong}", row.role)
        elif self.stored:
            self.tell("Stored. Esc goes back to the stations.", "good")
        else:
            self.tell("F10 stores what is ready." if done else "", "note")

    def action_accept(self) -> None:
        self.accepted |= {code for row in self.rows.items for code in row.codes}
        self.action_look()

    def action_store(self) -> None:
        self.jobs.begin(self._read, True, group="read")

    def action_other(self) -> None:
        order = [*self.query(LineEdit), self.rows]
        at = next((n for n, part in enumerate(order) if part.has_focus), -1)
        order[(at + 1) % len(order)].focus()

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Store once, and only what is ready."""
        rows = self.rows.items if self.is_mounted else []
        if action == "store":
            return not self.stored and any(row.state == "ready" for row in rows)
        if action == "accept":
            return not self.stored and any(row.codes for row in rows)
        return action != "look" or not self.stored
