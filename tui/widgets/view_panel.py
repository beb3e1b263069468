"""What the camera saw: facts about the newest image, each with a word for how good it is."""

from __future__ import annotations

from collections.abc import Sequence

from ..desk.views import Facts
from .looks import Line
from .sheet import Sheet

SHORT = 14  # characters; two facts with values shorter than this share a line


class FactsPanel(Sheet):
    """A headline and facts in two columns."""

    DEFAULT_CSS = "FactsPanel { height: 1fr; }"
    facts = Facts("")

    def show(self, facts: Facts) -> None:
        """Show other facts."""
        self.facts = facts
        self.redraw()

    def draw(self, width: int, height: int) -> Sequence[Line]:
        """Return the headline, then name and value of every fact, wrapped."""
        lines: list[Line] = [[(self.facts.headline, "title")]]
        if all(fact.name and len(fact.value) < SHORT for fact in self.facts.facts):
            return lines + self._pairs(width)
        names = max((len(fact.name) for fact in self.facts.facts), default=0) + 2
        for fact in self.facts.facts:
            texts = self.looks.wrap(fact.value, width - names)
            lines.append([(f"{fact.name:<{names}}", "dim"), (texts[0], fact.role)])
            lines += [[(" " * names, "text"), (text, fact.role)] for text in texts[1:]]
        return lines

    def _pairs(self, width: int) -> list[Line]:
        """Return two facts a line."""
        cell = width // 2
        cells = [
            [(f"{fact.name:<10}", "dim"), (f"{fact.value:<{max(cell - 10, 1)}}", fact.role)]
            for fact in self.facts.facts
        ]
        return [[part for one in cells[n : n + 2] for part in one] for n in range(0, len(cells), 2)]
