"""Depth on the board: its figures against truth and SciPy's plane, and findings right and false."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from scipy.linalg import svd
from simulated_sessions import DepthErrors

from engine.arrays import Array
from engine.boards.detect import detect
from engine.camera.lens import lens, project, terms, undistort
from engine.camera.model import DepthCamera
from engine.camera.views import Views, linearised, plane_rows
from engine.depth.board import DepthReport, depth_findings, look_at_depth, look_at_places
from engine.depth.plane import plane_of, weighed
from engine.depth.reading import Depth
from engine.frames import apply, displaced, rotation_exp, transform
from engine.simulate.render import DepthSensor
from engine.simulate.scenario import cell, truth
from engine.simulate.virtual_cell import VirtualCell

CELL = cell(depth=True)
BOARD, CAMERA = CELL.board, CELL.camera
STEP_MM = 0.1


@pytest.fixture(scope="module")
def virtual() -> VirtualCell:
    made = VirtualCell(CELL, truth(), 3, depth=DepthSensor())
    made.go_to(made.suggest_stations(4)[1])
    return made


def taken(
    virtual: VirtualCell, sensor: DepthSensor, binning: int = 1, step_mm: float = STEP_MM
) -> tuple[DepthReport, Array]:
    """Return what is said of depth by ``sensor``, and the true depths of the points."""
    virtual.depth = sensor
    image = virtual.take_image()
    levels = virtual.take_depth(image)
    assert levels is not None
    z = np.where(levels > 0, levels * step_mm, np.nan).astype(np.float32)[::binning, ::binning]
    found = detect(image, BOARD, CAMERA)
    depth = Depth(z, 1.0, binning)
    seen = look_at_depth(depth, found.ids, found.pixels, image, BOARD, CAMERA)
    return seen, apply(virtual.camera_T_board(), BOARD.points())[found.ids, 2]


def test_good_depth_is_told_as_it_is_and_nothing_is_said(virtual: VirtualCell) -> None:
    sensor = DepthSensor(scale=0.001, holes_light=0.05, holes_dark=0.2)
    seen, true = taken(virtual, sensor)
    assert seen.light == pytest.approx(0.95, abs=0.03)
    assert seen.dark == pytest.approx(0.80, abs=0.03)
    assert seen.distance_mm == pytest.approx(np.median(true), rel=0.01)
    expected = np.hypot(0.15 * (true.mean() / 1000) ** 2, STEP_MM / 12**0.5)
    assert seen.noise_mm == pytest.approx(expected, rel=0.1)
    assert seen.scale == pytest.approx(0.001, abs=3e-4)
    np.testing.assert_allclose(seen.depths, true * 1.001, atol=0.15)
    assert depth_findings(seen, BOARD, CAMERA.depth) == []


def test_depth_on_every_second_pixel_says_the_same(virtual: VirtualCell) -> None:
    seen, true = taken(virtual, DepthSensor(scale=0.001), binning=2)
    assert seen.scale == pytest.approx(0.001, abs=5e-4)
    assert np.nanmedian(np.abs(seen.depths - true * 1.001)) < 0.2


WRONG = {
    "noisy": (DepthSensor(noise_mm=1.5), "depth-noisy", "varies by"),
    "scale": (DepthSensor(scale=0.02), "depth-disagrees", "scale_mm"),
    "near": (DepthSensor(scale=-0.02), "depth-disagrees", "-2.0"),
    "bent": (DepthSensor(bow_mm=60.0), "depth-disagrees", "bends the board"),
    "dark holes": (DepthSensor(holes_dark=0.7), "depth-holes", "dark parts"),
    "light holes": (DepthSensor(holes_light=0.7), "depth-holes", "light parts"),
    "holes": (DepthSensor(holes_light=0.8, holes_dark=0.8), "depth-holes", "% of the board"),
    "empty": (DepthSensor(holes_light=1.0, holes_dark=1.0), "depth-holes", "covers 0 %"),
}


@pytest.mark.parametrize("kind", WRONG)
def test_what_is_wrong_with_depth_is_said(kind: str, virtual: VirtualCell) -> None:
    sensor, code, words = WRONG[kind]
    seen, _ = taken(virtual, sensor)
    said = depth_findings(seen, BOARD, CAMERA.depth)
    assert code in [item.code for item in said]
    assert any(words in f"{item.message} {item.remedy}" for item in said)


def test_steps_of_the_file_are_no_noise_of_the_camera(virtual: VirtualCell) -> None:
    virtual.depth = DepthSensor(step_mm=1.5)
    image = virtual.take_image()
    levels = virtual.take_depth(image)
    assert levels is not None
    found = detect(image, BOARD, CAMERA)
    for values in (levels, levels.astype(np.float32)):
        seen = look_at_depth(Depth(values, 1.5), found.ids, found.pixels, image, BOARD, CAMERA)
        said = [item.code for item in depth_findings(seen, BOARD, CAMERA.depth)]
        assert said == ([] if values is levels else ["depth-noisy"])


def test_a_wrong_unit_names_the_scale_that_fits(virtual: VirtualCell) -> None:
    seen, _ = taken(virtual, DepthSensor(), step_mm=1.0)
    (said,) = depth_findings(seen, BOARD, DepthCamera(1.0, "camera"))
    times = re.search(r"([0-9.]+) times as far", said.message)
    fits = re.search(r"scale_mm: ([0-9.]+) in the cell", said.remedy)
    assert times is not None
    assert fits is not None
    assert float(times[1]) == pytest.approx(1.0 / STEP_MM, rel=1e-2)
    assert float(fits[1]) == pytest.approx(STEP_MM, rel=1e-3)


def test_depth_of_another_stop_disagrees(virtual: VirtualCell) -> None:
    virtual.depth = DepthSensor()
    image = virtual.take_image()
    here = virtual.believed
    virtual.go_to(displaced(here, np.array([0.05, 0.03, 0.0, 0.0, 0.0, 0.0])))
    levels = virtual.take_depth(virtual.take_image())
    virtual.go_to(here, exact=True)
    assert levels is not None
    z = np.where(levels > 0, levels * STEP_MM, np.nan).astype(np.float32)
    found = detect(image, BOARD, CAMERA)
    seen = look_at_depth(Depth(z, 1.0), found.ids, found.pixels, image, BOARD, CAMERA)
    assert "depth-disagrees" in [i.code for i in depth_findings(seen, BOARD, CAMERA.depth)]


@pytest.mark.parametrize("turned", [False, True], ids=["in the camera frame", "y up"])
def test_a_cloud_of_another_frame_is_told(virtual: VirtualCell, turned: bool) -> None:
    virtual.depth = DepthSensor()
    image = virtual.take_image()
    levels = virtual.take_depth(image)
    assert levels is not None
    z = np.where(levels > 0, levels * STEP_MM, np.nan).astype(np.float32)
    pixels = np.stack(np.meshgrid(*map(np.arange, CAMERA.image_size_px)), axis=-1).astype(float)
    found = detect(image, BOARD, CAMERA)
    low, high = found.pixels.min(axis=0).astype(int) - 40, found.pixels.max(axis=0).astype(int) + 40
    xy = np.zeros((*z.shape, 2), np.float32)
    part = slice(low[1], high[1]), slice(low[0], high[0])
    xy[part] = undistort(pixels[part], CAMERA) * z[part][..., None]
    if turned:
        xy[..., 1] *= -1
    seen = look_at_depth(
        Depth(np.dstack([xy, z]), 1.0), found.ids, found.pixels, image, BOARD, CAMERA
    )
    said = depth_findings(seen, BOARD, CAMERA.depth)
    assert [item.code for item in said] == (["depth-disagrees"] if turned else [])
    assert not turned or "off the pixels" in said[0].message


def test_plane_is_that_of_scipys_singular_values() -> None:
    """Reference: the total least squares plane by SciPy's singular value decomposition."""
    rng = np.random.default_rng(2)
    T = transform(rotation_exp([0.5, -0.3, 0.2]), [10.0, -20.0, 700.0])
    points = apply(T, BOARD.points()) + rng.normal(0.0, 0.02, (88, 3)) * (0, 0, 1)
    plane = plane_of(points[:, 2], BOARD.points()[:, :2])
    assert plane is not None
    middle, normal = points.mean(axis=0), svd(points - points.mean(axis=0))[2][2]
    at = apply(T, np.array([[100.0, 70.0, 0.0]]))[0]
    by_svd = middle[2] - normal[:2] @ (at[:2] - middle[:2]) / normal[2]
    assert (plane.rows @ points[:, 2])[0] == pytest.approx(by_svd, abs=0.01)
    assert plane.noise_mm == pytest.approx(0.02, rel=0.3)


def test_plane_shrugs_off_wild_points_and_says_nothing_of_too_few() -> None:
    xy, z = BOARD.points()[:, :2], 700.0 + 0.1 * BOARD.points()[:, 0]
    z = z + np.random.default_rng(1).normal(0.0, 0.05, len(z))
    wild = z.copy()
    wild[::5] += 80.0
    clean, dirty = plane_of(z, xy), plane_of(wild, xy)
    assert clean is not None
    assert dirty is not None
    np.testing.assert_allclose(dirty.rows @ wild, clean.rows @ z, atol=0.1)
    few = np.where(np.arange(88) < 9, z, np.nan)
    assert plane_of(few, xy) is None
    line = np.where(np.arange(88) < 11, z, np.nan)
    assert plane_of(line, xy) is None


def test_rows_of_depth_agree_with_finite_differences() -> None:
    view = transform(rotation_exp([0.4, -0.3, 0.2]), [-80.0, -60.0, 600.0])
    unaligned = replace(CAMERA, depth=DepthCamera(STEP_MM, "camera"))
    known = terms(unaligned, BOARD.points(), 0.001, 0.1)
    z = apply(view, BOARD.points())[:, 2]
    plane = plane_of(z, BOARD.points()[:, :2])
    assert plane is not None
    views = Views(
        BOARD.points()[None],
        np.zeros((1, 88, 2)),
        np.ones((1, 88)),
        None,
        z[None],
        plane.rows[None],
    )
    J, residual, Q = plane_rows(views, view[None], known)
    np.testing.assert_allclose(residual, 0.0, atol=1e-9)
    for k, step in enumerate(1e-5 * np.eye(6)):
        there = plane_rows(views, displaced(view, step)[None], known)[1]
        np.testing.assert_allclose(-there[0] / 1e-5, J[0, :, k], rtol=1e-3, atol=1e-2)
    larger = plane_rows(replace(views, depths=1.001 * z[None]), view[None], known)[1][0]
    np.testing.assert_allclose(larger / 0.001, Q[0, :, known.names.index("depth scale")], rtol=1e-6)
    for name, made in (
        ("depth tilt about x", DepthErrors(noise_mm=0.0, tilt=(1e-5, 0.0))),
        ("depth tilt about y", DepthErrors(noise_mm=0.0, tilt=(0.0, 1e-5))),
        ("depth shift along x", DepthErrors(noise_mm=0.0, shift=(1e-5, 0.0))),
        ("depth shift along y", DepthErrors(noise_mm=0.0, shift=(0.0, 1e-5))),
    ):
        places = apply(view, BOARD.points())
        off = made.measured(places, np.random.default_rng(0))
        there = plane_rows(replace(views, depths=off[None]), view[None], known)[1][0]
        column = known.names.index(name)
        np.testing.assert_allclose(there / np.degrees(1e-5), Q[0, :, column], rtol=1e-3, atol=1e-2)
        moved = (made.located(places) - places) / np.degrees(1e-5)
        rows = known.located_by_depth(places)[..., column]
        np.testing.assert_allclose(moved, rows, rtol=1e-3, atol=1e-2)


def seen_views(rng: np.random.Generator, n: int, px: float) -> tuple[Views, Array, list[Array]]:
    poses = [
        transform(rotation_exp(rng.uniform(-0.5, 0.5, 3)), [*rng.uniform(-120, 0, 2), 650.0])
        for _ in range(n)
    ]
    pixels = [project(apply(T, BOARD.points()), CAMERA) for T in poses]
    pixels = [p + rng.normal(0.0, px, p.shape) for p in pixels]
    depths = [apply(T, BOARD.points())[:, 2] + rng.normal(0.0, 0.05, 88) for T in poses]
    views = Views(np.tile(BOARD.points(), (n, 1, 1)), np.array(pixels), np.ones((n, 88)))
    return views, np.array(poses), depths


def test_depth_weighs_by_what_it_scatters_against_the_images() -> None:
    rng = np.random.default_rng(4)
    views, poses, depths = seen_views(rng, 10, 0.1)
    known, data = terms(CAMERA, BOARD.points(), 0.001, 0.0), lens(CAMERA)
    good, told = weighed(views, depths, poses, data, known, 0.1)
    assert told is not None
    assert told.inflated < 2.0
    drifting = [z + rng.normal(0.0, 0.4) for z in depths]
    _, worse = weighed(views, drifting, poses, data, known, 0.1)
    assert worse is not None
    assert worse.inflated > 3.0
    slipped = [z + (5.0 if k == 3 else 0.0) for k, z in enumerate(depths)]
    most, one = weighed(views, slipped, poses, data, known, 0.1)
    assert one is not None
    assert not one.left_out
    assert most.planes is not None
    assert good.planes is not None
    share = np.linalg.norm(most.planes, axis=(1, 2)) / np.linalg.norm(good.planes, axis=(1, 2))
    assert share[3] < 0.1 * np.delete(share, 3).min()
    more = (
        linearised(good, poses, data).information[0] - linearised(views, poses, data).information[0]
    )
    assert np.linalg.eigvalsh(more)[-3] > 0.0
    _, far = weighed(views, [1.02 * z for z in depths], poses, data, known, 0.1)
    assert far is not None
    assert far.left_out
    assert far.scale == pytest.approx(0.02, rel=0.05)


def test_points_measured_in_space_are_checked_like_depth() -> None:
    rng = np.random.default_rng(6)
    T = transform(rotation_exp([0.4, -0.3, 0.2]), [-80.0, -60.0, 650.0])
    places = apply(T, BOARD.points()) + rng.normal(0.0, 0.05, (88, 3))
    ids = np.arange(88)
    for scale, wanted in ((1.0, []), (1.02, ["depth-disagrees"]), (25.4, ["depth-disagrees"])):
        moved = scale * places
        seen = look_at_places(ids, project(moved, CAMERA), moved, BOARD, CAMERA)
        said = depth_findings(seen, BOARD, None)
        assert [item.code for item in said] == wanted
