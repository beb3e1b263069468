"""The camera's source, opened only where it was confirmed on this machine."""

from __future__ import annotations

from pathlib import Path

from ..cell.cell import Cell
from ..errors import StationbookError
from ..images.sources import ImageSource, open_source
from ..sessions.confirmed import is_confirmed, read_settings


def confirmed_source(cell: Cell, folder: Path) -> ImageSource:
    """Return the source that ``cell`` names, for images of the session or cell in ``folder``.

    Raises StationbookError where it names none or the source was not confirmed on this machine,
    FileError where the user's own configuration cannot be read.
    """
    source = cell.camera.source
    if source is None:
        raise StationbookError(
            "the cell names no image source", "Set camera.source, or give the image with --image."
        )
    if not is_confirmed(folder, source):
        kind, value = next(iter(source.items()))
        raise StationbookError(
            f"the image source {kind} {value!r} was never confirmed on this machine",
            "If you know it and trust it, confirm it with --confirm.",
        )
    settings = read_settings()
    logins = {host: (login.user, login.password) for host, login in settings.credentials.items()}
    return open_source(source, folder, commands=settings.commands, credentials=logins)
