"""Lists of which one row is chosen: stations, sessions. State is a word, never only a colour."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import accumulate
from typing import TYPE_CHECKING, ClassVar, Generic, TypeVar

from textual import events
from textual.binding import Binding, BindingType
from textual.message import Message

from ..desk.views import Row
from ..words import unfinished
from .line_edit import LineEdit, is_figures
from .looks import TAIL, Line, line_text
from .sheet import Sheet

if TYPE_CHECKING:
    from ..desk.overview import SessionRow  # not for the first picture of a session

Item = TypeVar("Item")
SIGN = "►"
NUMBER_AND_STATE = 13  # cells for number and state of a station
COLUMNS = (10, 11, 9, 11, 10)  # cells for state, stations, changed, result, recheck


class Chooser(Sheet, Generic[Item], can_focus=True):
    """Rows made from items; what is out of sight is said in words.

    Message: `Chooser.Chosen` when another row is chosen.

    A subclass overrides `row_line`, and `headline` where there is one.
    """

    DEFAULT_CSS = "Chooser { height: 1fr; }"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "choose(-1)", show=False, id="list.up", tooltip="Choose the row above"),
        Binding("down", "choose(1)", show=False, id="list.down", tooltip="Choose the row below"),
        Binding("pageup", "choose(-10)", show=False, id="list.pageup", tooltip="Ten rows up"),
        Binding("pagedown", "choose(10)", show=False, id="list.pagedown", tooltip="Ten rows down"),
        Binding("g", "find", show=False, id="list.find",
                tooltip="Find a row by what stands in it; Up and Down go on, Enter ends"),
    ]  # fmt: skip

    class Chosen(Message):
        """Another row was chosen."""

    class Taken(Message):
        """The chosen row was clicked on."""

    def __init__(self, items: Sequence[Item] = (), *, empty: str = "", id: str | None = None):
        super().__init__(id=id)
        self.items = list(items)
        self.empty = empty
        self.chosen = 0
        self.figures_to: LineEdit | None = None  # a line that gets every digit typed here
        self.wanted: str | None = None  # what is looked for, while somebody looks
        self._top = 0
        self._shown: list[int | None] = []  # the item of every line in sight; None: a heading

    def action_find(self) -> None:
        self.wanted = ""
        self.screen.refresh_bindings()
        self.redraw()

    def check_consume_key(self, key: str, character: str | None) -> bool:
        """Tell that letters are typed here while somebody looks for a row."""
        return self.wanted is not None and character is not None and character.isprintable()

    def on_key(self, event: events.Key) -> None:
        if self.wanted is None:
            return
        if event.is_printable and event.character:
            self._look_for(self.wanted + event.character, 0)
        elif event.key == "backspace":
            self._look_for(self.wanted[:-1], 0)
        elif event.key in ("up", "down"):
            self._look_for(self.wanted, 1 if event.key == "down" else -1)
        else:
            self.wanted = None
            self.screen.refresh_bindings()
            self.redraw()
            if event.key not in ("enter", "escape"):
                return
        event.stop()
        event.prevent_default()

    def _look_for(self, wanted: str, step: int) -> None:
        """Choose the nearest row that holds ``wanted``, beginning ``step`` rows on."""
        self.wanted = wanted
        count, width = len(self.items), max(self.size.width, 200)
        for k in range(count):
            at = (self.chosen + step + (k if step >= 0 else -k)) % count
            if wanted.lower() in line_text(self.row_line(self.items[at], width)).lower():
                self.action_choose(at - self.chosen)
                break
        self.redraw()

    def on_click(self, event: events.Click) -> None:
        """Choose the row that is clicked on; the chosen one is taken."""
        row = event.y - (self.headline(self.size.width) is not None)
        at = self._shown[row] if 0 <= row < len(self._shown) else None
        if at is None or event.y >= self.size.height:
            return
        if at == self.chosen and event.chain > 1:
            self.post_message(self.Taken())
        else:
            self.action_choose(at - self.chosen)

    @property
    def item(self) -> Item | None:
        """The chosen item, or None while there is none."""
        return self.items[self.chosen] if 0 <= self.chosen < len(self.items) else None

    def row_line(self, item: Item, width: int) -> Line:
        """Return one row without the sign of choice; ``width`` cells are left."""
        raise NotImplementedError

    def headline(self, width: int) -> Line | None:
        return None

    def group(self, item: Item) -> str:
        """Return the heading under which an item stands with its neighbours; empty without one."""
        return ""

    def show_items(self, items: Sequence[Item], choose: int | None = None) -> None:
        """Show other items; ``choose`` picks one."""
        self.items = list(items)
        wanted = self.chosen if choose is None else choose
        self.chosen = min(max(wanted, 0), max(len(items) - 1, 0))
        self.redraw()

    def action_choose(self, step: int) -> None:
        """Choose a row further down (or up, for a negative step)."""
        chosen = min(max(self.chosen + step, 0), max(len(self.items) - 1, 0))
        if chosen != self.chosen:
            self.chosen = chosen
            self.redraw()
            self.post_message(self.Chosen())

    def _forward_event(self, event: events.Event) -> None:
        """Give figures to their line, in the order typed: handed on later they could change it."""
        if self.figures_to is None or self.wanted is not None or not is_figures(event):
            super()._forward_event(event)
            return
        self.screen.set_focus(self.figures_to)
        self.figures_to._forward_event(event)

    def watch_has_focus(self, _focus: bool) -> None:
        super().watch_has_focus(_focus)
        self.redraw()

    def draw(self, width: int, height: int) -> Sequence[Line]:
        """Return the headline, the rows in sight, and how many are out of sight."""
        head = self.headline(width - 2)
        lines: list[Line] = [] if head is None else [[("  ", "text"), *head]]
        if not self.items:
            lines += [[("  " + text, "dim")] for text in self.looks.wrap(self.empty, width - 2)]
            return lines
        room = max(height - len(lines) - (self.wanted is not None), 1)
        groups = [self.group(item) for item in self.items]
        heads = sum(g not in ("", b) for g, b in zip(groups, ["", *groups], strict=False))
        room -= len(self.items) + heads > room and room > 1
        self._top = min(self._top, self.chosen, max(len(self.items) - room, 0))
        while self.chosen not in self._in_sight(room) and self._top < self.chosen:
            self._top += 1
        self._shown = self._in_sight(room)
        for n, at in enumerate(self._shown):
            item = self.items[self._shown[n + 1] or 0 if at is None else at]
            head = [("  " + self.looks.cut(self.group(item), width - 2), "title")]
            lines.append(head if at is None else self._marked(item, at, width))
        below = len(self.items) - 1 - (self._shown[-1] or 0)
        if self._top or below:
            said = f"  {self._top} more above, {below} more below"
            short = said.replace(" more", "")
            lines.append([(said if len(said) <= width else short, "dim")])
        if self.wanted is not None:
            lines.append([("  find: ", "dim"), (f"{self.wanted}_", "title")])
        return lines

    def _in_sight(self, room: int) -> list[int | None]:
        """Return the item of every line from the first one in sight on, a heading as None."""
        shown: list[int | None] = []
        before = ""
        for at in range(self._top, len(self.items)):
            group = self.group(self.items[at])
            headed = group not in ("", before) and room > 1
            if len(shown) + headed >= room:
                break
            shown += [None, at] if headed else [at]
            before = group
        return shown

    def _marked(self, item: Item, number: int, width: int) -> Line:
        row = self.row_line(item, width - 2)
        if len(line_text(row)) > width - 2:
            row = unfinished(row, width - 2)
        if number != self.chosen:
            return [("  ", "text"), *row]
        if not self.has_focus:
            return [(f"{SIGN} ", "text"), *row]
        return [(f"{SIGN} {line_text(row)}".ljust(width), "chosen")]


class StationList(Chooser[Row]):
    labels: tuple[str, ...] = ()

    def show(self, rows: Sequence[Row], labels: tuple[str, ...], choose: int | None = None) -> None:
        """Show other rows; ``choose`` picks one, else the same station stays chosen."""
        before, self.labels = self.item, labels
        if choose is None and before is not None:
            same = [n for n, r in enumerate(rows) if (r.kind, r.key) == (before.kind, before.key)]
            choose = same[0] if same else None
        self.show_items(rows, choose)

    def headline(self, width: int) -> Line | None:
        return [(f"{'No':>3} {'state':9}{self._columns(self.labels, width)}", "dim")]

    def row_line(self, item: Row, width: int) -> Line:
        rest = f"{self._columns(item.fields, width)}  {item.text}" if item.fields else item.text
        return [(f"{item.label:>3} ", "text"), (f"{item.state:9}", item.role), (rest, "text")]

    def _columns(self, fields: Sequence[str], width: int) -> str:
        """Return as many fields as fit, in columns as wide as the longest."""
        column = 1 + max((len(text) for row in self.items for text in row.fields), default=7)
        room = max((width - NUMBER_AND_STATE) // column, 0)
        return "".join(f"{text:>{column}}" for text in fields[:room])


class SessionList(Chooser["SessionRow"]):
    """One session a row under the name of its cell; state is a word."""

    def group(self, item: SessionRow) -> str:
        return item.cell

    def headline(self, width: int) -> Line | None:
        names = ("state", "stations", "changed", "result", "recheck")
        room = self._room(width)
        return [(f"{'session':<{room}}{self._columns(names, width - room)}", "dim")]

    def row_line(self, item: SessionRow, width: int) -> Line:
        room = self._room(width)
        texts = (item.state, item.done, item.age, item.result, item.recheck)
        text, state = self._columns(texts, width - room), COLUMNS[0]
        own = item.folder.name if item.cell else item.name
        name = f"{self.looks.cut(own, room - 1):<{room}}"
        return [(name, "text"), (text[:state], item.role), (text[state:], "text")]

    @staticmethod
    def _room(width: int) -> int:
        return max(width - sum(COLUMNS), 2 * TAIL)

    def _columns(self, texts: tuple[str, ...], room: int) -> str:
        """Return texts in the columns that fit whole beside the name; what is too long is cut."""
        ends = accumulate(COLUMNS)
        fit = [width for width, end in zip(COLUMNS, ends, strict=True) if end <= room]
        cells = zip(texts, fit, strict=False)
        return "".join(f"{self.looks.cut(text, width - 1, 0):<{width}}" for text, width in cells)
