"""What commands print: one JSON document a line, or text for a person."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable
from typing import Any

from engine.findings import Finding, by_gravity

from .words import Line, line_text, listed

WIDTH = 100  # cells for bars; a terminal wraps longer texts by itself


def print_json(document: Any) -> None:
    """Print one JSON document on one line of stdout; what is not known is null."""
    print(json.dumps(document, ensure_ascii=False, allow_nan=False), flush=True)


def say(text: str) -> None:
    """Print diagnostics and progress on stderr, so that stdout stays the answer."""
    print(text, file=sys.stderr, flush=True)


def print_lines(lines: Iterable[Line]) -> None:
    """Print lines for a person on stdout."""
    for line in lines:
        print(line_text(line).rstrip())


def print_findings(findings: Iterable[Finding]) -> None:
    """Print findings for a person on stdout, errors first."""
    print_lines(listed(by_gravity(findings)))
