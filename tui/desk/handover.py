"""Handing the stored result over: the report and the exports, by the commands' own steps.

Both take time and belong in the background.
"""

from __future__ import annotations

from pathlib import Path

from engine.errors import StationbookError, UsageError
from engine.steps.handover import FORMS, camera_names, make_report, store_exports, write_report

from .desk import Desk


def write_reports(desk: Desk) -> tuple[Path, ...]:
    """Write the report of every camera into the session's folder and return the paths."""
    session = desk.opened()
    names = camera_names(session.cell)
    pages = {name: make_report(session, desk.folder, desk.clock(), name)[0] for name in names}
    written: list[Path] = []

    def step() -> None:
        for name, html in pages.items():
            written.append(write_report(session.cell, desk.folder, html, name))

    desk.alone(step)
    return tuple(written)


def write_exports(desk: Desk, form: str) -> tuple[Path, ...]:
    """Write the accepted result in this form into the session's folder and return the paths.

    Raises StationbookError for a result that is not accepted; only the command can be told to
    write that all the same.
    """
    written: list[Path] = []
    try:
        desk.alone(lambda: written.extend(store_exports(desk.opened(), desk.folder, form)))
    except UsageError as error:
        raise StationbookError(error.problem, "Put that right and solve again.") from error
    return tuple(written)


def export_forms() -> list[tuple[str, str]]:
    """Return name and purpose of every export form."""
    return [(name, form.words) for name, form in FORMS.items()]
