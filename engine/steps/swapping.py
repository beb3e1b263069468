"""Swaps and carries: a spare camera, a new board, a second cell of the same design.

What is kept of the earlier session, what must be measured, and the shortest plan for it. The
session after a swap knows in its journal what was swapped, so that it may be compared with the
earlier one although its cell is another.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import NamedTuple

from ..camera.model import LensU
from ..cell.cell import Cell, Rough, RoughPlace
from ..cell.rule import most_expanded
from ..cell.session import Session
from ..errors import UsageError
from ..estimate.assemble import estimated
from ..estimate.solver import LEAST_STATIONS
from ..proof.quick import board_prior
from ..sessions.cell_file import read_cell
from ..sessions.journal import MARKS, overtaken
from .recheck import Earlier, beside, earlier, revisits
from .starting import Part, found_session

# What lenses and sensors of one type differ by from piece to piece (from memory, no source): what a
# spare camera's data may be off before its own images have told.
SPARE_LENS = LensU(focal=0.01, center_px=15.0, edge_px=4.0)
NAMES = {"camera": "spare camera", "board": "new board", "cell": "second cell"}  # of the parts


@dataclass(frozen=True, slots=True)
class Swap:
    """A session begun for a swap: what is kept, what must be measured, and what comes next.

    ``expected_mm``: U (k = 2) of a pick after the planned stations, None where it is not known;
    ``wanted_mm``: the U with which the plan ends, None for a second cell.
    """

    session: Session
    part: Part
    expected_mm: float | None
    wanted_mm: float | None
    kept: tuple[str, ...]
    measured: tuple[str, ...]
    next: tuple[str, ...]


def swap(
    against: Path,
    folder: Path,
    part: Part,
    *,
    described: Path | None = None,
    name: str | None = None,
    operator: str | None = None,
    now: datetime,
) -> Swap:
    """Start a session in ``folder`` for the cell of ``against`` with one part swapped.

    ``described``: a cell file whose camera (or board) is the new one; None: one of the same type.
    ``name`` of the second cell, for the part ``cell``. Raises FileError as `earlier` and
    `found_session`, UsageError for a part that does not fit the cell.
    """
    old = earlier(against)
    rough = _rough(old)
    cell = replace(_swapped(old.session.cell, part, described, name), rough=rough)
    shortest = None if part == "cell" else _shortest(old, cell, part)
    session = Session(
        name=f"{cell.name}, {NAMES[part]} {now:%Y-%m-%d}",
        operator=operator,
        created=now.isoformat("T", "seconds"),
        cell=cell,
        plan=() if shortest is None else revisits(old, shortest.stations),
    )
    details = {"against": beside(folder, against), "swap": part}
    made = found_session(session, against, folder, details, now)
    camera = old.session.cell.camera.name
    mark = overtaken(against, [camera]).get(camera)
    doubt = MARKS[mark.found] if mark is not None and mark.bars else None
    told = _told(part, against, folder, described is not None, rough is not None, doubt)
    if shortest is None:
        return Swap(made, part, None, None, *told)
    kept, measured, after = told
    if not shortest.enough:
        after = (f"stationbook plan {folder}, once those are recorded: they do not suffice", *after)
    return Swap(made, part, shortest.expected_mm, shortest.wanted_mm, kept, measured, after)


def _swapped(cell: Cell, part: Part, described: Path | None, name: str | None) -> Cell:
    if part == "cell":
        if not (name or "").strip() or name == cell.name:
            raise UsageError("the second cell has no name of its own", "Add --name TEXT.")
        return replace(cell, name=str(name))
    if cell.cameras:
        raise UsageError(
            "this cell has several cameras", "Start a session for a cell file of its own instead."
        )
    new = None if described is None else read_cell(described)
    if part == "camera":
        camera = replace(cell.camera, u=SPARE_LENS)
        if new is not None:
            camera = replace(new.camera, name=cell.camera.name)
        if camera.image_size_px != cell.camera.image_size_px:
            raise UsageError(
                f"the new camera has {camera.image_size_px} px, the old one "
                f"{cell.camera.image_size_px}",
                "A camera of another type is a new cell: describe it, then start a session.",
            )
        return replace(cell, camera=camera)
    return cell if new is None else replace(cell, board=new.board)


def _rough(old: Earlier) -> Rough | None:
    """Return where camera and board roughly are, from the earlier result."""
    result = next(iter(old.solved.results)).stored()
    places = [
        RoughPlace(placed.position_mm, placed.quaternion_xyzw)  # type: ignore[arg-type]
        for placed in (result.camera, result.board)
        if placed is not None and placed.known
    ]
    return Rough(*places) if len(places) == 2 else None


class _Shortest(NamedTuple):
    """The fewest earlier stations, best first, the U of a pick after them, and U wanted [mm]."""

    stations: list[int]
    expected_mm: float | None
    wanted_mm: float

    @property
    def enough(self) -> bool:
        """Whether they do: otherwise they are all there are."""
        return self.expected_mm is not None and self.expected_mm <= self.wanted_mm


def _shortest(old: Earlier, cell: Cell, part: Part) -> _Shortest:
    """Return the fewest earlier stations after which the result is as good as it has to be.

    That is: within the cell's tolerance by its rule, or as good as the earlier result where that
    kept none. The earlier stations stand in for their new visits: they are solved with what will be
    known then (the board's place for a new camera, the lens for a new board), so that U is stated
    as it will be, once the lens data that the new stations show are taken.
    """
    problem, result = next(iter(old.problems.values())), old.solved.results[0]
    if part == "camera":
        camera = replace(problem.camera, u=cell.camera.u)
        problem = replace(problem, camera=camera, board_prior=board_prior(result, problem, result))
    else:
        new = cell.board
        board = replace(problem.board, scale_u=new.scale_u, bow_u_mm=new.bow_u_mm)
        problem = replace(problem, board=board)
    wanted = most_expanded(cell.tolerance.position_mm, cell.tolerance.rule)
    wanted = max(wanted, 2.0 * (result.uncertainty.pick_mm or 0.0))
    ids = old.to_revisit(len(problem.observations))
    found = _Shortest(ids, None, wanted)
    for count in range(LEAST_STATIONS, len(ids) + 1):
        seen = tuple(item for item in problem.observations if item.id in ids[:count])
        pick = estimated(replace(problem, observations=seen)).uncertainty.pick_mm
        found = _Shortest(ids[:count], None if pick is None else 2.0 * pick, wanted)
        if found.enough:
            break
    return found


def _told(
    part: Part, against: Path, folder: Path, lens_known: bool, rough: bool, doubt: str | None
) -> tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]:
    """Return what is kept, what must be measured, and the commands that come next.

    ``doubt``: why the earlier result counts no more, if so.
    """
    solved = f"stationbook solve {folder}"
    compared = f"stationbook compare {folder} {against}"
    proven = f"stationbook proof {folder} ...: touch points, before the line starts"
    if part == "camera":
        lens = (
            "the lens: its own data, from the cell file that was named"
            if lens_known
            else f"the lens: the old data with U {2 * SPARE_LENS.focal:.0%} of the focal length "
            f"and {2 * SPARE_LENS.center_px:g} px of the centre, until the stations tell more"
        )
        return (
            ("the board's place on its mount, if it was not taken off", "robot, pendant, frames"),
            (lens, "focus and exposure: stationbook focus", "the camera's place"),
            (f"{solved} --board-from {against}", f"stationbook lens {folder}", compared, proven),
        )
    if part == "board" and doubt is not None:
        return (
            ("robot, pendant, frames", f"the camera's place, roughly, for the plan only: {doubt}"),
            ("the new board's pitch, over many squares", "the places of camera and board",
             "lens data, if the lens may be another: stationbook lens"),
            (solved, proven),
        )  # fmt: skip
    if part == "board":
        return (
            ("lens data, robot, pendant, frames", "the camera's place, which the plan starts from"),
            ("the new board's pitch, over many squares", "the board's place"),
            (solved, f"{compared}: the camera must not have moved", proven),
        )
    start = "the first cell's places, rough, for the plan" if rough else "the description"
    return (
        (f"the cell's description, and {start}",),
        ("robot: zeros and limits", "lens data of this camera", "pitch of this board",
         "everything that a session measures"),
        (f"stationbook plan {folder}", solved, compared, proven),
    )  # fmt: skip
