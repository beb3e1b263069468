"""Roles of text on the screen and how each looks; a colour never says anything alone."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property, lru_cache
from textwrap import wrap as _wrap

from rich.cells import cell_len
from rich.segment import Segment
from rich.style import Style
from textual.strip import Strip
from textual.theme import Theme

from ..words import Line as Line
from ..words import line_text as line_text
from .terminal import Terminal

# Colours of our own, by their number among 256: short to send, and the same wherever there are that
# many. Every text has a contrast of at least 7 : 1 with the background (WCAG 2.2, level AAA).
BACKGROUND, BACKGROUND_NUMBER = "#121212", 233
_COLOURS = {
    "text": "color(253)",
    "dim": "color(248)",
    "title": "bold color(231)",
    "good": "color(114)",
    "warning": "bold color(221)",
    "error": "bold color(210)",
    "note": "color(117)",
    "key": "bold color(231)",
    "chosen": "bold color(231) on color(24)",
    "entry": "bold color(231) on color(236)",
    "cursor": "color(233) on color(221)",
    "rule": "color(242)",
}
_NATIVE = {
    "text": "",
    "dim": "",
    "title": "bold",
    "good": "green",
    "warning": "bold yellow",
    "error": "bold red",
    "note": "cyan",
    "key": "bold",
    "chosen": "reverse",
    "entry": "underline",
    "cursor": "reverse",
    "rule": "",
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


@dataclass(frozen=True)
class Looks:
    """Styles and signs for one terminal."""

    terminal: Terminal

    @cached_property
    def styles(self) -> dict[str, Style]:
        """Style of every role."""
        if self.terminal.native:
            return {role: Style.parse(text) for role, text in _NATIVE.items()}
        behind = Style.parse(f"on color({BACKGROUND_NUMBER})")
        return {role: behind + Style.parse(text) for role, text in _COLOURS.items()}

    def strip(self, line: Line, width: int, base: str = "text") -> Strip:
        """Return ``line`` as a strip of exactly ``width`` cells, cut off or filled up."""
        segments = [
            Segment(_clean(self.terminal.text(text)), self._style(role))
            for text, role in line
            if text
        ]
        return Strip(segments).adjust_cell_length(width, self.styles[base]).simplify()

    def _style(self, role: str) -> Style:
        """Return the style of a role; a pair of colours (pictures) is a style of its own."""
        return self.styles[role] if role in self.styles else Style.parse(role)

    def width(self, text: str) -> int:
        """Return the cells that ``text`` takes on this terminal."""
        return cell_len(_clean(self.terminal.text(text)))

    def wrap(self, text: str, width: int) -> list[str]:
        """Return ``text`` in lines of at most ``width`` cells; nothing is lost."""
        return wrapped(self.terminal.text(text), max(width, 1))


def _clean(text: str) -> str:
    """Return ``text`` without control characters, which would move the cursor."""
    return text if text.isprintable() else "".join(c if c.isprintable() else " " for c in text)


@lru_cache(maxsize=512)
def _wrapped(text: str, width: int) -> tuple[str, ...]:
    return tuple(_wrap(text, width, break_on_hyphens=False)) or ("",)


def wrapped(text: str, width: int) -> list[str]:
    """Return ``text`` in lines of at most ``width`` characters."""
    return list(_wrapped(text, width))


def joined(lines: Iterable[Line]) -> str:
    """Return lines without their looks, for tests and for copying."""
    return "\n".join(line_text(line).rstrip() for line in lines)
