"""What every screen shows around its list: title, next move, facts, fields, findings, keys."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from textual.binding import Binding
from textual.containers import Horizontal
from textual.screen import Screen

from engine.cautions import NEXT_MOVE
from engine.findings import Finding

from ..desk.views import Facts, FieldView, Move, Quality, Title
from ..words import Line, bar, caution, headline, line_text, remedy
from .looks import Looks
from .sheet import Panel, Sheet

CAUTION = caution(NEXT_MOVE)
SHORT = 14  # characters; two facts with values shorter than this share a line


class TitleLine(Panel[Title]):
    """First line: which session, who, how far."""

    data = Title("", "")

    def draw(self, width: int, height: int) -> Sequence[Line]:
        """Return the line; the name is cut off before what stands on the right."""
        right = self.data.right
        room = max(width - self.looks.width(right) - 2, 10)
        name = self.data.name
        while name and self.looks.width(name) > room:
            name = name[:-1]
        gap = " " * max(width - self.looks.width(name) - self.looks.width(right), 1)
        return [[(name, "title"), (gap, "text"), (right, "dim")]]


class NextMove(Panel[Move]):
    """The next move with the caution; the caution is never cut off."""

    DEFAULT_CSS = "NextMove { height: 6; }"
    data = Move("", "")

    def draw(self, width: int, height: int) -> Sequence[Line]:
        """Return the move in as many lines as the caution leaves, then the caution."""
        caution: list[Line] = [[(text, "warning")] for text in self.looks.wrap(CAUTION, width)]
        room = max(height - len(caution), 1)
        text = f"{self.data.headline}  {self.data.move}"
        lines = [line for part in text.split("\n") for line in self.looks.wrap(part, width)]
        if self.data.why and len(lines) < room:
            lines += self.looks.wrap(f"({self.data.why})", width)
        drawn: list[Line] = [[(line, "title")] for line in lines[:room]]
        return drawn + [[] for _ in range(room - len(drawn))] + caution


class QualityLine(Panel[Quality]):
    """Expected uncertainty against the tolerance, as number and bar, and the worst finding."""

    data = Quality()

    def draw(self, width: int, height: int) -> Sequence[Line]:
        """Return number, bar and the worst finding."""
        q = self.data
        known = "not known yet" if q.expanded_mm is None else f"{q.expanded_mm:.2f} mm"
        line: Line = [("Pick U ", "dim"), (known, "title")]
        if q.tolerance_mm is not None:
            line += [(" of ", "dim"), (f"{q.tolerance_mm:g} mm ", "text")]
            if q.expanded_mm is not None:
                share = q.expanded_mm / q.tolerance_mm
                word, role = ("ok", "good") if share <= 1 else ("too much", "warning")
                line += [(bar(share, 12), role), (f" {word}", role)]
        if q.worst:
            line += [("  ", "text"), (q.worst, q.worst_role)]
        if q.remark and self.looks.width(line_text(line)) + len(q.remark) + 2 <= width:
            line += [(f"  {q.remark}", "dim")]
        return [line]


class FactsPanel(Panel[Facts]):
    """A headline and facts in two columns."""

    DEFAULT_CSS = "FactsPanel { height: 1fr; }"
    data = Facts("")

    def draw(self, width: int, height: int) -> Sequence[Line]:
        """Return the headline, then name and value of every fact, wrapped."""
        lines: list[Line] = [[(self.data.headline, "title")]]
        if all(fact.name and len(fact.value) < SHORT for fact in self.data.facts):
            return lines + self._pairs(width)
        names = max((len(fact.name) for fact in self.data.facts), default=0) + 2
        for fact in self.data.facts:
            texts = self.looks.wrap(fact.value, width - names)
            lines.append([(f"{fact.name:<{names}}", "dim"), (texts[0], fact.role)])
            lines += [[(" " * names, "text"), (text, fact.role)] for text in texts[1:]]
        return lines

    def _pairs(self, width: int) -> list[Line]:
        """Return two facts a line."""
        cell = width // 2
        cells = [
            [(f"{fact.name:<10}", "dim"), (f"{fact.value:<{max(cell - 10, 1)}}", fact.role)]
            for fact in self.data.facts
        ]
        return [[part for one in cells[n : n + 2] for part in one] for n in range(0, len(cells), 2)]


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


_NAMES = {
    "enter": "Enter",
    "escape": "Esc",
    "tab": "Tab",
    "space": "Space",
    "up": "Up",
    "down": "Down",
    "pageup": "PgUp",
    "pagedown": "PgDn",
}
HELP = "help"  # id of the binding that is never left out: it leads to all others


def key_name(key: str) -> str:
    """Return a key as it is printed on the keyboard."""
    return _NAMES.get(key, key.upper() if key[0] == "f" and key[1:].isdigit() else key)


def active(screen: Screen[object]) -> list[Binding]:
    """Return the bindings that act now, one per action, with a label."""
    seen: dict[str, Binding] = {}
    for found in screen.active_bindings.values():
        if found.binding.description and found.enabled:
            seen.setdefault(found.binding.action, found.binding)
    return list(seen.values())


def footer(bindings: Iterable[Binding], looks: Looks, width: int) -> Line:
    """Return as many keys as fit into ``width``; the key for help is always among them."""
    shown = [b for b in bindings if b.show]
    last = [b for b in shown if b.id == HELP]
    line: Line = []
    room = width - sum(looks.width(line_text(_entry(b))) for b in last)
    for binding in shown:
        entry = _entry(binding)
        size = looks.width(line_text(entry))
        if binding in last or size > room:
            continue
        line += entry
        room -= size
    return line + [part for b in last for part in _entry(b)]


def _entry(binding: Binding) -> Line:
    return [(key_name(binding.key), "key"), (f" {binding.description}  ", "dim")]


class KeyLine(Sheet):
    """One line with the keys that act now."""

    def on_mount(self) -> None:
        """Follow every change of focus and of what is possible."""
        self.screen.bindings_updated_signal.subscribe(self, lambda _: self.redraw())

    def draw(self, width: int, height: int) -> Sequence[Line]:
        """Return the keys that act now."""
        return [footer(active(self.screen), self.looks, width)]
