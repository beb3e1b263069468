"""Everything behind the first picture. `opening.load` imports it once, in the background.

What stands on the screen before needs neither numpy nor OpenCV nor SciPy: the widgets, and the
screens `opening`, `sessions`, `jobs` and `help`. Every module imports what it uses at its top.
"""

from __future__ import annotations

import re
from pathlib import Path

from engine.steps import recheck
from engine.steps.starting import create_session

from ..clock import now
from ..desk.demo import Simulated
from ..desk.desk import Desk
from ..desk.overview import free_folder
from ..desk.recheck import last_rechecks
from .cells import Cells
from .demo import Demo
from .forms import CellEditor
from .stations import Stations

AGAIN = "recheck-"  # in the name of a folder, before the name of what is rechecked
DAY = re.compile(rf"^\d{{4}}-\d\d-\d\d-({AGAIN})?")  # what such a name begins with


def start(cell: Path, sessions: Path) -> Path:
    """Start a session for a cell in a new folder; returns the folder.

    It is named after the day and the cell's file, or the folder of a ``cell.yaml``.
    """
    time = now()
    name = cell.stem if cell.stem != "cell" else cell.resolve().parent.name or cell.stem
    folder = free_folder(sessions, f"{time:%Y-%m-%d}-{name}")
    create_session(cell, folder, now=time)
    return folder


def start_again(against: Path, sessions: Path) -> Path:
    """Start a session that rechecks ``against``, in a new folder named after day and cell."""
    time = now()
    cell = DAY.sub("", against.resolve().name) or "cell"
    folder = free_folder(sessions, f"{time:%Y-%m-%d}-{AGAIN}{cell}")
    recheck.start_again(against, folder, now=time)
    return folder


class Behind:
    """What a first picture leads to."""

    desk = Desk
    stations = Stations
    cell_editor = CellEditor
    cells = Cells
    simulated = Simulated
    demo = Demo
    start = staticmethod(start)
    start_again = staticmethod(start_again)
    last_rechecks = staticmethod(last_rechecks)
