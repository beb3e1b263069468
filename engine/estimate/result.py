"""What an estimate found, and the document that says so."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..cell.cell import EYE_TO_HAND, Mount, Tolerance
from ..findings import Finding, by_gravity, has_error
from ..frames import quaternion_xyzw
from .budget import Budget
from .model import Noise
from .pick import PickModel

FORMAT = 1  # version of the document
# u above which a number would only pretend: ten times what the coarsest task of the trade can use
# (depalletising, 5 to 10 mm, common practice).
NOT_KNOWN_MM, NOT_KNOWN_RAD = 50.0, np.radians(5.0)
SHOWN_UNITS = {"mm": "mm", "rad": "deg", "px": "px", "": "ratio"}
Verdict = Literal["accepted", "not-accepted"]


@dataclass(frozen=True, slots=True)
class Uncertainty:
    """Standard uncertainties (k = 1); None where not known. U = 2u holds 95 %.

    ``position_mm`` and ``angle_deg`` of the delivered transform, ``work_volume_mm`` of a point
    placed by it at the worst corner of the work volume, ``pick_mm`` with the robot's systematic
    error.
    """

    position_mm: float | None
    angle_deg: float | None
    work_volume_mm: float | None
    pick_mm: float | None


@dataclass(frozen=True, slots=True)
class StationResult:
    """One station in the result; None where it could not be used at all.

    ``residual_px`` RMS per coordinate after the fit; ``robot_residual_mm`` and ``_deg`` the error
    the fit gives to this stop's typed pose; ``left_out_mm`` and ``_deg`` the distance of the typed
    pose from where the other stations and this image put the flange, ``left_out_size`` the same as
    a multiple of what is expected (1: as expected). ``turn`` names the board turn undone, if any.
    """

    id: int
    used: bool
    weight: float
    residual_px: float | None
    robot_residual_mm: float | None
    robot_residual_deg: float | None
    left_out_mm: float | None
    left_out_deg: float | None
    left_out_size: float | None
    turn: str | None = None

    def document(self) -> dict[str, Any]:
        """Return the station as plain data."""
        return {name: getattr(self, name) for name in self.__slots__}


@dataclass(frozen=True, slots=True)
class Convergence:
    """How the fit ended: ``steps``, ``relinearised`` times, last ``change`` [-], ``converged``."""

    steps: int
    relinearised: int
    change: float
    converged: bool


@dataclass(frozen=True, slots=True, eq=False)
class SystematicErrors:
    """Estimated errors that all stations share: values and standard uncertainties (p + q,).

    The first ``arm`` are the robot's [rad or mm], the others those of board and lens [-, mm, px].
    """

    names: tuple[str, ...]
    units: tuple[str, ...]
    value: Array
    sd: Array
    prior_sd: Array  # the robot's times ``scale``
    scale: float  # estimated size over what accuracy_mm says [-]
    arm: int


@dataclass(frozen=True, slots=True, eq=False)
class Result:
    """The estimate of one problem.

    Attributes:
        mount: eye-to-hand or eye-in-hand.
        tolerance: what the verdict was judged by.
        camera: (4, 4) delivered transform, base_T_camera or flange_T_camera [mm]. All NaN where
            nothing could be solved.
        board: (4, 4) flange_T_board or base_T_board [mm].
        covariance: (6, 6) of ``camera``; see `frames` for order and axes.
        geometric: (4, 4) where the camera is, robot errors estimated apart; equals ``camera`` for a
            robot without systematic errors.
        joint_covariance: (12, 12) of [geometric, board].
        full_covariance: (12 + p + q, 12 + p + q) of [geometric, board, systematic errors].
        known: (4,) which of x, y, z and the rotation of ``camera`` the data tell.
        board_known: the same of ``board``.
        uncertainty, noise, stations, systematic, convergence: see their types.
        budget: what the uncertainty of a pick is made of; None where that is not known.
        pick: the pick error's model; None where nothing could be solved.
        findings: by gravity. verdict: accepted or not-accepted. proven: always False here.
    """

    mount: Mount
    tolerance: Tolerance
    camera: Array
    board: Array
    covariance: Array
    geometric: Array
    joint_covariance: Array
    full_covariance: Array
    known: NDArray[np.bool_]
    board_known: NDArray[np.bool_]
    uncertainty: Uncertainty
    noise: Noise | None
    stations: tuple[StationResult, ...]
    systematic: SystematicErrors
    convergence: Convergence
    pick: PickModel | None
    budget: Budget | None
    findings: tuple[Finding, ...]
    verdict: Verdict
    proven: bool = False

    @property
    def solved(self) -> bool:
        """Whether there is a transform at all."""
        return bool(np.isfinite(self.camera).all())

    def document(self) -> dict[str, Any]:
        """Return the result as plain data (JSON or YAML): what is not known is None."""
        camera_key, board_key = keys(self.mount)
        return {
            "format": FORMAT,
            "mount": self.mount,
            "verdict": self.verdict,
            camera_key: placed(self.camera, self.known),
            board_key: placed(self.board, self.board_known),
            "covariance": self.covariance.tolist() if self.known.all() else None,
            "uncertainty": {
                name: getattr(self.uncertainty, name) for name in Uncertainty.__slots__
            },
            "proven": self.proven,
            "noise": self._noise_document(),
            "stations": [station.document() for station in self.stations],
            "findings": [item.document() for item in self.findings],
            "geometric": {camera_key: placed(self.geometric, self.known)},
            "board_covariance": (
                self.joint_covariance[6:, 6:].tolist() if self.board_known.all() else None
            ),
            "systematic": self._shared(slice(None, self.systematic.arm)),
            "board_and_lens": self._shared(slice(self.systematic.arm, None)),
            "budget": self.budget.document() if self.budget and self.known.all() else None,
            "convergence": {
                name: getattr(self.convergence, name) for name in Convergence.__slots__
            },
        }

    def _noise_document(self) -> dict[str, float | None]:
        if self.noise is None:
            return {"pixel_px": None, "robot_position_mm": None, "robot_angle_deg": None}
        return {
            "pixel_px": self.noise.pixel_px,
            "robot_position_mm": self.noise.position,
            "robot_angle_deg": float(np.degrees(self.noise.rotation)),
        }

    def _shared(self, which: slice) -> list[dict[str, Any]]:
        """Return the robot's errors, or those of board and lens, as plain data."""
        found, items = self.systematic, []
        for row in range(len(found.names))[which]:
            key = SHOWN_UNITS[found.units[row]]
            factor = float(np.degrees(1.0)) if key == "deg" else 1.0
            items.append(
                {
                    "name": found.names[row],
                    f"value_{key}": float(found.value[row] * factor),
                    f"u_{key}": float(found.sd[row] * factor),
                }
            )
        return items


def keys(mount: Mount) -> tuple[str, str]:
    """Return the names of the two transforms."""
    if mount == EYE_TO_HAND:
        return "base_T_camera", "flange_T_board"
    return "flange_T_camera", "base_T_board"


def unknown(covariance: Array) -> bool:
    """Tell whether a transform with this covariance (6, 6) has a part that nobody knows."""
    sd = np.sqrt(np.diag(covariance))
    return bool((sd[:3] > NOT_KNOWN_RAD).any() or (sd[3:] > NOT_KNOWN_MM).any())


def placed(T: Array, known: NDArray[np.bool_]) -> dict[str, Any] | None:
    """Return a transform as plain data, with None for what is not known; None if nothing is."""
    if not np.isfinite(T).all() or not known.any():
        return None
    position = [float(v) if ok else None for v, ok in zip(T[:3, 3], known[:3], strict=True)]
    turned = bool(known[3])
    matrix: list[list[float | None]] = [
        [*(float(v) if turned else None for v in T[row, :3]), position[row]] for row in range(3)
    ]
    return {
        "position_mm": position,
        "quaternion_xyzw": quaternion_xyzw(T[:3, :3]).tolist() if turned else None,
        "matrix": [*matrix, [0.0, 0.0, 0.0, 1.0]],
    }


def judged(result: Result, findings: tuple[Finding, ...]) -> Result:
    """Return ``result`` with these findings instead of its own, and the verdict they give."""
    return replace(result, findings=tuple(by_gravity(findings)), verdict=verdict(result, findings))


def verdict(result: Result, findings: tuple[Finding, ...]) -> Verdict:
    """Return accepted when nothing is at level error and U keeps the tolerance."""
    u, limit = result.uncertainty, result.tolerance
    if has_error(findings) or u.pick_mm is None or u.angle_deg is None:
        return "not-accepted"
    inside = 2 * u.pick_mm <= limit.position_mm and 2 * u.angle_deg <= limit.angle_deg
    return "accepted" if inside else "not-accepted"
