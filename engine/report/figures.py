"""The figures of a report: SVG by matplotlib, each with what it shows in words."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure
from matplotlib.transforms import blended_transform_factory
from numpy.typing import NDArray

from ..arrays import Array
from ..cell.cell import Cell
from .stations import CoursePoint, StationView, residuals

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
        ax.bar(places[~out], values[~out], color=ACCENT, width=0.7)
        ax.bar(places[out], values[out], color="white", edgecolor=INK, hatch="////", width=0.7)
        _limit(ax, values, out)
        ax.set_ylabel(label)
        beside = blended_transform_factory(figure.dpi_scale_trans, ax.transAxes)
        ax.yaxis.set_label_coords(LABEL_INCH, 0.5, transform=beside)
        step = max(1, len(ids) // 30)
        ax.set_xticks(places[::step], ids[::step])
    axes[-1, 0].set_xlabel("station (hatched: not used)")
    words = [_largest(values, ids, label) for values, label in known]
    return Picture("Residuals per station", drawn(figure), " ".join(words))


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
    xs, ys = (
        np.linspace(c - s / 2, c + s / 2, 5) for c, s in zip(center[:2], size[:2], strict=True)
    )
    heights = center[2] + size[2] * np.array((-0.5, 0.0, 0.5))
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
        f"Expanded uncertainty (k = 2) of a point placed by the camera's transform, in the "
        f"{cell.work_volume.frame} frame: from {U.min():.2g} mm to {U.max():.2g} mm, largest at "
        f"x {xs[at[2]]:g}, y {ys[at[1]]:g}, z {heights[at[0]]:g} mm. The robot's own error when "
        "picking is not in it."
    )
    return Picture("Uncertainty over the work volume", drawn(figure), words)


def course_picture(points: Sequence[CoursePoint], tolerance_mm: float) -> Picture | None:
    """Return U (k = 2) after each station against the tolerance."""
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
    ax.set_ylabel("U (k = 2) [mm]")
    ax.xaxis.get_major_locator().set_params(integer=True)
    ax.legend(frameon=False, fontsize=8)
    words = (
        f"Expanded uncertainty (k = 2) at the worst corner of the work volume: of a pick "
        f"{pick[0]:.2g} mm after {counts[0]} stations and {pick[-1]:.2g} mm after {counts[-1]}; "
        f"of a point placed by the camera's transform {camera[0]:.2g} mm and {camera[-1]:.2g} mm. "
        "To first order, with the noise of the whole session."
    )
    return Picture("Uncertainty over the stations", drawn(figure), words, half=True)
