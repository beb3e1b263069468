"""What the terminal shows, cell by cell, so that only what differs is sent over a slow line."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from functools import lru_cache
from typing import NamedTuple

from rich.color import Color, ColorSystem, ColorType
from rich.console import Console
from rich.segment import Segment
from rich.style import Style
from textual._compositor import ChopsUpdate, CompositorUpdate, LayoutUpdate
from textual.strip import Strip

NEAR = 4  # cells; changes this near to each other are sent as one: moving the cursor costs as much
HOLD, BACK = "\x1b7", "\x1b8"  # keep place and pen (DECSC of the VT100), and return to them
NOWHERE = (-1, -1)  # the place of a cursor that stands where nobody knows

MARKS = {"1": "22", "2": "22", "3": "23", "4": "24", "7": "27"}  # what ends each attribute
SEEN = {"4", "7"}  # attributes that are seen on a blank too


class Pen(NamedTuple):
    """How signs are written: codes (SGR, ECMA-48) of attributes, of the colour, and behind it."""

    marks: tuple[str, ...]
    colour: str
    behind: str

    def to(self, other: Pen) -> str:
        """Return what changes this pen into ``other``."""
        if self == other:
            return ""
        if self is UNKNOWN:
            changed = ["0", *other.marks, other.colour, other.behind]
        else:
            ended = [MARKS[mark] for mark in self.marks if mark not in other.marks]
            changed = [*ended, *(m for m in other.marks if m not in self.marks or ended)]
            changed += [other.colour or "39"] * (self.colour != other.colour)
            changed += [other.behind or "49"] * (self.behind != other.behind)
        return f"\x1b[{';'.join(filter(None, changed))}m"

    def for_blank(self, blank: Pen) -> Pen:
        """Return the pen nearest to this one with which a blank looks as with ``blank``."""
        if self is UNKNOWN or blank.marks:
            return blank
        return Pen(tuple(m for m in self.marks if m not in SEEN), self.colour, blank.behind)


PLAIN = Pen((), "", "")  # the terminal's own colours
UNKNOWN = Pen(("?",), "", "")
Cell = tuple[str, Pen]  # a sign ("" behind a wide one) and its pen
UNKNOWN_CELL: Cell = ("?", UNKNOWN)
PLACEHOLDER = "\U0010eeee"  # of a picture, whose number is its colour (kitty's graphics protocol)


@lru_cache(maxsize=1024)
def _pen(style: Style | None, system: ColorSystem | None, exact: bool) -> Pen:
    if style is None or system is None:
        return PLAIN
    marks = ((style.bold, "1"), (style.dim, "2"), (style.italic, "3"), (style.underline, "4"),
             (style.reverse, "7"))  # fmt: skip
    colour = _code(style.color, system, True, exact)
    behind = _code(style.bgcolor, system, False, exact)
    return Pen(tuple(code for on, code in marks if on), colour, behind)


def _code(colour: Color | None, system: ColorSystem, front: bool, exact: bool) -> str:
    """Return the code of a colour, by its number where that is the same and not ``exact``."""
    if colour is None or colour.is_default:
        return ""
    shown = colour.downgrade(system)
    if shown.type is ColorType.TRUECOLOR and not exact:
        numbered = shown.downgrade(ColorSystem.EIGHT_BIT)
        shown = numbered if numbered.get_truecolor() == shown.triplet else shown
    return ";".join(shown.get_ansi_codes(foreground=front))


@lru_cache(maxsize=1024)
def _blank_pen(pen: Pen) -> Pen:
    """Return the pen of a blank: of its colour nothing is seen, unless it is lined or reversed."""
    return pen if SEEN & set(pen.marks) else Pen((), "", pen.behind)


class Sent:
    """The cells of a terminal as they were sent."""

    def __init__(self, *, fills: bool = True) -> None:
        """``fills``: erasing leaves the colour that is set (``bce`` of terminfo), not black."""
        self.fills = fills
        self.forget()

    def forget(self) -> None:
        """Know nothing of what the terminal shows: all of it is sent again."""
        self._rows: list[list[Cell]] = []
        self._pen = UNKNOWN
        self._held = (NOWHERE, UNKNOWN)  # place and pen that the terminal keeps

    def less(self, update: CompositorUpdate) -> CompositorUpdate:
        """Return ``update`` without what is there already."""
        return _Less(self, update) if isinstance(update, (LayoutUpdate, ChopsUpdate)) else update

    def changes(self, update: LayoutUpdate | ChopsUpdate, system: ColorSystem | None) -> str:
        """Return what is to be sent, and take it as sent."""
        parts: list[str] = []
        if isinstance(update, LayoutUpdate):
            width, height = update.region.size
            lines = [(0, y, _cells(strips, system)) for y, strips in enumerate(update.strips)]
            if lines and (len(self._rows) != height or len(self._rows[0]) != width):
                parts.append(self._begun(width, height, lines[-1][2][-1]))
        else:
            lines = list(_spans(update, system))
        at = NOWHERE
        for x, y, cells in lines:
            if y < len(self._rows):
                at = self._line(parts, x, y, cells, at)
        if over := _controls(update):  # a picture drawn over cells, of which no more is known
            self._rows = [[UNKNOWN_CELL] * len(row) for row in self._rows]
            self._held = (NOWHERE, UNKNOWN)
        return "".join(parts + over)

    def _begun(self, width: int, height: int, last: Cell) -> str:
        """Return what clears the terminal, in the colour behind its last cell where it fills."""
        behind = last[1].behind if self.fills else ""
        self._pen = Pen((), "", behind)
        self._rows = [[(" ", self._pen)] * width for _ in range(height)]
        return f"{UNKNOWN.to(self._pen)}\x1b[2J"

    def _line(
        self, parts: list[str], x: int, y: int, cells: list[Cell], at: tuple[int, int]
    ) -> tuple[int, int]:
        """Send what differs in a part of a line; returns where the cursor stands then."""
        row = self._rows[y]
        before = row[x : x + len(cells)]
        cells = cells[: len(before)]
        if before == cells:
            return at
        row[x : x + len(cells)] = cells
        for start, end in _differing(before, cells):
            to_the_end = all(cell == cells[end - 1] for cell in row[x + end :])
            cost = len("\x1b[K" if to_the_end else "\x1b[99X")
            stop = _filled_from(cells, start, end, cost) if self.fills else end
            typed = at == NOWHERE and end - start == 2 and cells[start + 1][0] == " "
            parts.append(self._moved(at, (x + start, y)))
            for n, (sign, pen) in enumerate(cells[start:stop]):
                if n and typed:  # the next sign goes where the cursor of the line stands now
                    self._held = ((x + start + 1, y), self._pen)
                    parts.append(HOLD)
                parts += (self._taken(sign, pen), sign)
            if stop < end:
                erased = "\x1b[K" if to_the_end else f"\x1b[{end - stop}X"
                parts += (self._taken(" ", cells[stop][1]), erased)
            at = NOWHERE if x + stop == len(row) else (x + stop, y)
        return at

    def _moved(self, at: tuple[int, int], to: tuple[int, int]) -> str:
        """Return the shortest move, with the pen of that place where the terminal keeps it."""
        if at == NOWHERE and to == self._held[0]:
            self._pen = self._held[1]
            return BACK
        if at == to:
            return ""
        if at[1] == to[1] and 0 <= at[0] < to[0]:
            return f"\x1b[{to[0] - at[0]}C"
        if at[1] + 1 == to[1] and to[0] == 0 and at[1] >= 0:
            return "\r\n"
        return f"\x1b[{to[1] + 1};{to[0] + 1}H"

    def _taken(self, sign: str, pen: Pen) -> str:
        """Take the pen for a sign, and return what changes to it."""
        wanted = self._pen.for_blank(pen) if sign == " " else pen
        change, self._pen = self._pen.to(wanted), wanted
        return change


class _Less(CompositorUpdate):
    """An update of which only what differs is rendered, at the moment in which it is sent."""

    def __init__(self, sent: Sent, update: LayoutUpdate | ChopsUpdate) -> None:
        self.sent, self.update = sent, update

    def render_segments(self, console: Console) -> str:
        return self.sent.changes(self.update, console._color_system)


def _cells(strips: Iterable[Strip], system: ColorSystem | None) -> list[Cell]:
    cells: list[Cell] = []
    for strip in strips:
        for text, style, control in strip:
            if control:
                continue
            pen = _pen(style, system, PLACEHOLDER in text)
            blank = _blank_pen(pen)
            if text.isascii():
                cells += [(sign, blank if sign == " " else pen) for sign in text]
                continue
            for sign in text:
                size = Segment(sign).cell_length
                if size:
                    cells += [(sign, blank if sign == " " else pen)] + [("", pen)] * (size - 1)
                elif cells:  # it stands on the sign before
                    cells[-1] = (cells[-1][0] + sign, cells[-1][1])
    return cells


def _controls(update: LayoutUpdate | ChopsUpdate) -> list[str]:
    if isinstance(update, LayoutUpdate):
        strips = [strip for line in update.strips for strip in line]
    else:
        strips = [s for y, *_ in update.spans for s in update.chops[y].values() if s is not None]
    return [segment.text for strip in strips for segment in strip if segment.control]


def _spans(
    update: ChopsUpdate, system: ColorSystem | None
) -> Iterator[tuple[int, int, list[Cell]]]:
    """Yield column, row and cells of every part that is drawn anew."""
    for y, first, last in update.spans:
        for end, (x, strip) in zip(update.chop_ends[y], update.chops[y].items(), strict=False):
            if strip is not None and x <= last and end > first:
                yield x, y, _cells([strip], system)


def _differing(before: Sequence[Cell], after: Sequence[Cell]) -> list[tuple[int, int]]:
    """Return (start, end) of the cells that differ, near ones joined."""
    found: list[tuple[int, int]] = []
    for x, (old, new) in enumerate(zip(before, after, strict=True)):
        if old == new:
            continue
        if found and x - found[-1][1] < NEAR:
            found[-1] = (found[-1][0], x + 1)
        else:
            found.append((x, x + 1))
    return found


def _filled_from(cells: Sequence[Cell], start: int, end: int, cost: int) -> int:
    """Return where the blanks at the end of a part begin, if more than ``cost`` are spared."""
    stop = end
    while stop > start and cells[stop - 1] == cells[end - 1] and cells[stop - 1][0] == " ":
        stop -= 1
    plain = stop < end and not cells[stop][1].marks
    return stop if plain and end - stop > cost else end
