"""What every screen shows around its list: title, next move, facts, fields, findings, keys."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from textual import events
from textual.binding import Binding
from textual.geometry import Size
from textual.screen import Screen

from engine.cautions import NEXT_MOVE, NEXT_MOVE_READ
from engine.findings import EXPLAINING, Finding

from ..desk.views import Facts, FieldView, Job, Move, Quality, Title
from ..words import Line, bar, caution, flow, headline, line_text, remedy, unfinished
from .large import has_room, large_lines, line_height
from .looks import Looks
from .sheet import Panel, Sheet

CAUTION = caution(NEXT_MOVE)
OTHERS = 14  # lines that the rest of the recording screen needs, a short list among it
OTHERS_LARGE = 25  # lines that the rest needs beside large letters, a longer list among it
LEAST = 3  # lines for a move, so that nothing jumps when the next one is shorter
ALL = " ... all: F9"  # behind what does not fit: the key of the page that holds all of it
SHORT = 14  # characters; two facts with values shorter than this share a line
PAIRS = 38  # columns that two such facts need, before a picture may stand beside them


LEAST_NAME = 14  # cells of a title that are kept for the name and the gap behind it


class TitleLine(Panel[Title]):
    """First line: which session, who, how far."""

    data = Title("", "")

    def draw(self, width: int, height: int) -> Sequence[Line]:
        """Return the line; the name is cut before what stands on the right."""
        right = self.looks.cut(self.data.right, width - LEAST_NAME, tail=0)
        name = self.looks.cut(self.data.name, width - self.looks.width(right) - 2)
        gap = " " * max(width - self.looks.width(name) - self.looks.width(right), 1)
        return [[(name, "title"), (gap, "text"), (right, "dim")]]


class NextMove(Panel[Move]):
    """The next move with the caution, as high as both need; neither is ever cut off unsaid.

    Where there is room the move also stands above them in large letters, whole or not at all.
    ``brief``: the caution was read today and takes one line.
    """

    DEFAULT_CSS = "NextMove { height: auto; }"
    data = Move("", "")
    brief = False
    cut = False  # the move does not fit
    _held = 0  # lines of large letters at this size: fewer would let all below them jump

    def show(self, data: Move, brief: bool | None = None) -> None:
        """Show another move; ``brief`` says that the caution was read."""
        self.data = data
        self.brief = self.brief if brief is None else brief
        if self.is_attached and self.get_content_height(self.size, self.app.size, self.size.width):
            self.refresh(layout=self._wanted(self.size.width) != self.size.height)
        self.redraw()

    def get_content_height(self, container: object, viewport: Size, width: int) -> int:
        """Return the lines that move and caution take, as far as there is room."""
        return self._wanted(width)

    def _wanted(self, width: int) -> int:
        room = max(self.app.size.height - OTHERS, LEAST)
        lines = len(self._lines(width, why=False)) + len(self._notes(width))
        needed = max(lines, LEAST) + len(self._caution(width))
        return min(needed + len(self._large(width)), room)

    def _large(self, width: int) -> list[Line]:
        """Return the move in large letters, and blank lines where it once took more; or nothing."""
        if not has_room(self.app.size):
            return []
        lines = large_lines(self.data.large, self.looks, width)
        most = self.app.size.height - OTHERS_LARGE
        if len(lines) > most:
            return []
        self._held = max(self._held, len(lines), min(2 * line_height(self.looks), most))
        return lines + [[] for _ in range(self._held - len(lines))]

    def on_resize(self) -> None:
        """Forget how much room was taken at another size; `Sheet` draws anew."""
        self._held = 0

    def _caution(self, width: int) -> list[Line]:
        text = caution([NEXT_MOVE_READ]) if self.brief else f"{CAUTION} F2: read."
        return [[(text, "warning")] for text in self.looks.wrap(text, width)]

    def _lines(self, width: int, *, why: bool = True) -> list[str]:
        text = f"{self.data.headline}  {self.data.move}"
        lines = [line for part in text.split("\n") for line in self.looks.wrap(part, width)]
        if why and self.data.why:
            lines += self.looks.wrap(f"({self.data.why})", width)
        return lines

    def _notes(self, width: int) -> list[Line]:
        return [
            [(text, "note")] for note in self.data.notes for text in self.looks.wrap(note, width)
        ]

    def draw(self, width: int, height: int) -> Sequence[Line]:
        """Return the move in as many lines as the caution leaves, notes on the plan, the caution.

        A caution that leaves no line is said in short, and where all of it stands.
        """
        caution, large = self._caution(width), self._large(width)
        large = large if height >= len(large) + LEAST + len(caution) else []
        short = 0 < height <= len(caution)
        if short:
            caution = self._in_short(width, max(height - 1, 1))
        room = max(height - len(large) - len(caution), 1)
        lines, notes = self._lines(width), self._notes(width)
        if len(lines) + len(notes) > room:
            lines = self._lines(width, why=False)
        drawn: list[Line] = [*([(line, "title")] for line in lines), *notes][:room]
        self.cut = short or len(lines) + len(notes) > room
        if len(drawn) < len(lines) + len(notes) and room != len(lines):  # a move stays whole
            drawn[-1] = unfinished(drawn[-1], width, ALL)
        return [*large, *drawn, *([] for _ in range(room - len(drawn))), *caution]

    def _in_short(self, width: int, most: int) -> list[Line]:
        """Return the short caution in at most so many lines; the last one leads to all of it."""
        texts = self.looks.wrap(caution([NEXT_MOVE_READ]), width)[:most]
        lines: list[Line] = [[(text, "warning")] for text in texts]
        return [*lines[:-1], unfinished(lines[-1], width, ALL)]


MORE = " ..."  # where words are left out for want of room; all of them stand elsewhere


class QualityLine(Panel[Quality]):
    """Expected uncertainty against the tolerance, as number and bar, and the worst finding."""

    data = Quality()

    def draw(self, width: int, height: int) -> Sequence[Line]:
        q = self.data
        known = "not known yet" if q.expanded_mm is None else f"{q.expanded_mm:.2f} mm"
        line: Line = [("Pick U ", "dim"), (known, "title")]
        if q.most_mm is not None:
            most = f"{q.most_mm:.3g} mm (1/3) " if q.third else f"{q.most_mm:g} mm "
            line += [(" of ", "dim"), (most, "text")]
            if q.expanded_mm is not None:
                share = q.expanded_mm / q.most_mm
                word, role = ("ok", "good") if share <= 1 else ("too much", "warning")
                word = f" {word}"
                room = width - self.looks.width(f"{line_text(line)}{word}  {q.worst}")
                line += [(bar(share, min(room, 12)) if room > 0 else "", role), (word, role)]
        if q.worst:
            room = width - self.looks.width(f"{line_text(line)}  ")
            line += [("  ", "text"), (self._fitted(q.worst, room), q.worst_role)]
        if q.remark and self.looks.width(line_text(line)) + len(q.remark) + 2 <= width:
            line += [(f"  {q.remark}", "dim")]
        return [line]

    def _fitted(self, text: str, room: int) -> str:
        """Return the text, or as many of its words as there is room for and that there are more."""
        if self.looks.width(text) <= room or room <= len(MORE):
            return text
        return self.looks.wrap(text, room - len(MORE))[0] + MORE


def fact_lines(facts: Facts, looks: Looks, width: int) -> list[Line]:
    """Return a headline, then name and value of every fact, wrapped."""
    lines: list[Line] = [[(text, "title")] for text in looks.wrap(facts.headline, width)]
    names = max((len(fact.name) for fact in facts.facts), default=0) + 2
    for fact in facts.facts:
        texts = looks.wrap(fact.value, width - names)
        lines.append([(f"{fact.name:<{names}}", "dim"), (texts[0], fact.role)])
        lines += [[(" " * names, "text"), (text, fact.role)] for text in texts[1:]]
    return lines


class JobLine(Panel[Job]):
    """Where the job stands, and the one next key; bold when it is time for it.

    Where both find no room, the clauses after the first of where it stands are left out.
    """

    data = Job("")

    def draw(self, width: int, height: int) -> Sequence[Line]:
        job = self.data
        role = "title" if job.due else "dim"
        sign = "► " if job.due else "  "
        room = width - self.looks.width(f"{sign}Job:   {job.next}")
        state = job.state if self.looks.width(job.state) <= room else job.state.partition(",")[0]
        line: Line = [(f"{sign}Job: ", role), (state, role)]
        return [[*line, (f"  {job.next}", "key" if job.due else "text")] if job.next else line]


class FactsPanel(Panel[Facts]):
    """A headline and facts in two columns."""

    DEFAULT_CSS = "FactsPanel { height: 1fr; }"
    data = Facts("")

    def draw(self, width: int, height: int) -> Sequence[Line]:
        lines = self._lines(width)
        if len(lines) > height > 0:
            lines[height - 1] = unfinished(lines[height - 1], width, ALL)
        picture: list[Line] = [[(row, "note")] for row in self.data.picture]
        if self._beside(width) or len(lines) + len(picture) >= height:
            return lines
        return lines + picture + ([[(self.data.legend, "dim")]] if picture else [])

    def cut(self) -> bool:
        """Tell whether something is out of sight."""
        width, height = self.size
        return bool(width and height) and len(self._lines(width)) > height

    def show(self, data: Facts) -> None:
        super().show(data)
        if self.styles.is_auto_height:
            self.refresh(layout=True)

    def get_content_height(self, container: object, viewport: object, width: int) -> int:
        return len(self._lines(width))

    def _beside(self, width: int) -> int:
        """Return the columns left beside the picture, 0 where it has no room there."""
        picture = self.data.picture
        left = width - len(picture[0]) - 1 if picture else 0
        return left if left >= PAIRS else 0

    def _lines(self, width: int) -> list[Line]:
        short = all(fact.name and len(fact.value) < SHORT for fact in self.data.facts)
        if not short or width < PAIRS:
            return fact_lines(self.data, self.looks, width)
        left = self._beside(width)
        lines = [[(self.data.headline, "title")], *self._pairs(left or width)]
        if not left:
            return lines
        for row, part in enumerate(self.data.picture, start=1):
            lines += [[]] if row == len(lines) else []
            gap = max(left + 1 - self.looks.width(line_text(lines[row])), 1)
            lines[row] = [*lines[row], (" " * gap, "text"), (part, "note")]
        return [*lines, [(self.data.legend, "dim")]]

    def _pairs(self, width: int) -> list[Line]:
        cell = width // 2
        cells = [
            [(f"{fact.name:<10}", "dim"), (f"{fact.value:<{max(cell - 10, 1)}}", fact.role)]
            for fact in self.data.facts
        ]
        return [[part for one in cells[n : n + 2] for part in one] for n in range(0, len(cells), 2)]


FIELD = 14  # cells for a field where there is room


class FieldsLine(Panel[tuple[FieldView, ...]]):
    """The parsed fields under the pendant's own labels; what is wrong has a question mark."""

    DEFAULT_CSS = "FieldsLine { height: 2; }"

    def __init__(self, fields: Sequence[FieldView], *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.data = tuple(fields)

    def draw(self, width: int, height: int) -> Sequence[Line]:
        room = max(min((width - 2) // max(len(self.data), 1), FIELD), 0)
        texts = [field.text + (" ?" if field.problem is not None else "") for field in self.data]
        roles = ["title" if field.problem is None else "error" for field in self.data]
        names = [(_cell(field.label or "extra", room), "dim") for field in self.data]
        values = zip(texts, roles, strict=True)
        shown = [(_cell(text or ".", room), role) for text, role in values]
        return [[("  ", "dim"), *names], [("  ", "dim"), *shown]]


def _cell(text: str, room: int) -> str:
    return f"{text[: max(room - 1, 0)]:<{room}}"


class FindingsView(Sheet):
    """Findings with their remedy, errors first, or a message where there is none."""

    DEFAULT_CSS = "FindingsView { height: 4; } FindingsView.-low { height: 3; }"

    def __init__(self, *, more: str = "F9", id: str | None = None) -> None:
        super().__init__(id=id)
        self.more = more  # key of the page with all that does not fit
        self.cut = False  # something does not fit
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
        wrap = self.looks.wrap
        self.cut = False
        first = flow(self.message, wrap, width) if self.message else []
        if len(first) > height or (self.findings and len(first) >= height):
            room = max(height - 1, 1)
            sign = f" ... all: {self.more}"
            first = [*first[: room - 1], unfinished(first[room - 1], width, sign)]
            self.cut = True
            if not self.findings:
                return first
        parts: list[list[Line]] = []
        for finding in self.findings:
            accepted = finding.code in self.accepted
            what_to_do = [] if accepted else remedy(finding, wrap, width)
            parts += [headline(finding, wrap, width, accepted), what_to_do]
        count = sum(map(len, parts))
        if len(first) + count <= height:
            return first + [line for part in parts for line in part]
        self.cut = True
        whole = self.findings[0].suggested is not None or self.findings[0].code in EXPLAINING
        shown = _as_room_allows(parts, height - len(first) - 1, width, whole)
        hidden = count - sum(map(len, shown))
        unnamed = [f.code for f, part in zip(self.findings, shown[::2], strict=True) if not part]
        also = f"; also {', '.join(unnamed)}" if unnamed else ""
        said: Line = [(f"  {hidden} more lines: {self.more}{also}", "dim")]
        return [*first, *(line for part in shown for line in part), said]


def _as_room_allows(
    parts: Sequence[list[Line]], room: int, width: int, whole: bool
) -> list[list[Line]]:
    """Return the first line of every headline, then whole headlines, then whole remedies.

    ``whole``: the first headline comes whole before all others: it is a cause, or ends in a
    suggestion.
    ``parts`` are headline and remedy of every finding in turn, and so is what is returned.
    """
    shown: list[list[Line]] = [[] for _ in parts]
    headlines, remedies = range(0, len(parts), 2), range(1, len(parts), 2)
    if whole and len(parts[0]) <= room:
        shown[0] = parts[0]
        room -= len(parts[0])
    for number in headlines:
        if not shown[number] and room > 0:
            shown[number] = [unfinished(parts[number][0], width)]
            room -= 1
    for number in (*headlines, *remedies):
        more = len(parts[number]) - len(shown[number])
        if more <= room and (shown[number] or number in remedies):
            shown[number] = parts[number]
            room -= more
    return shown


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
        self.screen.bindings_updated_signal.subscribe(self, lambda _: self.redraw())

    def draw(self, width: int, height: int) -> Sequence[Line]:
        return [footer(active(self.screen), self.looks, width)]

    def on_click(self, event: events.Click) -> None:
        at = 0
        for key, name in _pairs(footer(active(self.screen), self.looks, self.size.width)):
            at += self.looks.width(key + name)
            if event.x < at:
                bindings = active(self.screen)
                pressed = next(b.key for b in bindings if key_name(b.key.split(",")[0]) == key)
                self.app.simulate_key(pressed.split(",")[0])
                return


def _pairs(line: Line) -> list[tuple[str, str]]:
    texts = [text for text, _ in line]
    return list(zip(texts[::2], texts[1::2], strict=True))
