"""What the uncertainty of a pick is made of, and which single measurement would shrink it most.

The estimate is linear in what was measured and in what was known beforehand, so its covariance is
the sum of what each contributes: G (Σ WᵀV_k W) G of a noise V_k, with W = V⁻¹H, and G P_j G of a
prior P_j (GUM, JCGM 100:2008, 5.1). Noise levels are themselves estimated; the effective degrees of
freedom follow from theirs (Welch-Satterthwaite, GUM annex G.4), those of priors are infinite.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.stats import t as t_distribution

from ..arrays import Array
from ..cell.result import Part, StoredBudget, widening
from .fit import beforehand, in_the_images, linear_system
from .pick import PickModel

if TYPE_CHECKING:  # the solver asks `result` what is known, and that holds budgets
    from .solver import Solution

PIXELS, TURNS, PLACES = "pixels", "rotation of the stops", "position of the stops"
ARM, BOARD, LENS, NUMBERS = "robot accuracy", "board", "lens data", "measured numbers"
NORMAL_95 = 1.96  # [-] of a normal deviate; U = 2u rounds it up
AGREES = 0.02  # [-] share by which the parts may miss the whole; several cameras are no such sum
MEASURED_U_MM = 0.1  # mm; a length over the whole board with a steel rule or calliper, CP
FRESH_FOCAL, FRESH_PX = 0.0003, 0.5  # [-], px; a fresh lens calibration of 20 images, CP
LEAST_STATED = 1e-9  # [-] of a part that is nothing


@dataclass(frozen=True, slots=True)
class Budget:
    """The parts of a pick's uncertainty, the largest first; their squares add up.

    ``degrees`` are the effective degrees of freedom, ``coverage`` the factor that makes 95 % of
    them. ``help_`` is the part (board or lens) whose measurement would shrink u most, to
    ``after_mm``; None: none by a tenth. ``length_mm`` the board's longer side.
    """

    parts: tuple[Part, ...]
    degrees: float
    coverage: float
    length_mm: float
    help_: str | None = None
    after_mm: float | None = None

    @property
    def wider(self) -> float:
        """How much larger u is stated than it is, so that U = 2u covers 95 %."""
        return widening(self.coverage)

    def wider_after(self, more: float) -> float:
        """Return `wider` once there is ``more`` times the information: so grow the degrees."""
        return widening(coverage(self.degrees * max(more, 1.0)))

    def stored(self) -> StoredBudget:
        """Return the budget as it is stored and shown."""
        return StoredBudget(self.parts, self.degrees, self.coverage)


def budget(found: Solution, pick: PickModel) -> Budget | None:
    """Return the budget of a pick; None where the covariance is no sum of such parts."""
    covariances = _covariances(found)
    whole = found.fit.covariance
    if np.abs(np.diag(sum(covariances.values()) - whole)).max() > AGREES * np.diag(whole).max():
        return None
    errors = found.fit.state.errors
    squares = pick.parts(covariances, whole, errors)
    squares[ARM] += pick.floor_mm**2
    total = sum(squares.values())
    degrees = _effective(squares, found.fit.degrees, total)
    parts = sorted(
        (Part(name, float(np.sqrt(max(v, 0.0)))) for name, v in squares.items()), key=_size
    )
    told = tuple(part for part in parts if part.u_mm > LEAST_STATED)
    best = _best_help(found, pick)
    return Budget(told, degrees, coverage(degrees), _length(found), *best)


def coverage(degrees: float) -> float:
    """Return the factor of U = k·u for 95 %: 2 for many degrees of freedom, more for few."""
    return float(2.0 * t_distribution.isf(0.025, max(degrees, 1.0)) / NORMAL_95)


def _size(part: Part) -> float:
    return -part.u_mm


def _covariances(found: Solution) -> dict[str, Array]:
    """Return what each part contributes to the covariance (k, k) of all unknowns."""
    stations, fit, noise = found.stations.take(found.used), found.fit, found.fit.noise
    system = linear_system(stations, fit.state)
    W = np.linalg.solve(system.covariance(noise), system.rows)
    by_stop = np.swapaxes(system.by_flange, 1, 2) @ W
    p, G = len(stations.systematic_sd), fit.covariance
    images = in_the_images(stations, fit.state.errors[p:], noise)[0]
    pixels = noise.pixel_px**2 * np.einsum("nik,nij,njl->kl", W, system.view_covariance, W)
    pixels[12 + p :, 12 + p :] += images
    turns, places = by_stop[:, :3], by_stop[:, 3:]
    prior = beforehand(stations, fit.state, noise)[0]
    board = 12 + p + found.gathered.terms.of_board
    blocks = {ARM: slice(12, 12 + p), BOARD: slice(12 + p, board), LENS: slice(board, None)}
    sd = np.concatenate([np.exp(0.5 * noise.log_scale) * stations.systematic_sd, stations.terms_sd])
    parts = {
        PIXELS: pixels,
        TURNS: noise.rotation**2 * np.einsum("nik,nil->kl", turns, turns),
        PLACES: noise.position**2 * np.einsum("nik,nil->kl", places, places),
        NUMBERS: np.pad(prior[:12, :12], (0, len(G) - 12)),
    }
    for name, block in blocks.items():
        parts[name] = np.zeros_like(G)
        parts[name][block, block] = np.diag(sd[_less(block, 12)] ** -2.0)
    return {name: G @ part @ G for name, part in parts.items()}


def _less(block: slice, by: int) -> slice:
    return slice(block.start - by, None if block.stop is None else block.stop - by)


def _effective(squares: dict[str, float], degrees: Array, total: float) -> float:
    """Return the effective degrees of freedom (Welch-Satterthwaite)."""
    own = zip((PIXELS, TURNS, PLACES), degrees, strict=True)
    spent = sum((squares[name] / total) ** 2 / max(float(nu), 1.0) for name, nu in own)
    return float(1.0 / max(spent, 1e-6))


def _best_help(found: Solution, pick: PickModel) -> tuple[str | None, float | None]:
    """Return the measurement after which u of a pick is least, and that u [mm]."""
    known, errors = found.fit.covariance, found.fit.state.errors
    now, information = pick.pick_mm(known, errors), np.linalg.inv(known)
    best: tuple[str | None, float | None] = (None, None)
    least = 0.9 * now
    for name, block, sd in _measurements(found):
        more = information.copy()
        more[block, block] += np.diag(np.maximum(sd, 1e-12) ** -2.0)
        after = pick.pick_mm(np.asarray(np.linalg.inv(more)), errors)
        if after < least:
            best, least = (name, after), after
    return best


def _length(found: Solution) -> float:
    return float(np.ptp(found.problem.board.points()[:, :2], axis=0).max())


def _measurements(found: Solution) -> list[tuple[str, slice, Array]]:
    """Return what could be measured: its name, which unknowns it tells, and how well."""
    terms, first = found.gathered.terms, 12 + len(found.systematic.sd)
    items = []
    if terms.kept[0]:
        measured = np.array([MEASURED_U_MM / _length(found)])
        items.append((BOARD, slice(first, first + 1), measured))
    lens = terms.names[terms.of_board :]
    if lens:
        fresh = np.array([FRESH_FOCAL if name == "focal length" else FRESH_PX for name in lens])
        items.append((LENS, slice(first + terms.of_board, None), fresh))
    return items
