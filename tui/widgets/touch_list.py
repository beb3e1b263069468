"""The list of touched points, each with how far camera and robot disagree there."""

from __future__ import annotations

from ..desk.proof import TouchRow
from .chooser import Chooser
from .looks import Line

COLUMNS = ("X mm", "Y mm", "Z mm", "off mm", "U mm")


class TouchList(Chooser[TouchRow]):
    """Touches in the order made; state is a word."""

    def headline(self, width: int) -> Line | None:
        """Return the names of the columns."""
        figures = "".join(f"{name:>8}" for name in COLUMNS)
        return [(f"{'No':>3} {'state':9}{'point':14}{figures}", "dim")]

    def row_line(self, item: TouchRow, width: int) -> Line:
        """Return number, state, point, the error on the base's axes, its size and its U."""
        figures = "".join(f"{text:>8}" for text in item.figures)
        state, rest = (f"{item.state:9}", item.role), (f"{item.point:14}{figures}", "text")
        return [(f"{item.touch:>3} ", "text"), state, rest]
