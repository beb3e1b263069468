"""Cells, sessions and damage for the tests of the files."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from engine.cell.cell import Cell
from engine.cell.session import Session, Station
from engine.errors import FileError
from engine.sessions.cell_file import cell_record, read_cell
from engine.sessions.schema import Many, Record, Table

NOW = datetime(2026, 11, 25, 9, 12, tzinfo=UTC)
POSE = ("612.40", "-85.10", "410.00", "179.80", "0.40", "-90.00")

CELL = """\
format: 1
name: bottling line 2, infeed
mount: eye-to-hand
robot:
  name: demo six-axis arm
  kind: spherical-wrist
  geometry_mm: {a1: 70, a2: -20, b: 0, c1: 390, c2: 410, c3: 375, c4: 95}
  offsets_deg: [0, 0, 0, 0, 0, 0]
  directions: [1, 1, 1, 1, 1, 1]
  coupling: null
  limits_deg: [[-160, 160], [-65, 145], [-70, 190], [-180, 180], [-135, 135], [-360, 360]]
  repeatability_mm: 0.03
  accuracy_mm: 0.4
pendant:
  length_unit: mm
  angle_unit: deg
  joint_unit: deg
  rotation: fixed-xyz
  labels: [X, Y, Z, A, B, C]
  decimals: [2, 2, 2, 2, 2, 2]
  active_tool: flange
  active_frame: base
camera:
  name: frame camera
  image_size_px: [1280, 1024]
  matrix: [[1400.0, 0, 640.0], [0, 1400.0, 512.0], [0, 0, 1]]
  distortion: [0, 0, 0, 0, 0]
  source: {folder: incoming}
board:
  pattern: chessboard
  columns: 11
  rows: 8
  pitch_mm: 20.0
  mount_repeatability: {position_mm: 0.1, angle_deg: 0.05}
keep_out: []
work_volume: {frame: base, center_mm: [600, 0, 250], size_mm: [400, 300, 200]}
tolerance: {position_mm: 1.0, angle_deg: 0.2}
"""

STATION = """\
- id: 3
  pose: ["612.40", "-85.10", "410.00", "179.80", "0.40", "-90.00"]
  joints: null
  image: images/003.png
  points: points/003.csv
  board_pose: null
  taken: 2026-11-25T09:12:00+01:00
  use: true
  accepted: []
"""

SESSION = (
    "format: 1\nname: first calibration\noperator: A. Example\n"
    "created: 2026-11-25T09:00:00+01:00\ncell:\n"
    + "".join(f"  {line}\n" for line in CELL.splitlines())
    + "plan:\n- {pose: null, jog: base Z +80 mm, why: tilt}\nstations:\n"
    + STATION
)

SCARA = """\
name: demo four-axis arm
kind: scara
geometry_mm: {l1: 310, l2: 270, z0: 400}
limits_deg: [[-130, 130], [-140, 140], [0, 200], [-360, 360]]
"""


def write_cell(folder: Path, text: str = CELL) -> Path:
    """Write a cell file and return its path."""
    path = folder / "cell.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def write_session(folder: Path, text: str = SESSION) -> Path:
    """Write session.yaml into ``folder`` and return the folder."""
    (folder / "session.yaml").write_text(text, encoding="utf-8")
    return folder


def demo_cell(folder: Path) -> Cell:
    return read_cell(write_cell(folder))


def session_of(cell: Cell, stations: int) -> Session:
    made = tuple(
        Station(k, POSE, points=f"points/{k:03d}.csv", taken=NOW.isoformat())
        for k in range(1, stations + 1)
    )
    return Session("demo", "A. Example", NOW.isoformat(), cell, stations=made)


def with_new_station(session: Session) -> Session:
    station = Station(session.next_id, POSE, taken=NOW.isoformat())
    return replace(session, stations=(*session.stations, station))


def refusal(read: Callable[[], Any]) -> str:
    """Return the sentence with which ``read`` refuses, or "" where it does not."""
    try:
        read()
    except FileError as error:
        return str(error)
    return ""


def keys_of(kind: Any, above: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    """Return the path of every key that the schema knows below ``kind``."""
    if isinstance(kind, Record):
        for field in kind.fields:
            yield (*above, field.key)
            yield from keys_of(field.kind, (*above, field.key))
    elif isinstance(kind, Many):
        yield from keys_of(kind.of, (*above, 0))
    elif isinstance(kind, Table):
        yield from keys_of(kind.of, (*above, "*"))


CELL_KEYS = [path for path in keys_of(cell_record(False)) if isinstance(path[-1], str)]
