"""The simulated cell behind the demo: it drives, shows its pose and takes images."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from engine.arrays import Array
from engine.cell.session import Station, labelled
from engine.cell.stations import station_pose
from engine.errors import StationbookError
from engine.images.load import encode_png
from engine.plans.types import Step
from engine.sessions.confirmed import confirm
from engine.sessions.folder import open_session
from engine.sessions.store import write_bytes_new
from engine.simulate.scenario import BoardName
from engine.simulate.stations import typing_slip
from engine.simulate.virtual_cell import VirtualCell
from engine.steps.demo import INCOMING, prepare, save_image
from engine.steps.recheck import start_again

from ..clock import now

STOPS = 6  # enough for this cell's tolerance, by what is expected of further ones
STOPS_AGAIN = 3  # after a bump: as many as a recheck needs
ENDS = 2  # points touched on a board that is laid: the first and the last
TIP = (0.0, 0.0, 150.0)  # mm, of the simulated pointer in the flange
TIP_U = "0.1"  # mm, how well it is known
PLACES = ((-0.3, -0.25, -0.3), (0.3, 0.25, -0.3), (0.0, 0.0, 0.2))  # of the pick area's size
BUMP_MM, BUMP_RAD = 4.0, 0.004  # a knock with a pallet; no source
SLIP_STOP = 6  # by then the other stations agree, so that the slip stands out


class Simulated:
    """A simulated robot, pendant and camera that saves into the session's image folder."""

    def __init__(
        self, folder: Path, virtual: VirtualCell, seed: int, home: Path | None = None
    ) -> None:
        """``home``: the session whose image folder the simulated camera saves to, if another."""
        self.folder, self.virtual, self.seed = folder, virtual, seed
        self.home = home or folder
        self.stop = self.first = 0  # first: images saved there before
        self.stops = STOPS
        self.laid = self.touched = 0
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
        save_image(self.home, self.first + self.stop, self.virtual)

    # ---- after the stations: proof, and a bump ------------------------------------------------

    @property
    def lays(self) -> bool:
        """Whether the board is laid next: at first, and when both ends of it were driven to."""
        return self.touched == self.laid * ENDS

    def lay(self) -> str:
        """Lay the board at the next place of the pick area, and save its image. Takes time."""
        volume = self.virtual.cell.work_volume
        share = PLACES[self.laid % len(PLACES)]
        place = np.add(volume.center_mm, np.multiply(share, volume.size_mm))
        self.laid += 1
        image = self.home / INCOMING / f"laid-{self.laid}.png"
        write_bytes_new(image, encode_png(self.virtual.lay_board(place)))
        return image.name

    def touch(self) -> tuple[int, str]:
        """Bring the tip to the next point; returns its number and what the pendant shows."""
        count = self.virtual.cell.board.count
        point = (0, count - 1)[self.touched % ENDS]
        self.fields = self.virtual.touch(point, TIP)
        self.touched += 1
        return point, labelled(self.virtual.cell.pendant.labels, self.fields)

    def bump(self) -> Simulated:
        """Knock the camera and begin a session for the recheck; returns what goes on there."""
        rng = np.random.default_rng([self.seed, 1])
        shift, turn = rng.normal(size=3), rng.normal(size=3)
        xi = np.concatenate([BUMP_RAD * turn / np.linalg.norm(turn),
                             BUMP_MM * shift / np.linalg.norm(shift)])  # fmt: skip
        self.virtual.move_camera(xi)
        number = 1
        while (folder := self.folder.with_name(f"{self.folder.name}-bump-{number}")).exists():
            number += 1
        session = start_again(self.folder, folder, now=now())
        if source := session.cell.camera.source:
            confirm(folder, source, now=now())
        after = Simulated(folder, self.virtual, self.seed, self.home)
        after.stops, after.first = STOPS_AGAIN, self.first + self.stop
        return after

    @property
    def slip(self) -> str:
        """A wrong digit to be typed at this stop, or "": label and value."""
        if self.stop != SLIP_STOP or self.first:
            return ""
        slipped = typing_slip(self.fields, np.random.default_rng(self.seed))
        at = next(n for n, (a, b) in enumerate(zip(self.fields, slipped, strict=True)) if a != b)
        return f"{self.virtual.cell.pendant.labels[at]} {slipped[at]}"
