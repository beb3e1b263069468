"""The figures of a report: SVG by matplotlib, each with what it shows in words."""

from __future__ import annotations

import io
import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..cell.cell import Cell
from ..cell.mount import EYE_TO_HAND
from ..frames import apply, inverse, mean_rotation, point_rows, transform
from ..proof.compare import Entry
from .plotting import Figure, PolyCollection, blended_transform_factory, mpl
from .stations import CoursePoint, Placement, StationView, residuals

SETTINGS: Any = {
    "svg.fonttype": "none",
    "svg.hashsalt": "stationbook",
    "font.family": "sans-serif",
    "font.size": 9,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.titlesize": 9,
}
INK, ACCENT, PALE = "#1d2a33", "#0b6e6e", "#b9c4c9"
MOST_DOTS = 3000  # of the coverage figure: more cannot be told apart and only make the file large
MARGIN_INCH = 0.62  # room for the axis labels at the left
WIDE_MARGIN_INCH = 0.9  # the same beside ticks of five digits: 0.0025
LABEL_INCH = 0.16  # from the left border to the middle of the axis labels there
CUT = 4.0  # [-] times the longest bar of a used station: longer bars are cut off
FIELDS = 4  # the view is divided into 4 × 4 fields for the coverage in words


@dataclass(frozen=True, slots=True)
class Picture:
    """One figure: its title, the SVG, what it shows in words, and whether it takes half a page."""

    title: str
    svg: str
    words: str
    half: bool = False


def drawn(figure: Figure) -> str:
    """Return the figure as SVG text."""
    out = io.StringIO()
    with mpl.rc_context(SETTINGS):
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    return out.getvalue()


def canvas(
    width: float, height: float, columns: int = 1, rows: int = 1, left: float = MARGIN_INCH
) -> tuple[Figure, Any]:
    """Return a figure [inch] with axes (rows, columns) and ``left`` [inch] beside them.

    The margins are fixed: fitting them to the labels would take longer than all the drawing.
    """
    with mpl.rc_context(SETTINGS):
        figure = Figure(figsize=(width, height))
        figure.subplots_adjust(
            left=left / width, right=1 - 0.1 / width, bottom=0.45 / height,
            top=1 - 0.25 / height, wspace=0.22, hspace=0.35,
        )  # fmt: skip
        return figure, figure.subplots(rows, columns, squeeze=False)


def residual_picture(views: list[StationView]) -> Picture | None:
    """Return the residuals per station: in the image, and given to the typed pose."""
    ids = [view.station.id for view in views]
    kinds = [("residual_px", "image [px]"), ("robot_residual_mm", "position [mm]"),
             ("robot_residual_deg", "rotation [°]")]  # fmt: skip
    known = [(residuals(views, key), label) for key, label in kinds]
    known = [(values, label) for values, label in known if np.isfinite(values).any()]
    if not known:
        return None
    figure, axes = canvas(7.0, 1.4 * len(known) + 0.4, rows=len(known), left=WIDE_MARGIN_INCH)
    places = np.arange(len(ids))
    out = np.array([not view.used for view in views])
    for ax, (values, label) in zip(axes[:, 0], known, strict=True):
        _bars(ax, places[~out], values[~out], facecolor=ACCENT, linewidth=0)
        _bars(ax, places[out], values[out], facecolor="white", edgecolor=INK, hatch="////")
        _limit(ax, values, out)
        ax.set_ylabel(label)
        beside = blended_transform_factory(figure.dpi_scale_trans, ax.transAxes)
        ax.yaxis.set_label_coords(LABEL_INCH, 0.5, transform=beside)
        step = max(1, len(ids) // 30)
        ax.set_xticks(places[::step], ids[::step])
    axes[-1, 0].set_xlabel("station (hatched: not used)")
    words = [_largest(values, ids, label) for values, label in known]
    return Picture("Residuals per station", drawn(figure), " ".join(words))


def _bars(ax: Any, places: Array, values: Array, **looks: Any) -> None:
    """Draw bars from 0, none for a value that is not known; as one thing, as there may be many."""
    known = np.isfinite(values)
    x, y = places[known, None] + np.array([-0.35, -0.35, 0.35, 0.35]), values[known, None]
    corners = np.stack([x, y * np.array([0.0, 1.0, 1.0, 0.0])], axis=-1)
    ax.add_collection(PolyCollection(list(corners), **looks))
    ax.autoscale_view()
    ax.set_ylim(bottom=0.0)


def _limit(ax: Any, values: Array, out: NDArray[np.bool_]) -> None:
    """Keep the bars of used stations readable: cut off much longer ones and write their value."""
    used = values[~out & np.isfinite(values)]
    if not len(used) or not used.max() > 0 or np.nanmax(values) <= CUT * used.max():
        return
    top = 2 * float(used.max())
    ax.set_ylim(0, top)
    for place in np.flatnonzero(values > top):
        ax.text(place, top, f"↑ {values[place]:.3g}", ha="center", va="bottom", fontsize=8)


def _largest(values: Array, ids: list[int], label: str) -> str:
    at = int(np.nanargmax(values))
    name, unit = label.rstrip("]").split(" [")
    unit = unit if unit == "°" else f" {unit}"
    return (
        f"Largest residual, {name}: {values[at]:.3g}{unit} at station {ids[at]}; "
        f"median {np.nanmedian(values):.3g}{unit}."
    )


def coverage_picture(views: list[StationView], cell: Cell) -> Picture | None:
    """Return where in the image the points of all used stations were seen."""
    seen = [view.seen for view in views if view.used and view.seen is not None]
    if not seen:
        return None
    points = np.concatenate(seen)
    width, height = cell.camera.image_size_px
    figure, axes = canvas(3.4, 2.9 * height / width + 0.3)
    ax = axes[0, 0]
    shown = points[:: -(-len(points) // MOST_DOTS)]
    ax.plot(shown[:, 0], shown[:, 1], ".", markersize=1.6, color=ACCENT)
    ax.set_xlim(-0.5, width - 0.5)
    ax.set_ylim(height - 0.5, -0.5)
    ax.set_aspect("equal")
    ax.set_xlabel("u [px]")
    ax.set_ylabel("v [px]")
    ax.spines[["top", "right"]].set_visible(True)
    for part in range(1, FIELDS):
        ax.axvline(width * part / FIELDS - 0.5, color=PALE, linewidth=0.6)
        ax.axhline(height * part / FIELDS - 0.5, color=PALE, linewidth=0.6)
    counts, _, _ = np.histogram2d(
        points[:, 0], points[:, 1], FIELDS, [[-0.5, width - 0.5], [-0.5, height - 0.5]]
    )
    filled = int(np.count_nonzero(counts))
    low, high = points.min(axis=0), points.max(axis=0)
    words = (
        f"{len(points)} points of {len(seen)} stations lie in {filled} of {FIELDS**2} equal "
        f"fields of the image, from u {low[0]:.0f} to {high[0]:.0f} of {width} px and "
        f"v {low[1]:.0f} to {high[1]:.0f} of {height} px."
    )
    return Picture("Coverage of the view", drawn(figure), words, half=True)


def volume_picture(u: Array, cell: Cell) -> Picture:
    """Return U (k = 2) over three layers of the work volume from ``u`` (3, 5, 5) [mm]."""
    U = 2 * u
    digits = max(0, 2 - int(np.floor(np.log10(U.max() + 1e-12))))  # three figures of the largest
    figure, axes = canvas(7.0, 2.5, columns=3)
    center, size = np.array(cell.work_volume.center_mm), np.array(cell.work_volume.size_mm)
    extent = [center[0] - 0.6 * size[0], center[0] + 0.6 * size[0],
              center[1] - 0.6 * size[1], center[1] + 0.6 * size[1]]  # fmt: skip
    grid = places(cell)
    xs, ys, heights = grid[0, 0, :, 0], grid[0, :, 0, 1], grid[:, 0, 0, 2]
    for ax, layer, z in zip(axes[0], U, heights, strict=True):
        ax.imshow(layer, cmap="Greys", vmin=0, vmax=5 * U.max(), origin="lower", extent=extent,
                  aspect="auto", interpolation="nearest")  # fmt: skip
        for y, row in zip(ys, layer, strict=True):
            for x, value in zip(xs, row, strict=True):
                ax.text(
                    x, y, f"{value:.{digits}f}", ha="center", va="center", fontsize=7, color=INK
                )
        ax.set_title(f"z = {z:g} mm", fontsize=9)
        ax.set_xlabel("x [mm]")
        ax.set_xticks(xs[::2])
        ax.set_yticks(ys[::2], [f"{y:g}" for y in ys[::2]] if ax is axes[0, 0] else [])
    axes[0, 0].set_ylabel("y [mm]")
    at = np.unravel_index(int(U.argmax()), U.shape)
    words = (
        f"Expanded uncertainty (about 95 %) of a point placed by the camera's transform, in the "
        f"{cell.work_volume.frame} frame: from {U.min():.2g} mm to {U.max():.2g} mm, largest at "
        f"x {xs[at[2]]:g}, y {ys[at[1]]:g}, z {heights[at[0]]:g} mm. The robot's own error when "
        "picking is not in it."
    )
    return Picture("Uncertainty over the work volume", drawn(figure), words)


def course_picture(points: Sequence[CoursePoint], tolerance_mm: float) -> Picture | None:
    """Return U after each station against the tolerance."""
    known = [p for p in points if p.work_volume_mm is not None and p.pick_mm is not None]
    if not known:
        return None
    counts = [p.count for p in known]
    camera, pick = (np.array([2 * float(getattr(p, key) or 0.0) for p in known])
                    for key in ("work_volume_mm", "pick_mm"))  # fmt: skip
    figure, axes = canvas(3.4, 2.6)
    ax = axes[0, 0]
    ax.plot(counts, pick, "-o", color=INK, markersize=3, label="a pick")
    ax.plot(counts, camera, "--s", color=ACCENT, markersize=3, label="of the camera's transform")
    ax.axhline(tolerance_mm, color=INK, linewidth=0.8, linestyle=":", label="tolerance")
    ax.set_ylim(0, 1.15 * max(tolerance_mm, min(float(pick.max()), 3 * tolerance_mm)))
    ax.set_xlabel("stations used")
    ax.set_ylabel("U [mm]")
    ax.xaxis.get_major_locator().set_params(integer=True)
    ax.legend(frameon=False, fontsize=8)
    words = (
        f"Expanded uncertainty at the worst corner of the work volume: of a pick (above 99 %) "
        f"{pick[0]:.2g} mm after {counts[0]} stations and {pick[-1]:.2g} mm after {counts[-1]}; "
        "of a point placed by the camera's transform (about 95 %) "
        f"{camera[0]:.2g} mm and {camera[-1]:.2g} mm. "
        "To first order, with the noise of the whole session."
    )
    return Picture("Uncertainty over the stations", drawn(figure), words, half=True)


LAYERS = (-0.5, 0.0, 0.5)  # [-] of the height: bottom, middle, top
ACROSS = 5  # places along each side of a layer


def places(cell: Cell) -> Array:
    """Return places (3, 5, 5, 3) [mm] in the work volume's own frame: layer, y, x."""
    steps = np.linspace(-0.5, 0.5, ACROSS)
    z, y, x = np.meshgrid(np.array(LAYERS), steps, steps, indexing="ij")
    unit = np.stack([x, y, z], axis=-1)
    return np.asarray(np.array(cell.work_volume.center_mm) + unit * cell.work_volume.size_mm)


def volume_frame(cell: Cell, camera: Array, flange_poses: Array) -> Array:
    """Return the transform (4, 4) from the work volume's frame into the base.

    A volume in the frame of a camera on the flange stands where the mean of the flange poses
    (n, 4, 4) puts it.
    """
    if cell.work_volume.frame == "base":
        return np.eye(4)
    return camera if cell.mount == EYE_TO_HAND else mean_pose(flange_poses) @ camera


def mean_pose(poses: Array) -> Array:
    """Return the mean of poses (n, 4, 4)."""
    return transform(mean_rotation(poses[:, :3, :3]), poses[:, :3, 3].mean(axis=0))


def uncertainty(cell: Cell, camera: Array, covariance: Array, flange_poses: Array) -> Array:
    """Return u [mm] of a point that the camera's transform places, at `places` (3, 5, 5).

    Square root of the trace of its covariance; the robot's own error is not in it.
    """
    base_T_camera = camera
    if cell.mount != EYE_TO_HAND:
        base_T_camera = mean_pose(flange_poses) @ camera
    to_camera = inverse(base_T_camera) @ volume_frame(cell, camera, flange_poses)
    seen = apply(to_camera, places(cell).reshape(-1, 3))
    rows = point_rows(camera, seen)
    variance = np.einsum("nij,jk,nik->n", rows, covariance, rows)
    return np.asarray(np.sqrt(variance).reshape(len(LAYERS), ACROSS, ACROSS))


# Of the corners of a work volume, numbered in binary: pairs that differ in one direction.
EDGES = [[a, b] for a, b in itertools.combinations(range(8), 2) if (a ^ b).bit_count() == 1]
PLANES = (("from above", 0, 1), ("from the side", 0, 2))
MOST_NUMBERS = 40  # stations; more numbers would cover each other
RAY_MM = 60.0  # length of the line that shows where a camera on the flange looks


def scene_picture(views: list[StationView], cell: Cell, placed: Placement) -> Picture | None:
    """Return the boards (eye-in-hand: cameras) of all stations in the base frame, two views."""
    posed = [view for view in views if view.base_T_flange is not None]
    if placed.camera is None or placed.board is None or not posed:
        return None
    flange = np.array([view.base_T_flange for view in posed])
    fixed = cell.mount == EYE_TO_HAND
    middle = cell.board.points().mean(axis=0)[None]
    cameras = placed.camera[None] if fixed else flange @ placed.camera
    boards = flange @ placed.board if fixed else placed.board[None]
    centres = apply(boards, middle)[:, 0]
    stops = centres if fixed else cameras[:, :3, 3]
    corners = apply(volume_frame(cell, placed.camera, flange), cell.work_volume.corners())
    figure, axes = canvas(7.0, 3.5, columns=2)
    for ax, (title, across, up) in zip(axes[0], PLANES, strict=True):
        pick = [across, up]
        for edge in EDGES:
            ax.plot(*corners[edge][:, pick].T, "--", color=PALE, linewidth=0.9)
        _stops(ax, stops[:, pick], posed)
        if fixed:
            _camera(ax, cell, placed.camera, pick, float(np.linalg.norm(
                centres.mean(axis=0) - placed.camera[:3, 3])))  # fmt: skip
        else:
            for camera in cameras:
                ray = np.array([camera[:3, 3], camera[:3, 3] + RAY_MM * camera[:3, 2]])[:, pick]
                ax.plot(*ray.T, "-", color=ACCENT, linewidth=0.7)
            ax.plot(*centres[0, pick], "D", color=INK, markersize=6)
            ax.annotate("board", centres[0, pick], (5, 5), textcoords="offset points", fontsize=8)
        ax.plot(0, 0, "+", color=INK, markersize=9)
        ax.annotate("base", (0, 0), (5, 5), textcoords="offset points", fontsize=8)
        ax.set_aspect("equal", adjustable="datalim")
        ax.set_title(title, fontsize=9)
        ax.set_xlabel("x [mm]")
        ax.set_ylabel("yz"[up - 1] + " [mm]")
    return Picture("Stations, camera and work volume", drawn(figure), _words(stops, cell, placed))


def _stops(ax: Any, places: Array, views: list[StationView]) -> None:
    used = np.array([view.used for view in views])
    ax.plot(*places[used].T, "o", color=ACCENT, markersize=4)
    ax.plot(*places[~used].T, "x", color=INK, markersize=5)
    if len(views) <= MOST_NUMBERS:
        for view, place in zip(views, places, strict=True):
            ax.annotate(str(view.station.id), place, (3, 3), textcoords="offset points", fontsize=7)


def _camera(ax: Any, cell: Cell, camera: Array, pick: list[int], distance: float) -> None:
    """Draw the camera and the four edges of its view as far as the stations."""
    width, height = cell.camera.image_size_px
    corners = np.array([(0, 0, 1), (width, 0, 1), (width, height, 1), (0, height, 1)], float)
    rays = corners @ np.linalg.inv(np.array(cell.camera.matrix)).T * distance
    ends = apply(camera, rays)
    for end in ends:
        ray = np.array([camera[:3, 3], end])[:, pick]
        ax.plot(*ray.T, "-", color=PALE, linewidth=0.8)
    ax.plot(*camera[:3, 3][pick], "^", color=INK, markersize=8)
    ax.annotate(
        "camera", camera[:3, 3][pick], (0, 8), textcoords="offset points", fontsize=8, ha="center"
    )


def _words(stops: Array, cell: Cell, placed: Placement) -> str:
    what = "Board centres" if cell.mount == EYE_TO_HAND else "Camera positions"
    low, high = stops.min(axis=0), stops.max(axis=0)
    spans = ", ".join(
        f"{axis} {a:.0f} to {b:.0f}" for axis, a, b in zip("xyz", low, high, strict=True)
    )
    text = f"{what} of {len(stops)} stations in the base frame: {spans} mm (crosses: not used)."
    if cell.mount == EYE_TO_HAND and placed.camera is not None:
        x, y, z = placed.camera[:3, 3]
        distance = np.linalg.norm(apply(inverse(placed.camera), stops), axis=1)
        text += (
            f" The camera stands at x {x:.0f}, y {y:.0f}, z {z:.0f} mm, {distance.min():.0f} to "
            f"{distance.max():.0f} mm from the boards."
        )
    return text + " Broken lines: the work volume."


def draw_history(entries: Sequence[Entry], tolerance_mm: float, path: Path) -> bytes:
    """Return the figure of a history in the format of ``path`` (svg, png or pdf).

    Drift at the work volume since the first result with U = 2u, over the day of each session, and
    the tolerance as a line. Raises ValueError for another format.
    """
    days = [datetime.fromisoformat(entry.created).replace(tzinfo=None) for entry in entries]
    since = [entry.since_first for entry in entries]
    drift = [one.movement.work_volume_mm if one else 0.0 for one in since]
    u = [one.u_work_volume_mm if one else 0.0 for one in since]
    expanded = [np.nan if one is None else 2 * one for one in u]  # not known: no bar
    figure = Figure(figsize=(7.0, 3.5), layout="constrained")
    axes = figure.add_subplot()
    axes.errorbar(days, drift, yerr=expanded, fmt="o-", color="#0b6e6e", capsize=3)  # type: ignore[arg-type]
    axes.axhline(tolerance_mm, color="#1d2a33", linestyle="--", label="tolerance")
    axes.set_ylabel("drift at the work volume, mm (bars: U)")
    axes.set_ylim(bottom=0.0)
    axes.legend()
    figure.autofmt_xdate()
    out = io.BytesIO()
    with mpl.rc_context({"svg.hashsalt": "stationbook"}):
        figure.savefig(out, format=path.suffix.lstrip(".").lower())
    return out.getvalue()
