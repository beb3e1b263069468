"""Sessions written by hand from a simulated cell: typed poses and points, no images, no journal."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import NamedTuple

import numpy as np

from engine.arrays import Array
from engine.boards.points_file import points_text
from engine.camera.lens import project
from engine.cell.mount import EYE_TO_HAND, Mount
from engine.cell.session import Session, Station
from engine.frames import apply
from engine.sessions.folder import session_text
from engine.simulate.scenario import Axes, Truth, cell, truth
from engine.simulate.virtual_cell import VirtualCell


class Stop(NamedTuple):
    """One stop: what the pendant shows, and what the camera sees (CSV text)."""

    pose: tuple[str, ...]
    points: str


@cache
def goals(count: int, mount: Mount = EYE_TO_HAND, axes: Axes = 6, seed: int = 0) -> Array:
    """Return so many flange poses (count, 4, 4) [mm] in the simulated cell; always the same."""
    return VirtualCell(cell(mount, axes), truth(mount, axes), seed).suggest_stations(count)


@cache
def stops(
    count: int, mount: Mount = EYE_TO_HAND, axes: Axes = 6, *, seed: int = 0, noise_px: float = 0.1
) -> tuple[tuple[Stop, ...], Truth]:
    """Return ``count`` stops of the simulated cell and where camera and board truly are."""
    real = truth(mount, axes)
    virtual = VirtualCell(cell(mount, axes), real, seed)
    rng = np.random.default_rng(seed)
    found = []
    for goal in goals(count, mount, axes, seed):
        virtual.go_to(goal)
        board = virtual.cell.board
        pixels = project(apply(virtual.camera_T_board(), board.points()), virtual.cell.camera)
        pixels = pixels + rng.normal(0.0, noise_px, pixels.shape)
        found.append(Stop(virtual.pendant_pose(), points_text(np.arange(board.count), pixels)))
    return tuple(found), real


def make_session(
    folder: Path, count: int, mount: Mount = EYE_TO_HAND, axes: Axes = 6, *, seed: int = 0
) -> Truth:
    """Write a session of ``count`` stations into ``folder`` as a person would by hand."""
    made, real = stops(count, mount, axes, seed=seed)
    (folder / "points").mkdir(parents=True)
    stations = []
    for number, stop in enumerate(made, start=1):
        name = f"points/{number:03d}.csv"
        (folder / name).write_text(stop.points, encoding="utf-8")
        stations.append(Station(number, pose=stop.pose, points=name))
    session = Session(
        "made by hand", None, "2026-11-25T09:00:00+01:00", cell(mount, axes), (), tuple(stations)
    )
    (folder / "session.yaml").write_text(session_text(session), encoding="utf-8")
    return real
