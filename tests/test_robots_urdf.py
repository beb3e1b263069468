"""URDF import against Pinocchio on the files of example-robot-data, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest
from robots_samples import URDF_CHAINS, urdf_folder

from engine.errors import FileError, StationbookError
from engine.robots.kinematics import kinematics
from engine.robots.urdf import import_urdf
from engine.sessions.cell_parts import read_robot, robot_text

EXACT_MM = 1e-9


def reference(path, base, tip):
    """Return Pinocchio's model, its joints between the links, and base_T_tip [mm] of values."""
    pin = pytest.importorskip("pinocchio")
    model = pin.buildModelFromUrdf(str(path))
    data, start, end = model.createData(), model.getFrameId(base), model.getFrameId(tip)
    joint, first = model.frames[end].parentJoint, model.frames[start].parentJoint
    between = []
    while joint != first:
        between.insert(0, model.joints[joint])
        joint = model.parents[joint]

    def pose(values):
        q = pin.neutral(model)
        for found, value in zip(between, values, strict=True):
            two = (np.cos(value), np.sin(value))
            q[found.idx_q : found.idx_q + found.nq] = two if found.nq == 2 else (value,)
        pin.framesForwardKinematics(model, data, q)
        T = (data.oMf[start].inverse() * data.oMf[end]).homogeneous.copy()
        T[:3, 3] *= 1000
        return T

    return model, between, pose


@pytest.mark.parametrize(("file", "base", "tip"), URDF_CHAINS)
def test_forward_agrees_with_pinocchio(file, base, tip):
    path = urdf_folder() / file
    robot = import_urdf(path, base, tip)
    arm = kinematics(robot)
    _, between, pose = reference(path, base, tip)
    assert arm.axes == len(between)
    metres = np.where(arm.joints.turning, 1.0, 1000.0)
    for values in np.random.default_rng(4).uniform(-3, 3, (40, arm.axes)):
        assert np.abs(arm.forward(values * metres) - pose(values)).max() < EXACT_MM


@pytest.mark.parametrize(("file", "base", "tip"), URDF_CHAINS)
def test_limits_agree_with_pinocchio(file, base, tip):
    path = urdf_folder() / file
    arm = kinematics(import_urdf(path, base, tip))
    model, between, _ = reference(path, base, tip)
    for joint, kind, (low, high) in zip(between, arm.joints.types, arm.joints.limits, strict=True):
        if joint.nq == 2:  # continuous
            assert (low, high) == pytest.approx((-2 * np.pi, 2 * np.pi))
            continue
        unit = 1.0 if kind == "turn" else 1000.0
        assert low == pytest.approx(unit * model.lowerPositionLimit[joint.idx_q])
        assert high == pytest.approx(unit * model.upperPositionLimit[joint.idx_q])


@pytest.mark.parametrize(("file", "base", "tip"), URDF_CHAINS)
def test_inverse_of_an_imported_arm_reproduces_the_pose(file, base, tip):
    arm = kinematics(import_urdf(urdf_folder() / file, base, tip))
    low, high = arm.joints.limits.T
    for q in np.random.default_rng(6).uniform(low, high, (15, arm.axes)):
        T = arm.forward(q)
        found = arm.branches(T)
        assert len(found) > 0
        assert np.abs(arm.forward(found) - T).max() < 2e-6


@pytest.mark.parametrize(("file", "base", "tip"), URDF_CHAINS[:2])
def test_an_imported_arm_survives_its_robot_file(file, base, tip, tmp_path):
    robot = import_urdf(urdf_folder() / file, base, tip)
    written = tmp_path / "robot.yaml"
    written.write_text(robot_text(robot), encoding="utf-8")
    q = np.linspace(-1, 1, robot.axes)
    again = kinematics(read_robot(written)).forward(q)
    assert np.abs(again - kinematics(robot).forward(q)).max() < 1e-6


JOINT = (
    '<joint name="{name}" type="{type}"><parent link="{parent}"/><child link="{child}"/>'
    "{rest}</joint>"
)
LIMIT = '<limit lower="-1" upper="2" effort="1" velocity="1"/>'


def joint(name, parent, child, kind="revolute", rest=LIMIT):
    return JOINT.format(name=name, type=kind, parent=parent, child=child, rest=rest)


@pytest.fixture
def urdf(tmp_path):
    def write(*joints, before=""):
        path = tmp_path / "arm.urdf"
        path.write_text(f'<?xml version="1.0"?>{before}<robot name="x">{"".join(joints)}</robot>')
        return path

    return write


def random_chain(rng, tilt):
    """Return links and joints whose axes are parallel, square, or ``tilt`` [rad] off either."""
    made = [f'<link name="l{k}"/>' for k in range(7)]
    for k in range(6):
        x, y, z = rng.uniform(-0.4, 0.4, 3) * rng.integers(0, 2, 3)
        roll, pitch = rng.integers(-2, 3, 2) * np.pi / 2 + tilt * rng.uniform(-1, 1, 2)
        axis = ("1 0 0", "0 1 0", "0 0 1", "0 -1 0")[rng.integers(4)]
        rest = f'<origin xyz="{x} {y} {z}" rpy="{roll} {pitch} 0"/><axis xyz="{axis}"/>{LIMIT}'
        made.append(joint(f"j{k}", f"l{k}", f"l{k + 1}", ("revolute", "prismatic")[k == 3], rest))
    return made


@pytest.mark.parametrize("tilt", [0.0, 1e-12, 1e-9, 1e-7, 3.7e-6, 1e-3, 0.3])
def test_axes_nearly_parallel_lose_no_accuracy(urdf, tilt):
    # 3.7e-6 rad: what 1.57080 in a file is off a right angle.
    rng = np.random.default_rng(17)
    for _ in range(5):
        path = urdf(*random_chain(rng, tilt))
        arm = kinematics(import_urdf(path, "l0", "l6"))
        _, _, pose = reference(path, "l0", "l6")
        values = rng.uniform(-1, 1, 6)
        difference = arm.forward(values * [1, 1, 1, 1000, 1, 1]) - pose(values)
        assert np.abs(difference).max() < 1e-5  # [mm]; a thousandth of what a pendant shows


def test_misspelt_link_is_answered_with_the_nearest(urdf):
    path = urdf(joint("a", "base_link", "arm_link"))
    with pytest.raises(StationbookError, match=r"no link 'base_lnk'.*Near it: base_link"):
        import_urdf(path, "base_lnk", "arm_link")


def test_tip_that_does_not_hang_on_the_base_is_refused(urdf):
    path = urdf(joint("a", "base", "left"), joint("b", "base", "right"))
    with pytest.raises(StationbookError, match=r"'left' is not carried by link 'right'.*base"):
        import_urdf(path, "right", "left")


@pytest.mark.parametrize("kind", ["floating", "planar", "spherical"])
def test_joint_types_other_than_turns_and_lifts_are_refused(urdf, kind):
    with pytest.raises(StationbookError, match=f"'a' is of type '{kind}'"):
        import_urdf(urdf(joint("a", "l0", "l1", kind)), "l0", "l1")


def test_mimicking_joint_is_refused(urdf):
    path = urdf(joint("a", "l0", "l1"), joint("b", "l1", "l2", rest=LIMIT + '<mimic joint="a"/>'))
    with pytest.raises(StationbookError, match="'b' follows joint 'a'"):
        import_urdf(path, "l0", "l2")
    assert import_urdf(path, "l0", "l1").axes == 1


def test_missing_limits_are_refused(urdf):
    with pytest.raises(StationbookError, match="'a' has no limits"):
        import_urdf(urdf(joint("a", "l0", "l1", rest="")), "l0", "l1")


def test_closed_loops_are_refused(urdf):
    two_parents = urdf(joint("a", "l0", "l2"), joint("b", "l1", "l2"), joint("c", "l0", "l1"))
    with pytest.raises(StationbookError, match="hangs on two joints"):
        import_urdf(two_parents, "l0", "l2")
    ring = urdf(joint("a", "l1", "l2"), joint("b", "l2", "l1"), joint("c", "l0", "l3"))
    with pytest.raises(StationbookError, match="is not carried by"):
        import_urdf(ring, "l0", "l2")


def test_only_fixed_joints_are_refused(urdf):
    with pytest.raises(StationbookError, match="no moving joint"):
        import_urdf(urdf(joint("a", "l0", "l1", "fixed", "")), "l0", "l1")


def test_entities_are_refused_and_not_expanded(urdf):
    bomb = '<!DOCTYPE b [<!ENTITY a "aaaa"><!ENTITY c "&a;&a;&a;">]>'
    with pytest.raises(FileError, match="declares a document type"):
        import_urdf(urdf(joint("a", "l0", "l1"), before=bomb), "l0", "l1")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"<robot><joint", "not readable as XML"),
        (b"", "not readable as XML"),
        (b"\xff\xfe\x00", "not as UTF-8"),
        (b"<?xml version='1.0' encoding='foo'?><robot/>", "stored as 'foo', not as UTF-8"),
        (b"<?xml version='1.0' encoding='latin-1'?><robot/>", "stored as 'latin-1', not as UTF-8"),
        ("<?xml version='1.0' encoding='utf-16'?><robot/>".encode("utf-16"), "not as UTF-8"),
        ("<robot name='gr\u00fcn'/>".encode("latin-1"), "'another encoding', not as UTF-8"),
        (b"<sdf/>", "outermost element is <sdf>"),
        (b'<robot xmlns:xacro="x"><xacro:include filename="y"/></robot>', "xacro"),
        (b'<robot><joint name="a" type="fixed"><child link="l"/></joint></robot>', "<parent"),
    ],
)
def test_files_that_are_no_urdf_are_refused_with_a_sentence(tmp_path, content, words):
    path = tmp_path / "broken.urdf"
    path.write_bytes(content)
    with pytest.raises(FileError, match=words):
        import_urdf(path, "a", "b")


def test_numbers_that_are_none_are_refused(urdf):
    for origin in ('xyz="1 2"', 'xyz="1 2 nan"', 'rpy="a b c"'):
        path = urdf(joint("a", "l0", "l1", rest=f"<origin {origin}/>{LIMIT}"))
        with pytest.raises(FileError, match="is not 3 numbers"):
            import_urdf(path, "l0", "l1")


def test_zero_axis_is_refused(urdf):
    path = urdf(joint("a", "l0", "l1", rest=f'<axis xyz="0 0 0"/>{LIMIT}'))
    with pytest.raises(StationbookError, match="its axis is zero"):
        import_urdf(path, "l0", "l1")


def test_missing_file_is_named(tmp_path):
    with pytest.raises(FileError, match=r"none\.urdf: cannot read it: no such file"):
        import_urdf(tmp_path / "none.urdf", "a", "b")


def test_elements_without_end_are_refused_while_they_are_read(tmp_path):
    path = tmp_path / "deep.urdf"
    path.write_text("<?xml version='1.0'?><robot name='a'>" + "<a>" * 400_000)
    with pytest.raises(FileError, match="more than 300000 elements"):
        import_urdf(path, "a", "b")
