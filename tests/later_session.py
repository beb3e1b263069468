"""A second session of the simulated cell, after camera or board have moved, written by hand."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import yaml
from made_session import goals

from engine.arrays import Array
from engine.boards.points_file import points_text
from engine.camera.lens import project
from engine.cell.mount import EYE_TO_HAND, Mount
from engine.cell.session import Session, Station
from engine.frames import apply, displaced
from engine.sessions.folder import session_text
from engine.simulate.scenario import Axes, Truth, cell, truth
from engine.simulate.virtual_cell import VirtualCell

STILL = np.zeros(6)
NOISE_PX = 0.1


def make_later(
    folder: Path,
    count: int,
    mount: Mount = EYE_TO_HAND,
    axes: Axes = 6,
    *,
    shift: Array = STILL,
    slip: Array = STILL,
    seed: int = 0,
    noise_seed: int = 1,
) -> Truth:
    """Write a session of ``count`` stations, camera displaced by ``shift``, board by ``slip``.

    ``seed`` fixes robot errors and stations, as in made_session; ``noise_seed`` the images' noise.
    """
    virtual = VirtualCell(cell(mount, axes), truth(mount, axes), seed)
    virtual.move_camera(shift)
    virtual.truth = replace(virtual.truth, board=displaced(virtual.truth.board, slip))
    rng = np.random.default_rng(noise_seed)
    (folder / "points").mkdir(parents=True)
    stations = []
    for number, goal in enumerate(goals(8, mount, axes, seed)[:count], start=1):
        virtual.go_to(goal)
        board = virtual.cell.board
        pixels = project(apply(virtual.camera_T_board(), board.points()), virtual.cell.camera)
        pixels = pixels + rng.normal(0.0, NOISE_PX, pixels.shape)
        name = f"points/{number:03d}.csv"
        text = points_text(np.arange(board.count), pixels)
        (folder / name).write_text(text, encoding="utf-8")
        stations.append(Station(number, pose=virtual.pendant_pose(), points=name))
    session = Session(
        "later", None, "2026-11-26T09:00:00+01:00", cell(mount, axes), (), tuple(stations)
    )
    (folder / "session.yaml").write_text(session_text(session), encoding="utf-8")
    return virtual.truth


def refuse(folder: Path) -> None:
    """Make the stored result of a session one that is not accepted, for its U."""
    path = folder / "result.yaml"
    document = yaml.safe_load(path.read_text(encoding="utf-8"))
    said = {"code": "uncertainty-large", "level": "error", "message": "U is too large."}
    said["remedy"] = "Record more stations."
    document |= {"verdict": "not-accepted", "findings": [said]}
    path.write_text(yaml.safe_dump(document), encoding="utf-8")
