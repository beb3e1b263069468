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
from ..desk.recheck import last_rechecks
from .demo import Demo
from .forms import CellEditor
from .stations import Stations

AGAIN = "recheck-"  # in the name of a folder, before the name of what is rechecked
DAY = re.compile(rf"^\d{{4}}-\d\d-\d\d-({AGAIN})?")  # what such a name begins with


def start(cell: Path, sessions: Path) -> Path:
    """Start a session for a cell in a new folder named after the day; returns the folder."""
    time = now()
    folder = _free(sessions, f"{time:%Y-%m-%d}-{_name_of(cell)}")
    create_session(cell, folder, now=time)
    return folder


def _name_of(cell: Path) -> str:
    """Return what a cell's sessions are called by: its file, or the folder of a ``cell.yaml``."""
    return cell.stem if cell.stem != "cell" else cell.resolve().parent.name or cell.stem


def start_again(against: Path, sessions: Path) -> Path:
    """Start a session that rechecks ``against``, in a new folder named after day and cell."""
    time = now()
    cell = DAY.sub("", against.resolve().name) or "cell"
    folder = _free(sessions, f"{time:%Y-%m-%d}-{AGAIN}{cell}")
    recheck.start_again(against, folder, now=time)
    return folder


def _free(sessions: Path, name: str) -> Path:
    """Return a folder that is not there yet: ``name``, or with a number."""
    free, number = sessions / name, 1
    while free.exists():
        number += 1
        free = sessions / f"{name}-{number}"
    return free


class Behind:
    """What a first picture leads to."""

    desk = Desk
    stations = Stations
    cell_editor = CellEditor
    simulated = Simulated
    demo = Demo
    start = staticmethod(start)
    start_again = staticmethod(start_again)
    last_rechecks = staticmethod(last_rechecks)
