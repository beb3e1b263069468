"""Practice: a mistake is planted in a copy of the stations, to be found and named.

Nothing is written but the score: the copy lives in memory only.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from engine.catalogue import CATALOGUE
from engine.cell.session import Session
from engine.errors import StationbookError
from engine.simulate.stations import typing_slip
from engine.steps.solve import Solved, solve_session

from .desk import Desk

LEAST = 6  # stations: with fewer of them a single mistake cannot be told apart
FAULTS = {  # what can be planted: its code, and how it is named
    "typed-value": "one pose was mistyped",
    "pairing": "two images are exchanged",
    "board-pitch": "the board's pitch is wrong",
    "rotation-convention": "the angles are read in another order",
}


@dataclass(frozen=True, slots=True, eq=False)
class Planted:
    """A session with one mistake: its code, the stations it concerns, and what solving says."""

    number: int
    code: str
    stations: tuple[int, ...]
    what: str
    session: Session
    solved: Solved

    def right(self, code: str, station: int | None) -> bool:
        """Tell whether this answer names the mistake, and the station where there is one."""
        return code == self.code and (not self.stations or station in self.stations)

    def explained(self) -> str:
        entry = CATALOGUE[self.code]
        return f"It was: {self.what}. {entry.cause} It shows so: {entry.shows}"


def plant(desk: Desk, asked: str) -> Planted:
    """Plant the next mistake; ``asked`` is the number of the one before. Takes a second.

    Raises StationbookError where there are too few stations.
    """
    number = int(asked) + 1 if asked.isdecimal() else 1
    session, rng = desk.opened(), np.random.default_rng(number)
    used = [s for s in session.stations if s.use and s.pose and s.points]
    if len(used) < LEAST:
        raise StationbookError(f"{LEAST} stations are needed", "Go on with the demo first.")
    code = list(FAULTS)[(number - 1) % len(FAULTS)]
    first, second = (used[int(k)] for k in rng.choice(len(used), 2, replace=False))
    at: tuple[int, ...] = ()
    cell, pendant = session.cell, session.cell.pendant
    if code == "typed-value" and first.pose is not None:
        slipped = typing_slip(first.pose, rng)
        wrong = session.with_station(replace(first, pose=slipped))
        at, what = (first.id,), f"station {first.id} was typed as {' '.join(slipped)}"
    elif code == "pairing":
        wrong = session.with_station(replace(first, image=second.image, points=second.points))
        wrong = wrong.with_station(replace(second, image=first.image, points=first.points))
        at, what = (first.id, second.id), f"stations {first.id} and {second.id}, images exchanged"
    elif code == "board-pitch":
        board = replace(cell.board, pitch_mm=1.02 * cell.board.pitch_mm)
        wrong = replace(session, cell=replace(cell, board=board))
        what = f"a pitch of {board.pitch_mm:g} mm instead of {cell.board.pitch_mm:g}"
    else:
        other = "moving-xyz" if pendant.rotation != "moving-xyz" else "fixed-xyz"
        wrong = replace(session, cell=replace(cell, pendant=replace(pendant, rotation=other)))
        what = f"{other} instead of {pendant.rotation}"
    return Planted(number, code, at, what, wrong, solve_session(wrong, desk.folder))
