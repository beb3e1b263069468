"""What was seen otherwise than the cell says, what drifts, and an arm that had not arrived."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from mistakes import (
    Faulty,
    clean,
    drifted,
    half_turned,
    mirrored_images,
    miscounted,
    moved,
    other_pitch,
    reread,
    still_moving,
    turned_images,
    typed,
    unsure,
    with_texts,
)
from simulated_sessions import BOARD, CAMERA, Case, Seen, simulated

from engine.arrays import Array
from engine.boards.pattern import Board
from engine.camera.lens import project, terms
from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND, Mount
from engine.cell.stations import Observation
from engine.diagnosis.diagnose import CAUSES, diagnosed
from engine.estimate.solver import fitted
from engine.findings import Finding, Level
from engine.frames import apply, displaced

MOUNTS = (EYE_TO_HAND, EYE_IN_HAND)
PLAIN = ("tolerance", "weak-direction")  # of too little accuracy, no cause


def weighty(session: object) -> list[Finding]:
    found = diagnosed(session.problem, session.texts)  # type: ignore[attr-defined]
    return [f for f in found.findings if f.level is not Level.NOTE and f.code not in PLAIN]


@pytest.mark.parametrize("before", [True, False])
@pytest.mark.parametrize("mount", MOUNTS)
def test_images_mirrored_throughout_or_at_some_stations(mount: Mount, before: bool) -> None:
    session = clean(Case(mount=mount, stations=8), 40)
    every, some = (
        weighty(mirrored_images(session, rows, before=before))[0] for rows in (range(8), (2, 5))
    )
    assert every.code == "image-turned"
    assert every.message.startswith("All images are mirrored")
    assert (some.code, some.stations) == ("image-turned", (3, 6))
    assert "mirrored" in some.message


def test_mirrored_images_whose_centre_is_off_the_middle() -> None:
    """The mirror moves the centre too, and the images alone ask for another lens."""
    lens = replace(CAMERA, matrix=((1400.0, 0, 600.0), (0, 1400.0, 498.0), (0, 0, 1.0)))
    case = Case(mount=EYE_IN_HAND, stations=8)
    truth = simulated(case, np.random.default_rng(43), Seen(BOARD.points(), lens))
    session = replace(clean(case, 43), problem=replace(truth.problem, camera=lens))
    said = weighty(mirrored_images(session, range(8)))
    assert [item.code for item in said] == ["image-turned"]


def test_images_turned_at_some_stations() -> None:
    session = clean(Case(mount=EYE_IN_HAND, stations=8), 41)
    said = weighty(turned_images(session, [1, 6]))[0]
    assert (said.code, said.stations, said.suggested) == ("image-turned", (2, 7), "180°")


def test_images_all_turned_against_lens_data_with_another_centre() -> None:
    lens = replace(CAMERA, matrix=((1400.0, 0, 660.0), (0, 1400.0, 498.0), (0, 0, 1.0)))
    case = Case(stations=8)
    truth = simulated(case, np.random.default_rng(42), Seen(BOARD.points(), lens))
    session = replace(clean(case, 42), problem=replace(truth.problem, camera=lens))
    assert weighty(session) == []
    said = weighty(turned_images(session, range(8)))[0]
    assert (said.code, said.suggested) == ("image-turned", "180°")


def test_a_board_counted_one_off() -> None:
    session = clean(Case(stations=8), 43)
    read = weighty(miscounted(session, 12))[0]
    assert (read.code, read.field, read.typed, read.suggested) == (
        "board-counts",
        "columns",
        "12",
        "11",
    )
    found = weighty(miscounted(session, 10, np.random.default_rng(1)))[0]
    assert (found.code, found.field, found.suggested) == ("board-counts", "columns", "11")
    assert found.stations


@pytest.mark.parametrize("told", [(9, 7), (6, 9)])
def test_a_staggered_board_miscounted(told: tuple[int, int]) -> None:
    """Rows for columns, and a column short."""
    board = Board("circles-staggered", 7, 9, 24.0, diameter_mm=10.0)
    made = simulated(Case(stations=4), np.random.default_rng(45), Seen(board.points(), CAMERA))
    wrong = replace(board, columns=told[0], rows=told[1])
    shown = [
        one.pixels[: wrong.count] for one in made.problem.observations if one.pixels is not None
    ]
    seen = tuple(
        replace(one, point_ids=np.arange(len(pixels)), pixels=pixels)
        for one, pixels in zip(made.problem.observations, shown, strict=True)
    )
    problem = replace(made.problem, board=wrong, observations=seen)
    (said,) = weighty(typed(problem))
    assert (said.code, said.typed, said.suggested) == ("board-counts", f"{told[0]}", "7")


def test_an_image_of_another_camera_shapes_neither_board_nor_lens() -> None:
    session = clean(Case(stations=6), 46)
    session = replace(session, problem=unsure(session.problem))
    matrix = ((700.0, 0, 640.0), (0, 700.0, 512.0), (0, 0, 1.0))
    wide = replace(CAMERA, matrix=matrix, distortion=(-0.3, 0.1, 0, 0, 0))
    seen = list(session.problem.observations)
    view = board_views(session)[3]
    view[:3, 3] *= 0.4
    seen[3] = replace(seen[3], pixels=project(apply(view, BOARD.points()), wide))
    said = weighty(replace(session, problem=replace(session.problem, observations=tuple(seen))))
    assert [(item.code, item.station) for item in said] == [("outlier", 4)]


@pytest.mark.parametrize(("mount", "what"), zip(MOUNTS, ("camera", "board"), strict=True))
def test_a_drift_is_told_from_a_knock(mount: Mount, what: str) -> None:
    xi = np.array([*np.radians([0.12, -0.1, 0.1]), 1.5, -2.0, 1.0])
    case = Case(mount=mount, stations=12, position_mm=0.08, angle_deg=0.01)
    said = weighty(drifted(case, 44, what, xi))[0]
    assert (said.code, said.station) == (f"{what}-moved", None)
    assert "drifted" in said.message


@pytest.mark.parametrize(("stations", "reported"), [(8, False), (8, True), (61, False)])
def test_a_board_turned_on_its_mount_is_told_and_undone(stations: int, reported: bool) -> None:
    session = clean(Case(stations=stations), 47)
    if reported:
        seen = [
            Observation(one.id, one.base_T_flange, camera_T_board=view)
            for one, view in zip(session.problem.observations, board_views(session), strict=True)
        ]
        session = replace(session, problem=replace(session.problem, observations=tuple(seen)))
    half = stations // 2
    for row in range(half, stations):
        session = half_turned(session, row)
    (said,) = weighty(session)  # no error beside it: it is undone
    assert (said.code, said.station) == ("board-turned", half + 1)
    assert "the board sits the other way round" in said.message


def board_views(session: Faulty) -> Array:
    """Return the board's poses (n, 4, 4) as another system reports them from the same images."""
    found = fitted(session.problem)
    assert found is not None
    return found.gathered.own_views(found.turn)


def test_one_image_at_another_station_is_not_called_exchanged() -> None:
    session = clean(Case(stations=8), 49)
    first, second, *others = session.problem.observations
    away = clean(Case(stations=8), 50).problem.observations[5]
    mixed = [
        replace(first, pixels=second.pixels),
        replace(second, pixels=away.pixels),
        *others,
    ]
    said = weighty(replace(session, problem=replace(session.problem, observations=tuple(mixed))))
    assert said[0].message == "The image of station 1 belongs to the pose of station 2."
    session = clean(Case(stations=4), 49)
    first, second, *others = session.problem.observations
    twice = (replace(first, pixels=second.pixels), second, *others)
    said = weighty(replace(session, problem=replace(session.problem, observations=twice)))
    assert (said[0].code, said[0].station) == ("same-image", 1)


def test_a_pitch_is_named_beside_a_board_that_slipped() -> None:
    xi = np.array([*np.radians([0.05, -0.1, 0.1]), 1.5, -1.0, 1.0])
    said = weighty(other_pitch(moved(Case(stations=10), 48, "board", xi, 5), 1.02))
    assert {f.code for f in said} == {"board-pitch", "board-moved"}
    fits = next(f.suggested for f in said if f.code == "board-pitch")
    assert float(fits or "nan") == pytest.approx(20.0, abs=0.03)


@pytest.mark.parametrize("row", [2, 8])
@pytest.mark.parametrize(("mount", "what"), [(EYE_TO_HAND, "camera"), (EYE_IN_HAND, "board")])
def test_a_slip_beside_a_move_leaves_the_move_its_size(mount: Mount, what: str, row: int) -> None:
    xi = np.array([*np.radians([0.1, -0.1, 0.1]), 2.0, -1.0, 1.0])
    session = moved(Case(mount=mount, stations=10), 0, what, xi, 5)
    station = list(session.texts)[row]
    fields = list(session.texts[station])
    fields[1] = f"{float(fields[1]) + 10.0:.2f}"
    texts = {**session.texts, station: tuple(fields)}
    slip = replace(session, problem=with_texts(session.problem, texts), texts=texts)
    said = weighty(slip)
    codes = {(f.code, f.station) for f in said}
    assert codes == {(f"{what}-moved", 6), ("typed-value", station)}
    assert len(said) == 2
    value = next(f.suggested for f in said if f.code == "typed-value")
    assert float(value or "nan") == pytest.approx(float(fields[1]) - 10.0, abs=0.5)


@pytest.mark.parametrize("mount", MOUNTS)
def test_an_arm_that_had_not_arrived(mount: Mount) -> None:
    session = still_moving(Case(mount=mount, stations=10), 45, [3, 7], 4.0)
    stops = list(session.problem.observations)
    stops[6] = replace(stops[6], pixels=None, point_ids=None)  # a stop all the same
    problem = replace(session.problem, observations=tuple(stops))
    said = weighty(replace(session, problem=problem))
    assert {(f.code, f.station) for f in said} == {("still-moving", 4), ("still-moving", 8)}
    assert {f.message[-2] for f in said} == {"3", "7"}


@pytest.mark.parametrize("mount", MOUNTS)
@pytest.mark.parametrize("stations", [5, 8, 15])
def test_an_image_that_the_camera_took_at_the_stop_before(mount: Mount, stations: int) -> None:
    session = clean(Case(mount=mount, stations=stations), 51)
    stops, rng = list(session.problem.observations), np.random.default_rng(5)
    before = stops[2].pixels
    assert before is not None
    stops[3] = replace(stops[3], pixels=before + rng.normal(0.0, 0.2, before.shape))
    problem = replace(session.problem, observations=tuple(stops))
    said = weighty(replace(session, problem=problem))
    assert [(f.code, f.station) for f in said][:1] == [("same-image", 4)]
    assert "where it stood at station 3" in said[0].message


def test_a_knock_of_half_a_millimetre_is_no_typing_mistake() -> None:
    shift = np.array([0.0, 0.0, 0.0, 0.35, -0.35, 0.35])
    for row in (3, 9):
        case = Case(stations=12, position_mm=0.05, angle_deg=0.006)
        said = weighty(moved(case, 46, "camera", shift, row))
        assert [f.code for f in said][:1] == ["camera-moved"]


@pytest.mark.parametrize(("mount", "factor"), zip(MOUNTS, (0.999, 1.001), strict=True))
def test_a_tenth_of_a_percent_is_nothing_that_moved(mount: Mount, factor: float) -> None:
    case = Case(mount=mount, stations=12, position_mm=0.05, angle_deg=0.006)
    said = weighty(other_pitch(clean(case, 47), factor))
    assert {f.code for f in said} <= {"board-pitch", "robot-geometry"}
    assert all(f.level is Level.WARNING for f in said)


def test_a_cause_of_the_whole_session_silences_what_follows_from_it() -> None:
    session = reread(clean(Case(stations=8), 48), "moving-zyx", "rad")
    codes = {f.code for f in diagnosed(session.problem, session.texts).findings}
    assert codes & set(CAUSES)
    assert not codes & {"noise-beyond", "robot-geometry", "tolerance", "weak-direction"}
    assert "unobservable" not in codes


def test_a_long_session_that_does_not_fit_is_judged_by_a_part() -> None:
    session = reread(clean(Case(stations=15), 49), "moving-zyx")
    seen, texts = list(session.problem.observations), dict(session.texts)
    for k in range(15, 90):
        seen.append(replace(seen[k % 15], id=k + 1))
        texts[k + 1] = texts[k % 15 + 1]
    long = replace(session.problem, observations=tuple(seen))
    assert weighty(replace(session, problem=long, texts=texts))[0].code == "rotation-convention"


def test_a_small_drift_is_told_with_the_knock_that_is_as_likely() -> None:
    xi = np.array([0.001, -0.001, 0.001, 0.9, 0.7, -0.8])
    for times, kinds in ((1.0, 2), (2.0, 1)):
        session = drifted(Case(stations=8), 15, "camera", times * xi)
        said = diagnosed(session.problem, session.texts).findings[0]
        assert (said.code, said.station) == ("camera-moved", None)
        assert (said.suggested == "camera-moved") == ("One of them" in said.message) == (kinds == 2)


@pytest.mark.parametrize("mount", [EYE_TO_HAND, EYE_IN_HAND])
@pytest.mark.parametrize("shape", ["stretched", "sheared", "twisted"])
def test_a_board_of_another_shape_is_no_lens_and_no_turned_image(mount: Mount, shape: str) -> None:
    points = BOARD.points()
    middle = points.mean(axis=0)
    x, y, _ = ((points - middle) / (points.max(axis=0)[0] / 2.0)).T
    moved = {
        "stretched": np.column_stack([0.6 * x, 0 * x, 0 * x]),
        "sheared": np.column_stack([0.6 * y, 0 * x, 0 * x]),
        "twisted": np.column_stack([0 * x, 0 * x, x * y]),
    }[shape]
    made = simulated(
        Case(mount, stations=10), np.random.default_rng(6), Seen(points + moved, CAMERA)
    )
    board = replace(BOARD, scale_u=0.0012, bow_u_mm=0.1)
    said = diagnosed(replace(made.problem, board=board)).findings[0]
    assert said.code == "board-bowed"
    assert "twisted" in said.message


@pytest.mark.parametrize("seed", [0, 6])
def test_a_board_as_far_off_as_the_cell_allows_is_no_cause(seed: int) -> None:
    """Sheared by twice its scale_u: that came out as a lens or as a board that moved."""
    board = replace(BOARD, scale_u=0.0012, bow_u_mm=0.1)
    points = board.points()
    off = 2.0 * board.scale_u * (points[:, :1] - points[:, 0].mean()) * np.eye(3)[1]
    case = Case(stations=10, position_mm=0.05, angle_deg=0.006, pixel_px=0.05)
    made = simulated(case, np.random.default_rng(seed), Seen(points + off, CAMERA))
    found = diagnosed(replace(made.problem, board=board)).findings
    assert not {f.code for f in found} & set(CAUSES)


@pytest.mark.parametrize("mount", [EYE_TO_HAND, EYE_IN_HAND])
@pytest.mark.parametrize("side", [0, 1])
def test_a_board_at_the_tail_of_what_the_cell_allows_is_no_cause(mount: Mount, side: int) -> None:
    """Along one side 3.5 times its scale_u too long: the images alone called that a cause."""
    board = replace(BOARD, scale_u=0.0012, bow_u_mm=0.1)
    off = 3.5 * board.scale_u * board.points()[:, side : side + 1] * np.eye(3)[side]
    seen = Seen(board.points() + off, CAMERA)
    made = simulated(Case(mount, stations=10), np.random.default_rng(6), seen)
    found = diagnosed(replace(made.problem, board=board)).findings
    assert not {f.code for f in found} & set(CAUSES)


@pytest.mark.parametrize("shape", ["stretch", "shear", "bow along the rows", "twist"])
def test_a_board_wrong_in_one_way_need_not_be_wrong_in_all(shape: str) -> None:
    """Off by six of the standard uncertainties that the cell gives it, and by nothing else."""
    board = replace(BOARD, scale_u=0.0012, bow_u_mm=0.1)
    known = terms(CAMERA, board.points(), board.scale_u, board.bow_u_mm)
    one = known.only([f"board {shape}"])
    moved = board.points() + one.moved(board.points(), 6.0 * one.sd)
    made = simulated(Case(stations=15), np.random.default_rng(6), Seen(moved, CAMERA))
    said = diagnosed(replace(made.problem, board=board)).findings[0]
    assert said.code == "board-bowed"


@pytest.mark.parametrize(("seed", "bad"), [(23, (0, 2)), (13, (1, 2, 4))])
def test_bad_stops_of_a_short_session_are_no_move(seed: int, bad: tuple[int, ...]) -> None:
    """Two of five and three of six: what kept the fit from the good ones came out as a move."""
    n, axes = (5, 4) if len(bad) == 2 else (6, 6)
    case = Case(stations=n, axes=axes, height_known=axes == 4)  # type: ignore[arg-type]
    session, rng = clean(case, seed), np.random.default_rng([seed, n, len(bad), 5])
    rng.choice(n, len(bad), replace=False)
    size_mm, turning = rng.choice([3.0, 10.0]), np.array([axes == 6, axes == 6, True], float)
    seen = list(session.problem.observations)
    for row in bad:
        turn = np.radians(0.3) * rng.normal(size=3) * turning
        xi = np.concatenate([turn, size_mm * rng.normal(size=3)])
        seen[row] = replace(seen[row], base_T_flange=displaced(seen[row].base_T_flange, xi))
    result = diagnosed(replace(session.problem, observations=tuple(seen)))
    codes = {f.code for f in result.findings} & set(CAUSES)
    assert codes == {"outlier"}
    assert result.verdict == "not-accepted"


def test_a_long_session_says_that_nothing_fits_where_those_that_are_judged_do() -> None:
    session = clean(Case(stations=200), 51)
    judged = {k + i for k in np.linspace(0, 190, 6).round().astype(int) for i in range(10)}
    rest = [k for k in range(200) if k not in judged]
    stops = list(session.problem.observations)
    rng, wide = np.random.default_rng(1), np.repeat([0.5, 200.0], 3)
    for k in rest:
        off = displaced(stops[k].base_T_flange, rng.normal(size=6) * wide)
        stops[k] = replace(stops[k], base_T_flange=off)
    problem = replace(session.problem, observations=tuple(stops))
    assert weighty(replace(session, problem=problem))[0].message.startswith(
        "The stations do not agree"
    )
