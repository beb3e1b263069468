"""Make the example session: python tests/tools/make_example.py, from the project's root.

Eight stations of the simulated cell, one of them mistyped first and put right, and a closing one,
recorded through the same steps as by hand. The same run gives the same session again.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from datetime import datetime, timedelta, timezone
from pathlib import Path

import cv2
import numpy as np

from engine.sessions.changes import Who, commit
from engine.sessions.folder import open_session
from engine.sessions.lock import writing
from engine.sessions.store import LOCK_FILE, make_folder, write_text_atomic
from engine.simulate.scenario import cell, cell_text, truth
from engine.simulate.sensor import Optics
from engine.simulate.stations import typing_slip
from engine.simulate.virtual_cell import VirtualCell
from engine.steps.correcting import correct_pose, examine_correction
from engine.steps.recording import Consent, examine, outstanding, record_station
from engine.steps.solve import keep, solve_session
from engine.steps.starting import create_session
from engine.steps.station_image import examine_image
from engine.steps.station_pose import examine_pose

FOLDER = Path("sessions/bottling-line-2-infeed")
MAX_BYTES = 4_000_000  # the example comes with every copy of the project
STATIONS = 8
SLIP_AT = 5
SEED = 22
OPERATOR = "maintenance, early shift"
START = datetime(2026, 11, 25, 9, 12, tzinfo=timezone(timedelta(hours=1)))
STOP_TAKES = timedelta(minutes=2, seconds=10)
STEADY = Optics(full_well_e=60_000.0, read_noise_e=20.0)  # four images averaged: less to store
SMALL_PNG = [cv2.IMWRITE_PNG_COMPRESSION, 9, cv2.IMWRITE_PNG_STRATEGY, 1]  # 1: for filtered data


class Clock:
    """A clock that moves on by one stop at a time."""

    def __init__(self) -> None:
        self.now = START

    def next(self) -> datetime:
        self.now += STOP_TAKES
        return self.now


def make(folder: Path) -> None:
    """Record, correct and solve the session in an empty ``folder``."""
    clock, virtual = Clock(), VirtualCell(cell(), truth(), SEED, optics=STEADY)
    make_folder(folder)
    write_text_atomic(folder / "cell.yaml", cell_text())
    create_session(folder / "cell.yaml", folder, operator=OPERATOR, now=START)
    goals = virtual.suggest_stations(STATIONS)
    with writing(folder, OPERATOR), tempfile.TemporaryDirectory() as incoming:
        for number, goal in enumerate([*goals, goals[0]], start=1):
            virtual.go_to(goal)
            image = Path(incoming) / f"{number:04d}.png"
            image.write_bytes(cv2.imencode(".png", virtual.take_image(), SMALL_PNG)[1].tobytes())
            typed = virtual.pendant_pose()
            closing = number > STATIONS
            if number != SLIP_AT:
                _record(folder, typed, image, clock.next(), closing=closing)
                continue
            slipped = typing_slip(typed, np.random.default_rng(SEED))
            _record(folder, slipped, image, clock.next())
            _correct(folder, number, typed, clock.next())
        session = open_session(folder)
        solved = solve_session(session, folder)
        commit(folder, keep(solved, session, folder), Who(OPERATOR, clock.next()))
    print(solved.stored.verdict, solved.stored.uncertainty)
    for item in solved.stored.all_findings:
        print(item.level, item.code, item.message)


def _record(
    folder: Path, typed: tuple[str, ...], image: Path, now: datetime, *, closing: bool = False
) -> None:
    session = open_session(folder)
    pose = examine_pose(session, " ".join(typed), closing=closing)
    view = examine_image(session, folder, image)
    draft = examine(session, folder, pose, view)
    codes = [item.code for item in outstanding(draft.findings)]
    if codes and codes != ["does-not-fit"]:
        raise SystemExit(f"{image.name}: {', '.join(item.message for item in draft.findings)}")
    who = Who(OPERATOR, now)
    commit(folder, record_station(session, folder, draft, who, Consent(codes)), who)


def _correct(folder: Path, number: int, typed: tuple[str, ...], now: datetime) -> None:
    session = open_session(folder)
    draft = examine_correction(session, folder, number, " ".join(typed))
    commit(folder, correct_pose(session, number, draft), Who(OPERATOR, now))


def main() -> None:
    """Replace the example session."""
    if not Path("pyproject.toml").is_file():
        sys.exit("run this from the project's root")
    shutil.rmtree(FOLDER, ignore_errors=True)
    make(FOLDER)
    (FOLDER / LOCK_FILE).unlink()  # names the machine; made again by the next writer
    size = sum(path.stat().st_size for path in FOLDER.rglob("*") if path.is_file())
    print(f"{FOLDER}: {size / 1e6:.2f} MB")
    if size > MAX_BYTES:
        sys.exit(f"that is more than {MAX_BYTES / 1e6:.0f} MB")


if __name__ == "__main__":
    main()
