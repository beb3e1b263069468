"""Mistakes that concern the whole session: every row of the trade's list, both mounts."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Literal

import numpy as np
import pytest
from mistakes import (
    Faulty,
    clean,
    half_turned,
    inverted,
    mirrored_images,
    miscounted,
    moved,
    other_focal,
    other_pitch,
    reread,
    scaled_lengths,
    shifted,
    slipped,
    swapped_images,
    typed,
    upright,
    with_texts,
)
from simulated_sessions import BOARD as CHESSBOARD
from simulated_sessions import CAMERA, Case, Seen, simulated

from engine.camera.model import LensU
from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND, Mount
from engine.cell.rule import Tolerance
from engine.diagnosis import images
from engine.diagnosis.diagnose import CAUSES, diagnosed
from engine.diagnosis.optics import pattern
from engine.estimate.result import Result
from engine.estimate.solver import fitted
from engine.findings import Finding, Level
from engine.frames import displaced
from engine.pendant.conventions import EULER_ROTATIONS, VECTOR
from engine.pendant.settings import Pendant
from engine.robots.kinematics import kinematics
from engine.steps.correcting import can_apply

MOUNTS = (EYE_TO_HAND, EYE_IN_HAND)
ACCURACY = ("tolerance", "weak-direction")


def told(session: Faulty) -> Finding:
    """Return the first finding at level error or warning."""
    result: Result = diagnosed(session.problem, session.texts)
    return next(f for f in result.findings if f.level is not Level.NOTE and f.code not in ACCURACY)


@pytest.mark.parametrize("rotation", [r for r in (*EULER_ROTATIONS, VECTOR) if r != "fixed-xyz"])
def test_every_convention_is_named(rotation: str) -> None:
    mount = MOUNTS[sum(map(ord, rotation)) % 4 == 0]  # eye-in-hand takes five times as long
    said = told(reread(clean(Case(mount=mount, stations=9), 1), rotation))
    assert (said.code, said.suggested) == ("rotation-convention", rotation)


def test_an_equivalent_name_is_given_too() -> None:
    said = told(reread(clean(Case(stations=9), 1), "moving-zyx"))
    assert "fixed-xyz with its three angles in reverse order" in said.message


@pytest.mark.parametrize("stations", [5, 6])
def test_a_convention_is_named_from_few_stations(stations: int) -> None:
    said = told(reread(clean(Case(stations=stations), 2), "moving-zyz"))
    assert (said.code, said.suggested) == ("rotation-convention", "moving-zyz")


def test_exchanged_quaternion_parts_are_named() -> None:

    session = clean(Case(stations=9), 3)
    labels = ("X", "Y", "Z", "q1", "q2", "q3", "q4")
    pendant = Pendant("mm", "deg", "quaternion-xyzw", labels, (2, 2, 2, 5, 5, 5, 5))
    quaternion = typed(replace(session.problem, pendant=pendant))
    said = told(reread(quaternion, "quaternion-wxyz"))
    assert (said.code, said.suggested) == ("rotation-convention", "quaternion-wxyz")


@pytest.mark.parametrize("tilt_deg", [1.0, 3.0])
def test_a_convention_is_not_guessed_from_tilts_that_cannot_tell(tilt_deg: float) -> None:
    said = told(reread(upright(tilt_deg, 1), "fixed-xzy"))
    assert said.code == "rotation-convention"
    assert said.level is Level.WARNING
    assert said.suggested is None
    assert "fixed-xzy" in said.message
    assert "20°" in said.remedy


def test_a_convention_is_told_from_tilts_that_can() -> None:
    said = told(reread(upright(15.0, 1), "fixed-xzy"))
    assert said.suggested == "fixed-xzy"


@pytest.mark.parametrize("mount", MOUNTS)
def test_radians_read_as_degrees(mount: Mount) -> None:
    said = told(reread(clean(Case(mount=mount, stations=9), 4), "fixed-xyz", "rad"))
    assert (said.code, said.field, said.suggested) == ("unit", "angle_unit", "rad")


@pytest.mark.parametrize(
    ("mount", "factor", "unit"), [(EYE_TO_HAND, 1 / 25.4, "in"), (EYE_IN_HAND, 0.001, "m")]
)
def test_another_length_unit(mount: Mount, factor: float, unit: str) -> None:
    said = told(scaled_lengths(clean(Case(mount=mount, stations=9), 5), factor))
    assert (said.code, said.field, said.suggested) == ("unit", "length_unit", unit)


@pytest.mark.parametrize("mount", MOUNTS)
def test_inverse_poses(mount: Mount) -> None:
    assert told(inverted(clean(Case(mount=mount, stations=9), 6))).code == "inverse-pose"


@pytest.mark.parametrize("axes", [4, 6])
@pytest.mark.parametrize("mount", MOUNTS)
def test_three_stations_that_fit_inverse_poses_as_well_are_not_accepted(
    mount: Mount, axes: Literal[4, 6]
) -> None:
    case = Case(mount=mount, axes=axes, stations=3, height_known=axes == 4)
    wide = Tolerance(position_mm=50.0, angle_deg=20.0)
    right, wrong = clean(case, 6), inverted(clean(case, 6))
    for session, robot in ((wrong, wrong.problem.robot), (wrong, None), (right, None)):
        problem = replace(session.problem, tolerance=wide, robot=robot)
        result = diagnosed(problem, session.texts)
        assert result.verdict == "not-accepted"
        said = next(item for item in result.findings if item.code == "too-few")
        assert "other way round" in said.message
    assert told(inverted(clean(replace(case, stations=4), 6))).code == "inverse-pose"


def test_three_stations_are_settled_where_the_arm_cannot_hold_the_inverse_poses() -> None:
    session = clean(Case(stations=3), 6)
    wide = Tolerance(position_mm=50.0, angle_deg=20.0)
    problem = replace(session.problem, tolerance=wide)
    assert diagnosed(problem, session.texts).verdict == "accepted"


def test_joints_beside_a_pose_settle_that_three_poses_are_no_inverse_ones() -> None:
    session = clean(Case(mount=EYE_IN_HAND, stations=3), 6)
    seen = list(session.problem.observations)
    robot = session.problem.robot
    assert robot is not None
    seen[0] = replace(seen[0], joints=kinematics(robot).branches(seen[0].base_T_flange)[0])
    wide = Tolerance(position_mm=50.0, angle_deg=20.0)
    problem = replace(session.problem, observations=tuple(seen), tolerance=wide)
    assert diagnosed(problem, session.texts).verdict == "accepted"


@pytest.mark.parametrize("stations", [3, 5, 15])
@pytest.mark.parametrize("mount", MOUNTS)
def test_a_yaw_that_counts_the_other_way_is_named(mount: Mount, stations: int) -> None:
    problem = clean(Case(mount=mount, axes=4, stations=stations, height_known=True), 6).problem
    down = bool(problem.observations[0].base_T_flange[2, 2] < 0.0)
    pendant = Pendant("mm", "deg", "yaw", ("X", "Y", "Z", "C"), (2, 2, 2, 2), flange_down=down)
    session = typed(replace(problem, pendant=pendant))
    texts = {i: (*f[:3], f"{-float(f[3]):.2f}") for i, f in session.texts.items()}
    said = told(Faulty(with_texts(session.problem, texts), texts, texts))
    assert (said.code, said.field) == ("rotation-convention", "C")
    assert "clockwise" in said.message
    assert not can_apply(said)  # the cell has no name for it


@pytest.mark.parametrize(("mount", "by"), zip(MOUNTS, (1, -1), strict=True))
def test_images_shifted_by_one(mount: Mount, by: int) -> None:
    session = clean(Case(mount=mount, stations=10), 7)
    said = told(shifted(session, by))
    assert said.code == "pairing"
    assert said.suggested == f"{by:+d}"
    assert said.message.endswith(f"k {'+' if by > 0 else '−'} 1.")


@pytest.mark.parametrize("mount", MOUNTS)
def test_images_shifted_from_some_station_on(mount: Mount) -> None:
    said = told(shifted(clean(Case(mount=mount, stations=12), 8), 1, 5))
    assert (said.code, said.station) == ("pairing", 6)


@pytest.mark.parametrize(
    ("mount", "axes", "factor"),
    [(EYE_TO_HAND, 6, 1.25), (EYE_IN_HAND, 6, 0.97), (EYE_TO_HAND, 4, 0.8), (EYE_IN_HAND, 4, 1.1)],
)
def test_another_pitch_is_told_from_another_focal_length(
    mount: Mount, axes: Literal[4, 6], factor: float
) -> None:
    session = clean(Case(mount=mount, axes=axes, stations=12, height_known=axes == 4), 9)
    pitch = told(other_pitch(session, factor))
    assert pitch.code == "board-pitch"
    assert float(pitch.suggested or "nan") == pytest.approx(20.0, abs=0.06)
    lens = told(other_focal(session, factor))
    assert lens.code == "lens"
    assert float(lens.suggested or "nan") == pytest.approx(1400.0, abs=5.0)


@pytest.mark.parametrize(("mount", "factor"), [(EYE_TO_HAND, 0.5), (EYE_IN_HAND, 25.4)])
def test_a_pitch_of_any_factor_is_found_beside_a_slip(mount: Mount, factor: float) -> None:
    session = clean(Case(mount=mount, stations=12), 9)
    slip = slipped(session, np.random.default_rng(9), np.full(6, 3.0))
    found = diagnosed(other_pitch(slip, factor).problem, slip.texts).findings
    said = {f.code: f for f in found if f.level is Level.ERROR and f.code not in ACCURACY}
    assert set(said) == {"board-pitch", "typed-value"}
    assert float(said["board-pitch"].suggested or "nan") == pytest.approx(20.0, abs=0.06)
    assert said["typed-value"].station == slip.station


SLIP = np.array([*np.radians([0.9, -0.9, 0.8]), 1.2, -1.2, 1.0])  # 1.5° and 2 mm
CODES = {
    (EYE_TO_HAND, "board"): "board-moved",
    (EYE_TO_HAND, "tool"): "board-moved",
    (EYE_TO_HAND, "camera"): "camera-moved",
    (EYE_TO_HAND, "frame"): "camera-moved",
    (EYE_IN_HAND, "board"): "board-moved",
    (EYE_IN_HAND, "frame"): "board-moved",
    (EYE_IN_HAND, "camera"): "camera-moved",
    (EYE_IN_HAND, "tool"): "camera-moved",
}


@pytest.mark.parametrize(  # early and late by turns
    ("mount", "what", "row"), [(*who, (4, 9)[k % 2]) for k, who in enumerate(CODES)]
)
def test_what_moved_and_from_which_station_on(mount: Mount, what: str, row: int) -> None:
    xi = SLIP * (20.0 if what in ("tool", "frame") else 1.0)
    said = told(moved(Case(mount=mount, stations=12), 10, what, xi, row))
    assert (said.code, said.station) == (CODES[mount, what], row + 1)
    assert said.level is Level.ERROR


def test_a_knocked_camera_says_how_far() -> None:
    said = told(moved(Case(stations=12), 11, "camera", SLIP, 6))
    assert "1.4" in said.message or "1.5" in said.message


def test_a_convention_and_a_slip_at_once() -> None:
    session = slipped(
        reread(clean(Case(stations=12), 12), "moving-zyx"),
        np.random.default_rng(12),
        np.array([30.0, 30.0, 30.0, 400.0, 400.0, 400.0]),
    )
    result = diagnosed(session.problem, session.texts)
    codes = [(f.code, f.station) for f in result.findings if f.level is Level.ERROR]
    assert codes[0] == ("rotation-convention", None)
    assert ("typed-value", session.station) in codes


def first(session: Faulty, count: int) -> Faulty:
    """Return the first stations of a session."""
    problem = replace(session.problem, observations=session.problem.observations[:count])
    texts = {one.id: session.texts[one.id] for one in problem.observations}
    return replace(session, problem=problem, texts=texts)


PAIRS = {  # two causes of all stations, neither of which alone brings them together
    "radians and mirrored images": (
        lambda s: mirrored_images(reread(s, "fixed-xyz", "rad"), range(8)),
        {("unit", "rad"), ("image-turned", None)},
    ),
    "pitch and focal length": (
        lambda s: other_focal(other_pitch(s, 1.1), 1.05),
        {("board-pitch", "20"), ("lens", "1.4e+03")},
    ),
    "convention and columns": (
        lambda s: miscounted(reread(s, "moving-zyx"), 12),
        {("rotation-convention", "moving-zyx"), ("board-counts", "11")},
    ),
    "metres and pitch": (
        lambda s: other_pitch(scaled_lengths(first(s, 6), 0.001), 0.9),
        {("unit", "m"), ("board-pitch", "20")},
    ),
    "mirrored images one pose off": (
        lambda s: mirrored_images(shifted(first(s, 7), 1), range(6)),
        {("pairing", "1"), ("image-turned", None)},
    ),
    "inverse poses and focal length": (
        lambda s: other_focal(inverted(s), 1.05),
        {("inverse-pose", None), ("lens", "1.4e+03")},
    ),
    "inverse poses one image off": (
        lambda s: shifted(inverted(s), 1),
        {("pairing", "1"), ("inverse-pose", None)},
    ),
}


def rough(value: str | None) -> str | None:
    """Return a number with three digits, and words as they are."""
    return f"{float(value):.3g}" if value and re.fullmatch(r"[+\d.]+", value) else value


@pytest.mark.parametrize("pair", PAIRS)
def test_two_causes_of_all_stations_are_both_named(pair: str) -> None:
    """No cause explained the session, a pitch of 0.02 mm did, or a board that is bowed."""
    change, wanted = PAIRS[pair]
    session = change(clean(Case(stations=8), 34))
    result = diagnosed(session.problem, session.texts)
    errors = [f for f in result.findings if f.level is Level.ERROR]
    assert {(f.code, rough(f.suggested)) for f in errors} == wanted


def test_more_causes_of_all_bring_no_advice_on_what_follows_from_them() -> None:
    session = other_pitch(reread(clean(Case(stations=7), 34), "moving-zyx"), 1.1)
    session = mirrored_images(session, range(7))
    result = diagnosed(session.problem, session.texts)
    assert [f.code for f in result.findings if f.level is Level.ERROR] == ["outlier"]
    assert "no cause that is looked for" in result.findings[0].message


def test_a_worse_robot_is_not_taken_for_anything_else() -> None:
    """Geometry errors of 0.8 mm where the cell says the robot has none: smooth, so no station."""
    for seed in range(3):
        case = Case(stations=15, geometry_mm=0.8, accuracy_mm=0.0, position_mm=0.05)
        result = diagnosed(clean(case, seed).problem)
        weighty = {f.code for f in result.findings if f.level is not Level.NOTE}
        assert weighty - set(ACCURACY) <= {"robot-geometry"}


@pytest.mark.parametrize(("accuracy_mm", "named"), [(0.1, True), (0.6, False)])
def test_an_arm_as_accurate_as_the_cell_says_is_not_told_to_be_worse(
    accuracy_mm: float, named: bool
) -> None:
    """Errors of 0.3 mm that grow smoothly, of an arm that is not described."""
    session = clean(Case(stations=60, position_mm=0.03), 1)
    seen = session.problem.observations
    typed_poses = np.array([one.base_T_flange for one in seen])
    x = (typed_poses[:, :3, 3] - typed_poses[:, :3, 3].mean(axis=0)) / 300.0
    grown = np.column_stack([x, x**2, x[:, :1] * x[:, 1:2], x[:, 1:2] * x[:, 2:]])
    off = grown @ np.random.default_rng(1).normal(size=(8, 3))
    off -= off.mean(axis=0)
    typed_poses[:, :3, 3] += off * 0.3 / np.sqrt((off**2).sum(axis=1).mean())
    erring = tuple(replace(o, base_T_flange=T) for o, T in zip(seen, typed_poses, strict=True))
    problem = replace(
        session.problem, observations=erring, robot=None, robot_accuracy_mm=accuracy_mm
    )
    codes = {f.code for f in diagnosed(problem, {}).findings}
    assert ("robot-geometry" in codes) is named
    assert not codes & (set(CAUSES) - {"outlier"})


LENSES = {  # what may be wrong with lens data, beside the focal length alone
    "no distortion": {"distortion": (0.0,) * 5},
    "half the distortion": {"distortion": (-0.05, 0.025, 0.00025, -0.00015, 0.0)},
    "principal point": {"matrix": ((1400.0, 0, 670.0), (0, 1400.0, 512.0), (0, 0, 1.0))},
    "another resolution": {"matrix": ((700.0, 0, 320.0), (0, 700.0, 256.0), (0, 0, 1.0))},
    "cropped": {"matrix": ((1400.0, 0, 740.0), (0, 1400.0, 612.0), (0, 0, 1.0))},
    "pixels not square": {"matrix": ((1400.0, 0, 640.0), (0, 1380.0, 512.0), (0, 0, 1.0))},
}


@pytest.mark.parametrize(("what", "mount"), zip(LENSES, 3 * MOUNTS, strict=True))
def test_lens_data_that_leave_a_pattern_in_the_images(what: str, mount: Mount) -> None:
    session = clean(Case(mount=mount, stations=10), 13)
    camera = replace(session.problem.camera, **LENSES[what])  # type: ignore[arg-type]
    said = told(replace(session, problem=replace(session.problem, camera=camera)))
    assert said.code == "lens"
    assert said.level is Level.ERROR
    assert ("2 times the size" if what == "another resolution" else "pattern") in said.message


def test_a_slip_is_found_behind_a_wrong_lens() -> None:
    session = slipped(
        clean(Case(stations=12), 14), np.random.default_rng(14), np.array([20.0] * 3 + [5.0] * 3)
    )
    camera = replace(session.problem.camera, distortion=(0.0,) * 5)
    result = diagnosed(replace(session.problem, camera=camera), session.texts)
    found = [(f.code, f.station) for f in result.findings if f.level is Level.ERROR]
    assert found[:2] == [("lens", None), ("typed-value", session.station)]


def test_the_lens_that_the_images_ask_for_is_the_true_one() -> None:
    """Against the lens that made the images: 0.15 px of noise leave little doubt."""
    session = clean(Case(stations=15), 15)
    true = session.problem.camera
    camera = replace(true, distortion=(0.0,) * 5)
    found = fitted(replace(session.problem, camera=camera))
    assert found is not None
    seen = pattern(found)
    assert seen is not None
    assert seen.camera.matrix[0][0] == pytest.approx(true.matrix[0][0], abs=4.0)
    assert seen.camera.matrix[0][2] == pytest.approx(true.matrix[0][2], abs=6.0)
    assert seen.camera.distortion[0] == pytest.approx(true.distortion[0], abs=0.02)
    assert seen.residual_px == pytest.approx(0.3, abs=0.15)


@pytest.mark.parametrize("mount", MOUNTS)
def test_stops_with_heavy_tails_name_no_wrong_cause(mount: Mount) -> None:
    """Stops off by Student's t with 3 degrees of freedom: a bad stop is called that."""
    wrong = []
    for seed in range(8):
        rng = np.random.default_rng([seed, 31])
        truth = clean(Case(mount=mount, stations=10), seed)
        scale = np.repeat([np.radians(0.02), 0.15], 3)
        seen = tuple(
            replace(one, base_T_flange=displaced(one.base_T_flange, scale * rng.standard_t(3, 6)))
            for one in truth.problem.observations
        )
        result = diagnosed(replace(truth.problem, observations=seen))
        wrong += [f.code for f in result.findings if f.code in CAUSES and f.code != "outlier"]
    assert len(wrong) <= 1, wrong


@pytest.mark.parametrize("mount", MOUNTS)
def test_a_pitch_within_its_accuracy_is_no_cause(mount: Mount) -> None:
    for seed in range(4):
        session = other_pitch(clean(Case(mount=mount, stations=8), seed), 1.0015)
        board = replace(session.problem.board, scale_u=0.0012, bow_u_mm=0.1)
        result = diagnosed(replace(session.problem, board=board), session.texts)
        assert not {f.code for f in result.findings} & set(CAUSES)


@pytest.mark.parametrize(("mount", "what"), zip(MOUNTS, ("centre", "bow"), strict=True))
def test_an_image_centre_and_a_bowed_board_are_named(mount: Mount, what: str) -> None:
    named = []
    for seed in range(3):
        points = CHESSBOARD.points()
        camera = CAMERA
        if what == "bow":
            half = points[:, 0].max() / 2
            points[:, 2] += 1.5 * ((points[:, 0] - half) / half) ** 2
        else:
            (fx, _, cx), row, last = CAMERA.matrix
            camera = replace(CAMERA, matrix=((fx, 0.0, cx + 14.0), row, last))
        case = Case(mount=mount, stations=10, position_mm=0.08, angle_deg=0.01)
        truth = simulated(case, np.random.default_rng([seed, 5]), Seen(points, camera))
        board = replace(CHESSBOARD, scale_u=0.0012, bow_u_mm=0.1)
        problem = replace(truth.problem, board=board, camera=replace(CAMERA, u=LensU()))
        said = diagnosed(problem).findings[0]
        named.append((said.code, said.suggested))
    if what == "bow":
        assert [code for code, _ in named].count("board-bowed") >= 2, named
    else:
        assert [code for code, _ in named].count("lens") >= 2, named


def test_lens_data_are_an_error_where_they_alone_keep_picks_from_the_tolerance() -> None:
    (fx, _, cx), row, last = CAMERA.matrix
    off = replace(CAMERA, matrix=((fx, 0.0, cx + 30.0), row, last), u=LensU())
    case = Case(mount=EYE_IN_HAND, stations=12, position_mm=0.05, angle_deg=0.01)
    problem = replace(simulated(case, np.random.default_rng(6)).problem, camera=off)
    for limit, level in ((1.0, Level.ERROR), (4.0, Level.WARNING)):
        said = diagnosed(replace(problem, tolerance=Tolerance(limit, 0.5))).findings[0]
        assert (said.code, said.level) == ("lens", level)


@pytest.mark.parametrize("mount", MOUNTS)
def test_images_in_another_order_are_given_their_poses(mount: Mount) -> None:
    session = clean(Case(mount=mount, stations=8), 10)
    for row in range(0, 8, 2):
        session = swapped_images(session, row, row + 1)
    if mount == EYE_TO_HAND:  # a board that looks alike from both ends
        circles = replace(session.problem.board, pattern="circles", diameter_mm=0.1)
        session = replace(session, problem=replace(session.problem, board=circles))
        session = half_turned(half_turned(session, 1), 4)
    said = told(session)
    assert (said.code, said.stations) == ("pairing", tuple(range(1, 9)))
    assert said.suggested == "2, 1, 4, 3, 6, 5, 8, 7"


@pytest.mark.parametrize("axes", [4, 6])
def test_images_of_a_long_session_in_any_order_are_given_their_poses(axes: Literal[4, 6]) -> None:
    session = clean(Case(axes=axes, stations=90, height_known=axes == 4), 13)
    order = np.random.default_rng(2).permutation(90)
    seen = session.problem.observations
    mixed = [replace(a, pixels=seen[k].pixels) for a, k in zip(seen, order, strict=True)]
    said = told(replace(session, problem=replace(session.problem, observations=tuple(mixed))))
    moved = [k for k in range(90) if order[k] != k]
    assert (said.code, said.stations) == ("pairing", tuple(k + 1 for k in moved))
    assert said.suggested == ", ".join(str(order[k] + 1) for k in moved)
    assert can_apply(said)


def test_two_exchanged_images_do_not_hide_that_others_are_in_another_unit() -> None:
    session = swapped_images(clean(Case(stations=16), 14), 6, 9)
    texts = dict(session.texts)
    for station in (2, 5, 12, 13, 15):
        fields = texts[station]
        texts[station] = (*(f"{float(x) / 1000.0:.5f}" for x in fields[:3]), *fields[3:])
    problem = with_texts(session.problem, texts)
    found = diagnosed(problem, texts).findings
    said = [(f.code, f.stations) for f in found if f.level is Level.ERROR]
    assert said[:2] == [("unit", (2, 5, 12, 13, 15)), ("pairing", (7, 10))]


def test_of_images_in_another_order_all_or_none_are_given_their_poses(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(images, "MOST_PAIRED", 60)
    session = clean(Case(stations=70), 12)  # too long for all: some stations tell the order
    seen = session.problem.observations
    mixed = [replace(a, pixels=b.pixels) for a, b in zip(seen, seen[::-1], strict=True)]
    said = told(replace(session, problem=replace(session.problem, observations=tuple(mixed))))
    assert said.code == "pairing"
    assert said.suggested is None
    assert not can_apply(said)


@pytest.mark.parametrize("rows", [(2,), (0, 3, 4, 6)])
def test_stations_in_another_unit_than_the_others(rows: tuple[int, ...]) -> None:
    session = clean(Case(mount=EYE_TO_HAND, stations=8), 11)
    stations = tuple(row + 1 for row in rows)
    for quantity, first, factor in (("positions", 0, 0.001), ("angles", 3, np.pi / 180.0)):
        texts = dict(session.texts)
        for station in stations:
            fields = list(texts[station])
            fields[first : first + 3] = [
                f"{float(value) * factor:.5f}" for value in fields[first : first + 3]
            ]
            texts[station] = tuple(fields)
        said = told(Faulty(with_texts(session.problem, texts), texts, session.true))
        assert (said.code, said.stations) == ("unit", stations)
        assert f"typed {quantity} fit" in said.message
