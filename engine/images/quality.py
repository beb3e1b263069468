"""Is the image good enough to measure in, and if not, why?

The verdict is what the image costs: the error of the board's place in mm at the work volume
(`precision`). Blur, smear, exposure, reflection, noise, size, cut-off and a steep view are reasons:
they are said where the verdict is bad, as what to do about it. Where no lens data say what an image
costs, each of them is held to a limit of its own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np

from ..arrays import Array, Grey
from ..boards.candidates import Detection, spacing_px
from ..boards.detect import LEAST_SIDE_PX, detect
from ..boards.pattern import Board
from ..boards.windows import pixel_noise
from ..camera.model import Camera
from ..camera.views import board_pose
from ..errors import StationbookError
from ..findings import Finding, Level, finding
from .edges import measure_edges
from .precision import Precision, precision

FULL_GREY = 255  # grey levels of an 8-bit image
# [-] of the width of the pattern's details (of a square, for chessboards). Measured on rendered
# boards: up to 0.15 points are as good as in a sharp image, at 0.2 their error is three times that.
BLUR_SHARE = 0.2
BLUR_LEAST_PX = 4.0  # px; a sharp lens on a fine sensor shows 2 to 3 px, common practice
BLUR_MOST_PX = 12.0  # px; beyond, the place of an edge depends on the exposure
SMEAR_LIMIT_PX = 3.5  # px; photographs published as good show up to 3.0
WHITE_LIMIT = 0.05  # [-] of the board's area; a lamp's reflection covers more, noise less
WHITE_IMAGE_LIMIT = 0.4  # [-] of the whole image where no board is found; common practice
DARK_SHARE = 1 / 16  # [-] of the range: four bits of the camera's are not used; common practice
CONTRAST_LIMIT = 40.0  # grey levels; 20 times the noise of 2 levels that a dark image has
STEEP_DEG = 60.0  # deg; measured on rendered boards: 0.05 px up to here, rows merge beyond
NOISY_SHARE = 0.04  # [-] of the contrast: noise of one pixel; a good sensor shows 0.01, CP
SMALL_SHARE = 1 / 3  # [-] of the image's long side: a board that spans less is seen too small, CP
REFLECTION_PITCHES = 1.2  # side of a square without anything dark: the pattern has none
# u of the board's place by one image, [-] of the tolerance: an image may cost so much. Then 2u is
# within the tolerance, and eight such stations are within a third of it.
COST_SHARE = 0.5
MIRRORED_SHARE = 0.5  # [-] of the points: so many are no chance find in a mirrored image
MIRRORED_PX = 640  # px; long side of the copy in which a mirrored board is looked for
CLEAR_SHARE = 2 / 3  # [-] of the points: so many are as good as all where none is cut off
BORDER_SHARE = 0.3  # [-] of the distance between points: the window that refines a corner


@dataclass(frozen=True, slots=True)
class ImageReport:
    """What one image shows, in numbers; None where it cannot be known.

    Attributes:
        size_px: width and height.
        found, expected: points found, points of the board.
        white_fraction: share of pixels at full white, on the board (no board: in the image).
        contrast: grey levels between dark and light on the board (no board: in the image).
        edge_width_px: 10 to 90 % width of the board's edges, in the more blurred direction.
        spacing_px: median distance between neighbouring points.
        tilt_deg: angle between the board's normal and the line of sight to its middle.
        margin_px: least distance of a point from the image's border.
        other_count: columns and rows of the board in view where it is another one than the cell's.
        not_numbered: points seen whose numbers are open.
        mirrored: whether the board would be found once the image is mirrored.
        smear_px: length of a smear along which the board moved; 0: none.
        noise: of one pixel on the board [grey levels].
        reflection: whether something bright covers whole parts of the pattern.
        span: the board's larger side in the image [-] of the image's long side.
        precision: what the image says of the board's place, where the lens is known.
    """

    size_px: tuple[int, int]
    found: int
    expected: int
    white_fraction: float
    contrast: float
    edge_width_px: float | None = None
    spacing_px: float | None = None
    tilt_deg: float | None = None
    margin_px: float | None = None
    other_count: tuple[int, int] | None = None
    not_numbered: int = 0
    mirrored: bool = False
    smear_px: float = 0.0
    noise: float | None = None
    reflection: bool = False
    span: float | None = None
    precision: Precision | None = None

    @property
    def u_mm(self) -> float | None:
        """Standard uncertainty [mm] of the board's place by this image, at the work volume."""
        return None if self.precision is None else self.precision.u_mm


def look(
    image: Grey,
    detection: Detection,
    board: Board,
    camera: Camera | None = None,
    volume_mm: tuple[float, float, float] = (0.0, 0.0, 0.0),
    *,
    mirrored: bool = True,
) -> ImageReport:
    """Measure the image (h, w) with the detection made in it; ``camera`` None: no tilt, no mm.

    ``volume_mm`` is the size of the work volume; zeros: only the board's own place counts.
    ``mirrored``: look for a mirrored board where none is found; no use where others showed it.
    """
    height, width = image.shape
    if not detection.found:
        dark, light = np.percentile(image, (2, 98))
        return ImageReport(
            size_px=(width, height),
            found=0,
            expected=len(board.present),
            white_fraction=float(np.mean(image == FULL_GREY)),
            contrast=float(light - dark),
            other_count=detection.other_count,
            not_numbered=len(detection.pixels),
            mirrored=mirrored and _is_mirrored(image, detection, board),
        )
    edges = measure_edges(image, detection, board)
    pixels = detection.pixels
    border = np.minimum(pixels, np.array([width - 1, height - 1]) - pixels)
    spacing = spacing_px(board.points()[detection.ids, :2], pixels)
    if camera is not None and (camera.guessed or camera.image_size_px != (width, height)):
        camera = None  # its lens is not known
    left, top, across, down = cv2.boundingRect(np.rint(pixels).astype(np.int32))
    part = image[max(top, 0) : top + down, max(left, 0) : left + across]
    report = ImageReport(
        size_px=(width, height),
        found=len(detection.ids),
        expected=len(board.present),
        white_fraction=_white_on_board(image, pixels),
        contrast=edges.contrast,
        edge_width_px=edges.width_px,
        spacing_px=spacing,
        margin_px=float(border.min()),
        smear_px=edges.smear_px,
        noise=pixel_noise(part),
        reflection=_reflection(part, spacing),
        span=max(across, down) / max(width, height),
    )
    if camera is None:
        return report
    cost = precision(detection, board, camera, volume_mm, edges.smear_px)
    return replace(report, tilt_deg=_tilt_deg(detection, board, camera), precision=cost)


def _white_on_board(image: Grey, pixels: Array) -> float:
    """Return the share of full white among the pixels inside the points' convex hull."""
    hull = cv2.convexHull(np.rint(pixels).astype(np.int32))
    left, top, width, height = cv2.boundingRect(hull)
    mask = np.zeros((height, width), np.uint8)
    cv2.fillConvexPoly(mask, hull - (left, top), 1)
    part = image[max(top, 0) : top + height, max(left, 0) : left + width]
    inside = mask[max(-top, 0) :, max(-left, 0) :][: part.shape[0], : part.shape[1]] > 0
    return float(np.mean(part[inside] == FULL_GREY)) if inside.any() else 0.0


def _reflection(part: Grey, spacing: float) -> bool:
    """Tell whether a square of the image is white where the pattern must have something dark."""
    side = max(int(REFLECTION_PITCHES * spacing), 3)
    if side >= min(part.shape):
        return False
    return bool(cv2.erode((part == FULL_GREY).astype(np.uint8), np.ones((side, side))).any())


def _tilt_deg(detection: Detection, board: Board, camera: Camera) -> float | None:
    """Return the tilt [deg], None without a pose."""
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


def _is_mirrored(image: Grey, detection: Detection, board: Board) -> bool:
    """Tell whether an image in which nothing was found shows the board once it is mirrored.

    A small copy is enough to tell, and takes a fraction of the time.
    """
    if len(detection.pixels) or detection.other_count is not None:
        return False
    height, width = image.shape
    share = max(MIRRORED_PX / max(height, width), LEAST_SIDE_PX / min(height, width))
    share = min(share, 1.0)
    size = (math.ceil(share * width), math.ceil(share * height))
    small = cv2.resize(image, size, interpolation=cv2.INTER_AREA)
    mirrored = detect(np.ascontiguousarray(small[:, ::-1]), board)
    return len(mirrored.ids) >= MIRRORED_SHARE * len(board.present)


def quality_findings(
    report: ImageReport,
    board: Board,
    camera: Camera | None,
    image: str,
    tolerance_mm: float | None = None,
) -> list[Finding]:
    """Return what is wrong with an image, gravest first; ``image`` is its name for the message.

    ``tolerance_mm`` of the cell: what an image may cost follows from it.
    """
    found = _size(report, camera)
    if report.found == 0:
        found.append(_missing(report, board, image))
        return found + _exposure(report, "image", WHITE_IMAGE_LIMIT)
    reasons = _cut_off(report) + _reasons(report, board)
    if report.precision is None or tolerance_mm is None:
        return found + reasons
    verdict = _verdict(report, report.precision, COST_SHARE * tolerance_mm, reasons)
    return found + _misfit(report.precision) + verdict


def _reasons(report: ImageReport, board: Board) -> list[Finding]:
    """Return what makes points uncertain."""
    found = _smear(report) or _blur(report, board)
    found += _exposure(report, None, WHITE_LIMIT)
    if report.noise is not None and report.noise > NOISY_SHARE * report.contrast:
        found.append(finding("noisy", noise=report.noise, contrast=report.contrast))
    if report.span is not None and report.span < SMALL_SHARE:
        found.append(finding("seen-small", percent=100 * report.span))
    if report.tilt_deg is not None and report.tilt_deg > STEEP_DEG:
        found.append(finding("steep-view", angle_deg=report.tilt_deg, limit_deg=STEEP_DEG))
    return found


def _verdict(
    report: ImageReport, told: Precision, limit_mm: float, reasons: list[Finding]
) -> list[Finding]:
    """Return `imprecise` and its reasons where the image costs too much; else what was left out.

    Without a reason there is nothing to do about it: the board is as far away as it is.
    """
    if told.u_mm <= limit_mm or not reasons:
        return _left_out(report) if report.found < report.expected else []
    said = finding("imprecise", U_mm=2 * told.u_mm, limit_mm=2 * limit_mm)
    return [said, *(replace(reason, level=Level.NOTE) for reason in reasons)]


def _misfit(told: Precision) -> list[Finding]:
    """Say that lens or board are not what the cell says, which one image can show."""
    off = told.misfit
    if off is None:
        return []
    variant = None if off.suspect == "either" else off.suspect
    return [finding("misfit", variant, misfit_px=off.misfit_px, scatter_px=off.scatter_px)]


def _left_out(report: ImageReport) -> list[Finding]:
    left = report.expected - report.found
    return [finding("points-left-out", left=left, expected=report.expected)]


def _missing(report: ImageReport, board: Board, image: str) -> Finding:
    """Say why there are no points: another board, numbers that are open, or nothing found."""
    if report.other_count == (board.columns, board.rows):
        other = "false" if board.legacy_layout else "true"
        return finding("board-missing", "layout", image=image, suggested=other)
    if report.other_count is not None:
        columns, rows = report.other_count
        return finding(
            "board-missing",
            "other-count",
            image=image,
            columns=columns,
            rows=rows,
            cell_columns=board.columns,
            cell_rows=board.rows,
        )
    if report.not_numbered:
        return finding("board-missing", "not-numbered", image=image, count=report.not_numbered)
    if report.mirrored:
        return finding("board-missing", "mirrored", image=image)
    return finding("board-missing", image=image)


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


def _size(report: ImageReport, camera: Camera | None) -> list[Finding]:
    if camera is None or report.size_px == tuple(camera.image_size_px):
        return []
    (width, height), (wide, high) = report.size_px, camera.image_size_px
    return [finding("image-size", width=width, height=height, cell_width=wide, cell_height=high)]


def _cut_off(report: ImageReport) -> list[Finding]:
    spacing = report.spacing_px or 0.0
    near = BORDER_SHARE * spacing
    inside = report.margin_px is not None and report.margin_px > spacing
    if inside and CLEAR_SHARE * report.expected <= report.found < report.expected:
        return _left_out(report)
    if report.found < report.expected:
        where = "partly out of view or covered"
    elif report.margin_px is not None and report.margin_px < near:
        where = "at the very border of the image"
    else:
        return []
    return [finding("board-cut-off", where=where, found=report.found, expected=report.expected)]


def _blur(report: ImageReport, board: Board) -> list[Finding]:
    if report.edge_width_px is None or report.spacing_px is None:
        return []
    limit = blur_limit_px(report.spacing_px, board)
    if report.edge_width_px <= limit:
        return []
    return [finding("blurred", width_px=report.edge_width_px, limit_px=limit)]


def _smear(report: ImageReport) -> list[Finding]:
    if report.precision is None:
        far = report.smear_px > SMEAR_LIMIT_PX
        return [finding("smeared", smear_px=report.smear_px)] if far else []
    if not report.smear_px:
        return []
    smear_mm = report.smear_px * report.precision.mm_per_px
    return [finding("smeared", "mm", smear_px=report.smear_px, smear_mm=smear_mm)]


def _exposure(report: ImageReport, variant: str | None, white_limit: float) -> list[Finding]:
    if report.reflection:
        return [finding("over-exposed", "reflection")]
    if report.white_fraction > white_limit:  # little contrast is then no sign of too little light
        return [finding("over-exposed", variant, percent=100 * report.white_fraction)]
    if report.contrast < CONTRAST_LIMIT:
        contrast = report.contrast
        return [finding("under-exposed", variant, contrast=contrast, full=FULL_GREY + 1)]
    return []
