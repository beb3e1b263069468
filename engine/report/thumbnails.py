"""A station's image, made small, with the points seen and where the result expects them."""

from __future__ import annotations

import base64
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from ..arrays import Array
from ..errors import StationbookError
from ..images.load import read_image
from ..sessions.schema import leads_outside
from .stations import StationView

WIDTH_PX = 480  # twice what it takes on paper at 150 dots an inch, a third of the page wide
JPEG_QUALITY = 72  # [0 to 100]; a station takes about 20 kB
LONGEST_ARROW = 0.03  # [-] of the image's width: about the spacing of the points
GAINS = tuple(m * 10**k for k in range(4) for m in (1, 2, 5))
HEAD = 0.35  # [-] of an arrow's length


@dataclass(frozen=True, slots=True)
class Thumbnail:
    """One station's picture.

    ``svg`` is None where there is neither image nor points; ``problem`` says why the image is not
    shown, or is None. ``gain``: how many times the arrows are longer than the residuals, None
    where there are none. ``rms_px``: of the residuals drawn, per coordinate.
    """

    svg: str | None
    problem: str | None
    gain: int | None
    rms_px: float | None


def thumbnails(views: list[StationView], folder: Path, size: tuple[int, int]) -> list[Thumbnail]:
    """Return the pictures of stations; ``size`` is the camera's image size [px]."""
    with ThreadPoolExecutor() as pool:
        return list(pool.map(lambda view: _thumbnail(view, folder, size), views))


def _thumbnail(view: StationView, folder: Path, size: tuple[int, int]) -> Thumbnail:
    picture, problem = None, None
    if view.station.image is not None:
        try:
            picture, size = _small(folder, view.station.image)
        except StationbookError as error:
            problem = str(error)
    if picture is None and view.seen is None:
        return Thumbnail(None, problem, None, None)
    gain, rms, marks = None, None, ""
    if view.seen is not None:
        marks = _dots(view.seen, size[0])
        if view.expected is not None:
            offset = view.expected - view.seen
            gain = _gain(offset, size[0])
            rms = float(np.sqrt(np.mean(offset**2)))
            marks += _arrows(view.seen, offset * gain, size[0])
    return Thumbnail(_svg(picture, size, marks, view.station.id), problem, gain, rms)


def _small(folder: Path, name: str) -> tuple[bytes, tuple[int, int]]:
    """Return an image as a small JPEG, and its own size [px]. Raises StationbookError."""
    if leads_outside(name):
        raise StationbookError(f"{name!r} is not a path inside the session")
    grey = read_image(folder / name)
    height, width = grey.shape
    if width > WIDTH_PX:
        goal = (WIDTH_PX, max(1, round(height * WIDTH_PX / width)))
        grey = np.asarray(cv2.resize(grey, goal, interpolation=cv2.INTER_AREA), np.uint8)
    _, data = cv2.imencode(".jpg", grey, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    return data.tobytes(), (width, height)


def _gain(offset: Array, width: int) -> int:
    """Return the largest gain of `GAINS` that keeps the longest arrow short, at least 1."""
    longest = float(np.linalg.norm(offset, axis=1).max())
    fitting = [gain for gain in GAINS if gain * longest <= LONGEST_ARROW * width]
    return fitting[-1] if fitting else 1


def _svg(picture: bytes | None, size: tuple[int, int], marks: str, station: int) -> str:
    """Return the picture with its marks; one unit is one pixel of the original image."""
    width, height = size
    image = f'<rect x="-0.5" y="-0.5" width="{width}" height="{height}" fill="#8a9499"/>'
    if picture is not None:
        data = base64.b64encode(picture).decode()
        image = (
            f'<image x="-0.5" y="-0.5" width="{width}" height="{height}" '
            f'href="data:image/jpeg;base64,{data}"/>'
        )
    return (
        f'<svg role="img" aria-label="image of station {station}" '
        f'viewBox="-0.5 -0.5 {width} {height}">{image}{marks}</svg>'
    )


def _dots(points: Array, width: int) -> str:
    """Return all points as one path of zero-length strokes with round ends, dark in light."""
    path = "".join(f"M{u:.1f} {v:.1f}h0" for u, v in points)
    return "".join(
        f'<path d="{path}" stroke="{colour}" stroke-width="{width * share:.2f}" '
        'stroke-linecap="round" fill="none"/>'
        for colour, share in (("#fff", 0.011), ("#0b6e6e", 0.006))
    )


def _arrows(start: Array, arrow: Array, width: int) -> str:
    """Return all arrows as one path, dark on a light edge so that they show on any ground."""
    end = start + arrow
    left, right = (end - HEAD * _turned(arrow, angle) for angle in (0.45, -0.45))
    parts = [
        f"M{a[0]:.1f} {a[1]:.1f}L{b[0]:.1f} {b[1]:.1f}"
        f"M{c[0]:.1f} {c[1]:.1f}L{b[0]:.1f} {b[1]:.1f}L{d[0]:.1f} {d[1]:.1f}"
        for a, b, c, d in zip(start, end, left, right, strict=True)
    ]
    path = "".join(parts)
    return "".join(
        f'<path d="{path}" stroke="{colour}" stroke-width="{width * share:.2f}" fill="none"/>'
        for colour, share in (("#fff", 0.0052), ("#7a1f00", 0.0028))
    )


def _turned(arrow: Array, angle: float) -> Array:
    c, s = np.cos(angle), np.sin(angle)
    return np.asarray(arrow @ np.array([[c, s], [-s, c]]))
