"""Depth in the estimate: what it gains, that its uncertainty is true, and what is said of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from simulated_sessions import BOARD, CAMERA, Case, DepthErrors, Seen, simulated

from engine.arrays import Array
from engine.camera.lens import DEPTH_SCALE, DEPTH_SHIFTS, DEPTH_TILTS, NAMES
from engine.camera.model import DepthCamera, LensU
from engine.cell.cell import Locate
from engine.depth.plane import bow_limit_mm, plane_of
from engine.diagnosis.diagnose import CAUSES, diagnosed
from engine.diagnosis.leaning import leaning_causes
from engine.diagnosis.scene import scene
from engine.diagnosis.single import others
from engine.estimate import Problem, Result, estimated
from engine.estimate.information import known_whole, uncertainty_after, whole_information
from engine.estimate.solver import Solution, fitted
from engine.findings import Finding, Level
from engine.frames import apply, displacement, inverse

U = LensU()


def problem_of(depth: DepthErrors | None, seed: int, locate: Locate | None = "depth") -> Problem:
    """Return a session of eight stations, its lens 0.1 % off and its board 0.1 % too small."""
    (fx, _, cx), (_, fy, cy), last = CAMERA.matrix
    matrix = ((1.001 * fx, 0.0, cx), (0.0, 1.001 * fy, cy), last)
    truly = Seen(0.999 * BOARD.points(), replace(CAMERA, matrix=matrix), depth)
    session = simulated(Case(stations=8), np.random.default_rng(seed), truly)
    board = replace(BOARD, scale_u=0.0012, bow_u_mm=0.1)
    camera = replace(CAMERA, u=U, depth=DepthCamera(0.1, "camera"))
    return replace(session.problem, board=board, camera=camera, locate=locate)


def scale_of(result: Result) -> tuple[float, float]:
    """Return the scale of depth as estimated, and its u."""
    at = result.systematic.names.index(NAMES[DEPTH_SCALE])
    return float(result.systematic.value[at]), float(result.systematic.sd[at])


def codes(result: Result) -> list[str]:
    return [item.code for item in result.findings]


def test_depth_tells_its_scale_within_its_uncertainty_and_shrinks_that_of_the_pick() -> None:
    off = []
    for seed in range(6):
        scale = 0.001 * (seed - 2.5)
        problem = problem_of(DepthErrors(scale=scale, bow_mm=0.05), seed)
        blind = tuple(replace(seen, depths=None) for seen in problem.observations)
        with_depth, without = estimated(problem), estimated(replace(problem, observations=blind))
        value, u = scale_of(with_depth)
        off.append((value - scale) / u)
        now, before = with_depth.uncertainty.pick_mm, without.uncertainty.pick_mm
        assert now is not None
        assert before is not None
        assert now < 0.6 * before
        assert u < 0.5 * scale_of(without)[1]
    assert np.abs(off).max() < 3.0
    assert np.std(off) > 0.2


def test_noise_of_few_points_bends_no_board_and_a_bend_beyond_it_does() -> None:
    x, y = (axis.ravel() for axis in np.meshgrid(np.arange(7.0), np.arange(5.0)))
    xy, rng = 40.0 * np.column_stack([x, y]), np.random.default_rng(2)
    beyond = np.zeros(2)
    for _ in range(100):
        noise = rng.normal(0.0, 1.8, len(x))  # mm; 0.8 mm at 1 m, at 1.5 m
        for k, bend in enumerate((0.0, 20.0)):
            plane = plane_of(1500.0 + noise + bend * ((x - 3.0) / 3.0) ** 2, xy)
            assert plane is not None
            beyond[k] += plane.bow_peak_mm > bow_limit_mm(1500.0, 0.1, plane.bent_by_noise_mm)
    assert beyond[0] <= 1
    assert beyond[1] >= 97


def test_depth_that_contradicts_the_images_is_left_out_and_changes_nothing() -> None:
    for wrong in (DepthErrors(scale=0.02), DepthErrors(bow_mm=3.0), DepthErrors(offset_mm=2.0)):
        problem = problem_of(wrong, 3)
        blind = tuple(replace(seen, depths=None) for seen in problem.observations)
        result, bare = estimated(problem), estimated(replace(problem, observations=blind))
        np.testing.assert_allclose(displacement(result.camera, bare.camera), 0.0, atol=1e-9)
        (said,) = [item for item in result.findings if item.code == "depth-disagrees"]
        assert said.level is Level.ERROR  # parts are located by it
        located = replace(problem, locate="lens")
        (said,) = [f for f in estimated(located).findings if f.code == "depth-disagrees"]
        assert said.level is Level.WARNING
        narrow = estimated(replace(problem, tolerance=replace(problem.tolerance, position_mm=0.1)))
        for code in ("tolerance", "weak-direction"):
            said = [item.remedy for item in narrow.findings if item.code == code]
            assert said
            assert all(one.startswith("Do first what depth-disagrees names") for one in said)


def test_what_is_assumed_of_depth_is_said() -> None:
    problem = problem_of(DepthErrors(scale=0.0015), 5, locate=None)
    result = estimated(problem)
    (said,) = [item for item in result.findings if item.code == "locate-assumed"]
    assert "by the depth of this camera" in said.message
    assert {"depth-scale-assumed", "depth-tilt-assumed"} <= set(codes(result))
    known = replace(problem.camera, depth=DepthCamera(0.1, "camera", 0.002, 0.2))
    stated = codes(estimated(replace(problem, camera=known, locate="lens")))
    assumed = {"locate-assumed", "depth-scale-assumed", "depth-tilt-assumed"}
    assert not (assumed | {"depth-scale", "depth-leans"}) & set(stated)


def test_a_scale_that_the_stations_tell_names_the_one_that_fits() -> None:
    problem = problem_of(DepthErrors(scale=-0.004), 5)
    exact = replace(
        problem, camera=replace(problem.camera, depth=DepthCamera(0.1, "camera", 0.004))
    )
    (told,) = [item for item in estimated(exact).findings if item.code == "depth-scale"]
    fits = float(told.remedy.split("scale_mm ")[1].split()[0])
    assert abs(fits - 0.1 / (1.0 - 0.004)) < 1e-4


@pytest.mark.parametrize(
    ("tilt", "shift"),
    [((0.0, 0.003), (0.0, 0.0)), ((0.003, 0.0), (0.0, -0.003))],
    ids=["z in proportion to x", "a sensor turned about x"],
)
def test_depth_that_leans_is_known_within_its_uncertainty_and_so_is_a_pick(
    tilt: tuple[float, float], shift: tuple[float, float]
) -> None:
    problem, truth, depth = leaning(tilt, shift)
    result = estimated(problem)
    for name, true in zip((*DEPTH_TILTS, *DEPTH_SHIFTS), (*tilt, *shift), strict=True):
        at = result.systematic.names.index(name)
        value, u = result.systematic.value[at], result.systematic.sd[at]
        assert abs(value - np.degrees(true)) < 3.0 * u, name
        assert u < 0.05
    corners = problem.work_volume.corners()
    seen = depth.located(apply(inverse(truth), corners))
    aligned = replace(problem.camera, depth=DepthCamera(0.1, "camera", 0.0, 0.0))
    blind = estimated(replace(problem, camera=aligned))  # as if depth were known not to lean
    for one, held in ((result, True), (blind, False)):
        off = np.linalg.norm(apply(one.camera, seen) - corners, axis=1).max()
        assert one.uncertainty.pick_mm is not None
        assert bool(off < 2.0 * one.uncertainty.pick_mm) is held
    assert ("depth-leans" in codes(result)) == (not any(shift))  # of a turn nothing is left


def test_depth_that_leans_far_is_a_cause_with_its_axis_and_clean_depth_is_none() -> None:
    problem = leaning((np.radians(1.5), 0.0))[0]
    assert [item.level for item in causes(replace(problem, locate="lens"))] == ["warning"]
    (said,) = causes(problem)
    assert (said.code, said.level) == ("depth-tilted", "error")
    assert abs(float(said.message.split("by ")[2].split("°")[0]) - 1.5) < 0.15
    shifted = fitted_of(leaning((0.0, 0.0), (0.0, np.radians(1.5)))[0])
    ((said,),) = [cause.findings for cause in leaning_causes(scene(shifted, {}))]
    assert said.message.startswith("Depth is shifted")
    assert abs(float(said.message.split(", ")[1].split(")")[0]) - 1400.0 * np.radians(1.5)) < 4.0
    assert causes(leaning((0.003, -0.003))[0]) == []


def leaning(
    tilt: tuple[float, float], shift: tuple[float, float] = (0.0, 0.0)
) -> tuple[Problem, Array, DepthErrors]:
    """Return a session of eight stations with such depth, and where the camera truly is."""
    depth = DepthErrors(tilt=tilt, shift=shift, bow_mm=0.05)
    session = simulated(
        Case(stations=8), np.random.default_rng(7), Seen(BOARD.points(), CAMERA, depth)
    )
    camera = replace(CAMERA, u=U, depth=DepthCamera(0.1, "camera", 0.0))
    return replace(session.problem, camera=camera, locate="depth"), session.camera, depth


def causes(problem: Problem) -> list[Finding]:
    return [item for item in diagnosed(problem).findings if item.code in CAUSES]


def test_points_in_space_owe_nothing_to_the_lens_data() -> None:
    problem = problem_of(None, 4)
    space = tuple(replace(seen, spatial=True) for seen in problem.observations)
    vague = replace(problem.camera, u=LensU(0.05, 50.0, 5.0))
    exact = replace(vague, u=LensU(0.0, 0.0, 0.0))
    told, known = (
        estimated(replace(problem, observations=space, camera=each)) for each in (vague, exact)
    )
    assert not set(DEPTH_SHIFTS) & set(told.systematic.names)
    np.testing.assert_allclose(displacement(told.geometric, known.geometric), 0.0, atol=1e-4)


def test_a_plan_promises_what_further_stations_with_depth_give() -> None:
    ratios = []
    for seed in range(4):
        whole = problem_of(DepthErrors(noise_mm=0.05, bow_mm=0.05), seed)
        start = replace(whole, observations=whole.observations[:5])
        result, after = estimated(start), estimated(whole).uncertainty.pick_mm
        further = np.array([seen.base_T_flange for seen in whole.observations[5:]])
        promised = []
        for known in (result, replace(result, depth=None)):
            told = known_whole(known) + whole_information(start, known, further).sum(axis=0)
            promised.append(uncertainty_after(told, known)[1])
        assert after is not None
        assert promised[0] < promised[1]
        ratios.append(promised[0] / after)
    assert abs(np.median(ratios) - 1.0) < 0.15


def test_what_the_others_predict_of_a_station_takes_its_depth_into_account() -> None:
    """The squared size of what each pose is off, over its covariance, is 6 on the mean."""
    sizes = []
    for seed in range(12):
        view = scene(fitted_of(problem_of(DepthErrors(bow_mm=0.02), seed)), {})
        for row in range(8):
            prediction = others(view, row).predictions[0]
            off = displacement(prediction.flange, view.stations.typed[row])
            sizes.append(off @ np.linalg.solve(prediction.covariance, off))
    assert np.mean(sizes) / 6.0 == pytest.approx(1.0, abs=0.1)  # 1.18 by the pixels' pose alone


def fitted_of(problem: Problem) -> Solution:
    found = fitted(problem)
    assert found is not None
    return found
