"""A cell and a solve document in known numbers, for the tests of everything handed over."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from engine.boards.pattern import Board
from engine.camera.model import Camera
from engine.cell.cell import Cell, WorkVolume
from engine.cell.mount import Mount
from engine.cell.result import StoredResult
from engine.cell.rule import Tolerance
from engine.frames import displaced, quaternion_xyzw, transform
from engine.pendant.settings import Pendant
from engine.report.delivered import delivered
from engine.report.exports import Chosen, write
from engine.sessions.results import result_from
from engine.sessions.yaml_text import parse_yaml, plain, yaml_dump

RNG = np.random.default_rng(20261125)
# A camera 1.2 m above the work volume, looking down, a little askew.
LOOKING_DOWN = transform(np.diag([1.0, -1.0, -1.0]), (612.4375, -85.1234, 1450.25))
CAMERA = displaced(LOOKING_DOWN, (0.031, -0.127, 0.43, 0.0, 0.0, 0.0))
ON_BOARD = displaced(np.eye(4), (0.02, 0.01, -1.2, -95.1, 72.3, 41.25))
HALF = RNG.normal(size=(6, 6)) * np.array([1e-4, 1e-4, 1e-4, 0.05, 0.05, 0.05])[:, None]
COVARIANCE = HALF @ HALF.T

PENDANT = Pendant("mm", "deg", "fixed-xyz", ("X", "Y", "Z", "A", "B", "C"), (2, 2, 2, 2, 2, 2))


def cell(
    mount: Mount = "eye-to-hand", pendant: Pendant = PENDANT, name: str = "bottling line 2, infeed"
) -> Cell:
    """Return a cell with a frame camera, or with a camera on the flange."""
    fixed = mount == "eye-to-hand"
    return Cell(
        name=name,
        mount=mount,
        robot=None,
        pendant=pendant,
        camera=Camera(
            "frame camera", (1280, 1024), ((1400.0, 0, 640), (0, 1400.0, 512), (0, 0, 1))
        ),
        board=Board("chessboard", 11, 8, 20.0),
        work_volume=WorkVolume(
            "base" if fixed else "camera",
            (600.0, 0.0, 250.0) if fixed else (0.0, 0.0, 500.0),
            (400.0, 300.0, 200.0),
        ),
        tolerance=Tolerance(1.0, 0.2),
    )


def stored(document: Mapping[str, Any]) -> StoredResult:
    """Return a document as it is read from result.yaml."""
    return result_from(parse_yaml(yaml_dump(plain(document)).encode(), Path("result.yaml")))


def placed(T: np.ndarray) -> dict[str, Any]:
    """Return a transform as a solve document holds it."""
    return {
        "position_mm": T[:3, 3].tolist(),
        "quaternion_xyzw": quaternion_xyzw(T[:3, :3]).tolist(),
        "matrix": T.tolist(),
    }


def document(mount: Mount = "eye-to-hand", **changed: Any) -> dict[str, Any]:
    """Return an accepted solve document; ``changed`` replaces or adds keys."""
    names = ("base_T_camera", "flange_T_board")
    if mount == "eye-in-hand":
        names = ("flange_T_camera", "base_T_board")
    return {
        "format": 1,
        "mount": mount,
        "verdict": "accepted",
        names[0]: placed(CAMERA),
        names[1]: placed(ON_BOARD),
        "covariance": COVARIANCE.tolist(),
        "uncertainty": {
            "position_mm": float(np.sqrt(np.trace(COVARIANCE[3:, 3:]))),
            "angle_deg": float(np.rad2deg(np.sqrt(np.trace(COVARIANCE[:3, :3])))),
            "work_volume_mm": 0.11,
            "pick_mm": 0.31,
        },
        "proven": False,
        "noise": {"pixel_px": 0.15, "robot_position_mm": 0.12, "robot_angle_deg": 0.02},
        "stations": [],
        "findings": [],
    } | changed


def export(
    result: StoredResult,
    cell: Cell,
    form: str,
    *,
    source_sha256: str,
    inverse: bool = False,
    allow_not_accepted: bool = False,
    unit: str | None = None,
    chosen: Chosen | None = None,
) -> str:
    """Return the camera's transform of a result as the text of one file."""
    item = delivered(result, cell, source_sha256, inverse, allow_not_accepted)
    return write(item, form, unit, chosen)
