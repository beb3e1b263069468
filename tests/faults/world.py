"""One of every file that the program reads, made by its own commands, to be spoilt by the tests."""

from __future__ import annotations

import json
import shutil
from functools import cache
from pathlib import Path

import cv2
import numpy as np
from command import answer, stationbook
from made_session import stops
from touching import POINTING, TIP, TIP_U, lay_board

from engine.frames import rotation_exp, transform
from engine.pendant.entry import format_pose
from engine.robots.urdf import import_urdf
from engine.sessions.cell_parts import robot_text
from engine.simulate.scenario import cell, cell_text

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
DEPTH_SIZE = (40, 30)  # px of the image that goes with the depth files


def _depth_files(home: Path) -> None:
    """Write a tilted plane as each kind of depth file."""
    u, v = np.meshgrid(np.arange(DEPTH_SIZE[0]), np.arange(DEPTH_SIZE[1]))
    z = (0.7 + 0.001 * u).astype(np.float32)
    cloud = np.stack([(u - 20) * z / 50, (v - 15) * z / 50, z], axis=-1).astype(np.float32)
    cv2.imwrite(str(home / "deep.png"), (z * 1000).astype(np.uint16))
    cv2.imwrite(str(home / "deep.tiff"), z)
    np.save(home / "deep.npy", z)
    np.save(home / "cloud.npy", cloud)
    points, count = cloud.reshape(-1, 3), DEPTH_SIZE[0] * DEPTH_SIZE[1]
    fields = "".join(f"property float {axis}\n" for axis in "xyz")
    head = f"ply\nformat {{}} 1.0\nelement vertex {count}\n{fields}end_header\n"
    rows = "".join(f"{x:.4f} {y:.4f} {depth:.4f}\n" for x, y, depth in points)
    (home / "text.ply").write_text(head.format("ascii") + rows, encoding="ascii")
    (home / "deep.ply").write_bytes(head.format("binary_little_endian").encode() + points.tobytes())
    kinds = "VERSION 0.7\nFIELDS x y z\nSIZE 4 4 4\nTYPE F F F\nCOUNT 1 1 1\n"
    head = f"{kinds}WIDTH {DEPTH_SIZE[0]}\nHEIGHT {DEPTH_SIZE[1]}\nPOINTS {count}\nDATA {{}}\n"
    (home / "text.pcd").write_text(head.format("ascii") + rows, encoding="ascii")
    (home / "deep.pcd").write_bytes(head.format("binary").encode() + points.tobytes())


def _poses_of_others(home: Path) -> None:
    """Write the stops as a table, and as another script would have kept them."""
    rows = [" ".join(typed(number)) for number in range(1, STATIONS + 1)]
    (home / "table.csv").write_text("X,Y,Z,A,B,C\n" + "\n".join(rows).replace(" ", ",") + "\n")
    more, folder = _stops()[0][STATIONS : STATIONS + 2], home / "more"
    folder.mkdir(exist_ok=True)
    lines = ["image;X;Y;Z;A;B;C"]
    for number, stop in enumerate(more):
        (folder / f"{number}.csv").write_text(stop.points, encoding="utf-8")
        lines.append(";".join((f"{number}.csv", *stop.pose)))
    (home / "more.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    matrices = np.tile(np.eye(4), (3, 1, 1))
    np.savez(home / "script.npz", poses=matrices)
    (home / "script.json").write_text(json.dumps({"poses": matrices.tolist()}))


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


@cache
def tip(number: int) -> str:
    """Return a pose with the pointer on a fixed point; each number turns it another way."""
    turn = rotation_exp([0.3 * np.sin(number), 0.3 * np.cos(2 * number), 0.25 * number])
    R = POINTING @ turn
    point = np.array([500.0, 100.0, 250.0])
    return " ".join(format_pose(transform(R, point - R @ TIP), cell().pendant))


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
    for kind in ("tiff", "jpg", "bmp"):
        cv2.imwrite(str(home / f"image.{kind}"), cv2.imread(str(home / "image.png"))[::8, ::8])
    _depth_files(home)
    _poses_of_others(home)
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
    answer("proof", session, "--touch", 0, "--pose", " ".join(typed(1)), "--accept", "touch-off")
    stationbook("report", session)
    answer("sign", "--new-key")
    answer("sign", session)
    answer("event", session, "--what", "the frame was washed")
    stationbook("pack", session, "--out", home / "session.zip")
    return session
