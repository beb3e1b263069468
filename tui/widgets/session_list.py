"""The list of sessions: name, state, stations, age, result and last recheck of each."""

from __future__ import annotations

from ..desk.overview import SessionRow
from .chooser import Chooser
from .looks import Line

COLUMNS = (10, 11, 9, 11, 10)  # cells for state, stations, changed, result, recheck
TAIL = 10  # characters at the end of a name that stay: the day, as a rule


class SessionList(Chooser[SessionRow]):
    """One session a row; state is a word."""

    def headline(self, width: int) -> Line | None:
        """Return the names of the columns."""
        names = ("state", "stations", "changed", "result", "recheck")
        return [(f"{'session':<{self._room(width)}}{_columns(names)}", "dim")]

    def row_line(self, item: SessionRow, width: int) -> Line:
        """Return one session."""
        room = self._room(width)
        texts = (item.state, item.done, item.age, item.result, item.recheck)
        text, state = _columns(texts), COLUMNS[0]
        name = f"{self._cut(item.name, room - 1):<{room}}"
        return [(name, "text"), (text[:state], item.role), (text[state:], "text")]

    @staticmethod
    def _room(width: int) -> int:
        return max(width - sum(COLUMNS), 2 * TAIL)

    def _cut(self, name: str, room: int) -> str:
        """Return ``name`` in ``room`` cells, cut in the middle: sessions differ by their end."""
        if len(name) <= room:
            return name
        gap = self.looks.terminal.text("…")
        return f"{name[: room - len(gap) - TAIL]}{gap}{name[-TAIL:]}"


def _columns(texts: tuple[str, ...]) -> str:
    """Return texts in the columns beside the name; one too long for its column is cut off."""
    cells = zip(texts, COLUMNS, strict=True)
    return "".join(f"{text[: width - 1]:<{width}}" for text, width in cells)
