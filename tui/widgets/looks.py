"""What this terminal can show, and how the roles of text look on it.

A colour never says anything alone.
"""

from __future__ import annotations

import codecs
import os
import sys
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from textwrap import wrap as _wrap
from typing import Literal, NamedTuple, TextIO

from rich.cells import cell_len
from rich.segment import Segment
from rich.style import Style
from textual.strip import Strip
from textual.theme import Theme

from engine.errors import UsageError

from ..words import Line as Line
from ..words import line_text as line_text

Colours = Literal["true", "256", "16", "none"]
Signs = Literal["unicode", "console", "ascii"]

_COMMANDS = "Use the commands instead: stationbook --help."
_COMMON = {
    "−": "-", "×": "x", "≤": "<=", "≥": ">=", "…": "...", "–": "-", "—": "-", "→": "->", "←": "<-"
}  # fmt: skip
_CONSOLE = _COMMON | {"Δ": "d"}  # a Linux console has 256 or 512 glyphs
_ASCII = (
    _COMMON
    | {"°": " deg", "±": "+/-", "²": "^2", "³": "^3", "ß": "ss"}
    | dict(zip("·µ█▓▒░▀▄►─│“”„’", '.u#%=-\',>-|"""\'', strict=True))
)
# Colours of our own, by their number among 256: short to send, and the same wherever there are that
# many. Every text has a contrast of at least 7 : 1 with the background (WCAG 2.2, level AAA).
BACKGROUND, BACKGROUND_NUMBER = "#121212", 233
_STYLES = {  # of each role: ours, and with the terminal's own colours
    "text": ("color(253)", ""),
    "dim": ("color(248)", ""),
    "title": ("bold color(231)", "bold"),
    "good": ("color(114)", "green"),
    "warning": ("bold color(221)", "bold yellow"),
    "error": ("bold color(210)", "bold red"),
    "note": ("color(117)", "cyan"),
    "key": ("bold color(231)", "bold"),
    "chosen": ("bold color(231) on color(24)", "reverse"),
    "entry": ("bold color(231) on color(236)", "underline"),
    "cursor": ("color(233) on color(221)", "reverse"),
    "rule": ("color(242)", ""),
}
THEME = Theme(
    name="stationbook",
    primary="#87d7ff",
    secondary="#87d7ff",
    warning="#ffd75f",
    error="#ff8787",
    success="#87d787",
    accent="#ffd75f",
    foreground="#dadada",
    background=BACKGROUND,
    surface=BACKGROUND,
    panel="#303030",
    dark=True,
)
NATIVE_THEME = "ansi-dark"
# Other looks: numbers of the background and of each role. Contrasts as above; "contrast" has 14 : 1
# or more for every text, and no grey.
_OTHER_STYLES = {
    "light": (231, {
        "text": "color(235)", "dim": "color(239)", "title": "bold color(16)",
        "good": "color(22)", "warning": "bold color(52)", "error": "bold color(88)",
        "note": "color(17)", "key": "bold color(16)", "chosen": "bold color(231) on color(24)",
        "entry": "bold color(16) on color(252)", "cursor": "color(231) on color(52)",
        "rule": "color(243)",
    }),
    "contrast": (16, {
        "text": "color(231)", "dim": "color(231)", "title": "bold color(231)",
        "good": "bold color(120)", "warning": "bold color(226)", "error": "bold color(217)",
        "note": "bold color(159)", "key": "bold color(226)",
        "chosen": "bold color(16) on color(226)",
        "entry": "bold color(16) on color(231)", "cursor": "color(231) on color(16)",
        "rule": "color(231)",
    }),
}  # fmt: skip
LOOKS = ("dark", *_OTHER_STYLES)
THEMES = {
    "dark": THEME,
    "light": replace(
        THEME, name="stationbook-light", foreground="#262626", background="#ffffff",
        surface="#ffffff", panel="#d0d0d0", primary="#00005f", secondary="#00005f",
        warning="#5f0000", error="#870000", success="#005f00", accent="#5f0000", dark=False,
    ),
    "contrast": replace(
        THEME, name="stationbook-contrast", foreground="#ffffff", background="#000000",
        surface="#000000", panel="#000000",
    ),
}  # fmt: skip


# ---- what it can show ----------------------------------------------------------------------------


class Terminal(NamedTuple):
    """How many colours and which signs may be used."""

    colours: Colours = "true"
    signs: Signs = "unicode"
    fills: bool = True  # what is erased takes the colour that is set

    @property
    def native(self) -> bool:
        """True where the terminal's own 16 colours, or none, are used instead of ours."""
        return self.colours in ("16", "none")

    def text(self, text: str) -> str:
        """Return ``text`` in signs that this terminal can show."""
        if self.signs == "unicode" or text.isascii():
            return text
        text = text.translate(_TABLES[self.signs])
        return text if self.signs == "console" else "".join(map(_ascii, text))


_TABLES = {"console": str.maketrans(_CONSOLE), "ascii": str.maketrans(_ASCII)}


def _ascii(sign: str) -> str:
    """Return one sign in ASCII: without its accent, or a question mark of the same width."""
    if sign.isascii():
        return sign
    plain = unicodedata.normalize("NFKD", sign).encode("ascii", "ignore").decode()
    wide = unicodedata.east_asian_width(sign) in "WF"
    return plain or "?" * (2 if wide else 1)


def detect(environ: Mapping[str, str], stream: TextIO | None) -> Terminal:
    """Return what the terminal behind ``stream`` can show.

    Raises UsageError, with the way out, for a stream that is no terminal and for one that cannot
    place text.
    """
    if stream is None or not stream.isatty():
        raise UsageError("the screen needs a terminal, and this is none", _COMMANDS)
    term = environ.get("TERM", "")
    if os.name != "nt" and term in ("dumb", "unknown", ""):
        raise UsageError(
            f"a terminal of type {term or 'unknown'} cannot show the screen", _COMMANDS
        )
    fills = not term.startswith("screen") or "TMUX" in environ  # the others do (xterm, linux, ...)
    return Terminal(_colours(environ, term), _signs(term, stream), fills)


def _colours(environ: Mapping[str, str], term: str) -> Colours:
    if environ.get("NO_COLOR"):
        return "none"
    if environ.get("COLORTERM", "").lower() in ("truecolor", "24bit") or os.name == "nt":
        return "true"
    return "256" if "256" in term else "16"


def _signs(term: str, stream: TextIO) -> Signs:
    try:
        encoding = codecs.lookup(stream.encoding or "ascii").name
    except LookupError:
        encoding = "ascii"
    if encoding != "utf-8":
        return "ascii"
    return "console" if term == "linux" else "unicode"


def make_safe(stream: TextIO | None = None) -> None:
    """Let ``stream`` (stderr, where the screen is drawn) replace signs that it cannot encode.

    A replacement has the width of what it replaces, so that nothing on the line shifts.
    """
    codecs.register_error("stationbook-same-width", _same_width)
    stream = stream or sys.__stderr__
    reconfigure = getattr(stream, "reconfigure", None)
    if reconfigure is not None:
        reconfigure(errors="stationbook-same-width")


def _same_width(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    signs = error.object[error.start : error.end]
    return "".join(map(_one_width, signs)), error.end


def _one_width(sign: str) -> str:
    if "─" <= sign <= "╿":  # box drawing
        return "-" if sign in "─━═╌┄┈" else "|" if sign in "│┃║╎┆┊" else "+"
    wanted = 2 if unicodedata.east_asian_width(sign) in "WF" else 1
    plain = _ASCII.get(sign) or _ascii(sign)
    return plain if len(plain) == wanted else "?" * wanted


# ---- how text looks ------------------------------------------------------------------------------


TAIL = 10  # characters at the end of a name that stay: names differ there, by the day as a rule


@dataclass(frozen=True)
class Looks:
    """Styles and signs for one terminal."""

    terminal: Terminal
    name: str = "dark"

    @cached_property
    def styles(self) -> dict[str, Style]:
        if self.terminal.native:
            return {role: Style.parse(native) for role, (_, native) in _STYLES.items()}
        if self.name in _OTHER_STYLES:
            number, ours = _OTHER_STYLES[self.name]
            behind = Style.parse(f"on color({number})")
            return {role: behind + Style.parse(style) for role, style in ours.items()}
        behind = Style.parse(f"on color({BACKGROUND_NUMBER})")
        return {role: behind + Style.parse(ours) for role, (ours, _) in _STYLES.items()}

    def strip(self, line: Line, width: int) -> Strip:
        """Return ``line`` as a strip of exactly ``width`` cells, cut off or filled up."""
        segments = [
            Segment(_clean(self.terminal.text(text)), self._style(role))
            for text, role in line
            if text
        ]
        return Strip(segments).adjust_cell_length(width, self.styles["text"]).simplify()

    def _style(self, role: str) -> Style:
        """Return the style of a role; a pair of colours (pictures) is a style of its own."""
        return self.styles[role] if role in self.styles else Style.parse(role)

    def width(self, text: str) -> int:
        """Return the cells that ``text`` takes on this terminal."""
        return cell_len(_clean(self.terminal.text(text)))

    def cut(self, text: str, room: int, tail: int = TAIL) -> str:
        """Return ``text`` in ``room`` cells, a sign before its last ``tail`` characters if cut."""
        if self.width(text) <= room:
            return text
        gap = self.terminal.text("…")
        first, last = text[:-1], text[len(text) - tail :]
        while (first or last) and self.width(f"{first}{gap}{last}") > room:
            first, last = (first[:-1], last) if len(first) > len(last) else (first, last[1:])
        return f"{first}{gap}{last}"

    def wrap(self, text: str, width: int) -> list[str]:
        """Return ``text`` in lines of at most ``width`` cells; nothing is lost."""
        return list(_wrapped(self.terminal.text(text), max(width, 1)))


def _clean(text: str) -> str:
    """Return ``text`` without control characters, which would move the cursor."""
    return text if text.isprintable() else "".join(c if c.isprintable() else " " for c in text)


@lru_cache(maxsize=512)
def _wrapped(text: str, width: int) -> tuple[str, ...]:
    return tuple(_wrap(text, width, break_on_hyphens=False)) or ("",)
