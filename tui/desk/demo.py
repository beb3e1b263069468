"""The simulated cell behind the demo: it drives, shows its pose and takes images."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from engine.errors import StationbookError

from .desk import now

if TYPE_CHECKING:
    from engine.simulate.virtual_cell import VirtualCell

STOPS = 8
SLIP_STOP = 6  # by then the other stations agree, so that the slip stands out


class Simulated:
    """A simulated robot, pendant and camera that saves into the session's image folder."""

    def __init__(self, folder: Path, virtual: VirtualCell, seed: int) -> None:
        self.folder, self.virtual, self.seed = folder, virtual, seed
        self.stop = 0
        self._goals = list(virtual.suggest_stations(STOPS))
        self.fields: tuple[str, ...] = ()
        self.hint = "F4 drives to the first stop."

    @classmethod
    def prepare(cls, folder: Path, seed: int) -> Simulated:
        """Make the session and its simulated cell. Takes seconds; raises FileError."""
        from engine.sessions.confirmed import confirm
        from engine.sessions.folder import open_session
        from engine.steps.demo import prepare

        virtual = prepare(folder, seed, now())
        if source := open_session(folder).cell.camera.source:
            confirm(folder, source, now=now())
        return cls(folder, virtual, seed)

    @property
    def left(self) -> int:
        """Stops that are left."""
        return len(self._goals) - self.stop

    def drive(self) -> None:
        """Drive to the next stop, never quite exactly, and save an image. Takes time."""
        from engine.images.load import encode_png
        from engine.sessions.store import write_bytes_new
        from engine.steps.demo import INCOMING

        if not self.left:
            raise StationbookError("this was the last stop", "F6 solves.")
        self.virtual.go_to(self._goals[self.stop])
        self.stop += 1
        self.fields = self.virtual.pendant_pose()
        self.hint = self._hint()
        image = self.folder / INCOMING / f"{self.stop:04d}.png"
        write_bytes_new(image, encode_png(self.virtual.take_image()))

    def _hint(self) -> str:
        """Ask for a slip at one stop, else say which stop this is."""
        if self.stop != SLIP_STOP:
            return f"Stop {self.stop} of {STOPS}."
        import numpy as np

        from engine.simulate.slips import typing_slip

        slipped = typing_slip(self.fields, np.random.default_rng(self.seed))
        at = next(n for n, (a, b) in enumerate(zip(self.fields, slipped, strict=True)) if a != b)
        label = self.virtual.cell.pendant.labels[at]
        return f"Here, type {label} {slipped[at]} by mistake."
