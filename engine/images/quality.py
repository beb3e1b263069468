"""Is the image good enough to measure in: sharp, well exposed, the whole board, not too steep?"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from ..arrays import Array, Grey
from ..boards.candidates import Detection
from ..boards.corners import spacings
from ..boards.pattern import Board
from ..camera.model import Camera
from ..camera.views import board_pose
from ..errors import StationbookError
from ..findings import Finding, finding
from .edges import measure_edges

FULL_GREY = 255  # grey levels of an 8-bit image
# [-] of the width of the pattern's details (of a square, for chessboards). Measured on rendered
# boards: up to 0.15 points are as good as in a sharp image, at 0.2 their error is three times that.
BLUR_SHARE = 0.2
BLUR_LEAST_PX = 4.0  # px; a sharp lens on a fine sensor shows 2 to 3 px, common practice
BLUR_MOST_PX = 12.0  # px; beyond, the place of an edge depends on the exposure
WHITE_LIMIT = 0.05  # [-] of the board's area; a lamp's reflection covers more, noise less
WHITE_IMAGE_LIMIT = 0.4  # [-] of the whole image where no board is found; common practice
CONTRAST_LIMIT = 40.0  # grey levels; 20 times the noise of 2 levels that a dark image has
STEEP_DEG = 60.0  # deg; measured on rendered boards: 0.05 px up to here, rows merge beyond
CLEAR_SHARE = 2 / 3  # [-] of the points: so many are as good as all where none is cut off
BORDER_SHARE = 0.3  # [-] of the distance between points: the window that refines a corner


@dataclass(frozen=True, slots=True)
class ImageReport:
    """What one image shows, in numbers; None where it cannot be known.

    Attributes:
        size_px: width and height.
        found, expected: points found, points of the board.
        edge_width_px: 10 to 90 % width of the board's edges, in the more blurred direction.
        spacing_px: median distance between neighbouring points.
        white_fraction: share of pixels at full white, on the board (no board: in the image).
        contrast: grey levels between dark and light on the board (no board: in the image).
        tilt_deg: angle between the board's normal and the line of sight to its middle.
        margin_px: least distance of a point from the image's border.
        other_count: columns and rows of the board in view where it is another one than the cell's.
        not_numbered: points seen whose numbers are open.
    """

    size_px: tuple[int, int]
    found: int
    expected: int
    edge_width_px: float | None
    spacing_px: float | None
    white_fraction: float
    contrast: float
    tilt_deg: float | None
    margin_px: float | None
    other_count: tuple[int, int] | None = None
    not_numbered: int = 0


def look(
    image: Grey, detection: Detection, board: Board, camera: Camera | None = None
) -> ImageReport:
    """Measure the image (h, w) with the detection made in it; ``camera`` None: no tilt."""
    height, width = image.shape
    if not detection.found:
        dark, light = np.percentile(image, (2, 98))
        white = float(np.mean(image == FULL_GREY))
        contrast = float(light - dark)
        return ImageReport(
            size_px=(width, height),
            found=0,
            expected=len(board.present),
            edge_width_px=None,
            spacing_px=None,
            white_fraction=white,
            contrast=contrast,
            tilt_deg=None,
            margin_px=None,
            other_count=detection.other_count,
            not_numbered=len(detection.pixels),
        )
    edges = measure_edges(image, detection, board)
    pixels = detection.pixels
    border = np.minimum(pixels, np.array([width - 1, height - 1]) - pixels)
    xy = board.points()[detection.ids, :2]
    return ImageReport(
        size_px=(width, height),
        found=len(detection.ids),
        expected=len(board.present),
        edge_width_px=edges.width_px,
        spacing_px=float(np.median(spacings(pixels, xy, board.spacing_mm))),
        white_fraction=_white_on_board(image, pixels),
        contrast=edges.contrast,
        tilt_deg=_tilt_deg(detection, board, camera, (width, height)),
        margin_px=float(border.min()),
    )


def _white_on_board(image: Grey, pixels: Array) -> float:
    """Return the share of full white among the pixels inside the points' convex hull."""
    hull = cv2.convexHull(np.rint(pixels).astype(np.int32))
    left, top, width, height = cv2.boundingRect(hull)
    mask = np.zeros((height, width), np.uint8)
    cv2.fillConvexPoly(mask, hull - (left, top), 1)
    part = image[max(top, 0) : top + height, max(left, 0) : left + width]
    inside = mask[max(-top, 0) :, max(-left, 0) :][: part.shape[0], : part.shape[1]] > 0
    return float(np.mean(part[inside] == FULL_GREY)) if inside.any() else 0.0


def _tilt_deg(
    detection: Detection, board: Board, camera: Camera | None, size_px: tuple[int, int]
) -> float | None:
    """Return the tilt [deg], None without lens data for this image size or without a pose."""
    if camera is None or size_px != tuple(camera.image_size_px):
        return None
    try:
        poses = board_pose(board.points()[detection.ids], detection.pixels, camera)
    except StationbookError:
        return None
    if not poses:
        return None
    T = poses[0][0]
    middle = T[:3, :3] @ board.points().mean(axis=0) + T[:3, 3]
    cosine = abs(float(T[:3, 2] @ middle)) / float(np.linalg.norm(middle))
    return float(np.degrees(np.arccos(min(cosine, 1.0))))


def quality_findings(
    report: ImageReport,
    board: Board,
    camera: Camera | None,
    image: str,
    station: int | None = None,
) -> list[Finding]:
    """Return what is wrong with an image, gravest first; ``image`` is its name for the message."""
    found = _size(report, camera, station)
    if report.found == 0:
        found.append(_missing(report, board, image, station))
        return found + _exposure(report, station, "image", WHITE_IMAGE_LIMIT)
    found += _cut_off(report, station)
    found += _blur(report, board, station)
    found += _exposure(report, station, None, WHITE_LIMIT)
    if report.tilt_deg is not None and report.tilt_deg > STEEP_DEG:
        angle = report.tilt_deg
        found.append(finding("steep-view", station=station, angle_deg=angle, limit_deg=STEEP_DEG))
    return found


def _missing(report: ImageReport, board: Board, image: str, station: int | None) -> Finding:
    """Say why there are no points: another board, numbers that are open, or nothing found."""
    if report.other_count is not None:
        columns, rows = report.other_count
        return finding(
            "board-missing",
            "other-count",
            station=station,
            image=image,
            columns=columns,
            rows=rows,
            cell_columns=board.columns,
            cell_rows=board.rows,
        )
    if report.not_numbered:
        count = report.not_numbered
        return finding("board-missing", "not-numbered", station=station, image=image, count=count)
    return finding("board-missing", station=station, image=image)


def blur_limit_px(spacing_px: float, board: Board) -> float:
    """Return the edge width [px] above which an image of ``board`` counts as blurred.

    Details are the squares, twice the gap around a charuco marker, or the smaller one of a circle
    and the gap to the next.
    """
    detail_mm = board.spacing_mm
    if board.pattern == "charuco":
        detail_mm = min(detail_mm, 2 * (board.pitch_mm - (board.marker_mm or 0.0)))
    elif board.diameter_mm is not None:
        detail_mm = 2 * min(board.diameter_mm, board.spacing_mm - board.diameter_mm)
    detail_px = spacing_px * detail_mm / board.spacing_mm
    return float(np.clip(BLUR_SHARE * detail_px, BLUR_LEAST_PX, BLUR_MOST_PX))


def _size(report: ImageReport, camera: Camera | None, station: int | None) -> list[Finding]:
    if camera is None or report.size_px == tuple(camera.image_size_px):
        return []
    (width, height), (cell_width, cell_height) = report.size_px, camera.image_size_px
    return [
        finding(
            "image-size",
            station=station,
            width=width,
            height=height,
            cell_width=cell_width,
            cell_height=cell_height,
        )
    ]


def _cut_off(report: ImageReport, station: int | None) -> list[Finding]:
    spacing = report.spacing_px or 0.0
    near = BORDER_SHARE * spacing
    inside = report.margin_px is not None and report.margin_px > spacing
    if inside and CLEAR_SHARE * report.expected <= report.found < report.expected:
        left = report.expected - report.found
        expected = report.expected
        return [finding("points-left-out", station=station, left=left, expected=expected)]
    if report.found < report.expected:
        where = "partly out of view or covered"
    elif report.margin_px is not None and report.margin_px < near:
        where = "at the very border of the image"
    else:
        return []
    return [
        finding(
            "board-cut-off",
            station=station,
            where=where,
            found=report.found,
            expected=report.expected,
        )
    ]


def _blur(report: ImageReport, board: Board, station: int | None) -> list[Finding]:
    if report.edge_width_px is None or report.spacing_px is None:
        return []
    limit = blur_limit_px(report.spacing_px, board)
    if report.edge_width_px <= limit:
        return []
    width = report.edge_width_px
    return [finding("blurred", station=station, width_px=width, limit_px=limit)]


def _exposure(
    report: ImageReport, station: int | None, variant: str | None, white_limit: float
) -> list[Finding]:
    if report.white_fraction > white_limit:  # little contrast is then no sign of too little light
        percent = 100 * report.white_fraction
        return [finding("over-exposed", variant, station=station, percent=percent)]
    if report.contrast < CONTRAST_LIMIT:
        contrast, full = report.contrast, FULL_GREY + 1
        return [finding("under-exposed", variant, station=station, contrast=contrast, full=full)]
    return []
