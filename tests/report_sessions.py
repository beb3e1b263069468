"""A recorded session of the simulated cell on disk, for the tests of the report."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from engine.camera.lens import project
from engine.cell.cell import Cell
from engine.cell.mount import Mount
from engine.cell.session import Session, Station
from engine.estimate.assemble import estimated
from engine.estimate.problem import Problem, problem_from
from engine.estimate.result import Result
from engine.frames import apply
from engine.sessions.folder import open_session, session_text
from engine.sessions.numbers import observations
from engine.sessions.results import input_hashes, result_document
from engine.simulate.scenario import Axes, cell, truth
from engine.simulate.virtual_cell import VirtualCell

PIXEL_NOISE_PX = 0.1


def scaled(room: Cell, factor: float) -> Cell:
    """Return the cell with a camera of ``factor`` times as many pixels along each side."""
    matrix = tuple(
        tuple(v * (factor if row < 2 else 1.0) for v in values)
        for row, values in enumerate(room.camera.matrix)
    )
    size = tuple(round(side * factor) for side in room.camera.image_size_px)
    return replace(room, camera=replace(room.camera, matrix=matrix, image_size_px=size))


def record(
    folder: Path, *, mount: Mount = "eye-to-hand", count: int = 15, images: bool = True,
    factor: float = 1.0, slip: int | None = None, axes: Axes = 6,
) -> Session:  # fmt: skip
    """Write a session of ``count`` stations into ``folder``; at ``slip`` Y is typed 10 mm off."""
    room = scaled(cell(mount, axes), factor)
    virtual = VirtualCell(room, truth(mount, axes), seed=3)
    rng = np.random.default_rng(5)
    stations = []
    for part in ("images", "points"):
        (folder / part).mkdir(parents=True, exist_ok=True)
    for number, goal in enumerate(virtual.suggest_stations(count), start=1):
        virtual.go_to(goal)
        name = f"{number:03d}"
        if images:
            cv2.imwrite(str(folder / "images" / f"{name}.png"), virtual.take_image())
        pixels = project(apply(virtual.camera_T_board(), room.board.points()), room.camera)
        pixels = pixels + rng.normal(0.0, PIXEL_NOISE_PX, pixels.shape)
        rows = [f"{k},{u:.4f},{v:.4f}" for k, (u, v) in enumerate(pixels)]
        (folder / "points" / f"{name}.csv").write_text("\n".join(["id,u_px,v_px", *rows, ""]))
        pose = list(virtual.pendant_pose())
        if number == slip:
            pose[1] = f"{float(pose[1]) + 10:.2f}"
        stations.append(
            Station(
                id=number, pose=tuple(pose), image=f"images/{name}.png" if images else None,
                points=f"points/{name}.csv", taken=f"2026-11-25T09:{number % 60:02d}:00+01:00",
                operator="A. Example",
            )
        )  # fmt: skip
    session = Session("infeed, autumn check", "A. Example", "2026-11-25T09:00:00+01:00", room)
    session = replace(session, stations=tuple(stations))
    store(folder, session)
    return open_session(folder)


def store(folder: Path, session: Session) -> None:
    """Write session.yaml."""
    (folder / "session.yaml").write_text(session_text(session), encoding="utf-8")


def solved(session: Session, folder: Path) -> tuple[Problem, Result, dict[str, Any]]:
    """Return the estimate of a session, and its document with the hashes of its inputs."""
    problem = problem_from(session.cell, observations(session, folder))
    result = estimated(problem)
    return (
        problem,
        result,
        {**result_document(result.stored()), "inputs": input_hashes(session, folder)},
    )
