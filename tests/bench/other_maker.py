"""Sessions of another make, written as files: OpenCV and SciPy alone, nothing of the engine.

Arms by forward kinematics of their own, of six and of four axes, with errors of their lengths and
joint zeros where the cell states an accuracy; charuco boards of four sizes, three cameras, poses as
yaw, Euler angles of three kinds, rotation vectors or quaternions, in mm, metres or inches. What is
changed in a `Session` before it is written is the mistake. Lengths are mm, angles radians.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import cv2
import numpy as np
import yaml
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

Array = NDArray[np.float64]
Named = Literal["six", "scara", "level"]


def pose(R: Array, t: Sequence[float] | Array) -> Array:
    """Return the transform (4, 4) of rotation ``R`` (3, 3) and shift ``t`` (3,)."""
    T = np.eye(4)
    T[:3, :3], T[:3, 3] = R, t
    return T


def about(axes: str, *angles: float) -> Array:
    """Return the rotation (3, 3) about fixed or moving axes, as SciPy names them."""
    return np.asarray(Rotation.from_euler(axes, angles if len(axes) > 1 else angles[0]).as_matrix())


def moved_by(turn: Array, shift: Array) -> Array:
    """Return the transform (4, 4) of a rotation vector and a shift."""
    return pose(np.asarray(Rotation.from_rotvec(turn).as_matrix()), shift)


MOUNTS = "eye-to-hand", "eye-in-hand"
UPSIDE_DOWN = about("x", np.pi)


def _six(g: Array, q: Array) -> Array:
    a1, a2, b, c1, c2, c3, c4 = g
    T = pose(about("z", q[0]), [0, 0, 0]) @ pose(about("y", q[1]), [a1, b, c1])
    T = T @ pose(about("y", q[2]), [0, 0, c2]) @ pose(about("z", q[3]), [a2, 0, c3])
    return T @ pose(about("y", q[4]), [0, 0, 0]) @ pose(about("z", q[5]), [0, 0, 0]) @ _up(c4)


def _up(length: float) -> Array:
    return pose(np.eye(3), [0, 0, length])


def _level(g: Array, q: Array) -> Array:
    a1, a2, b, c1, c2, c3, c4 = g
    T = pose(about("z", q[0]), [0, 0, 0]) @ pose(about("y", q[1]), [a1, b, c1])
    place = (T @ pose(about("y", q[2]), [0, 0, c2]))[:3] @ [a2, 0, c3, 1]
    return pose(about("z", q[0] + q[3]) @ UPSIDE_DOWN, place - [0, 0, c4])


def _scara(g: Array, q: Array) -> Array:
    l1, l2, z0 = g
    elbow, hand = q[0], q[0] + q[1]
    x, y = (l1 * f(elbow) + l2 * f(hand) for f in (np.cos, np.sin))
    return pose(about("z", hand + q[3]), [x, y, z0 + q[2]])


@dataclass(frozen=True)
class Arm:
    """An arm: flange from lengths and joints, how a cell names it, joints and place at rest."""

    forward: Callable[[Array, Array], Array]
    geometry: dict[str, float]
    kind: str
    rest: tuple[float, ...]
    home: tuple[float, float, float]

    def joints(self, flange: Array, near: Array) -> Array | None:
        """Return joints (axes,) that reach ``flange``, from ``near`` on; None where none do."""
        lengths, size = np.array(list(self.geometry.values())), np.ones(len(near))
        if self.kind == "scara":
            size[2] = 300.0  # the lift is a length

        def off(x: Array) -> Array:
            D = np.linalg.inv(flange) @ self.forward(lengths, x * size)
            turn = Rotation.from_matrix(D[:3, :3]).as_rotvec()
            return np.concatenate([D[:3, 3], 300.0 * turn])

        found = least_squares(off, near / size, method="lm", max_nfev=300)
        return np.asarray(found.x * size) if np.abs(found.fun).max() < 1e-4 else None


ARMS: dict[Named, Arm] = {
    "six": Arm(
        _six,
        {"a1": 75.0, "a2": -30.0, "b": 0.0, "c1": 400.0, "c2": 430.0, "c3": 410.0, "c4": 90.0},
        "spherical-wrist", (0.1, 0.5, 1.6, 0.1, 0.9, 0.1), (560.0, 0.0, 350.0),
    ),
    "scara": Arm(
        _scara, {"l1": 400.0, "l2": 350.0, "z0": 420.0}, "scara",
        (0.3, 0.9, -150.0, 0.1), (480.0, 150.0, 270.0),
    ),
    "level": Arm(
        _level,
        {"a1": 300.0, "a2": 40.0, "b": 0.0, "c1": 650.0, "c2": 800.0, "c3": 850.0, "c4": 200.0},
        "level-flange", (0.1, 0.3, 1.4, 0.1), (1150.0, 100.0, 600.0),
    ),
}  # fmt: skip
CAMERAS = (  # size px, focal length px, distortion
    ((1280, 1024), 1400.0, (-0.12, 0.05, 0.0005, -0.0003, 0.0)),
    ((1920, 1200), 1650.0, (-0.2, 0.09, 0.0004, -0.0002, 0.0)),
    ((2448, 2048), 4200.0, (-0.05, 0.1, 0.0, 0.0002, 0.0)),
)
BOARDS = ((9, 6, 25.0, 18.0), (12, 7, 15.0, 11.0), (11, 8, 20.0, 15.0), (8, 5, 30.0, 22.0))
ANGLES = {"fixed-xyz": "xyz", "moving-zyx": "ZYX", "moving-zyz": "ZYZ"}
CONVENTIONS = (*ANGLES, "rotation-vector")
DIGITS = {"mm": 2, "m": 5, "in": 4, "deg": 3, "rad": 5}
MILLIMETRES = {"mm": 1.0, "m": 1000.0, "in": 25.4}
PIXEL, PLACE, TURN = 0.12, 0.1, np.radians(0.015)  # scatter: px, mm and rad at every stop
TRIES = 250


@dataclass
class Session:
    """One session, and what is true of it; the cell says ``board``, ``matrix``, ``shown``.

    ``camera`` and ``plate`` (n, 4, 4) hold where camera and board are on what carries them, at
    every station; ``order`` whose image each pose gets; ``texts`` what is typed, once written.
    """

    rng: np.random.Generator
    mount: str
    arm: Named
    accuracy_mm: float
    size: tuple[int, int]
    matrix: Array
    distortion: tuple[float, ...]
    true_matrix: Array
    board: dict[str, Any]
    points: Array
    flanges: Array
    true: Array
    camera: Array
    plate: Array
    rotation: str
    length_unit: str
    angle_unit: str
    order: list[int] = field(default_factory=list)
    reported_in: float | None = None  # boards are reported as poses, this many mm to the unit
    flips: dict[int, tuple[bool, bool]] = field(default_factory=dict)  # images, across and down
    ids: Array | None = None  # how the board's points are numbered, -1: not found
    changed: dict[int, dict[int, str]] = field(default_factory=dict)  # fields typed otherwise
    imaged: dict[int, Callable[[Array], Array]] = field(default_factory=dict)  # pixels (n, 2)
    reported: Callable[[int, list[float]], list[Any]] = field(default=lambda _, row: row)
    told: dict[str, Any] = field(default_factory=dict)  # what the cell says otherwise
    arm_off: Array = field(default_factory=lambda: np.zeros(0))  # of lengths and joint zeros
    near: Array = field(default_factory=lambda: np.zeros(0))  # joints in the middle

    @property
    def count(self) -> int:
        """Number of stations."""
        return len(self.flanges)

    def view(self, k: int) -> Array:
        """Return where station ``k`` truly sees the board, (4, 4)."""
        if self.mount == "eye-to-hand":
            return np.linalg.inv(self.camera[k]) @ self.true[k] @ self.plate[k]
        return np.linalg.inv(self.true[k] @ self.camera[k]) @ self.plate[k]

    def pixels(self, k: int) -> Array:
        """Return the image (count, 2) of the board at station ``k``, with noise."""
        seen = _image(self.points, self.view(k), self.true_matrix, self.distortion)
        seen = seen + self.rng.normal(0.0, PIXEL, seen.shape)
        for axis, flipped in enumerate(self.flips.get(k, ())):
            if flipped:
                seen[:, axis] = self.size[axis] - 1 - seen[:, axis]
        return self.imaged[k](seen) if k in self.imaged else seen

    def reached(self, flange: Array) -> Array | None:
        """Return where the flange truly is (4, 4) when it is sent to ``flange``; None: nowhere."""
        arm = ARMS[self.arm]
        q = arm.joints(flange, self.near)
        if q is None:
            return None
        lengths = np.array(list(arm.geometry.values()))
        off, zeros = self.arm_off[: len(lengths)], self.arm_off[len(lengths) :]
        return (
            flange @ np.linalg.inv(arm.forward(lengths, q)) @ arm.forward(lengths + off, q + zeros)
        )

    def typed(self, flange: Array) -> list[str]:
        """Return the fields of a flange pose (4, 4) as the pendant shows them."""
        if self.rotation == "yaw" and self.arm == "level":
            flange = pose(flange[:3, :3] @ UPSIDE_DOWN, flange[:3, 3])
        return shown(flange, self.rotation, self.length_unit, self.angle_unit)

    def texts(self, k: int) -> list[str]:
        """Return the fields of station ``k`` as they are typed."""
        fields = self.typed(self.flanges[k])
        for column, text in self.changed.get(k, {}).items():
            fields[column] = text
        return fields


def shown(flange: Array, rotation: str, length_unit: str, angle_unit: str) -> list[str]:
    """Return the fields of a pose as a pendant shows them."""
    R, one = Rotation.from_matrix(flange[:3, :3]), 180.0 / np.pi if angle_unit == "deg" else 1.0
    if rotation == "yaw":
        turns = np.array([np.arctan2(flange[1, 0], flange[0, 0])])
    elif rotation == "rotation-vector":
        turns = R.as_rotvec()
    else:
        turns = R.as_euler(ANGLES[rotation])
    places = flange[:3, 3] / MILLIMETRES[length_unit]
    return [
        *(f"{value:.{DIGITS[length_unit]}f}" for value in places),
        *(f"{value:.{DIGITS[angle_unit]}f}" for value in turns * one),
    ]


def _image(points: Array, view: Array, matrix: Array, distortion: tuple[float, ...]) -> Array:
    turn = cv2.Rodrigues(view[:3, :3])[0]
    found = cv2.projectPoints(points, turn, view[:3, 3], matrix, np.array(distortion))[0]
    return np.asarray(found[:, 0], float)


def made(rng: np.random.Generator, axes: int, stations: int, mount: str) -> Session:
    """Return a session without a mistake, everything about it drawn anew."""
    while True:
        session = _drawn(rng, axes, stations, mount)
        if session is not None:
            return session


def _drawn(rng: np.random.Generator, axes: int, stations: int, mount: str) -> Session | None:
    named: Named = "six" if axes == 6 else ("scara", "level")[rng.integers(2)]
    arm, (size, f, distortion) = ARMS[named], CAMERAS[rng.integers(len(CAMERAS))]
    columns, rows, pitch, marker = BOARDS[rng.integers(len(BOARDS))]
    at = np.arange(columns * rows)
    points = pitch * np.column_stack([at % columns, at // columns, 0.0 * at])
    centre = np.array(size) / 2.0 + rng.uniform(-15.0, 15.0, 2)
    matrix = np.array([[f, 0.0, centre[0]], [0.0, f, centre[1]], [0.0, 0.0, 1.0]])
    away = float(np.clip(2.2 * np.ptp(points, axis=0).max() * f / size[0], 350.0, 1500.0))
    first = pose(np.eye(3) if named == "scara" else UPSIDE_DOWN, arm.home)
    camera, plate = _places(rng, mount, named, first, away, points.mean(axis=0))
    accuracy = float(rng.choice([0.0, 0.3]))
    found = _visited(rng, arm, mount, camera, plate, first, away, points, size, matrix, stations)
    if found is None:
        return None
    flanges, joints = found
    true, off = _reached(rng, arm, flanges, joints, accuracy)
    noise = rng.normal(size=(stations, 6)) * np.repeat([TURN, PLACE], 3)
    true = true @ np.array([moved_by(one[:3], one[3:]) for one in noise])
    board = {"pattern": "charuco", "columns": columns, "rows": rows, "pitch_mm": pitch,
             "dictionary": "DICT_5X5_100", "marker_mm": marker}  # fmt: skip
    if axes == 4:
        board["height_mm"] = round(float(plate[2, 3] + rng.normal(0.0, 0.2)), 2)
    rotation = "yaw" if axes == 4 else str(rng.choice(CONVENTIONS))
    return Session(
        rng, mount, named, accuracy, size, matrix, distortion, matrix.copy(), board, points,
        flanges, true, np.tile(camera, (stations, 1, 1)), np.tile(plate, (stations, 1, 1)),
        rotation, str(rng.choice(["mm", "mm", "m", "in"])), str(rng.choice(["deg", "deg", "rad"])),
        list(range(stations)), ids=np.arange(len(points)),
        arm_off=off, near=np.median(joints, axis=0),
    )  # fmt: skip


def _places(
    rng: np.random.Generator, mount: str, arm: Named, first: Array, away: float, middle: Array
) -> tuple[Array, Array]:
    """Return where camera and board are (4, 4) each; the board is seen ``away`` from ``first``."""
    tilted = pose(about("xz", rng.uniform(-0.3, 0.3), rng.uniform(-3.0, 3.0)), [0.0, 0.0, away])
    if mount == "eye-to-hand":
        slant, side = rng.uniform(0.15, 0.7), rng.uniform(-np.pi, np.pi)
        up = rng.choice([-1.0, 1.0])
        look = np.array([np.sin(slant) * np.cos(side), np.sin(slant) * np.sin(side),
                         up * np.cos(slant)])  # fmt: skip
        x = np.cross(rng.normal(size=3), look)
        x /= np.linalg.norm(x)
        camera = pose(np.column_stack([x, np.cross(look, x), look]), first[:3, 3] - away * look)
        plate = np.linalg.inv(first) @ camera @ tilted
    else:
        turn = about("xyz", *rng.uniform(-0.4, 0.4, 2), rng.uniform(-3.0, 3.0))
        down = UPSIDE_DOWN if arm == "scara" else np.eye(3)
        way = -1.0 if arm == "scara" else 1.0
        camera = pose(down @ turn, [*rng.uniform(-80.0, 80.0, 2), way * rng.uniform(-20.0, 80.0)])
        plate = first @ camera @ tilted
    plate[:3, 3] -= plate[:3, :3] @ middle
    return camera, plate


def _visited(
    rng: np.random.Generator, arm: Arm, mount: str, camera: Array, plate: Array, first: Array,
    away: float, points: Array, size: tuple[int, int], matrix: Array, stations: int,
) -> tuple[Array, Array] | None:  # fmt: skip
    """Return flange poses (n, 4, 4) that show the whole board, and their joints (n, axes)."""
    fixed, middle, lead = mount == "eye-to-hand", points.mean(axis=0), np.linalg.inv
    near = arm.joints(first, np.array(arm.rest))
    if near is None:
        return None
    start = lead(camera) @ first @ plate if fixed else lead(first @ camera) @ plate
    pivot = (first @ plate if fixed else plate)[:3] @ [*middle, 1.0]
    poses: list[Array] = []
    joints: list[Array] = []
    for _ in range(TRIES * stations):
        if len(arm.rest) == 4:
            turn = about("z", rng.uniform(-1.0, 1.0))
            place = turn @ (first[:3, 3] - pivot) + pivot + rng.uniform(-0.22, 0.22, 3) * away
            flange = pose(turn @ first[:3, :3], place)
            view = lead(camera) @ flange @ plate if fixed else lead(flange @ camera) @ plate
        else:
            z, tilt, way = away * rng.uniform(0.75, 1.3), rng.uniform(0.1, 0.55), rng.uniform(-3, 3)
            turn = Rotation.from_rotvec(
                [tilt * np.cos(way), tilt * np.sin(way), rng.uniform(-0.6, 0.6)]
            )
            R = turn.as_matrix() @ start[:3, :3]
            across = rng.uniform(-0.3, 0.3, 2) * size / matrix[0, 0] * z
            view = pose(R, np.array([*across, z]) - R @ middle)
            flange = camera @ view @ lead(plate) if fixed else plate @ lead(view) @ lead(camera)
        seen = points @ view[:3, :3].T + view[:3, 3]
        if seen[:, 2].min() < 120.0 or view[2, 2] < np.cos(0.95):
            continue
        pixels = _image(points, view, matrix, (0.0,) * 5)
        if (pixels < 15.0).any() or (pixels > np.array(size) - 16.0).any():
            continue
        q = arm.joints(flange, near)
        if q is None or (np.abs(np.delete(q, 2) if arm.kind == "scara" else q) > 3.05).any():
            continue
        elbow = {"scara": 1, "level-flange": 2, "spherical-wrist": 4}[arm.kind]
        if abs(q[elbow]) < 0.1 or np.sign(q[elbow]) != np.sign(near[elbow]):
            continue
        poses.append(flange)
        joints.append(q)
        if len(poses) == stations:
            return np.array(poses), np.array(joints)
    return None


def _reached(
    rng: np.random.Generator, arm: Arm, flanges: Array, joints: Array, accuracy: float
) -> tuple[Array, Array]:
    """Return where the flange truly is (n, 4, 4), half to all of ``accuracy`` [mm RMS] off.

    And what lengths and joint zeros are off.
    """
    lengths = np.array(list(arm.geometry.values()))
    if not accuracy:
        return flanges, np.zeros(len(lengths) + joints.shape[1])
    off = np.concatenate([rng.normal(0, 0.1, len(lengths)), rng.normal(0, 2e-4, joints.shape[1])])
    if arm.kind == "scara":
        off[len(lengths) + 2] = rng.normal(0, 0.1)

    def reached(size: float) -> Array:
        g, z = size * off[: len(lengths)], size * off[len(lengths) :]
        pairs = zip(flanges, joints, strict=True)
        return np.array(
            [F @ np.linalg.inv(arm.forward(lengths, q)) @ arm.forward(lengths + g, q + z)
             for F, q in pairs]
        )  # fmt: skip

    rms = np.sqrt(((reached(1.0) - flanges)[:, :3, 3] ** 2).sum(axis=1).mean())
    size = float(rng.uniform(0.5, 1.0)) * accuracy / rms
    return reached(size), size * off


def written(session: Session, folder: Path) -> Path:
    """Write session.yaml and the points of every station to ``folder``, and return it."""
    (folder / "points").mkdir(parents=True)
    stations = [_station(session, k, folder) for k in range(session.count)]
    document = {
        "format": 1, "name": "other make", "operator": "o", "created": "2026-11-25T09:00:00+01:00",
        "cell": _cell(session), "stations": stations,
    }  # fmt: skip
    text = yaml.safe_dump(document, sort_keys=False, default_flow_style=None)
    (folder / "session.yaml").write_text(text, encoding="utf-8")
    return folder


def _cell(session: Session) -> dict[str, Any]:
    fixed, arm = session.mount == "eye-to-hand", ARMS[session.arm]
    middle = np.array([*session.points.mean(axis=0), 1.0])
    seen = (session.flanges @ session.plate @ middle)[:, :3].mean(axis=0)
    near = np.array([session.view(k) @ middle for k in range(session.count)])[:, 2].mean()
    pendant: dict[str, Any] = {
        "length_unit": session.length_unit, "angle_unit": session.angle_unit,
        "rotation": session.rotation, "active_tool": "flange", "active_frame": "base",
        "labels": list("XYZC" if session.rotation == "yaw" else "XYZABC"),
        "decimals": [len(text.split(".")[1]) for text in session.texts(0)],
    }  # fmt: skip
    if session.rotation == "yaw":
        pendant["flange_down"] = session.arm == "level"
    cell: dict[str, Any] = {
        "format": 1, "name": "other make", "mount": session.mount, "locate": "lens",
        "robot": {"name": "arm", "kind": arm.kind, "geometry_mm": arm.geometry,
                  "accuracy_mm": session.accuracy_mm, "repeatability_mm": 0.04},
        "pendant": pendant,
        "camera": {"name": "camera", "image_size_px": list(session.size),
                   "matrix": session.matrix.tolist(), "distortion": list(session.distortion)},
        "board": session.board,
        "work_volume": {"frame": "base" if fixed else "camera", "size_mm": [200, 200, 100],
                        "center_mm": [float(v) for v in (seen if fixed else (0.0, 0.0, near))]},
        "tolerance": {"position_mm": 3.0, "angle_deg": 2.0},
    }  # fmt: skip
    return _with(cell, session.told)


def _with(told: dict[str, Any], otherwise: dict[str, Any]) -> dict[str, Any]:
    """Return ``told`` with the keys of ``otherwise`` in their place; None takes a key away."""
    merged = dict(told)
    for key, value in otherwise.items():
        inner = isinstance(value, dict) and isinstance(merged.get(key), dict)
        merged[key] = _with(merged[key], value) if inner else value
    return {key: value for key, value in merged.items() if value is not None}


def _station(session: Session, k: int, folder: Path) -> dict[str, Any]:
    row, source = {"id": k + 1, "pose": session.texts(k)}, session.order[k]
    if session.reported_in is not None:
        view = session.view(source)
        turn = Rotation.from_matrix(view[:3, :3]).as_quat()
        place = (view[:3, 3] + session.rng.normal(0.0, 0.05, 3)) / session.reported_in
        told = session.reported(k, [float(v) for v in (*place, *turn)])
        return row | ({"board_pose": told} if told else {})
    pixels, ids = session.pixels(source), np.asarray(session.ids, int)
    found = (ids >= 0) & (session.rng.random(len(ids)) > 0.05)  # some markers are not read
    name = f"points/{k + 1:03d}.csv"
    lines = [f"{i},{u:.4f},{v:.4f}" for i, (u, v) in zip(ids[found], pixels[found], strict=True)]
    (folder / name).write_text("\n".join(["id,u_px,v_px", *lines, ""]), encoding="utf-8")
    return row | {"points": name}
