"""One of every file that the program reads, made by its own commands, to be spoilt by the tests."""

from __future__ import annotations

import shutil
from functools import cache
from pathlib import Path

import numpy as np
from command import answer, stationbook
from made_session import stops
from touching import TIP, TIP_U, lay_board

from engine.robots.urdf import import_urdf
from engine.sessions.cell_file import robot_text
from engine.simulate.scenario import cell_text

STATIONS = 5
EXAMPLE = Path(__file__).parents[2] / "sessions" / "bottling-line-2-infeed"
ACCEPT = ("--accept", "small-move", "--accept", "does-not-fit", "--accept", "unit")
TAUGHT = """\
name,fixed_to,X,Y,Z,A,B,C
grip,camera,600.00,10.00,250.00,180.00,0.00,-90.00
drop,base,420.00,-200.00,180.00,180.00,0.00,0.00
"""
_JOINT = """
  <joint name="j{n}" type="revolute">
    <parent link="l{a}"/><child link="l{n}"/><origin xyz="{x} 0 0.1" rpy="{r} 0 0"/>
    <axis xyz="0 0 1"/><limit lower="-3" upper="3" effort="1" velocity="1"/>
  </joint>"""
URDF = (
    "<?xml version='1.0' encoding='utf-8'?>\n<robot name='arm'>"
    + "".join(
        _JOINT.format(n=n, a=n - 1, x=0.05 * n, r=(1.5708, -1.5708)[n % 2]) for n in range(1, 7)
    )
    + "\n</robot>\n"
)
SETTINGS = """\
commands: {shoot: [/usr/bin/true, "{file}"]}
credentials: {camera.example: {user: operator, password: example}}
"""


@cache
def _stops() -> tuple:
    return stops(STATIONS + 3)


def record_words(session: Path, number: int, points: Path) -> list[str]:
    """Return the words that record stop ``number`` (from 1), and write its points to ``points``."""
    stop = _stops()[0][number - 1]
    points.write_text(stop.points, encoding="utf-8")
    return ["record", str(session), "--pose", " ".join(stop.pose), "--points", str(points), *ACCEPT]


def typed(number: int) -> tuple[str, ...]:
    """Return what is typed at stop ``number``."""
    return _stops()[0][number - 1].pose


def build(home: Path) -> Path:
    """Make the files in ``home`` and return the session's folder."""
    home.mkdir(parents=True, exist_ok=True)
    (home / "cell.yaml").write_text(cell_text(), encoding="utf-8")
    (home / "arm.urdf").write_text(URDF, encoding="utf-8")
    (home / "arm.yaml").write_text(
        robot_text(import_urdf(home / "arm.urdf", "l0", "l6")), encoding="utf-8"
    )
    (home / "taught.csv").write_text(TAUGHT, encoding="utf-8")
    (home / "settings.yaml").write_text(SETTINGS, encoding="utf-8")
    shutil.copy(EXAMPLE / "images" / "001.png", home / "image.png")
    session = home / "session"
    answer("start", home / "cell.yaml", session, "--operator", "A. Example")
    for number in range(1, STATIONS + 1):
        run = stationbook(*record_words(session, number, home / "seen.csv"))
        assert run.returncode == 0, run.stdout + run.stderr
    stationbook("solve", session)
    laid = lay_board(home, 1, _stops()[1], np.array([600.0, 0.0, 250.0]), np.random.default_rng(0))
    tip = " ".join(f"{value:g}" for value in TIP)
    answer("proof", session, "--tip", tip, "--tip-u", str(TIP_U))
    answer("proof", session, "--view", laid.points)
    answer("proof", session, "--touch", 0, "--pose", " ".join(typed(1)))
    stationbook("report", session)
    stationbook("pack", session, "--out", home / "session.zip")
    return session
