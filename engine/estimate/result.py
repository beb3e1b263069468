"""The result of an estimate: transforms, uncertainties, errors that stations share, findings."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..cell.mount import Mount
from ..cell.result import (
    Convergence,
    Matrix,
    NoiseLevels,
    Placed,
    Rows,
    StationResult,
    StoredResult,
    SystematicError,
    Uncertainty,
    Verdict,
    verdict,
)
from ..cell.rule import Tolerance
from ..depth.plane import Weighed
from ..findings import Finding, by_gravity
from ..frames import quaternion_xyzw
from .budget import Budget
from .pick import PickModel
from .problem import Noise, Problem, inaccurate
from .systematic import OF_THE_FIELD

SHOWN_UNITS = {"mm": "mm", "rad": "deg", "deg": "deg", "px": "px", "": "ratio"}


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
        terms_covariance: (q, 6 + q) of what board and lens are off with ``camera`` and each other.
        geometric: (4, 4) where the camera is, robot errors estimated apart; equals ``camera`` for a
            robot without systematic errors.
        joint_covariance: (12, 12) of [geometric, board].
        full_covariance: (12 + p + q, 12 + p + q) of [geometric, board, systematic errors].
        known: (4,) which of x, y, z and the rotation of ``camera`` the data tell.
        board_known: the same of ``board``.
        uncertainty, noise, stations, systematic, convergence: see their types.
        budget: what the uncertainty of a pick is made of; None where that is not known.
        pick: the pick error's model; None where nothing could be solved.
        depth: how depth joined; None where no station carries any.
        findings: by gravity. verdict: accepted or not-accepted. proven: always False here.
    """

    mount: Mount
    tolerance: Tolerance
    camera: Array
    board: Array
    covariance: Array
    terms_covariance: Array
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
    depth: Weighed | None = None

    @property
    def solved(self) -> bool:
        """Whether there is a transform at all."""
        return bool(np.isfinite(self.camera).all())

    def stored(self) -> StoredResult:
        """Return the result as it is shown and stored: what is not known is None."""
        board = self.joint_covariance[6:, 6:]
        arm, made_of = self.systematic.arm, self.budget.stored() if self.budget else None
        return StoredResult(
            mount=self.mount,
            verdict=self.verdict,
            camera=placed(self.camera, self.known),
            board=placed(self.board, self.board_known),
            covariance=_rows(self.covariance) if self.known.all() else None,
            uncertainty=self.uncertainty,
            proven=self.proven,
            noise=self._noise_levels(),
            stations=self.stations,
            findings=self.findings,
            geometric=placed(self.geometric, self.known),
            board_covariance=_rows(board) if self.board_known.all() else None,
            systematic=self._shared(slice(None, arm)),
            board_and_lens=self._shared(slice(arm, None)),
            board_and_lens_covariance=self._of_terms() if self.known.all() else None,
            budget=made_of if self.known.all() else None,
            decision=verdict(self.uncertainty, self.tolerance, self.findings, made_of)[1],
            convergence=self.convergence,
        )

    def _of_terms(self) -> Rows:
        return tuple(map(tuple, self.terms_covariance.tolist()))

    def _noise_levels(self) -> NoiseLevels:
        if self.noise is None:
            return NoiseLevels()
        degrees = float(np.degrees(self.noise.rotation))
        return NoiseLevels(self.noise.pixel_px, self.noise.position, degrees)

    def _shared(self, which: slice) -> tuple[SystematicError, ...]:
        """Return the robot's lengths and zeros, or the errors of board and lens."""
        found, items = self.systematic, []
        for row in range(len(found.names))[which]:
            if found.names[row].startswith(OF_THE_FIELD):
                continue
            key = SHOWN_UNITS[found.units[row]]
            factor = float(np.degrees(1.0)) if found.units[row] == "rad" else 1.0
            value, u = float(found.value[row] * factor), float(found.sd[row] * factor)
            items.append(
                SystematicError(found.names[row], **{f"value_{key}": value, f"u_{key}": u})
            )
        return tuple(items)


def placed(T: Array, known: NDArray[np.bool_]) -> Placed | None:
    """Return a transform with None for what is not known; None if nothing is."""
    if not np.isfinite(T).all() or not known.any():
        return None
    position = tuple(float(v) if ok else None for v, ok in zip(T[:3, 3], known[:3], strict=True))
    turned = bool(known[3])
    rows = tuple(
        (*(float(v) if turned else None for v in T[row, :3]), position[row]) for row in range(3)
    )
    quaternion = tuple(quaternion_xyzw(T[:3, :3]).tolist()) if turned else None
    return Placed(position, quaternion, (*rows, (0.0, 0.0, 0.0, 1.0)))


def _rows(matrix: Array) -> Matrix:
    return tuple(map(tuple, matrix.tolist()))


def judged(result: Result, findings: Iterable[Finding]) -> Result:
    """Return ``result`` with these findings instead of its own, and the verdict they give."""
    found = tuple(by_gravity(findings))
    said, _ = verdict(result.uncertainty, result.tolerance, found, None)
    return replace(result, findings=found, verdict=said)


def as_solved(problem: Problem, result: Result) -> Problem:
    """Return ``problem`` with the arm as ``result`` holds it: its stations may have shown errors.

    Of an arm that is told to be exact.
    """
    exact = problem.robot is not None and problem.robot.accuracy == 0.0
    return inaccurate(problem) if exact and result.systematic.arm else problem
