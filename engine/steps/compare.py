"""Comparing stored results: two of them, or the history of a cell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from ..cell.cameras import seen_by
from ..cell.session import Session
from ..errors import UsageError
from ..proof.compare import Difference, Entry, difference, draw_history
from ..proof.same_cell import check_same
from ..proof.stated import Stated, stated
from ..report.delivered import of_camera
from ..sessions.folder import open_session
from ..sessions.store import write_bytes_atomic
from .current import current_result

FIGURES = (".svg", ".png", ".pdf")


@dataclass(frozen=True, slots=True, eq=False)
class Stored:
    """A session with what its stored result states."""

    session: Session
    result: Stated
    verdict: str
    proven: bool


def stored(folder: Path, camera: str | None = None) -> Stored:
    """Return a session as ``camera`` (None: the first) saw it, and its stored result.

    Raises FileError, SolveError, UsageError for a camera that the cell does not have.
    """
    session = open_session(folder)
    document = current_result(session, folder)
    name = camera or session.cell.camera.name
    own, part = seen_by(session, name), of_camera(document, session.cell, name)
    verdict = str(part.get("verdict"))
    return Stored(own, stated(part, own.cell), verdict, part.get("proven") is True)


def compare(folder: Path, other: Path, camera: str | None = None) -> Difference:
    """Return the difference from the result in ``other`` to the one in ``folder``.

    Raises UsageError where they belong to different cells.
    """
    new, old = stored(folder, camera), stored(other, camera)
    check_same(old.session.cell, new.session.cell)
    return difference(old.result, new.result, new.session.cell)


def history(folders: Sequence[Path], camera: str | None = None) -> list[Entry]:
    """Return the results of one cell in the order of their days, each against the first."""
    results = [stored(folder, camera) for folder in folders]
    found = sorted(results, key=lambda item: item.session.created)
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
