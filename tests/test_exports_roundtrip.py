"""Every exported file, read back by programs that are not this one, gives the same transform."""

from __future__ import annotations

import csv
import io
import json
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pinocchio
import pytest
import pytransform3d.rotations as pr
import pytransform3d.transformations as pt
import yaml
from pytransform3d.urdf import UrdfTransformManager
from report_samples import CAMERA, COVARIANCE, cell, document, export, stored

from engine.cell.cell import Cell
from engine.errors import StationbookError, UsageError
from engine.frames import displaced, displacement
from engine.frames import inverse as inverse_of
from engine.pendant.settings import BASE, Active, Pendant
from engine.report.delivered import inverse_covariance
from engine.report.exports import FORMATS

SHA = "ab" * 32
UNITS = {"mm": 1.0, "m": 1000.0, "in": 25.4}
CASES = [(mount, inverse) for mount in ("eye-to-hand", "eye-in-hand") for inverse in (False, True)]
LABELS = ("X", "Y", "Z", "A", "B", "C")


def exported(said: dict[str, Any], form: str, room: Cell | None = None, **options: Any) -> str:
    """Return the export of a result that says this."""
    return export(stored(said), room or cell(), form, source_sha256=SHA, **options)


def written(form: str, mount: str = "eye-to-hand", **options: object) -> str:
    return exported(document(mount), form, cell(mount), **options)


def expected(inverse: bool, unit: str = "mm") -> np.ndarray:
    T = pt.invert_transform(CAMERA) if inverse else CAMERA.copy()
    T[:3, 3] /= UNITS[unit]
    return T


def frames(mount: str, inverse: bool) -> tuple[str, str]:
    pair = ("base" if mount == "eye-to-hand" else "flange", "camera")
    return pair[::-1] if inverse else pair


def from_xyz_xyzw(values: np.ndarray) -> np.ndarray:
    quaternion = pr.quaternion_wxyz_from_xyzw(values[3:7])
    return pt.transform_from_pq(np.hstack([values[:3], quaternion]))


@pytest.mark.parametrize(("mount", "inverse"), CASES)
@pytest.mark.parametrize("unit", UNITS)
@pytest.mark.parametrize(("form", "read"), [("json", json.loads), ("yaml", yaml.safe_load)])
def test_json_and_yaml_read_back(form, read, unit, mount, inverse) -> None:
    data = read(written(form, mount, inverse=inverse, unit=unit))
    T = expected(inverse, unit)
    assert data["transform"] == "_T_".join(frames(mount, inverse))
    assert np.array(data["matrix"]) == pytest.approx(T, abs=1e-12)
    values = np.array([*data[f"position_{unit}"], *data["quaternion_xyzw"]])
    assert from_xyz_xyzw(values) == pytest.approx(T, abs=1e-12)
    assert data["source_sha256"] == SHA
    assert data["standard_uncertainty"][f"pick_{unit}"] == pytest.approx(0.31 / UNITS[unit])


@pytest.mark.parametrize(("mount", "inverse"), CASES)
def test_csv_reads_back(mount, inverse) -> None:
    text = written("csv", mount, inverse=inverse, unit="m")
    assert "\r" not in text  # what is printed shows control characters instead of sending them
    rows = list(csv.DictReader(io.StringIO(text)))
    value = {row["quantity"]: row["value"] for row in rows}
    T = expected(inverse, "m")
    assert [float(value[k]) for k in "xyz"] == pytest.approx(list(T[:3, 3]), abs=1e-12)
    R = pr.matrix_from_quaternion([float(value["q" + k]) for k in "wxyz"])
    assert pytest.approx(T[:3, :3], abs=1e-12) == R
    cells = [float(value[f"r{i}{j}"]) for i in (1, 2, 3) for j in (1, 2, 3)]
    assert cells == pytest.approx(list(T[:3, :3].ravel()), abs=1e-12)
    assert {row["unit"] for row in rows if row["quantity"] in ("x", "y", "z")} == {"m"}


@pytest.mark.parametrize(("mount", "inverse"), CASES)
def test_matrix_and_quaternion_read_back(mount, inverse) -> None:
    matrix = np.loadtxt(io.StringIO(written("matrix", mount, inverse=inverse)))
    assert matrix == pytest.approx(expected(inverse), abs=1e-9)
    line = np.loadtxt(io.StringIO(written("quaternion", mount, inverse=inverse)))
    assert from_xyz_xyzw(line) == pytest.approx(expected(inverse), abs=1e-9)


@pytest.mark.parametrize(("mount", "inverse"), CASES)
def test_opencv_reads_its_own_format_back(mount, inverse) -> None:
    text = written("opencv", mount, inverse=inverse)
    store = cv2.FileStorage(text, cv2.FILE_STORAGE_READ | cv2.FILE_STORAGE_MEMORY)
    T = expected(inverse)
    assert store.getNode("matrix").mat() == pytest.approx(T, abs=1e-12)
    rotation, _ = cv2.Rodrigues(store.getNode("rvec").mat())
    assert rotation == pytest.approx(T[:3, :3], abs=1e-12)
    assert store.getNode("t").mat().ravel() == pytest.approx(T[:3, 3])
    assert store.getNode("transform").string() == "_T_".join(frames(mount, inverse))
    assert store.getNode("source_sha256").string() == SHA


@pytest.mark.parametrize(("mount", "inverse"), CASES)
def test_urdf_read_by_two_libraries_gives_the_frame_in_metres(mount, inverse) -> None:
    text = written("urdf", mount, inverse=inverse)
    to_frame, from_frame = frames(mount, inverse)
    T = expected(inverse, "m")
    manager = UrdfTransformManager()
    manager.load_urdf(text)
    assert manager.get_transform(from_frame, to_frame) == pytest.approx(T, abs=1e-12)
    model = pinocchio.buildModelFromXML(text)
    data = model.createData()
    pinocchio.framesForwardKinematics(model, data, pinocchio.neutral(model))
    placement = data.oMf[model.getFrameId(from_frame)].homogeneous
    assert placement == pytest.approx(T, abs=1e-12)


@pytest.mark.parametrize(("mount", "inverse"), CASES)
def test_static_transform_arguments_are_metres_xyzw_parent_child(mount, inverse) -> None:
    (line,) = [x for x in written("tf", mount, inverse=inverse).splitlines() if x[0] != "#"]
    *values, parent, child = line.split()
    assert from_xyz_xyzw(np.array(values, float)) == pytest.approx(expected(inverse, "m"), abs=1e-9)
    assert (parent, child) == frames(mount, inverse)


PENDANTS = {
    "fixed-xyz": lambda v: pr.matrix_from_euler(v, 0, 1, 2, extrinsic=True),
    "moving-zyx": lambda v: pr.matrix_from_euler(v, 2, 1, 0, extrinsic=False),
    "moving-zyz": lambda v: pr.matrix_from_euler(v, 2, 1, 2, extrinsic=False),
    "rotation-vector": pr.matrix_from_compact_axis_angle,
}


def typed(text: str) -> list[tuple[str, float, str]]:
    rows = [line.split() for line in text.splitlines() if line[0] != "#"]
    return [(row[0], float(row[1]), row[2] if len(row) > 2 else "") for row in rows]


@pytest.mark.parametrize("rotation", PENDANTS)
@pytest.mark.parametrize("unit", ["mm", "m", "in"])
def test_pendant_values_give_the_frame_within_their_rounding(rotation, unit) -> None:
    decimals = (5, 5, 5, 3, 3, 3)
    shown = Pendant(unit, "deg", rotation, LABELS, decimals)
    text = exported(document(), "pendant", cell(pendant=shown))
    rows = typed(text)
    assert [row[0] for row in rows] == list(LABELS)
    assert [row[2] for row in rows] == [unit] * 3 + ["deg"] * 3
    position = np.array([row[1] for row in rows[:3]]) * UNITS[unit]
    assert np.abs(position - CAMERA[:3, 3]).max() <= 0.5e-5 * UNITS[unit] + 1e-9
    R = PENDANTS[rotation](np.deg2rad([row[1] for row in rows[3:]]))
    assert np.abs(R - CAMERA[:3, :3]).max() < 3 * np.deg2rad(0.5e-3)


def test_pendant_quaternion_is_w_first_and_has_no_unit() -> None:
    labels = ("X", "Y", "Z", "Q1", "Q2", "Q3", "Q4")
    shown = Pendant("mm", "deg", "quaternion-wxyz", labels, (2, 2, 2, 6, 6, 6, 6))
    rows = typed(exported(document(), "pendant", cell(pendant=shown)))
    assert [row[2] for row in rows] == ["mm"] * 3 + [""] * 4
    R = pr.matrix_from_quaternion([row[1] for row in rows[3:]])
    assert pytest.approx(CAMERA[:3, :3], abs=1e-5) == R


@pytest.mark.parametrize("mount", ["eye-to-hand", "eye-in-hand"])
@pytest.mark.parametrize("inverse", [False, True])
def test_pendant_rounding_cost_is_what_rounding_does_at_the_corners(mount, inverse) -> None:
    coarse = Pendant("mm", "deg", "fixed-xyz", LABELS, (0, 0, 0, 1, 1, 1))
    room = cell(mount, coarse)
    text = exported(document(mount), "pendant", room, inverse=inverse)
    rows = typed(text)
    exact = expected(inverse)
    R = pr.matrix_from_euler(np.deg2rad([r[1] for r in rows[3:]]), 0, 1, 2, extrinsic=True)
    rounded = pt.transform_from(R, [r[1] for r in rows[:3]])
    corners = np.array(
        [
            np.array(room.work_volume.center_mm) + np.array(s) * room.work_volume.size_mm / 2
            for s in np.ndindex(2, 2, 2)
            for s in [np.array(s) * 2 - 1]
        ]
    )
    volume_in_camera = (
        pt.transform(pt.invert_transform(CAMERA), pt.vectors_to_points(corners))
        if mount == "eye-to-hand"
        else pt.vectors_to_points(corners)
    )
    source = pt.transform(CAMERA, volume_in_camera) if inverse else volume_in_camera
    moved = (pt.transform(rounded, source) - pt.transform(exact, source))[:, :3]
    worst = np.linalg.norm(moved, axis=1).max()
    (stated,) = re.findall(r"a pick moves by up to (\S+) mm", text)
    assert float(stated) == pytest.approx(worst, rel=0.06)
    (shift,) = re.findall(r"shifts the frame by (\S+) mm", text)
    assert float(shift) == pytest.approx(np.linalg.norm((rounded - exact)[:3, 3]), rel=0.06)


def test_pendant_says_user_frame_tool_and_cautions() -> None:
    fixed, moving = written("pendant"), written("pendant", "eye-in-hand")
    assert "user frame" in fixed
    assert "as a tool" in moving
    for words in ("robot stopped and the enabling switch released", "reduced speed", "come first"):
        assert words in fixed


@pytest.mark.parametrize(
    ("rotation", "labels"), [("joints", ("J1", "J2")), ("yaw", ("X", "Y", "Z", "C"))]
)
def test_pendant_that_cannot_hold_the_frame_is_refused(rotation, labels) -> None:
    shown = Pendant("mm", "deg", rotation, labels, (2,) * len(labels))
    with pytest.raises(UsageError, match="cannot"):
        exported(document(), "pendant", cell(pendant=shown))


def test_covariance_of_the_inverse_agrees_with_simulation() -> None:
    rng = np.random.default_rng(7)
    small = COVARIANCE * 1e-2
    xi = rng.multivariate_normal(np.zeros(6), small, size=40_000)
    samples = inverse_of(displaced(CAMERA, xi))
    empirical = np.cov(displacement(samples, inverse_of(CAMERA)).T)
    claimed = inverse_covariance(CAMERA, small)
    scale = np.sqrt(np.outer(np.diag(claimed), np.diag(claimed)))
    assert (np.abs(empirical - claimed) / scale).max() < 0.03


@pytest.mark.parametrize("form", FORMATS)
def test_every_file_says_frame_direction_unit_convention_and_source(form) -> None:
    text = written(form)
    unit = {"urdf": "m", "tf": "m", "ros": "m"}.get(form, "mm")
    assert "base_T_camera" in text
    assert "maps coordinates in camera into base" in text
    assert re.search(rf"unit\W+{unit}\b", text)
    assert "convention" in text
    assert SHA in text
    assert "result.yaml" in text
    assert "active frame" in text


@pytest.mark.parametrize("form", FORMATS)
def test_result_not_accepted_is_refused_unless_asked_and_then_says_so(form) -> None:
    bad = document(
        verdict="not-accepted",
        findings=[
            {
                "code": "outlier",
                "level": "error",
                "message": "Station 3 does not fit.",
                "remedy": "",
            }
        ],
    )
    with pytest.raises(UsageError, match="not accepted: Station 3 does not fit") as refusal:
        exported(bad, form)
    assert ".." not in str(refusal.value)
    assert "--not-accepted" in refusal.value.remedy
    text = exported(bad, form, allow_not_accepted=True)
    assert "NOT ACCEPTED: Station 3 does not fit." in text
    assert "not-accepted" in text


def test_document_without_verdict_is_not_accepted() -> None:
    bare = document()
    del bare["verdict"]
    with pytest.raises(UsageError, match="not accepted"):
        exported(bare, "json")


def test_unknown_numbers_are_null_never_zero() -> None:
    bare = document(covariance=None, uncertainty=None, proven=None)
    data = json.loads(exported(bare, "json"))
    assert set(data["standard_uncertainty"].values()) == {None}
    assert data["covariance_rad_mm"] is None
    assert data["proven"] is None
    assert "not known" in exported(bare, "matrix")


def test_edited_result_is_refused() -> None:
    edited = document()
    edited["base_T_camera"]["position_mm"][0] += 1.0
    with pytest.raises(StationbookError, match="differ by 1 mm"):
        exported(edited, "json")


def test_transform_that_is_known_in_part_only_is_refused() -> None:
    entry = document()["base_T_camera"]
    entry["position_mm"][2] = entry["matrix"][2][3] = None  # what a four-axis robot cannot show
    with pytest.raises(StationbookError, match="no complete base_T_camera"):
        exported(document(base_T_camera=entry), "json")


@pytest.mark.parametrize("damage", [{}, {"matrix": 3}, {"matrix": [[1]]}, "text", [1], 7])
def test_damaged_transform_gives_a_sentence(damage) -> None:
    with pytest.raises(StationbookError):
        exported(document(base_T_camera=damage), "json")


@pytest.mark.parametrize(
    ("form", "options", "words"),
    [
        ("word", {}, "Known: pendant"),
        ("json", {"unit": "ft"}, "unknown unit"),
        ("urdf", {"unit": "mm"}, "always in m"),
        ("tf", {"unit": "in"}, "always in m"),
        ("pendant", {"unit": "m"}, "always in mm"),
    ],
)
def test_wrong_words_are_refused(form, options, words) -> None:
    with pytest.raises(UsageError, match=words):
        written(form, **options)


def test_result_of_another_mount_is_refused() -> None:
    with pytest.raises(StationbookError, match="eye-in-hand"):
        exported(document("eye-in-hand"), "json", cell("eye-to-hand"))


NASTY = '=1+2 "cell" -- <b>\n]]> & # : \x00 é\u2028'


@pytest.mark.parametrize("form", FORMATS)
def test_hostile_cell_name_breaks_no_file(form) -> None:
    text = exported(document(), form, cell(name=NASTY))
    T = expected(False)
    if form in ("json", "yaml"):
        data = json.loads(text) if form == "json" else yaml.safe_load(text)
        assert np.array(data["matrix"]) == pytest.approx(T)
    elif form == "csv":
        value = {row[0]: row[1] for row in csv.reader(io.StringIO(text))}
        assert value["cell"].startswith("'=1+2")
        assert float(value["x"]) == pytest.approx(T[0, 3])
    elif form == "urdf":
        assert ET.fromstring(text.encode()).tag == "robot"
    elif form == "opencv":
        store = cv2.FileStorage(text, cv2.FILE_STORAGE_READ | cv2.FILE_STORAGE_MEMORY)
        assert store.getNode("matrix").mat() == pytest.approx(T)
    elif form == "ros":
        assert set(yaml.safe_load(text)) == {"transform_stamped", "camera_info"}
    else:
        data = [line for line in text.splitlines() if not line.startswith("#")]
        assert len(data) == {"matrix": 4, "pendant": 6, "plane": 64}.get(form, 1)


def test_half_turns_and_identity_survive_every_machine_format() -> None:
    for T in (np.eye(4), np.diag([1.0, -1, -1, 1]), np.diag([-1.0, -1, 1, 1])):
        entry = {
            "matrix": T.tolist(),
            "position_mm": [0, 0, 0],
            "quaternion_xyzw": np.roll(pr.quaternion_from_matrix(T[:3, :3]), -1).tolist(),
        }
        doc = document(base_T_camera=entry)
        line = np.loadtxt(io.StringIO(exported(doc, "quaternion")))
        assert from_xyz_xyzw(line) == pytest.approx(T, abs=1e-12)
        model = UrdfTransformManager()
        model.load_urdf(exported(doc, "urdf"))
        assert model.get_transform("camera", "base") == pytest.approx(T, abs=1e-12)
        assert "-0 " not in exported(doc, "matrix")


def test_active_tool_and_frame_are_named() -> None:
    shown = replace(cell().pendant, active_tool=Active("gripper 2", ("0",) * 6), active_frame=BASE)
    text = exported(document(), "tf", cell(pendant=shown))
    assert "active tool 'gripper 2: 0 0 0 0 0 0' and active frame 'base'" in text
