"""The stored result of a session, as it may be handed over now."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from ..cell.session import Session
from ..errors import StationbookError
from ..findings import finding
from ..sessions.results import changed_since, read_result

MOST_NAMED = 4  # changed files that a sentence can carry


def current_result(session: Session, folder: Path) -> dict[str, Any]:
    """Return the stored result; one that the session has left behind is not accepted and says so.

    Raises FileError where there is no result or it is damaged.
    """
    document = read_result(folder)
    changed = what_changed(session, folder, document)
    return document if changed is None else _outdated(document, changed)


def what_changed(session: Session, folder: Path, document: Mapping[str, Any]) -> str | None:
    """Return in words what changed since ``document`` was computed, None where nothing did.

    A result that does not say what it was computed from counts as unchanged.
    """
    try:
        changed = changed_since(session, folder, document)
    except StationbookError as error:
        return error.problem
    if not changed:
        return None
    more = len(changed) - MOST_NAMED
    return ", ".join(changed[:MOST_NAMED]) + (f" and {more} more" if more > 0 else "")


def _outdated(document: dict[str, Any], changed: str) -> dict[str, Any]:
    said = finding("result-outdated", changed=changed).document()
    findings = [said, *(document.get("findings") or [])]
    amended = {**document, "verdict": "not-accepted", "findings": findings}
    further = document.get("cameras")
    if isinstance(further, Mapping):
        amended["cameras"] = {
            name: _outdated(part, changed) if isinstance(part, dict) else part
            for name, part in further.items()
        }
    return amended
