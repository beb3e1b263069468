"""What this terminal can show: colours, signs, or nothing at all."""

from __future__ import annotations

import codecs
import os
import sys
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, TextIO

from engine.errors import UsageError

Colours = Literal["true", "256", "16", "none"]
Signs = Literal["unicode", "console", "ascii"]

_COMMANDS = "Use the commands instead: stationbook --help."
_COMMON = {"−": "-", "×": "x", "≤": "<=", "≥": ">=", "…": "...", "–": "-", "—": "-"}
_CONSOLE = _COMMON | {"→": ">", "Δ": "d"}  # a Linux console has 256 or 512 glyphs
_ASCII = _COMMON | {
    "→": "->",
    "°": " deg",
    "±": "+/-",
    "·": ".",
    "µ": "u",
    "²": "^2",
    "³": "^3",
    "ß": "ss",
    "█": "#",
    "▓": "%",
    "▒": "=",
    "░": "-",
    "▀": "'",
    "▄": ",",
    "►": ">",
    "─": "-",
    "│": "|",
    "“": '"',
    "”": '"',
    "„": '"',
    "’": "'",
}


@dataclass(frozen=True, slots=True)
class Terminal:
    """How many colours and which signs may be used."""

    colours: Colours = "true"
    signs: Signs = "unicode"

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
    return Terminal(_colours(environ, term), _signs(term, stream))


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
