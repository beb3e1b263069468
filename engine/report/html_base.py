"""Small pieces of HTML, and how a report looks: every text is escaped unless it is our own."""

from __future__ import annotations

import html
import math
from collections.abc import Iterable, Sequence

STYLE = """
:root { color-scheme: light; --ink: #1d2a33; --accent: #0b6e6e; --line: #c3ccd0; --soft: #f1f4f5; }
* { box-sizing: border-box; }
html { background: #fff; color: var(--ink); font: 15px/1.45 system-ui, "Segoe UI", Roboto,
  "DejaVu Sans", sans-serif; }
body { max-width: 62rem; margin: 0 auto; padding: 1.5rem 1.25rem 3rem; }
header { border-bottom: 3px solid var(--ink); margin-bottom: 1.2rem; padding-bottom: .6rem; }
h1 { font-size: 1.7rem; line-height: 1.2; margin: 0 0 .2rem; }
h2 { font-size: 1.15rem; margin: 2rem 0 .6rem; padding-bottom: .2rem;
  border-bottom: 1px solid var(--line); }
h3 { font-size: 1rem; margin: 1.1rem 0 .4rem; }
p { margin: .4rem 0; max-width: 46rem; }
dl { display: grid; grid-template-columns: max-content 1fr; gap: .15rem 1.2rem; margin: .4rem 0;
  align-content: start; }
dt { color: #45555f; }
dd { margin: 0; overflow-wrap: anywhere; }
.columns { display: grid; grid-template-columns: repeat(auto-fit, minmax(19rem, 1fr));
  gap: 0 2rem; }
.verdict { border: 3px solid var(--ink); padding: .8rem 1rem; margin: 1rem 0; }
.verdict strong { display: block; font-size: 1.5rem; letter-spacing: .03em; }
.verdict.no { border-style: double; border-width: 6px; }
.caution { border-left: 6px solid var(--ink); background: var(--soft); padding: .6rem 1rem;
  margin: .8rem 0; }
.caution ul { margin: .3rem 0; padding-left: 1.1rem; }
.finding { border: 1px solid var(--line); border-left-width: 6px; padding: .4rem .8rem;
  margin: .5rem 0; }
.finding.error { border-left: 6px double var(--ink); }
.finding.warning { border-left-color: var(--accent); }
.wide { overflow-x: auto; margin: .5rem 0; }
table { border-collapse: collapse; font-size: .88rem; font-variant-numeric: tabular-nums; }
caption { text-align: left; color: #45555f; padding: .2rem 0; }
.typed { white-space: nowrap; }
.figures .full img { width: 100%; }
pre { margin: .2rem 0; overflow-x: auto; }
.line { white-space: nowrap; display: block; }
th, td { border-bottom: 1px solid var(--line); padding: .22rem .7rem .22rem 0; text-align: left;
  vertical-align: top; }
thead th { border-bottom: 2px solid var(--ink); vertical-align: bottom; }
code, .typed { font-family: ui-monospace, "DejaVu Sans Mono", Consolas, monospace;
  font-size: .9em; }
.figures { display: grid; grid-template-columns: repeat(2, minmax(0, 1fr)); gap: 1rem 2rem; }
.figures .full { grid-column: 1 / -1; }
@media (max-width: 44rem) { .figures > * { grid-column: 1 / -1; } }
figure { margin: 0; }
figure img { max-width: 100%; height: auto; display: block; }
figcaption { max-width: 46rem; }
figcaption b { display: block; }
.pictures { display: grid; grid-template-columns: repeat(auto-fill, minmax(16.5rem, 1fr));
  gap: 1rem; }
.pictures svg { display: block; width: 100%; height: auto; border: 1px solid var(--line); }
.pictures figcaption { font-size: .85rem; }
.pictures img { width: 100%; }
.hash { display: block; font-size: .7rem; overflow-wrap: anywhere; }
.blank { display: inline-block; min-width: 9rem; border-bottom: 1px solid var(--ink); }
.sign td, .sign th { height: 3.2em; vertical-align: bottom; }
.sign table { width: 100%; }
footer { margin-top: 2rem; border-top: 1px solid var(--line); padding-top: .5rem;
  font-size: .85rem; color: #45555f; }
@page { margin: 14mm 13mm 16mm; @bottom-right { content: counter(page) " / " counter(pages);
  font: 9px sans-serif; } }
@media print {
  html { font-size: 10pt; }
  body { max-width: none; padding: 0; }
  .wide { overflow: visible; }
  table { font-size: 8pt; }
  th, td { padding-right: .45rem; }
  p, tr, figure, .block, .finding, .verdict, .caution, .sign, dl, footer { break-inside: avoid; }
  h2, h3, p:has(+ .wide), dl:has(+ .wide), caption,
  .sign { break-after: avoid; }
  thead, tbody tr:first-child, tbody tr:last-child { break-before: avoid; }
  .pictures { grid-template-columns: repeat(3, 1fr); gap: 4mm; }
  a { color: inherit; text-decoration: none; }
}
"""


NOT_KNOWN = "not known"
# No script, no address: a page shows only what it carries.
POLICY = "default-src 'none'; img-src data:; style-src 'unsafe-inline'"


class Html(str):
    """Text that is HTML already; everything else is escaped where it is put in."""

    __slots__ = ()


BLANK = Html('<span class="blank">&nbsp;</span>')  # to be filled in by hand


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


def page(title: str, style: str, body: object) -> str:
    """Return a whole page that needs no other file."""
    head = joined([
        Html('<meta charset="utf-8">'),
        Html(f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">'),
        Html('<meta name="viewport" content="width=device-width, initial-scale=1">'),
        element("title", title),
        Html(f"<style>{style}</style>"),
    ])  # fmt: skip
    content = joined([element("head", head), element("body", body)])
    return f"<!DOCTYPE html>\n{element('html', content, lang='en')}\n"


def paragraph(text: object, **attributes: str) -> Html:
    """Return a paragraph."""
    return element("p", text, **attributes)


def figure(content: Html, title: str, words: object, **attributes: str) -> Html:
    """Return a figure with a title and what it shows in words below it."""
    caption = element("figcaption", joined([element("b", title), words]))
    return element("figure", joined([content, caption]), **attributes)


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
