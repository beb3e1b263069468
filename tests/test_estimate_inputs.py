"""Board, lens and robot are only known to some accuracy: unknowns with a prior, and in every U."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from known_noise import given_noise
from simulated_sessions import BOARD, CAMERA, Case, Seen, Simulated, simulated

from engine.arrays import Array
from engine.camera.lens import DEPTH_SCALE, NAMES, lens, project, terms
from engine.camera.model import Camera, LensU, PartLensU, guessed_camera
from engine.camera.views import Views, board_pose, linearised, residuals
from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND, Mount
from engine.cell.rule import Tolerance
from engine.estimate import estimated
from engine.estimate.fit import State, fit
from engine.estimate.gather import gather, stations_of
from engine.estimate.problem import derivatives, noise_prior, predicted_view
from engine.frames import apply, displacement, rotation_exp, transform
from engine.pendant.settings import Pendant

MOUNTS = [EYE_TO_HAND, EYE_IN_HAND]
KNOWN = terms(replace(CAMERA, u=LensU()), BOARD.points(), 0.0012, 0.1)
COUNT = DEPTH_SCALE  # of the terms without depth
STEPS = np.array([*[1e-4] * 3, *[0.01] * 3, 1e-4, *[0.1] * 4])


def usual(truth: Simulated, locate: str = "lens") -> Simulated:
    """Return the session with the accuracies of a cell that says nothing of them."""
    board = replace(BOARD, scale_u=0.0012, bow_u_mm=0.1)
    camera = replace(CAMERA, u=LensU())
    problem = replace(truth.problem, board=board, camera=camera, locate=locate)
    return replace(truth, problem=problem)


def with_errors(values: Array) -> tuple[Array, Camera]:
    """Return board points, point 0 in its place, and a camera that are off by ``values`` (11,)."""
    scale, stretch, shear, *bows, twist, focal, cx_off, cy_off = values[:9]
    points = BOARD.points()
    half = points[:, :2].max(axis=0) / 2
    x, y = ((points[:, :2] - half) / half).T
    lifted = np.column_stack([x**2, y**2, x * y]) / np.sqrt(2.0) @ [*bows, twist]
    points[:, :2] += points[:, :2] @ np.array([[stretch, shear], [shear, -stretch]]) / 2.0
    points *= 1.0 + scale
    points[:, 2] += lifted - lifted[0]
    (fx, _, cx), (_, fy, cy), last = CAMERA.matrix
    fx, fy, cx, cy = fx * (1 + focal), fy * (1 + focal), cx + cx_off, cy + cy_off
    return points, replace(CAMERA, matrix=((fx, 0.0, cx), (0.0, fy, cy), last))


def off(**values: float) -> Array:
    """Return errors (11,) of the terms whose names begin so."""
    named = {name.replace(" ", "_"): k for k, name in enumerate(NAMES)}
    result = np.zeros(COUNT)
    for name, value in values.items():
        result[named[name]] = value
    return result


def pixels_of(view: Array, values: Array) -> Array:
    points, camera = with_errors(values)
    plain = project(apply(view, points), camera)
    x, y = ((plain - KNOWN.principal) / KNOWN.corner_px).T
    square = x**2 + y**2
    radial = np.column_stack([x * square, y * square])
    return plain + radial * values[9] + radial * square[:, None] * values[10]


@pytest.mark.parametrize("term", range(COUNT), ids=NAMES[:COUNT])
def test_a_term_moves_the_pixels_as_a_changed_board_or_camera_does(term: int) -> None:
    view = transform(rotation_exp([0.4, -0.3, 0.2]), [-80.0, -60.0, 600.0])
    step = STEPS[term] * np.eye(COUNT)[term]
    moved = (pixels_of(view, step) - pixels_of(view, -step)) / (2 * STEPS[term])
    views = Views(BOARD.points()[None], np.zeros((1, 88, 2)), np.ones((1, 88)))
    none = residuals(views, view[None], lens(CAMERA))
    there = residuals(views, view[None], lens(CAMERA), KNOWN, np.eye(COUNT)[term])
    np.testing.assert_allclose((none - there)[0], moved, rtol=2e-3, atol=2e-3)


@pytest.mark.parametrize("term", range(6, 9), ids=NAMES[6:9])
def test_parts_are_located_as_a_small_target_seen_through_the_true_lens(term: int) -> None:
    """Reference: OpenCV's plane-based pose of four points, projected by the changed camera."""
    place = np.array([90.0, -70.0, 700.0])
    target = 10.0 * np.array([[-1.0, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]])
    _, camera = with_errors(STEPS[term] * np.eye(COUNT)[term])
    found = board_pose(target, project(target + place, camera), CAMERA)[0][0][:3, 3]
    told = KNOWN.located(place[None], lens(CAMERA))[0, :, term] * STEPS[term]
    np.testing.assert_allclose(found - place, told, atol=0.05 * np.linalg.norm(told))


@pytest.mark.parametrize("mount", MOUNTS)
def test_the_covariance_is_the_inverse_of_the_whole_normal_matrix(mount: str) -> None:
    """External check: NumPy's inverse of all unknowns at once: 12, 11 terms, 6 per station."""
    truth = usual(simulated(Case(mount, stations=6), np.random.default_rng(5)))
    problem, case = truth.problem, truth.case
    gathered = gather(problem)
    stations, views = stations_of(problem, gathered, gathered.own_choice())
    levels = given_noise(case.pixel_px, np.radians(case.angle_deg), case.position_mm)
    prior = noise_prior(problem.robot, problem.pendant)
    state = State(truth.camera, truth.board, np.zeros(COUNT))
    poses = predicted_view(mount, truth.camera, gathered.typed, truth.board)
    stations = replace(stations, views=gathered.linearised(views, poses))
    found = fit(stations, state, prior, noise=levels, known=True)
    n, sd = len(gathered.index), np.repeat([levels.rotation, levels.position], 3)
    first = 12 + COUNT
    J = np.zeros((n, 88, 2, first + 6 * n))
    *by, by_flange = derivatives(mount, truth.camera, gathered.typed, truth.board)
    step = 1e-6
    for k in range(n):
        for axis in range(6):
            moved = linearised_pixels(poses[k], step * np.eye(6)[axis])
            back = linearised_pixels(poses[k], -step * np.eye(6)[axis])
            slope = (moved - back) / (2 * step)
            J[k, :, :, :12] += slope[..., None] * np.concatenate([b[k] for b in by], axis=1)[axis]
            J[k, :, :, first:][..., 6 * k : 6 * k + 6] += slope[..., None] * by_flange[k][axis] * sd
        for term in range(COUNT):
            step_of = STEPS[term] * np.eye(COUNT)[term]
            change = pixels_of(poses[k], step_of) - pixels_of(poses[k], -step_of)
            J[k, :, :, 12 + term] = change / (2 * STEPS[term])
    J = J.reshape(-1, first + 6 * n) / levels.pixel_px
    known = np.r_[np.zeros(12), KNOWN.sd**-2.0, np.ones(6 * n)]
    whole = np.linalg.inv(J.T @ J + np.diag(known))[:first, :first]
    np.testing.assert_allclose(
        np.sqrt(np.diag(found.covariance)), np.sqrt(np.diag(whole)), rtol=0.03
    )


def linearised_pixels(view: Array, off: Array) -> Array:
    moved = transform(rotation_exp(off[:3]) @ view[:3, :3], view[:3, 3] + off[3:])
    return project(apply(moved, BOARD.points()), CAMERA)


@pytest.mark.parametrize(
    ("locate", "position_mm", "bound"),
    [("lens", 0.05, 0.66), ("lens", 0.15, 1.3), ("depth", 0.05, 1.3), ("depth", 0.15, 2.8)],
)
def test_u_of_eight_stations_is_near_the_bound(
    locate: str, position_mm: float, bound: float
) -> None:
    """Bound computed apart for an 11 × 8 board and planned stations; these are drawn at random.

    It is 2u; U of a pick is to hold at all corners in more than 99 % of cases.
    """
    angle = {0.05: 0.01, 0.15: 0.02}[position_mm]
    case = Case(stations=8, position_mm=position_mm, angle_deg=angle)
    stated = [
        2 * estimated(usual(simulated(case, rng), locate).problem).uncertainty.pick_mm
        for rng in (np.random.default_rng([seed, 1]) for seed in range(5))
    ]
    assert 0.5 * bound < np.median(stated) < 1.4 * bound


@pytest.mark.parametrize("mount", MOUNTS)
def test_a_pitch_and_a_focal_length_within_their_accuracy_stay_within_u(mount: str) -> None:
    inside = []
    for seed in range(12):
        wrong = off(board_scale=0.0015, focal_length=-0.0012, image_centre_x=2, image_centre_y=-2)
        truth = simulated(
            Case(mount, stations=8), np.random.default_rng([seed, 3]), Seen(*with_errors(wrong))
        )
        found = estimated(usual(truth, "depth").problem)
        M = found.pick.moved[found.pick.corner]
        gap = np.linalg.norm(M @ displacement(found.camera, truth.camera), axis=1).max()
        inside.append(gap <= 2 * found.uncertainty.pick_mm)
    assert sum(inside) >= 11


@pytest.mark.parametrize("mount", MOUNTS)
def test_u_of_the_rotation_holds_what_an_image_centre_turns_every_part(mount: Mount) -> None:
    """The transform is turned so that places come right; parts are seen as they lie, and turn."""
    wrong = off(image_centre_x=4, image_centre_y=-4)
    case = Case(mount, stations=15, position_mm=0.03, angle_deg=0.004)
    truth = simulated(case, np.random.default_rng([2, 8]), Seen(*with_errors(wrong)))
    found = estimated(usual(truth).problem)
    turned = np.degrees(np.linalg.norm(displacement(found.camera, truth.camera)[:3]))
    assert 0.1 < turned < 2 * found.uncertainty.angle_deg < 0.6


def test_stations_tell_of_the_scale_what_the_robots_travel_shows() -> None:
    truth = simulated(
        Case(stations=25, position_mm=0.05),
        np.random.default_rng(7),
        Seen(*with_errors(off(board_scale=0.002))),
    )
    known = estimated(usual(truth).problem).systematic
    scale, u = known.value[0], known.sd[0]
    assert u < 0.0004  # a third of what was known before
    assert abs(scale - 0.002) < 3 * u


def test_a_cell_that_is_known_exactly_has_no_such_terms() -> None:
    truth = simulated(Case(stations=8), np.random.default_rng(9))
    exact, open_ = estimated(truth.problem), estimated(usual(truth).problem)
    assert exact.systematic.names == ()
    assert open_.uncertainty.pick_mm > 1.2 * exact.uncertainty.pick_mm


def test_what_the_cell_does_not_say_is_assumed_with_a_note() -> None:
    problem = simulated(Case(stations=8), np.random.default_rng(9)).problem
    silent = replace(problem, camera=replace(CAMERA, u=None), locate=None)
    codes = {item.code for item in estimated(silent).findings}
    assert {"lens-assumed", "locate-assumed"} <= codes
    told = {item.code for item in estimated(problem).findings}
    assert not {"lens-assumed", "locate-assumed"} & told


@pytest.mark.parametrize(
    ("absent", "said"),
    [
        (("focal",), "for the rest is assumed (standard uncertainty): focal length ±0.1 %."),
        (("center_px", "edge_px"), "image centre ±2 px and distortion ±0.5 px at the corner."),
        ((), None),
    ],
)
def test_what_the_cell_leaves_out_of_the_lens_is_named(
    absent: tuple[str, ...], said: str | None
) -> None:
    problem = simulated(Case(stations=5), np.random.default_rng(9)).problem
    u = PartLensU(absent=absent)
    found = estimated(replace(problem, camera=replace(CAMERA, u=u)))
    notes = [item.message for item in found.findings if item.code == "lens-assumed"]
    assert len(notes) == (said is not None)
    assert said is None or said in notes[0]


@pytest.mark.parametrize(
    ("board", "said"),
    [
        ({}, "lengths ±0.12 % and flatness ±0.1 mm are assumed"),
        ({"bow_u_mm": 0.0}, "lengths are known is not given; ±0.12 % is assumed"),
        ({"scale_u": 0.0005}, "flatness of the board is not given; ±0.1 mm is assumed"),
        ({"scale_u": 0.0005, "bow_u_mm": 0.0}, None),
        ({"scale_u": 0.0012, "bow_u_mm": 0.1}, None),  # entered: as good as assumed, but known
    ],
)
def test_what_the_cell_does_not_say_of_the_board_is_assumed_with_one_note(
    board: dict[str, float], said: str | None
) -> None:
    problem = simulated(Case(stations=8, axes=6), np.random.default_rng(9)).problem
    silent = replace(BOARD, scale_u=None, bow_u_mm=None)
    found = estimated(replace(problem, board=replace(silent, **board)))
    notes = [item for item in found.findings if item.code == "board-assumed"]
    notes += [item for item in found.findings if item.code == "what-helps"]
    assert len([item for item in notes if "assumed" in item.message]) == (said is not None)
    assert said is None or any(said in item.message for item in notes)


@pytest.mark.parametrize(
    ("scale_u", "focal", "named"),
    [
        (0.0, 0.001, "the board"),
        (0.0001, 0.0, "the board and the lens data"),
        (0.0012, 0.0, "the lens data"),
        (0.0012, 0.001, ""),
    ],
)
def test_errors_of_the_arm_beside_a_board_called_exact_name_the_pitch_first(
    scale_u: float, focal: float, named: str
) -> None:
    """A pitch 0.1 % off on a board called exact was told as an arm less accurate than it is."""
    case = Case(stations=12, geometry_mm=0.8, accuracy_mm=0.05)
    problem = simulated(case, np.random.default_rng(3)).problem
    board = replace(problem.board, scale_u=scale_u)
    camera = replace(CAMERA, u=LensU(focal, 2.0, 0.5))
    found = estimated(replace(problem, board=board, camera=camera)).findings
    (said,) = [item for item in found if item.code == "robot-geometry"]
    assert (f"calls {named} exact" in said.message) is bool(named)
    assert ("over many pitches" in said.remedy) is bool(named)
    assert ("lens data first" in said.remedy) is bool(named)
    assert f"robot.accuracy_mm to {said.suggested}" in said.remedy


def test_where_measuring_the_board_helps_most_its_note_is_not_said_twice() -> None:
    case = Case(stations=5, geometry_mm=0.3, accuracy_mm=0.3)
    problem = simulated(case, np.random.default_rng([5, 3])).problem
    silent = replace(problem.board, scale_u=None, bow_u_mm=None)
    camera = replace(CAMERA, u=LensU(0.0002, 0.2, 0.05))
    found = estimated(replace(problem, board=silent, camera=camera, locate="depth"))
    (helps,) = [item for item in found.findings if item.code == "what-helps"]
    assert "lengths ±0.12 %" in helps.message
    assert "Measure the board" in helps.remedy
    assert "board-assumed" not in {item.code for item in found.findings}


@pytest.mark.parametrize("mount", MOUNTS)
def test_the_cameras_own_u_holds_where_the_arm_is_not_described(mount: str) -> None:
    inside = []
    for seed in range(20):
        case = Case(mount, stations=10, geometry_mm=0.5, accuracy_mm=0.5)
        truth = simulated(case, np.random.default_rng([seed, 14]))
        found = estimated(replace(truth.problem, robot=None, robot_accuracy_mm=0.5))
        apart = np.linalg.norm(displacement(found.camera, truth.camera)[3:])
        inside.append(apart <= 2 * found.uncertainty.position_mm)
    assert np.mean(inside) >= 0.9


def test_views_without_terms_are_as_before() -> None:
    view = transform(rotation_exp([0.4, -0.3, 0.2]), [-80.0, -60.0, 600.0])
    pixels = project(apply(view, BOARD.points()), CAMERA)[None]
    views = Views(BOARD.points()[None], pixels, np.ones((1, 88)))
    plain = linearised(views, view[None], lens(CAMERA))
    both = linearised(views, view[None], lens(CAMERA), KNOWN)
    np.testing.assert_array_equal(plain.information, both.information)
    assert both.by_terms.shape == (1, 6, COUNT)
    assert (np.linalg.eigvalsh(both.rest_information[0]) > -1e-6).all()


@pytest.mark.parametrize("mount", MOUNTS)
def test_a_camera_whose_lens_is_guessed_is_given_where_it_is(mount: Mount) -> None:
    """It was given 60 to 75 mm from there, where a pick with the guess would be best, at U 2 mm."""
    case = Case(mount, axes=4, stations=15, height_known=True)
    truth = simulated(case, np.random.default_rng([5, 9]))
    wide = replace(truth.problem.tolerance, position_mm=20.0, angle_deg=5.0)
    problem = replace(truth.problem, camera=guessed_camera(CAMERA), tolerance=wide)
    for robot in (truth.problem.robot, None):
        found = estimated(replace(problem, robot=robot))
        off = displacement(found.camera, truth.camera)[3:]
        assert np.linalg.norm(off) < 2 * found.uncertainty.position_mm < 5.0
        assert found.verdict == "not-accepted"
        (said,) = [item for item in found.findings if item.code == "lens-unknown"]
        assert said.level == "error"
        assert ("by hand" in said.remedy) is (robot is not None)  # the arm cannot tilt the board
    by_depth = estimated(replace(problem, locate="depth")).findings
    assert [item.level for item in by_depth if item.code == "lens-unknown"] == ["warning"]


def test_a_robot_that_does_not_tilt_is_not_told_to_tilt() -> None:
    case = Case(axes=4, stations=8, height_known=True)
    whole = simulated(case, np.random.default_rng(7)).problem
    yaw = Pendant("mm", "deg", "yaw", ("X", "Y", "Z", "C"), (2, 2, 2, 3))
    tight = Tolerance(0.1, 0.2, rule="simple", set_by="test")
    one = whole.observations[:1]
    for problem in (whole, replace(whole, robot=None, pendant=yaw)):
        tried = [
            replace(problem, tolerance=tight),
            replace(problem, tolerance=tight, camera=guessed_camera(CAMERA)),
            replace(problem, observations=whole.observations[:2]),
            replace(problem, observations=one * 4, board=BOARD),
        ]
        for findings in (estimated(each).findings for each in tried):
            assert {item.code for item in findings} & {"tolerance", "too-few", "unobservable"}
            assert not [item for item in findings if "tilt" in item.remedy.split(" by hand")[0]
                        and item.code != "lens-unknown"]  # fmt: skip
