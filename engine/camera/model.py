"""The camera as a cell file describes it: lens data and where its images come from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

LensFrom = Literal["cell", "guess", "images", "earlier"]
SOURCES = ("folder", "device", "url", "command", "genicam")  # keys of `Camera.source`
DISTORTION_COUNTS = (0, 4, 5, 8, 12, 14)  # the lengths that OpenCV's lens model knows


@dataclass(frozen=True, slots=True)
class LensU:
    """Standard uncertainties of lens data; 0: known exactly.

    ``focal`` of the focal length, relative; ``center_px`` of the principal point on each axis;
    ``edge_px`` what distortion may be off at the image's corner. The values of an ordinary lens
    calibration, common practice, no source.
    """

    focal: float = 0.001
    center_px: float = 2.0
    edge_px: float = 0.5


@dataclass(frozen=True, slots=True)
class PartLensU(LensU):
    """Of which the cell gives some only: for those in ``absent`` stands here what is assumed."""

    absent: tuple[str, ...] = ()


ASSUMED_LENS_U = LensU()
LENS_U_WORDS = {"focal": "focal length", "center_px": "centre", "edge_px": "image corner"}
ASSUMED_DEPTH_SCALE_U = 0.002  # [-]; warm, calibrated 3-D cameras keep 0.1 to 0.3 %, CP, no source
ASSUMED_DEPTH_TILT_DEG = 0.2  # of depth against the image, about each axis; CP, no source


@dataclass(frozen=True, slots=True)
class DepthCamera:
    """What the depth files of a 3-D camera mean.

    ``scale_mm``: how many mm one unit of the file is. ``frame`` "camera": depth lies on the pixels
    of the image and counts along the camera's axis; points of clouds have x to the right, y down.
    ``scale_u``: standard uncertainty of all lengths it measures, relative; None: not given,
    `ASSUMED_DEPTH_SCALE_U` holds. ``tilt_u_deg`` the same of how depth leans against the image,
    about each of its axes: z off in proportion to y and to x; None: `ASSUMED_DEPTH_TILT_DEG`.
    """

    scale_mm: float
    frame: Literal["camera"]
    scale_u: float | None = None
    tilt_u_deg: float | None = None

    @property
    def known_u(self) -> tuple[float, float]:
        """Standard uncertainties of scale [-] and tilt [deg], as given or else as assumed."""
        scale = ASSUMED_DEPTH_SCALE_U if self.scale_u is None else self.scale_u
        tilt = ASSUMED_DEPTH_TILT_DEG if self.tilt_u_deg is None else self.tilt_u_deg
        return scale, tilt


@dataclass(frozen=True, slots=True)
class Camera:
    """Lens data at one image size; pixel (0, 0) is the centre of the first pixel.

    ``matrix`` is the 3×3 camera matrix [px] as rows, ``distortion`` 0, 4, 5, 8, 12 or 14
    coefficients in OpenCV's order (k1 k2 p1 p2 k3 ...). ``source`` is one of {folder}, {device},
    {url}, {command}, or None. ``focus_range_mm`` (near, far) along the camera's axis, or None.
    ``u`` says how well the lens data are known; None: not given, see `known_u` and `u_assumed`.
    ``bits`` of a pixel in 16-bit image files; None: not stated. ``depth``: it delivers depth
    beside its images; None: it does not.
    ``lens_from``: the cell, or the session's own images where the cell gives no matrix; until
    there are enough of them it is a guess, or that of an earlier session. ``images_u``: how well
    those images show it; ``u`` is then vague, as they would count twice in an estimate.
    """

    name: str
    image_size_px: tuple[int, int]
    matrix: tuple[tuple[float, float, float], ...]
    distortion: tuple[float, ...] = ()
    source: Mapping[str, str] | None = field(default=None)
    focus_range_mm: tuple[float, float] | None = None
    u: LensU | None = None
    depth: DepthCamera | None = None
    lens_from: LensFrom = "cell"
    images_u: LensU | None = None
    bits: int | None = None

    @property
    def known_u(self) -> LensU:
        """How well the lens data are known, as given or else as assumed."""
        u = self.u or ASSUMED_LENS_U
        return LensU(u.focal, u.center_px, u.edge_px)

    @property
    def u_assumed(self) -> tuple[str, ...]:
        """Which of `LensU` are not given and only assumed, by name."""
        if self.u is None:
            return tuple(LENS_U_WORDS)
        return self.u.absent if isinstance(self.u, PartLensU) else ()

    @property
    def assumed_words(self) -> str:
        """What of `known_u` is only assumed, in words: "" for nothing, "assumed" for all of it."""
        absent = [LENS_U_WORDS[name] for name in self.u_assumed]
        all_of_it = len(absent) == len(LENS_U_WORDS)
        return "assumed" if all_of_it else f"{' and '.join(absent)} assumed" if absent else ""

    @property
    def guessed(self) -> bool:
        """Whether nothing is known of the lens yet."""
        return self.lens_from == "guess"

    @property
    def deep(self) -> DepthCamera:
        """What its depth means: as the cell says, or else in mm and known as well as assumed."""
        return self.depth or DepthCamera(1.0, "camera")

    def without_distortion(self) -> Camera:
        """Return the camera with a lens that bends nothing."""
        return replace(self, distortion=(0.0,) * len(self.distortion))

    def with_lens_of(self, other: Camera) -> Camera:
        """Return the camera with the lens data that the images of an earlier session gave."""
        return replace(
            self, matrix=other.matrix, distortion=other.distortion, u=other.u,
            images_u=other.images_u, lens_from="earlier",
        )  # fmt: skip


GUESSED_FOCAL = 1.2  # [-] of the image's long side: lenses of vision cameras have 1 to 3, CP


def guessed_camera(camera: Camera) -> Camera:
    """Return the camera with a guess in place of lens data that nobody knows yet."""
    width, height = camera.image_size_px
    focal = GUESSED_FOCAL * max(width, height)
    matrix = ((focal, 0.0, (width - 1) / 2), (0.0, focal, (height - 1) / 2), (0.0, 0.0, 1.0))
    return replace(camera, matrix=matrix, distortion=(), u=vague_u(camera), lens_from="guess")


def vague_u(camera: Camera) -> LensU:
    """Return uncertainties that leave the lens to the images: a prior that says next to nothing."""
    width = max(camera.image_size_px)
    return LensU(focal=0.3, center_px=0.05 * width, edge_px=0.02 * width)
