"""The list of stations, recorded and planned; state is a word, never only a colour."""

from __future__ import annotations

from collections.abc import Sequence

from ..desk.rows import Row
from .chooser import Chooser
from .looks import Line

LEFT = 13  # cells for number and state


class StationList(Chooser[Row]):
    """The rows of one session."""

    labels: tuple[str, ...] = ()

    def show(self, rows: Sequence[Row], labels: tuple[str, ...], choose: int | None = None) -> None:
        """Show other rows; ``choose`` picks one, else the same station stays chosen."""
        before, self.labels = self.item, labels
        if choose is None and before is not None:
            same = [n for n, r in enumerate(rows) if (r.kind, r.key) == (before.kind, before.key)]
            choose = same[0] if same else None
        self.show_items(rows, choose)

    def headline(self, width: int) -> Line | None:
        """Return the pendant's labels above the columns."""
        return [(f"{'No':>3} {'state':9}{self._columns(self.labels, width)}", "dim")]

    def row_line(self, item: Row, width: int) -> Line:
        """Return number, state and pose of one station, or the planned move."""
        rest = f"{self._columns(item.fields, width)}  {item.text}" if item.fields else item.text
        return [(f"{item.label:>3} ", "text"), (f"{item.state:9}", item.role), (rest, "text")]

    def _columns(self, fields: Sequence[str], width: int) -> str:
        """Return as many fields as fit, in columns as wide as the longest."""
        column = 1 + max((len(text) for row in self.items for text in row.fields), default=7)
        room = max((width - LEFT) // column, 0)
        return "".join(f"{text:>{column}}" for text in fields[:room])
