"""The camera's source: delivers each new image once, and only after it was confirmed here."""

from __future__ import annotations

import hashlib
from contextlib import suppress
from typing import TYPE_CHECKING, Literal

from .desk import Desk

if TYPE_CHECKING:
    from engine.images.sources import ImageSource, NewImage
    from engine.sessions.cell import Cell

State = Literal["none", "unconfirmed", "folder", "live"]


class Watch:
    """Looks for new images of one camera of a session. Everything here may take time."""

    def __init__(self, desk: Desk, camera: str) -> None:
        self.desk, self.camera = desk, camera
        self.state: State = "none"
        self.name = ""
        self._source: ImageSource | None = None
        self._stored: set[str] = set()
        self._taken: set[str] = set()

    def open(self) -> None:
        """Open the source that the cell names, if it may be used on this machine."""
        from engine.sessions.confirmed import is_confirmed
        from engine.steps.source import confirmed_source

        cell = self._cell()
        source = cell.camera.source
        self._stored = set(self._stored_hashes())
        if not source:
            return
        kind, value = next(iter(source.items()))
        self.name = f"{kind} {value}"
        if not is_confirmed(self.desk.folder, source):
            self.state = "unconfirmed"
            return
        self._source = confirmed_source(cell, self.desk.folder)
        self.state = "folder" if kind == "folder" else "live"

    def confirm(self) -> None:
        """Let the source be used on this machine from now on."""
        from engine.sessions.confirmed import confirm

        source = self._cell().camera.source
        if source:
            confirm(self.desk.folder, source, now=self.desk.clock())
            self.open()

    def _cell(self) -> Cell:
        from engine.sessions.cameras import cell_of

        return cell_of(self.desk.opened().cell, self.camera)

    def newest(self) -> NewImage | None:
        """Return the newest image if it was not delivered before; raises FileError."""
        if self._source is None:
            return None
        image = self._source.newest(self._stored | self._taken | self.desk.used_images)
        if image is not None:
            self._taken.add(image.sha256)
        return image

    def again(self) -> None:
        """Deliver the newest image once more, unless it belongs to a recorded station."""
        self._stored = set(self._stored_hashes())
        self._taken.clear()

    def _stored_hashes(self) -> list[str]:
        """Return the SHA-256 of every recorded station's image."""
        hashes = []
        for station in self.desk.opened().stations:
            for image in (station.image, *(view.image for view in station.views)):
                if image is None:
                    continue
                with suppress(OSError):
                    data = (self.desk.folder / image).read_bytes()
                    hashes.append(hashlib.sha256(data).hexdigest())
        return hashes
