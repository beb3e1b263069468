"""Forms with lens data, pendants chosen freely, messages of ROS and planes, read independently."""

from __future__ import annotations

import io
import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import report_samples as samples
import yaml
from jsonschema import Draft202012Validator
from pytransform3d.transformations import transform_from_pq
from scipy.spatial.transform import Rotation

from engine.camera.model import LensU, PartLensU, guessed_camera
from engine.cautions import NEW_VALUES
from engine.cell.cell import Cell
from engine.errors import UsageError
from engine.findings import finding
from engine.report.exports import FORMATS, Chosen

SCHEMAS = Path(__file__).parent.parent / "docs" / "schemas"
BENT = (-0.21, 0.08, 0.0004, -0.0003, 0.01)


def bent(given: bool = True) -> Cell:
    """Return the sample cell with lens distortion and a lens known to 0.05 %."""
    cell = samples.cell()
    u = LensU(0.0005, 0.8, 0.2) if given else None
    return replace(cell, camera=replace(cell.camera, distortion=BENT, u=u))


def text(form: str, cell: Cell | None = None, **how: Any) -> str:
    return samples.export(
        samples.stored(samples.document()), cell or bent(), form, source_sha256="0" * 64, **how
    )


def comments(found: str) -> dict[str, str]:
    lines = [line[2:].split(": ", 1) for line in found.splitlines() if line.startswith("# ")]
    return {line[0]: line[1] for line in lines if len(line) == 2}


@pytest.mark.parametrize(
    "form", ["pendant", "matrix", "quaternion", "tf", "ros", "plane", "urdf", "csv"]
)
def test_every_form_carries_the_lens_and_its_u(form: str) -> None:
    found = text(form)
    assert "fx 1400 fy 1400 cx 640 cy 512" in found
    assert "-0.21 0.08" in found
    assert "focal 0.001 relative" in found
    assert "assumed" in text(form, bent(False))


@pytest.mark.parametrize("form", FORMATS)
def test_every_form_names_the_rule_its_owner_and_how_likely_it_is_wrong(form: str) -> None:
    decision = {"rule": "simple", "set_by": "A. Example, quality", "chance_wrong": 0.023}
    result = samples.stored(samples.document(decision=decision))
    found = samples.export(result, bent(), form, source_sha256="0" * 64)
    for said in ("simple rule (JCGM 106)", "set by A. Example, quality", "at most 2.3 %"):
        assert said in " ".join(found.split())
    nobody = samples.stored(samples.document(decision=decision | {"set_by": None}))
    assert "nobody is named as having set it" in samples.export(
        nobody, bent(), form, source_sha256="0" * 64
    )


def flat(found: str) -> str:
    """Return a text in one line, without quotes and marks of comments."""
    return " ".join(found.replace("#", " ").replace('"', "").replace("\\'", "'").split())


@pytest.mark.parametrize("form", FORMATS)
def test_every_form_carries_the_cautions_of_a_first_move(form: str) -> None:
    found = flat(text(form))
    for caution in NEW_VALUES:
        assert caution in found


@pytest.mark.parametrize("form", FORMATS)
def test_every_form_says_whether_and_for_which_frame_it_is_proven(form: str) -> None:
    frames = {"frames": {"tool": "T3", "frame": "F5", "shown": ["station 2"]}}
    refuted = finding("proof-disagrees", touches="1", worst=9.0, expanded=1.0).document()
    cases = (
        ({}, "proven by touch points", "not yet"),
        ({"proven": True} | frames, "yes, for frame F5 and tool T3, shown by", "station 2"),
        ({"verdict": "not-accepted", "findings": [refuted]}, "NO, the proof FAILED", "9.00 mm off"),
    )
    for changed, *said in cases:
        result = samples.stored(samples.document(**changed))
        found = samples.export(
            result, bent(), form, source_sha256="0" * 64, allow_not_accepted=True
        )
        for words in said:
            assert words in flat(found).replace("_", " ")


def test_json_keeps_to_its_schema_and_gives_the_lens_as_numbers() -> None:
    decided = {"decision": {"rule": "guarded", "set_by": None, "chance_wrong": 0.01}}
    told = {
        "findings": [
            finding("unobservable", "fixed", direction="Z", given="height").document(),
            finding("overruled", stations=[1, 2], count=2, total=8).document(),
        ]
    }
    result = samples.stored(samples.document(**decided, **told))
    document = json.loads(samples.export(result, bent(), "json", source_sha256="0" * 64))
    schema = json.loads((SCHEMAS / "form-json.json").read_text())
    assert list(Draft202012Validator(schema).iter_errors(document)) == []
    assert document["lens"]["distortion"] == list(BENT)
    assert document["lens"]["u"] == {"focal": 0.0005, "center_px": 0.8, "edge_px": 0.2}
    assert "direction_not_shown" in document
    assert "cannot stand at 2 of 8" in document["overruled"]
    assert yaml.safe_load(text("yaml")) == json.loads(text("json"))


@pytest.mark.parametrize("form", ["json", "opencv", "pendant"])
def test_what_is_assumed_of_the_lens_is_named(form: str) -> None:
    part = PartLensU(focal=0.0005, edge_px=0.2, absent=("center_px",))
    cell = replace(bent(), camera=replace(bent().camera, u=part))
    found = flat(text(form, cell))
    assert "absent" not in found
    if form != "json":
        assert "centre 4 px, image corner 0.4 px, centre assumed" in found
    else:
        lens = json.loads(text(form, cell))["lens"]
        assert lens["u_assumed"]
        assert lens["u_assumed_of"] == ["center_px"]
        assert lens["u"] == {"focal": 0.0005, "center_px": 2.0, "edge_px": 0.2}


@pytest.mark.parametrize("form", FORMATS)
def test_a_guess_at_the_lens_is_never_handed_over(form: str) -> None:
    cell = replace(bent(), camera=guessed_camera(bent().camera))
    if form == "plane":
        with pytest.raises(UsageError, match="a plane needs lens data"):
            text(form, cell)
        return
    found = text(form, cell)
    assert not re.search(r"(?<![\d.])1536\b", found)  # 1.2 of the image's long side
    assert "not known: the cell gives no lens data" in flat(found)


def test_opencv_reads_lens_and_transform() -> None:
    store = cv2.FileStorage(text("opencv"), cv2.FILE_STORAGE_READ | cv2.FILE_STORAGE_MEMORY)
    assert store.getNode("distortion_coefficients").mat().ravel() == pytest.approx(BENT)
    assert store.getNode("camera_matrix").mat()[0] == pytest.approx([1400.0, 0, 640])
    assert int(store.getNode("image_width").real()) == 1280
    assert store.getNode("lens_u_focal").real() == 0.0005


def test_ros_messages_say_the_same_transform_and_lens() -> None:
    document = yaml.safe_load(text("ros"))
    schema = json.loads((SCHEMAS / "form-ros.json").read_text())
    assert list(Draft202012Validator(schema).iter_errors(document)) == []
    said = document["transform_stamped"]
    t, q = said["transform"]["translation"], said["transform"]["rotation"]
    T = transform_from_pq([t["x"], t["y"], t["z"], q["w"], q["x"], q["y"], q["z"]])
    want = samples.CAMERA.copy()
    want[:3, 3] /= 1000.0
    assert pytest.approx(want, abs=1e-9) == T
    assert (said["header"]["frame_id"], said["child_frame_id"]) == ("base", "camera")
    info = document["camera_info"]
    assert (info["width"], info["height"], info["distortion_model"]) == (1280, 1024, "plumb_bob")
    assert info["d"] == list(BENT)
    assert len(info["p"]) == 12
    many = replace(bent(), camera=replace(bent().camera, distortion=(*BENT, 0, 0, 0, 0, 0, 0, 0)))
    with pytest.raises(UsageError, match="12 distortion"):
        text("ros", many)


@pytest.mark.parametrize(
    ("rotation", "scipys"),
    [("moving-zyx", "ZYX"), ("fixed-xyz", "xyz"), ("moving-zyz", "ZYZ"), ("fixed-zxy", "zxy")],
)
@pytest.mark.parametrize("angle", ["deg", "rad"])
def test_a_pendant_form_is_chosen_freely(rotation: str, scipys: str, angle: str) -> None:
    found = text("pendant", unit="in", chosen=Chosen(rotation, angle))
    rows = [line.split() for line in found.splitlines() if line and not line.startswith("#")]
    values = np.array([float(row[1]) for row in rows])
    turn = Rotation.from_euler(scipys, values[3:], degrees=angle == "deg").as_matrix()
    assert turn == pytest.approx(samples.CAMERA[:3, :3], abs=2e-6)
    assert values[:3] * 25.4 == pytest.approx(samples.CAMERA[:3, 3], abs=5e-4)
    assert [row[0] for row in rows][:3] == ["X", "Y", "Z"]
    assert [row[2] for row in rows] == ["in"] * 3 + [angle] * 3


def test_a_pendant_form_of_quaternions_and_vectors() -> None:
    rows = [
        r.split()
        for r in text("pendant", chosen=Chosen("quaternion-wxyz")).splitlines()
        if r[:1] == "q"
    ]
    values = [float(row[1]) for row in rows]
    assert [row[0] for row in rows] == ["qw", "qx", "qy", "qz"]
    R = Rotation.from_quat(values, scalar_first=True).as_matrix()
    assert pytest.approx(samples.CAMERA[:3, :3], abs=1e-6) == R
    found = text("pendant", chosen=Chosen("rotation-vector", "rad", 2))
    assert "RX" in found
    assert all(
        len(r.split()[1].partition(".")[2]) == 2 for r in found.splitlines() if r[:2] == "RX"
    )


@pytest.mark.parametrize(
    ("form", "chosen", "said"),
    [
        ("pendant", Chosen("euler"), "no form"),
        ("pendant", Chosen("joints"), "no form"),
        ("pendant", Chosen(None, "grad"), "unknown unit"),
        ("pendant", Chosen(None, None, 12), "12 decimals"),
        ("json", Chosen("fixed-xyz"), "pendant only"),
        ("json", Chosen(height_mm=1.0), "form plane"),
        ("plane", Chosen(height_mm=1500.0), "sees nothing"),
    ],
)  # fmt: skip
def test_what_cannot_be_chosen_is_refused(form: str, chosen: Chosen, said: str) -> None:
    with pytest.raises(UsageError, match=said):
        text(form, chosen=chosen)


# ---- planes ------------------------------------------------------------------------------------


def the_plane(height: float | None = None, unit: str = "mm") -> tuple[dict[str, str], np.ndarray]:
    found = text("plane", unit=unit, chosen=Chosen(height_mm=height))
    return comments(found), np.loadtxt(
        io.StringIO(found), delimiter=",", skiprows=1 + found.count("# ")
    )


def test_a_plane_says_where_opencv_sees_its_points() -> None:
    said, table = the_plane(180.0)
    p_base = np.column_stack([table[:, 2:4], np.full(len(table), 180.0)])
    back = np.linalg.inv(samples.CAMERA)
    seen, _ = cv2.projectPoints(p_base, cv2.Rodrigues(back[:3, :3])[0], back[:3, 3],
                                np.array(bent().camera.matrix), np.array(BENT))  # fmt: skip
    assert seen[:, 0] == pytest.approx(table[:, :2], abs=1e-3)
    u, v = (float(w) for w in said["valid"].split(" px")[0].split()[1::2][:2]), 0
    assert v == 0
    assert next(u) >= 0.0


def test_its_homographies_are_exact_without_distortion_and_told_with() -> None:
    said, table = the_plane()
    K, d = np.array(bent().camera.matrix), np.array(BENT)
    raw = np.array(said["homography of pixels as they come"].split(), float).reshape(3, 3)
    exact = np.array(said["homography of undistorted pixels"].split(), float).reshape(3, 3)
    straight = cv2.undistortPoints(table[:, None, :2], K, d, P=K)
    assert cv2.perspectiveTransform(straight, exact)[:, 0] == pytest.approx(table[:, 2:4], abs=0.01)
    off = np.linalg.norm(
        cv2.perspectiveTransform(table[:, None, :2], raw)[:, 0] - table[:, 2:4], axis=1
    )
    told = float(said["error of that one"].split()[2])
    assert 0.3 * told < off.max() <= 1.05 * told
    cv, _ = cv2.findHomography(table[:, :2], table[:, 2:4])
    assert raw / raw[2, 2] == pytest.approx(cv, rel=0.2, abs=5e-2)


def test_its_u_and_slope_are_those_of_draws() -> None:
    rng, (_, table) = np.random.default_rng(7), the_plane(200.0)
    L = np.linalg.cholesky(samples.COVARIANCE + 1e-18 * np.eye(6))
    K, d = np.array(bent().camera.matrix), np.array(BENT)
    rays = cv2.undistortPoints(table[:, None, :2], K, d)[:, 0]
    rays = np.column_stack([rays, np.ones(len(rays))])
    places = []
    for _ in range(2000):
        xi = L @ rng.normal(size=6)
        R = Rotation.from_rotvec(xi[:3]).as_matrix() @ samples.CAMERA[:3, :3]
        t = samples.CAMERA[:3, 3] + xi[3:]
        way = rays @ R.T
        places.append(t[:2] + ((200.0 - t[2]) / way[:, 2])[:, None] * way[:, :2])
    u = np.sqrt(np.var(places, axis=0).sum(axis=1))
    assert table[:, 4] == pytest.approx(u, rel=0.06)
    way = rays @ samples.CAMERA[:3, :3].T
    moved = np.linalg.norm(way[:, :2], axis=1) / np.abs(way[:, 2])
    assert table[:, 5] == pytest.approx(moved, rel=1e-4)


def test_another_unit_scales_all_of_it() -> None:
    (_, mm), (said, inch) = the_plane(100.0), the_plane(100.0, "in")
    assert inch[:, 2:5] * 25.4 == pytest.approx(mm[:, 2:5], rel=1e-6)
    assert "z = 3.93701 in" in said["convention"]
