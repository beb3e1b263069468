"""Large letters drawn from blocks: to be read from a metre, where there is room for them."""

from __future__ import annotations

from collections.abc import Sequence

from textual.geometry import Size

from ..words import Line, Part
from .looks import Looks
from .sheet import Panel

WIDE, HIGH = 100, 34  # cells; on a smaller screen large letters would leave too little for the rest
BESIDE = 130  # cells of a screen that has room for an answer beside the fields
SPACE = 2  # pixels between two words
BETWEEN = 4  # pixels between two parts, beside what a letter keeps from the next
# Five rows of pixels a sign, "#" a pixel. "m" stands for mm, ">" leads on to the next.
_SIGNS = {
    "0": "###/# #/# #/# #/###", "1": " # /## / # / # /###", "2": "###/  #/###/#  /###",
    "3": "###/  #/###/  #/###", "4": "# #/# #/###/  #/  #", "5": "###/#  /###/  #/###",
    "6": "###/#  /###/# #/###", "7": "###/  #/  #/  #/  #", "8": "###/# #/###/# #/###",
    "9": "###/# #/###/  #/###",
    "A": "###/# #/###/# #/# #", "B": "## /# #/## /# #/## ", "C": "###/#  /#  /#  /###",
    "D": "## /# #/# #/# #/## ", "E": "###/#  /## /#  /###", "F": "###/#  /## /#  /#  ",
    "G": "####/#   /# ##/#  #/####", "H": "# #/# #/###/# #/# #", "I": "#/#/#/#/#",
    "J": "  #/  #/  #/# #/###", "K": "#  #/# # /##  /# # /#  #", "L": "#  /#  /#  /#  /###",
    "M": "#   #/## ##/# # #/#   #/#   #", "N": "#  #/## #/# ##/#  #/#  #",
    "O": "####/#  #/#  #/#  #/####", "P": "###/# #/###/#  /#  ",
    "Q": "####/#  #/#  #/# ##/####", "R": "###/# #/## /# #/# #", "S": " ##/#  / # /  #/## ",
    "T": "###/ # / # / # / # ", "U": "# #/# #/# #/# #/###", "V": "# #/# #/# #/# #/ # ",
    "W": "#   #/#   #/# # #/## ##/#   #", "X": "# #/# #/ # /# #/# #",
    "Y": "# #/# #/ # / # / # ", "Z": "####/  # / #  /#   /####",
    "m": "         /         /#########/# # # # #/# # # # #",
    "+": "   / # /###/ # /   ", "−": "   /   /###/   /   ", "±": " # /###/ # /   /###",
    ".": " / / / /#", ",": "  /  /  / #/# ", ":": " /#/ /#/ ", "°": "###/# #/###/   /   ",
    "%": "# #/  #/ # /#  /# #", "=": "   /###/   /###/   ",
    "(": " #/# /# /# / #", ")": "# / #/ #/ #/# ", "!": "#/#/#/ /#", "?": "###/  #/ ##/   / # ",
    "'": "#/#/ / / ", ">": "#  / # /  #/ # /#  ",
}  # fmt: skip
_ROWS = {sign: rows.split("/") for sign, rows in _SIGNS.items()} | {
    "/": ["  #", "  #", " # ", "#  ", "#  "],
    "-": _SIGNS["−"].split("/"),
    " ": [" " * (SPACE - 1)] * 5,
}
_BLOCKS = {"  ": " ", "# ": "▀", " #": "▄", "##": "█"}
Pixels = list[str]  # five rows


def has_room(size: Size) -> bool:
    """Tell whether a screen of this size has room for large letters."""
    return size.width >= WIDE and size.height >= HIGH


def large_lines(parts: Sequence[Part], looks: Looks, width: int) -> list[Line]:
    """Return ``parts`` in large letters, as many in a line as fit; no part is ever divided.

    Returns [] where one is wider than ``width`` or holds a sign that has no large form: what cannot
    be shown whole is left to the ordinary text.
    """
    rows: list[list[tuple[Pixels, str]]] = []
    room = 0
    for text, role in parts:
        pixels = _pixels(text)
        if pixels is None or len(pixels[0]) > width:
            return []
        size = len(pixels[0])
        if size + BETWEEN > room:
            rows.append([])
            room = width
        room -= size + (BETWEEN if rows[-1] else 0)
        rows[-1].append((pixels, role))
    high = line_height(looks)
    return [_line(row, y, looks) for row in rows for y in range(high)]


def line_height(looks: Looks) -> int:
    return 6 if looks.terminal.signs == "ascii" else 3


def _pixels(text: str) -> Pixels | None:
    """Return a text as pixels, in capitals but for mm; None: a sign is not known."""
    capitals = text.upper().replace(" MM", " m")
    signs = [_ROWS.get(sign) for sign in capitals]
    known = [sign for sign in signs if sign is not None]
    if len(known) < len(signs) or not known:
        return None
    return [" ".join(rows) for rows in zip(*known, strict=True)]


def _line(row: Sequence[tuple[Pixels, str]], y: int, looks: Looks) -> Line:
    """Return one line of text of a line of large letters: two rows of pixels, or one in ASCII."""
    line: Line = []
    for pixels, role in row:
        if line:
            line.append((" " * BETWEEN, "text"))
        blank = " " * len(pixels[0])
        if looks.terminal.signs == "ascii":
            line.append(([*pixels, blank][y], role))
            continue
        pairs = zip(pixels[2 * y], [*pixels, blank][2 * y + 1], strict=True)
        line.append(("".join(_BLOCKS[upper + lower] for upper, lower in pairs), role))
    return line


class LargeLine(Panel[Sequence[Part]]):
    """A verdict in large letters; takes no room where they do not fit."""

    DEFAULT_CSS = "LargeLine { height: auto; }"
    data: Sequence[Part] = ()

    def show(self, data: Sequence[Part]) -> None:
        self.data = data
        width, height = self.size
        if self.is_attached and self.get_content_height(self.size, self.app.size, width) != height:
            self.refresh(layout=True)
        self.redraw()

    def get_content_height(self, container: object, viewport: Size, width: int) -> int:
        there = has_room(self.app.size) and self.draw(width, 0)
        return line_height(self.looks) if there else 0

    def draw(self, width: int, height: int) -> Sequence[Line]:
        """Return the parts that fit into one line, the first ones first."""
        for count in range(len(self.data), 0, -1):
            lines = large_lines(self.data[:count], self.looks, width)
            if 0 < len(lines) <= line_height(self.looks):
                return lines
        return []


class LargeAnswer(LargeLine):
    """The last answer in large letters, beside what was typed: on screens wide enough for both.

    It takes its room while it says nothing, so that nothing jumps.
    """

    DEFAULT_CSS = "LargeAnswer { width: auto; margin-left: 2; }"
    CELLS = 50  # for the longest of the usual answers

    def get_content_width(self, container: Size, viewport: Size) -> int:
        """Return its cells, none on a screen that is needed for what is typed."""
        blocks = self.looks.terminal.signs != "ascii"  # in ASCII it would be higher than the fields
        there = has_room(self.app.size) and self.app.size.width >= BESIDE and blocks
        return self.CELLS if there else 0

    def get_content_height(self, container: object, viewport: Size, width: int) -> int:
        return line_height(self.looks) if width else 0
