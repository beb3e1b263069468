"""Small pieces of HTML: every text is escaped unless it is HTML of our own."""

from __future__ import annotations

import html
import math
from collections.abc import Iterable, Sequence

NOT_KNOWN = "not known"


class Html(str):
    """Text that is HTML already; everything else is escaped where it is put in."""

    __slots__ = ()


def safe(text: object) -> Html:
    """Return any value as HTML; characters that cannot be seen or turn the line become blanks."""
    if isinstance(text, Html):
        return text
    plain = "".join(c if c.isprintable() or c == "\n" else " " for c in str(text))
    return Html(html.escape(plain))


def element(name: str, content: object, **attributes: str) -> Html:
    """Return one element; ``class_`` gives the attribute ``class``."""
    given = "".join(f' {k.rstrip("_")}="{safe(v)}"' for k, v in attributes.items())
    return Html(f"<{name}{given}>{safe(content)}</{name}>")


def joined(parts: Iterable[object], between: str = "") -> Html:
    """Return the parts one after the other."""
    return Html(between.join(safe(part) for part in parts))


def paragraph(text: object, **attributes: str) -> Html:
    """Return a paragraph."""
    return element("p", text, **attributes)


def section(title: str, *parts: object) -> Html:
    """Return a section with a heading."""
    return element("section", joined([element("h2", title), *parts]))


def table(head: Sequence[object], rows: Iterable[Sequence[object]], caption: str = "") -> Html:
    """Return a table whose first row and first column are headings."""
    top = joined(element("th", cell, scope="col") for cell in head)
    body = joined(
        element(
            "tr", joined([element("th", row[0], scope="row"), *(element("td", c) for c in row[1:])])
        )
        for row in rows
    )
    title = element("caption", caption) if caption else ""
    inner = joined([title, element("thead", element("tr", top)), element("tbody", body)])
    return element("div", element("table", inner), class_="wide")


def pairs(rows: Iterable[tuple[str, object]]) -> Html:
    """Return a list of names and values; None becomes "not known"."""
    parts = []
    for name, value in rows:
        shown = NOT_KNOWN if value is None or value == "" else value
        parts += [element("dt", name), element("dd", shown)]
    return element("dl", joined(parts))


def number(value: float | None, digits: int, unit: str = "") -> str:
    """Return a number with fixed decimals and unit, or "not known"."""
    if value is None:
        return NOT_KNOWN
    text = f"{round(value, digits) + 0.0:.{digits}f}".replace("-", "−")
    return f"{text} {unit}".rstrip()


def rounded(value: float | None, unit: str = "", factor: float = 1.0) -> str:
    """Return an uncertainty with two significant digits and unit, or "not known"."""
    if value is None:
        return NOT_KNOWN
    two = float(f"{value * factor:.2g}")
    digits = max(0, 1 - math.floor(math.log10(abs(two)))) if two else 0
    return f"{two:.{digits}f} {unit}".rstrip()
