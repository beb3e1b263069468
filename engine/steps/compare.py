"""Comparing stored results: two of them, or the history of a cell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from ..errors import UsageError
from ..proof.compare import Difference, difference
from ..proof.history import Entry, draw_history
from ..proof.same_cell import check_same
from ..proof.stated import Stated, stated
from ..sessions.folder import open_session
from ..sessions.results import read_result
from ..sessions.session import Session
from ..sessions.store import write_bytes_atomic

FIGURES = (".svg", ".png", ".pdf")


@dataclass(frozen=True, slots=True, eq=False)
class Stored:
    """A session with what its stored result states."""

    session: Session
    result: Stated
    verdict: str
    proven: bool


def stored(folder: Path) -> Stored:
    """Return a session and its stored result. Raises FileError, SolveError."""
    session, document = open_session(folder), read_result(folder)
    result = stated(document, session.cell)
    verdict = str(document.get("verdict"))
    return Stored(session, result, verdict, document.get("proven") is True)


def compare(folder: Path, other: Path) -> Difference:
    """Return the difference from the result in ``other`` to the one in ``folder``.

    Raises UsageError where they belong to different cells.
    """
    new, old = stored(folder), stored(other)
    check_same(old.session.cell, new.session.cell)
    return difference(old.result, new.result, new.session.cell)


def history(folders: Sequence[Path]) -> list[Entry]:
    """Return the results of one cell in the order of their days, each against the first."""
    found = sorted((stored(folder) for folder in folders), key=lambda item: item.session.created)
    first = found[0]
    entries = []
    for item in found:
        check_same(first.session.cell, item.session.cell)
        since = None
        if item is not first:
            since = difference(first.result, item.result, first.session.cell)
        name, created = item.session.name, item.session.created
        entries.append(Entry(name, created, item.verdict, item.proven, since))
    return entries


def figure(entries: Sequence[Entry], folder: Path, path: Path) -> None:
    """Draw the history into ``path``. Raises UsageError for an unknown kind of file."""
    if path.suffix.lower() not in FIGURES:
        raise UsageError(f"{path.name}: unknown kind of figure", f"Use {', '.join(FIGURES)}.")
    tolerance = open_session(folder).cell.tolerance.position_mm
    write_bytes_atomic(path, draw_history(entries, tolerance, path))
