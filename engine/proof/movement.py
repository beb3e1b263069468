"""A movement of the camera: how far, which way, and how well that is known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ..estimate.pick import PickModel
from ..frames import Array, displacement, inverse, rotation_exp
from ..sessions.cell import EYE_TO_HAND, Mount

AXES = ("X", "Y", "Z")
UP_AND_DOWN = {("Z", 1.0): "upwards, ", ("Z", -1.0): "downwards, "}  # a base stands upright mostly
MOSTLY = 0.8  # [-] share of the length along one axis from which people name that axis alone


@dataclass(frozen=True, slots=True, eq=False)
class Movement:
    """From one place of the camera to another, with standard uncertainties.

    Attributes:
        mount: whose axes: the base's for eye-to-hand, the flange's for eye-in-hand.
        matrix: (4, 4) new base_T_camera · old camera_T_base [mm] (eye-in-hand: on the flange).
        xi: (6,) displacement [rad, mm] of the camera's transform, see `frames`.
        covariance: (6, 6) of ``xi``.
        work_volume_mm: largest shift over the corners of the work volume.
        u_work_volume_mm: its standard uncertainty, at the worst corner.
    """

    mount: Mount
    matrix: Array
    xi: Array
    covariance: Array
    work_volume_mm: float
    u_work_volume_mm: float

    @property
    def position_mm(self) -> float:
        """How far the camera's origin moved [mm]."""
        return float(np.linalg.norm(self.xi[3:]))

    @property
    def angle_deg(self) -> float:
        """How far the camera turned [deg]."""
        return float(np.degrees(np.linalg.norm(self.xi[:3])))

    @property
    def u_position_mm(self) -> float:
        """Standard uncertainty of the shift [mm]: the square root of the trace."""
        return float(np.sqrt(np.trace(self.covariance[3:, 3:])))

    @property
    def u_angle_deg(self) -> float:
        """Standard uncertainty of the turn [deg]."""
        return float(np.degrees(np.sqrt(np.trace(self.covariance[:3, :3]))))

    def document(self) -> dict[str, Any]:
        """Return the movement as plain data."""
        return {
            "position_mm": self.position_mm,
            "angle_deg": self.angle_deg,
            "work_volume_mm": self.work_volume_mm,
            "u_position_mm": self.u_position_mm,
            "u_angle_deg": self.u_angle_deg,
            "u_work_volume_mm": self.u_work_volume_mm,
            "matrix": self.matrix.tolist(),
        }

    def words(self) -> str:
        """Return "3.20 ± 0.30 mm, 0.41 ± 0.04°, mostly downwards, base -Z" (± U = 2u).

        A shift within its U has no direction that means anything: none is named.
        """
        size = (
            f"{self.position_mm:.2f} ± {2 * self.u_position_mm:.2f} mm, "
            f"{self.angle_deg:.3f} ± {2 * self.u_angle_deg:.3f}°"
        )
        if self.position_mm <= 2 * self.u_position_mm:
            return size
        return f"{size}, {direction(self.xi[3:], self.mount)}"


def moved(mount: Mount, old: Array, new: Array, covariance: Array, pick: PickModel) -> Movement:
    """Return the movement from ``old`` to ``new`` (4, 4), with ``covariance`` (6, 6) of it."""
    xi = displacement(new, old)
    return Movement(
        mount=mount,
        matrix=new @ inverse(old),
        xi=xi,
        covariance=covariance,
        work_volume_mm=float(corner_shifts(pick, xi).max()),
        u_work_volume_mm=pick.work_volume_mm(covariance),
    )


def corner_shifts(pick: PickModel, xi: Array) -> Array:
    """Return how far (8,) [mm] the corners of the work volume appear shifted by ``xi`` (6,).

    Not linearised: the lever of each corner is read from the pick model, whose rotation part is
    minus its cross-product matrix.
    """
    turned = -pick.moved[pick.corner][:, :, :3]
    lever = np.stack([turned[:, 2, 1], turned[:, 0, 2], turned[:, 1, 0]], axis=1)
    shift = lever @ rotation_exp(xi[:3]).T - lever + xi[3:]
    return np.asarray(np.linalg.norm(shift, axis=1))


def direction(shift: Array, mount: Mount) -> str:
    """Return which way a shift (3,) points, by the axis it mostly follows."""
    frame = "base" if mount == EYE_TO_HAND else "flange"
    length = float(np.linalg.norm(shift))
    k = int(np.abs(shift).argmax())
    sign = float(np.sign(shift[k]))
    if abs(shift[k]) < MOSTLY * length:
        parts = ", ".join(f"{name} {v:+.2f}" for name, v in zip(AXES, shift, strict=True))
        return f"along {frame} {parts} mm"
    way = UP_AND_DOWN.get((AXES[k], sign), "along ") if frame == "base" else "along "
    return f"mostly {way}{frame} {'+' if sign > 0 else '-'}{AXES[k]}"
