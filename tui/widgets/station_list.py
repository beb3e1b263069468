"""The list of stations, recorded and planned; state is a word, never only a colour."""

from __future__ import annotations

from collections.abc import Sequence

from textual.message import Message

from ..desk.rows import Row
from .looks import Line
from .sheet import Sheet

LEFT = 15  # cells for sign, number and state


class StationList(Sheet, can_focus=True):
    """Rows with one chosen. Message: `StationList.Chosen` when another row is chosen."""

    DEFAULT_CSS = "StationList { height: 1fr; }"

    class Chosen(Message):
        """Another row was chosen."""

        def __init__(self, row: Row | None) -> None:
            self.row = row
            super().__init__()

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.rows: list[Row] = []
        self.labels: tuple[str, ...] = ()
        self.chosen = 0
        self._top = 0

    @property
    def row(self) -> Row | None:
        """The chosen row, or None while there is none."""
        return self.rows[self.chosen] if 0 <= self.chosen < len(self.rows) else None

    def show(self, rows: list[Row], labels: tuple[str, ...], choose: int | None = None) -> None:
        """Show other rows; ``choose`` picks one, else the same row stays chosen."""
        before = self.row
        self.rows, self.labels = rows, labels
        if choose is not None:
            self.chosen = choose
        elif before is not None:
            same = [n for n, r in enumerate(rows) if (r.kind, r.key) == (before.kind, before.key)]
            self.chosen = same[0] if same else self.chosen
        self.chosen = min(max(self.chosen, 0), max(len(rows) - 1, 0))
        self.redraw()

    def move(self, step: int) -> None:
        """Choose a row further down (or up, for a negative step)."""
        chosen = min(max(self.chosen + step, 0), max(len(self.rows) - 1, 0))
        if chosen != self.chosen:
            self.chosen = chosen
            self.redraw()
            self.post_message(self.Chosen(self.row))

    def watch_has_focus(self, _focus: bool) -> None:
        """Show or hide the sign of focus."""
        super().watch_has_focus(_focus)
        self.redraw()

    def draw(self, width: int, height: int) -> Sequence[Line]:
        """Return a headline, the rows in sight, and how many are out of sight."""
        lines = [self._headline(width)]
        room = height - 1
        if len(self.rows) > room:
            room -= 1
        self._top = min(self._top, self.chosen, max(len(self.rows) - room, 0))
        self._top = max(self._top, self.chosen - room + 1)
        shown = self.rows[self._top : self._top + room]
        lines += [
            self._row(row, self._top + n == self.chosen, width) for n, row in enumerate(shown)
        ]
        above, below = self._top, len(self.rows) - self._top - len(shown)
        if above or below:
            lines.append([(f"  {above} more above, {below} more below", "dim")])
        if not self.rows:
            lines.append([("  no station yet: jog, take the image, type the pose", "dim")])
        return lines

    def _headline(self, width: int) -> Line:
        column = self._column()
        fields = "".join(f"{label:>{column}}" for label in self._shown(self.labels, width))
        return [(f"  {'No':>3} {'state':9}{fields}", "dim")]

    def _row(self, row: Row, chosen: bool, width: int) -> Line:
        mark = "►" if chosen else " "
        column = self._column()
        fields = "".join(f"{text:>{column}}" for text in self._shown(row.fields, width))
        left, state = f"{mark} {row.label:>3} ", f"{row.state:9}"
        rest = f"{fields}  {row.text}" if row.fields else row.text
        line: Line = [(left, "text"), (state, row.role), (rest, "text")]
        if chosen and self.has_focus:
            return [((left + state + rest).ljust(width), "chosen")]
        return line

    def _shown(self, fields: Sequence[str], width: int) -> Sequence[str]:
        room = max((width - LEFT) // self._column(), 0)
        return fields[:room]

    def _column(self) -> int:
        """Return the cells that the longest field takes, with a gap."""
        return 1 + max((len(text) for row in self.rows for text in row.fields), default=7)
