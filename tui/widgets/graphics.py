"""Pictures by the terminal's own graphics: asked whether it has them, drawn by a library.

The terminal is asked while the program runs, and never waited for. Its answers come where keys come
from: they are taken out before anybody could take them for something typed. The library
(textual-image) would ask by itself when it is loaded, and read the keyboard for the answer: it is
loaded in the background, and made to believe that there is no terminal.
"""

from __future__ import annotations

import io
import os
import re
import struct
import sys
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from importlib.util import find_spec
from threading import RLock
from time import monotonic
from typing import TYPE_CHECKING, Any, Literal

from rich.console import Console
from rich.segment import ControlType, Segment
from textual._xterm_parser import XTermParser
from textual.geometry import Region
from textual.message import Message
from textual.strip import Strip

from .looks import Terminal
from .sheet import Sheet

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

Protocol = Literal["kitty", "sixel"]
WISHES = ("auto", "on", "off")  # auto: on where the line is quick
USUAL_CELL = (10, 20)  # px; of the DEC VT340, whose sixels these are
ASKS = 3  # a busy machine may answer late as a slow line does: it is asked again

# ---- asking the terminal ------------------------------------------------------------------------

# An image of one pixel that is only checked (kitty), the pixels of a cell, and what it is: every
# terminal answers the last one, those with sixels by a 4 (DEC VT382; XTerm control sequences).
ASK = "\x1b_Gi=31,s=1,v=1,a=q,t=d,f=24;AAAA\x1b\\\x1b[16t\x1b[c"
ASK_PLAIN = "\x1b[c"  # for terminals that would print the first, or take it for a title
PLAIN = ("linux", "screen", "tmux", "vt")  # how their TERM begins
QUICK_S = 0.3  # s; an answer later than this came over a slow line: a picture would block the keys
_ANSWER = re.compile(
    r"\x1b(?:_G(?P<kitty>[^\x1b]*)\x1b\\|\[6;(?P<cell>\d+;\d+)t|\[\?(?P<is>[\d;]*)c)"
)
ESC = "\x1b"
_AFTER_ESC = re.compile(r"(?<=\x1b)(?=[^\x1b\x7f\[O])")
_BEGUN = re.compile(r"\x1b(?:_G[^\x1b]{0,80}\x1b?|\[6;[\d;]{0,20}|\[\?[\d;]{0,80})\Z")


class Answered(Message):
    """The terminal said what it is. ``protocol``: of its graphics, None: it has none.

    ``cell_px``: width and height of a cell; ``at``: when it came [s, monotonic].
    """

    def __init__(self, protocol: Protocol | None, cell_px: tuple[int, int] | None) -> None:
        self.protocol, self.cell_px, self.at = protocol, cell_px, monotonic()
        super().__init__()


class Answers(XTermParser):
    """Takes the terminal's answers out of what is typed.

    Esc and a key that a slow line brings at once are two keys, not one with Alt.
    """

    _after_esc = False  # the last sign was Esc
    _left = ""  # the beginning of an answer that has not come whole
    _kitty = False
    _cell: tuple[int, int] | None = None

    def feed(self, data: str) -> Iterable[Message]:
        """Yield what was typed, and `Answered` once the last answer came."""
        if not data:
            yield from super().feed(data)
            return
        data, self._left = self._left + data, ""
        for found in _ANSWER.finditer(data):
            if (kitty := found["kitty"]) is not None:
                self._kitty = kitty.endswith(";OK")
            elif cell := found["cell"]:
                height, width = map(int, cell.split(";"))
                self._cell = (width, height) if width and height else None
            else:
                sixel = "4" in found["is"].split(";")[1:]
                yield Answered("sixel" if sixel else "kitty" if self._kitty else None, self._cell)
        rest = _ANSWER.sub("", data)
        if begun := _BEGUN.search(rest):
            rest, self._left = rest[: begun.start()], begun[0]
        for part in filter(None, _AFTER_ESC.split(rest)):
            if (
                self._after_esc
                and self._timeout_time is not None
                and _AFTER_ESC.match(ESC + part, 1)
            ):
                self._timeout_time = 0.0  # Esc, and another key: no sequence begins like that
                yield from super().tick()
            yield from super().feed(part)
            self._after_esc = part.endswith(ESC)


class Pictures:
    """How pictures are shown here: as the user wishes, as the terminal can, as the line bears."""

    def __init__(self, terminal: Terminal, term: str, wish: str) -> None:
        """``term``: the terminal's type; ``wish``: one of `WISHES`, as kept for the user."""
        self.terminal, self.term = terminal, term
        self.wish = wish if wish in WISHES else WISHES[0]
        self.quick = False
        self.protocol: Protocol | None = None
        self.cell_px = USUAL_CELL
        self._asked_at: float | None = None  # s, monotonic; while an answer is awaited
        self._left, self._slow = ASKS, False

    @property
    def shown(self) -> bool:
        """Whether pictures come by themselves; those that a key asks for always come."""
        return self.quick if self.wish == "auto" else self.wish == "on"

    @property
    def lean(self) -> bool:
        """Whether a picture that a key asks for costs as little as text: over a slow line."""
        late = self._asked_at is not None and monotonic() - self._asked_at > QUICK_S
        return self.wish == "off" or (
            self.wish == "auto" and not self.quick and (late or self._slow)
        )

    @property
    def drawing(self) -> Protocol | None:
        """How the terminal draws pictures; None: they are made of blocks."""
        return None if self.lean else self.protocol

    def question(self) -> str:
        """Return what the terminal is to be asked now; "" where it answers or has answered."""
        if self._asked_at is not None or self.quick or not self._left:
            return ""
        self._left, self._asked_at = self._left - 1, monotonic()
        plain = self.term.startswith(PLAIN) or self.terminal.colours == "none"
        return ASK_PLAIN if plain or find_spec("textual_image") is None else ASK

    def answered(self, answer: Answered) -> bool:
        """Take an answer in, and tell whether pictures are shown another way now."""
        before, asked = (self.shown, self.drawing), self._asked_at
        self._asked_at = None
        self.quick = self.quick or (asked is not None and answer.at - asked < QUICK_S)
        self._slow = not self.quick
        if find_spec("textual_image") is not None and self.terminal.colours != "none":
            self.protocol = answer.protocol
        self.cell_px = answer.cell_px or _cell_px() or USUAL_CELL
        return (self.shown, self.drawing) != before


def _cell_px() -> tuple[int, int] | None:
    """Return width and height of a cell [px] as the terminal's driver knows them, or None."""
    if sys.platform == "win32":
        return None
    import fcntl
    import termios

    with suppress(OSError):
        sizes = struct.unpack("HHHH", fcntl.ioctl(2, termios.TIOCGWINSZ, bytes(8)))
        rows, columns, width, height = sizes
        if min(sizes) > 0:
            return width // columns, height // rows
    return None


# ---- drawing ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Graphic:
    """A picture for one terminal, ``columns`` × ``rows`` cells. ``key`` says what it shows.

    ``cells``: what stands in the cells (kitty); ``first``: what the terminal is sent once before;
    ``over``: what is sent whenever the cells were painted, with the cursor on the first (sixel);
    ``last``: what is sent once it is not shown any more.
    """

    key: object
    columns: int
    rows: int
    cells: tuple[Segment, ...] = ()
    first: str = ""
    over: str = ""
    last: str = ""


_LOADING = RLock()  # one thread at a time takes the terminal away


@contextmanager
def _no_terminal(cell_px: Sequence[int]) -> Iterator[io.StringIO]:
    """Let the library believe that standard output is a file, and yield that file."""
    names = ("TEXTUAL_CELL_WIDTH", "TEXTUAL_CELL_HEIGHT")
    with _LOADING:
        before, taken = {name: os.environ.get(name) for name in names}, io.StringIO()
        output = sys.__stdout__
        sys.__dict__["__stdout__"] = taken
        os.environ.update(zip(names, map(str, cell_px), strict=True))
        try:
            yield taken
        finally:
            sys.__dict__["__stdout__"] = output
            for name, value in before.items():
                os.environ.pop(name)
                if value is not None:
                    os.environ[name] = value


def drawn(
    protocol: Protocol, rgb: NDArray[np.uint8], cell_px: tuple[int, int], key: object
) -> Graphic:
    """Return a picture (height, width, 3) for a terminal whose cells are ``cell_px`` large.

    Takes up to 0.1 s: in the background.
    """
    from PIL import Image

    height, width = rgb.shape[:2]
    columns, rows = max(width // cell_px[0], 1), max(height // cell_px[1], 1)
    image = Image.fromarray(rgb)
    with _no_terminal(cell_px) as sent:
        from textual_image.renderable.sixel import Image as Sixel
        from textual_image.renderable.tgp import Image as Kitty

        made: Any = (Sixel if protocol == "sixel" else Kitty)(image, columns, rows)
        console = Console(file=io.StringIO(), width=columns, height=rows, force_terminal=True)
        segments = list(made.__rich_console__(console, console.options))
    if protocol == "sixel":
        over = "".join(s.text for s in segments if isinstance(s, Segment) and "\x1bP" in s.text)
        return Graphic(key, columns, rows, over=over)
    cells = tuple(Segment(s.text.rstrip("\n"), s.style) for s in segments)
    forget = f"\x1b_Ga=d,d=I,i={made.terminal_image_id},q=2\x1b\\"
    return Graphic(key, columns, rows, cells, first=sent.getvalue(), last=forget)


class GraphicSheet(Sheet):
    """Lines, with a picture over those below the first where the terminal draws one."""

    graphic: Graphic | None = None
    TOP = 1  # lines above the picture

    def show_graphic(self, graphic: Graphic | None) -> None:
        """Show another picture, or none; the same one is not sent again."""
        if graphic is self.graphic:
            return
        self._forget()
        self.graphic = graphic
        self._send("" if graphic is None else graphic.first)
        self.renew()

    def on_unmount(self) -> None:
        """Let the terminal forget the picture."""
        self._forget()

    def _forget(self) -> None:
        self._send("" if self.graphic is None else self.graphic.last)

    def _send(self, text: str) -> None:
        if text and self.app._driver is not None:
            self.app._driver.write(text)

    def redraw(self) -> None:
        """Draw again; a picture's cells are painted as a whole."""
        if self.graphic is None:
            super().redraw()

    @property
    def _shown(self) -> Graphic | None:
        """The picture, unless another screen lies over this one."""
        return self.graphic if self.is_attached and self.screen.is_active else None

    def _drawn(self, width: int, height: int) -> list[Strip]:
        strips = super()._drawn(width, height)
        graphic = self._shown
        for n, cells in enumerate(graphic.cells if graphic is not None else ()):
            if graphic is not None and self.TOP + n < height and graphic.columns <= width:
                blank = Segment(" " * (width - graphic.columns), self.looks.styles["text"])
                strips[self.TOP + n] = Strip([cells, blank], width)
        return strips

    def render_lines(self, crop: Region) -> list[Strip]:
        """Return the lines; after the last one the picture is drawn over them."""
        strips, graphic = super().render_lines(crop), self._shown
        if graphic is None or not graphic.over or not strips or crop.bottom < self.size.height:
            return strips
        x, y = self.content_region.x, self.content_region.y + self.TOP
        sent = f"\x1b7\x1b[{y + 1};{x + 1}H{graphic.over}\x1b8"
        over = Segment(sent, None, [(ControlType.CURSOR_FORWARD, 0)])  # of no width for the library
        return [*strips[:-1], Strip([*strips[-1], over], strips[-1].cell_length)]
