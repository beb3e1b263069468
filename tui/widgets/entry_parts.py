"""Under the line of typing: the fields as they are parsed, and what the checks answer."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from textual.containers import Horizontal

from engine.findings import Finding, Level

from ..desk.views import FieldView
from .looks import Line
from .sheet import Sheet

Wrap = Callable[[str, int], list[str]]

LEVEL_WORDS = {
    Level.ERROR: ("ERROR", "error"),
    Level.WARNING: ("WARNING", "warning"),
    Level.NOTE: ("note", "note"),
}


class FieldCell(Sheet):
    """One parsed field: the pendant's label above, the value below."""

    DEFAULT_CSS = "FieldCell { height: 2; width: 1fr; max-width: 14; }"

    def __init__(self, field: FieldView) -> None:
        super().__init__()
        self.field = field

    def show(self, field: FieldView) -> None:
        """Show another value."""
        self.field = field
        self.redraw()

    def draw(self, width: int, height: int) -> Sequence[Line]:
        """Return label and value; what is wrong has a question mark."""
        wrong = self.field.problem is not None
        text = self.field.text + (" ?" if wrong else "")
        role = "error" if wrong else "title"
        return [[(self.field.label or "too many", "dim")], [(text or ".", role)]]


class FieldsLine(Horizontal):
    """The parsed fields under the pendant's own labels, each repainted by itself."""

    DEFAULT_CSS = "FieldsLine { height: 2; padding-left: 2; }"

    def __init__(self, fields: Sequence[FieldView], *, id: str | None = None) -> None:
        self.fields = tuple(fields)
        super().__init__(*(FieldCell(field) for field in fields), id=id)

    def show(self, fields: Sequence[FieldView]) -> None:
        """Show other fields."""
        self.fields = tuple(fields)
        cells = list(self.query(FieldCell))
        for cell, field in zip(cells, fields, strict=False):
            cell.show(field)
        for cell in cells[len(fields) :]:
            cell.remove()
        if more := [FieldCell(field) for field in fields[len(cells) :]]:
            self.mount(*more)


class FindingsView(Sheet):
    """Findings with their remedy, errors first, or a message where there is none."""

    DEFAULT_CSS = "FindingsView { height: 4; }"

    def __init__(self, *, more: str = "F9, or a wider screen", id: str | None = None) -> None:
        super().__init__(id=id)
        self.more = more  # where the lines are that do not fit
        self.findings: tuple[Finding, ...] = ()
        self.accepted: tuple[str, ...] = ()
        self.message: Line = []

    def show(
        self,
        findings: Sequence[Finding],
        accepted: Sequence[str] = (),
        message: Line | None = None,
    ) -> None:
        """Show other findings; ``message`` is said where there are none."""
        self.findings, self.accepted = tuple(findings), tuple(accepted)
        self.message = message or []
        self.redraw()

    def draw(self, width: int, height: int) -> Sequence[Line]:
        """Return as much as fits: every headline first, then remedies as room allows."""
        lines: list[Line] = [self.message] if self.message else []
        for finding in self.findings:
            lines += finding_lines(finding, self.looks.wrap, width, finding.code in self.accepted)
        if len(lines) > height:
            rest = len(lines) - height + 1
            lines = [*lines[: height - 1], [(f"  {rest} more lines: {self.more}", "dim")]]
        return lines


def finding_lines(finding: Finding, wrap: Wrap, width: int, accepted: bool) -> list[Line]:
    """Return one finding: level and message, and the remedy below."""
    word, role = LEVEL_WORDS[finding.level]
    if accepted:
        word, role = f"{word} accepted", "dim"
    first = f"{word} {finding.code}: "
    texts = wrap(f"{first}{finding.message}", width)
    lines: list[Line] = [
        [(texts[0][: len(first)], role), (texts[0][len(first) :], "text")],
        *[[(text, "text")] for text in texts[1:]],
    ]
    if finding.remedy and not accepted:
        lines += [[(f"  {text}", "dim")] for text in wrap(finding.remedy, width - 2)]
    return lines
