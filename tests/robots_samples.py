"""Robots that the robot tests share: every kind, with uneven offsets, directions and coupling."""

from __future__ import annotations

import sysconfig
from concurrent.futures import ProcessPoolExecutor
from functools import cache
from importlib.util import find_spec
from itertools import product
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pytest

from engine.robots.kinematics import Kinematics
from engine.robots.model import ChainLink, Robot
from engine.robots.urdf import import_urdf

DEMO = Robot(  # the geometry of the cell example in the documentation
    name="demo six-axis arm",
    kind="spherical-wrist",
    geometry_mm={"a1": 70, "a2": -20, "b": 0, "c1": 390, "c2": 410, "c3": 375, "c4": 95},
    offsets_deg=(0, 0, 0, 0, 0, 0),
    directions=(1, 1, 1, 1, 1, 1),
    limits=((-160, 160), (-65, 145), (-70, 190), (-180, 180), (-135, 135), (-360, 360)),
)
UNEVEN = Robot(
    name="uneven six-axis arm",
    kind="spherical-wrist",
    geometry_mm={"a1": 135, "a2": 45, "b": 12, "c1": 470, "c2": 560, "c3": 615, "c4": 115},
    offsets_deg=(10, -90, 15, 20, -5, 180),
    directions=(-1, 1, -1, 1, -1, -1),
    coupling={"J3": "J2"},
    limits=((-185, 185), (-150, 60), (-170, 190), (-350, 350), (-125, 125), (-350, 350)),
)
SCARA = Robot(
    name="scara arm",
    kind="scara",
    geometry_mm={"l1": 310, "l2": 270, "z0": 380},
    offsets_deg=(0, 5, 20, -30),
    directions=(1, -1, 1, -1),
    limits=((-140, 140), (-150, 150), (-180, 20), (-360, 360)),
)
PALLETISER = Robot(
    name="palletising arm",
    kind="level-flange",
    geometry_mm={"a1": 420, "a2": 50, "b": 0, "c1": 800, "c2": 1100, "c3": 1200, "c4": 250},
    offsets_deg=(0, 0, -90, 0),
    directions=(1, 1, 1, -1),
    coupling={"J3": "J2"},
    limits=((-180, 180), (-40, 90), (-20, 120), (-360, 360)),
)
CHAIN = Robot(
    name="five turns and a lift",
    kind="chain",
    convention="standard",
    links=(
        ChainLink(80, -90, 400, 0),
        ChainLink(350, 0, 20, -90),
        ChainLink(0, 90, 100, 90, "lift"),
        ChainLink(0, -90, 310, 0),
        ChainLink(15, 90, 0, 12),
        ChainLink(0, 30, 90, 180),
    ),
    directions=(1, -1, 1, 1, 1, -1),
    limits=((-170, 170), (-120, 120), (0, 300), (-180, 180), (-120, 120), (-360, 360)),
)
MODIFIED = Robot(
    name="seven turns",
    kind="chain",
    convention="modified",
    links=(
        ChainLink(0, 0, 350),
        ChainLink(0, -90, 0),
        ChainLink(0, 90, 290),
        ChainLink(65, 90, 0),
        ChainLink(-65, -90, 410),
        ChainLink(0, 90, 0),
        ChainLink(105, 90, 0),
    ),
    limits=((-150, 150), (-95, 95), (-150, 150), (-160, -10), (-150, 150), (0, 200), (-150, 150)),
    base_T_first_mm_deg=(10, 20, 30, 5, -10, 15),
    last_T_flange_mm_deg=(0, 0, 120, 0, 0, -30),
)
ALL = (DEMO, UNEVEN, SCARA, PALLETISER, CHAIN, MODIFIED)


def random_joints(arm: Kinematics, rng: np.random.Generator, count: int) -> np.ndarray:
    """Return shown joint values (count, axes) spread evenly over the limits."""
    low, high = arm.joints.limits.T
    return rng.uniform(low, high, (count, arm.axes))


class Puma:
    """The Puma 560 of roboticstoolbox-python (Corke & Armstrong-Hélouvry 1994) [m, rad].

    The toolbox is loaded in a process of its own: a library under it prints what it leaked when
    the process that loaded it ends, which is no line to read after a run of the tests.
    """

    def __init__(self) -> None:
        context = get_context("spawn")  # such a process ends without taking modules down
        self._there = ProcessPoolExecutor(1, mp_context=context)
        self.links, self.qlim = self._ask(_links)

    def _ask(self, what, *args):
        return self._there.submit(what, *args).result()

    def fkine(self, q):
        """Return the poses (n, 4, 4) of joints (n, 6)."""
        return self._ask(_fkine, q)

    def jacob0(self, q):
        """Return the Jacobian (6, 6) at joints (6,): rows velocity, then turn rate."""
        return self._ask(_jacob0, q)

    def ikine_a(self, poses):
        """Return for every pose (n, 4, 4) the joints of each branch that the toolbox finds."""
        return self._ask(_ikine_a, poses)


@cache
def _model():
    from roboticstoolbox.models.DH import Puma560

    return Puma560()


def _links():
    model = _model()
    return [(x.a, x.alpha, x.d, x.offset) for x in model.links], np.array(model.qlim)


def _fkine(q):
    return np.array([_model().fkine(one).A for one in q])


def _jacob0(q):
    return np.array(_model().jacob0(q))


def _ikine_a(poses):
    from spatialmath import SE3

    branches = ["".join(letters) for letters in product("lr", "ud", "nf")]
    found = [[_model().ikine_a(SE3(T), branch) for branch in branches] for T in poses]
    return [[solution.q for solution in every if solution.success] for every in found]


@cache
def puma_from_toolbox():
    """Return the toolbox's Puma 560."""
    if find_spec("roboticstoolbox") is None:
        pytest.skip("roboticstoolbox-python is not installed")
    return Puma()


def puma_chain(model) -> Robot:
    """Return the toolbox's Puma 560 as a chain, link by link, with the toolbox's limits."""
    links = tuple(
        ChainLink(1000 * a, np.rad2deg(alpha), 1000 * d, np.rad2deg(offset))
        for a, alpha, d, offset in model.links
    )
    return Robot(
        "Puma 560", "chain", convention="standard", links=links, limits=_toolbox_limits(model)
    )


def puma_spherical(model) -> Robot:
    """Return the toolbox's Puma 560 as a spherical-wrist arm, with the toolbox's limits."""
    a, _, d, _ = zip(*model.links, strict=True)
    size = {"a1": 0, "a2": a[2], "b": -d[2], "c1": d[0], "c2": a[1], "c3": d[3], "c4": d[5]}
    return Robot(
        "Puma 560",
        "spherical-wrist",
        geometry_mm={key: 1000 * value for key, value in size.items()},
        offsets_deg=(0, -90, 90, 0, 0, 0),
        directions=(1, -1, -1, 1, -1, 1),
        limits=_toolbox_limits(model),
    )


def _toolbox_limits(model) -> tuple[tuple[float, float], ...]:
    return tuple((float(low), float(high)) for low, high in np.rad2deg(model.qlim).T)


def urdf_folder():
    """Return the folder of URDF files that the package example-robot-data installs."""
    purelib = Path(sysconfig.get_paths()["purelib"])
    folder = purelib / "cmeel.prefix" / "share" / "example-robot-data" / "robots"
    if not folder.is_dir():
        pytest.skip("example-robot-data is not installed")
    return folder


URDF_CHAINS = (  # file, base link, tip link
    ("ur_description/urdf/ur5_robot.urdf", "base_link", "tool0"),
    ("panda_description/urdf/panda.urdf", "panda_link0", "panda_hand"),
    ("kinova_description/robots/kinova.urdf", "base", "j2s6s200_end_effector"),
    ("xarm_description/urdf/xarm7.urdf", "world", "link_eef"),
    ("z1_description/urdf/z1.urdf", "link00", "link06"),
    ("pr2_description/urdf/pr2.urdf", "base_link", "l_gripper_palm_link"),
)


def urdf_arms():
    """Return (robot, path, base, tip) of every sample URDF."""
    chains = [(urdf_folder() / file, base, tip) for file, base, tip in URDF_CHAINS]
    return [(import_urdf(path, base, tip), path, base, tip) for path, base, tip in chains]
