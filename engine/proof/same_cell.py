"""Whether two sessions speak of the same cell: results of another one are no comparison."""

from __future__ import annotations

from ..boards.pattern import Board
from ..camera.model import Camera
from ..cell.cell import Cell
from ..errors import UsageError
from ..robots.model import Robot

CAMERA = {"name": "name", "image_size_px": "image size", "matrix": "lens data (matrix)"}
CAMERA |= {"distortion": "lens data (distortion)"}
BOARD = {"pattern": "pattern", "columns": "columns", "rows": "rows", "pitch_mm": "pitch"}
BOARD |= {"diameter_mm": "circle diameter", "dictionary": "dictionary", "marker_mm": "marker size"}
BOARD |= {"legacy_layout": "layout", "measured": "measured points"}
ROBOT = {"name": "name", "kind": "kind", "geometry_mm": "geometry", "links": "links"}
ROBOT |= {"offsets_deg": "joint offsets", "directions": "joint directions", "coupling": "coupling"}
ROBOT |= {"base_T_first_mm_deg": "first joint", "last_T_flange_mm_deg": "flange"}
SHORT = 40  # characters of a value that a sentence can carry


def differences(old: Cell, new: Cell) -> list[str]:
    """Return in words what makes ``new`` another cell than ``old``; empty where it is the same.

    Limits, accuracy, tolerance and work volume may change: they do not say where things are.
    """
    found = []
    if old.mount != new.mount:
        found.append(f"mount {old.mount} / {new.mount}")
    found += _differing("camera", old.camera, new.camera, CAMERA)
    found += _differing("board", old.board, new.board, BOARD)
    if (old.robot is None) != (new.robot is None):
        names = [robot.name if robot else "none" for robot in (old.robot, new.robot)]
        found.append(f"robot {names[0]} / {names[1]}")
    elif old.robot is not None and new.robot is not None:
        found += _differing("robot", old.robot, new.robot, ROBOT)
    tool, frame = (
        (old.pendant.active_tool, new.pendant.active_tool),
        (old.pendant.active_frame, new.pendant.active_frame),
    )
    found += [f"active tool {tool[0]} / {tool[1]}"] if tool[0] != tool[1] else []
    found += [f"active frame {frame[0]} / {frame[1]}"] if frame[0] != frame[1] else []
    return found


def check_same(old: Cell, new: Cell) -> None:
    """Raise UsageError naming what differs where ``old`` and ``new`` are different cells."""
    found = differences(old, new)
    if found:
        raise UsageError(
            f"the earlier session belongs to another cell (earlier / now): {'; '.join(found)}",
            "Compare with a session of the same camera, lens data, board and robot, or do the full "
            "job.",
        )


def _differing(
    what: str, old: Camera | Board | Robot, new: Camera | Board | Robot, names: dict[str, str]
) -> list[str]:
    found = []
    for attribute, name in names.items():
        a, b = getattr(old, attribute), getattr(new, attribute)
        if a != b:
            values = f" {a} / {b}"
            found.append(f"{what} {name}" + (values if len(values) <= SHORT * 2 else ""))
    return found
