"""The simulated cell behind the demo: it drives, shows its pose and takes images."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from engine.arrays import Array
from engine.cell.session import Station
from engine.cell.stations import station_pose
from engine.errors import StationbookError
from engine.plans.types import Step
from engine.sessions.confirmed import confirm
from engine.sessions.folder import open_session
from engine.simulate.scenario import BoardName
from engine.simulate.stations import typing_slip
from engine.simulate.virtual_cell import VirtualCell
from engine.steps.demo import prepare, save_image

from ..clock import now

STOPS = 8
SLIP_STOP = 6  # by then the other stations agree, so that the slip stands out


class Simulated:
    """A simulated robot, pendant and camera that saves into the session's image folder."""

    def __init__(self, folder: Path, virtual: VirtualCell, seed: int) -> None:
        self.folder, self.virtual, self.seed = folder, virtual, seed
        self.stop = 0
        self.fields: tuple[str, ...] = ()

    @classmethod
    def prepare(
        cls, folder: Path, seed: int, board: BoardName = "chessboard", depth: bool = False
    ) -> Simulated:
        """Make the session and its simulated cell. Takes seconds; raises FileError."""
        virtual = prepare(folder, seed, now(), board, depth)
        if source := open_session(folder).cell.camera.source:
            confirm(folder, source, now=now())
        return cls(folder, virtual, seed)

    def drive(self, step: Step | None) -> None:
        """Drive to a proposed station, never quite exactly, and save an image. Takes time.

        Without one the first stop shows the board in the middle of the view.
        """
        self._go(self.virtual.suggest_stations(1)[0] if step is None else step.base_T_flange)

    def drive_back(self, station: Station | None) -> None:
        """Drive back to a recorded station by its typed pose, and save an image. Takes time."""
        pose = None if station is None else station_pose(self.virtual.cell, station)
        if pose is None:
            raise StationbookError("no station is recorded to go back to")
        self._go(pose)

    def _go(self, base_T_flange: Array) -> None:
        self.virtual.go_to(base_T_flange)
        self.stop += 1
        self.fields = self.virtual.pendant_pose()
        save_image(self.folder, self.stop, self.virtual)

    @property
    def slip(self) -> str:
        """A wrong digit to be typed at this stop, or "": label and value."""
        if self.stop != SLIP_STOP:
            return ""
        slipped = typing_slip(self.fields, np.random.default_rng(self.seed))
        at = next(n for n, (a, b) in enumerate(zip(self.fields, slipped, strict=True)) if a != b)
        return f"{self.virtual.cell.pendant.labels[at]} {slipped[at]}"
