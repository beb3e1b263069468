"""What commands print: one JSON document a line, or text for a person."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Mapping
from typing import Any

from engine.findings import Finding, by_gravity

SIGNS = {"error": "ERROR", "warning": "WARNING", "note": "note"}


def print_json(document: Any) -> None:
    """Print one JSON document on one line of stdout; what is not known is null."""
    print(json.dumps(document, ensure_ascii=False, allow_nan=False), flush=True)


def say(text: str) -> None:
    """Print diagnostics and progress on stderr, so that stdout stays the answer."""
    print(text, file=sys.stderr, flush=True)


def finding_lines(findings: Iterable[Mapping[str, Any]]) -> list[str]:
    """Return findings, as plain data, for a person: place and message, and the remedy below."""
    lines = []
    for item in findings:
        place = f" station {item['station']}:" if item["station"] is not None else ""
        lines.append(f"{SIGNS[item['level']]} [{item['code']}]{place} {item['message']}")
        if item["remedy"]:
            lines.append(f"    {item['remedy']}")
    return lines


def print_findings(findings: Iterable[Finding]) -> None:
    """Print findings for a person on stdout, errors first."""
    for line in finding_lines(item.document() for item in by_gravity(findings)):
        print(line)
