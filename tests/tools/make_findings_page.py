"""Write docs/findings.md from the catalogue: run after changing engine/catalogue/."""

from __future__ import annotations

from pathlib import Path

from engine.catalogue import CATALOGUE, Entry
from engine.findings import in_general

PAGE = Path(__file__).parents[2] / "docs" / "findings.md"

HEAD = """\
# Findings, one by one

A finding is something the program noticed. It has a code, a level, a message and a remedy:

- **error**: the station cannot be recorded, or the result cannot be accepted;
- **warning**: recorded once the operator accepts it (`--accept CODE`, or the key on the screen);
- **note**: worth knowing.

`reach` and `joint-limit` are errors that can be accepted with a reason (`--reason TEXT`), because
the pose was read off a robot that stands there: the robot file may be what is wrong. Words in
angle brackets are filled in by the program. `stationbook explain CODE` prints the same page.

This page is made from the catalogue by `python tests/tools/make_findings_page.py`.
"""


def page() -> str:
    """Return the whole page."""
    codes = [key for key in CATALOGUE if "/" not in key]
    return HEAD + "".join(_section(code) for code in codes)


def _section(code: str) -> str:
    forms = [entry for key, entry in CATALOGUE.items() if key.split("/")[0] == code]
    first = forms[0]
    head = f"\n## {code}\n\n**Cause.** {first.cause}\n\n**How it shows.** {first.shows}\n\n"
    return head + "".join(_form(entry) for entry in forms)


def _form(entry: Entry) -> str:
    message, remedy = (_markdown(in_general(text)) for text in (entry.message, entry.remedy))
    return f"- *{entry.level}*: {message}\n  **Remedy:** {remedy}\n"


def _markdown(text: str) -> str:
    return text.replace("<", "\\<")


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
