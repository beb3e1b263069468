"""Under the line of typing: the fields as they are parsed, and what the checks answer."""

from __future__ import annotations

from collections.abc import Sequence

from textual.containers import Horizontal

from engine.findings import Finding

from ..desk.views import FieldView
from ..words import Line, headline, line_text, remedy
from .sheet import Panel, Sheet


class FieldCell(Panel[FieldView]):
    """One parsed field: the pendant's label above, the value below."""

    DEFAULT_CSS = "FieldCell { height: 2; width: 1fr; max-width: 14; }"

    def __init__(self, field: FieldView) -> None:
        super().__init__()
        self.data = field

    def draw(self, width: int, height: int) -> Sequence[Line]:
        """Return label and value; what is wrong has a question mark."""
        wrong = self.data.problem is not None
        text = self.data.text + (" ?" if wrong else "")
        role = "error" if wrong else "title"
        return [[(self.data.label or "extra", "dim")], [(text or ".", role)]]


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
        first: list[Line] = [self.message] if self.message else []
        wrap = self.looks.wrap
        parts: list[list[Line]] = []
        for finding in self.findings:
            accepted = finding.code in self.accepted
            what_to_do = [] if accepted else remedy(finding, wrap, width)
            parts += [headline(finding, wrap, width, accepted), what_to_do]
        count = sum(map(len, parts))
        if len(first) + count <= height:
            return first + [line for part in parts for line in part]
        shown = _as_room_allows(parts, height - len(first) - 1, width)
        hidden = count - sum(map(len, shown))
        unnamed = [f.code for f, part in zip(self.findings, shown[::2], strict=True) if not part]
        also = f"; also {', '.join(unnamed)}" if unnamed else ""
        said: Line = [(f"  {hidden} more lines: {self.more}{also}", "dim")]
        return [*first, *(line for part in shown for line in part), said]


def _as_room_allows(parts: Sequence[list[Line]], room: int, width: int) -> list[list[Line]]:
    """Return the first line of every headline, then whole headlines, then whole remedies.

    ``parts`` are headline and remedy of every finding in turn, and so is what is returned.
    """
    shown: list[list[Line]] = [[] for _ in parts]
    headlines, remedies = range(0, len(parts), 2), range(1, len(parts), 2)
    for number in headlines[: max(room, 0)]:
        shown[number] = [_unfinished(parts[number][0], width)]
    room -= len(headlines)
    for number in (*headlines, *remedies):
        more = len(parts[number]) - len(shown[number])
        if more <= room:
            shown[number] = parts[number]
            room -= more
    return shown


def _unfinished(line: Line, width: int) -> Line:
    """Return a line that ends with a sign that more would follow."""
    (*before, (text, role)), sign = line, " ..."
    room = width - len(line_text(line[:-1])) - len(sign)
    kept = text if len(text) <= room else text[:room].rpartition(" ")[0]
    return [*before, (kept, role), (sign, "dim")]
