"""What the uncertainty of a pick is made of, and which measurement would shrink it most (GUM).

The estimate is linear in what was measured and in what was known beforehand, so its covariance is
the sum of what each contributes: G (Σ WᵀV_k W) G of a noise V_k, with W = V⁻¹H, and G P_j G of a
prior P_j (GUM, JCGM 100:2008, 5.1). Noise levels are themselves estimated; the effective degrees of
freedom follow from theirs (Welch-Satterthwaite, GUM annex G.4), those of priors are infinite, but
for the size of the arm's errors, as far as the data tell it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..arrays import Array
from ..camera.lens import DEPTH_SCALE, NAMES
from ..cell.budget import Part, StoredBudget
from ..tails import t_isf
from .drift import hidden_drift
from .fit import in_the_images, measured_numbers
from .knock import Knock
from .pick import PickModel
from .solver import Solution
from .ties import HEIGHT

PIXELS, TURNS, PLACES = "pixels", "rotation of the stops", "position of the stops"
ARM, BOARD, LENS, NUMBERS = "robot accuracy", "board", "lens data", "measured numbers"
KNOCK = "a knock meanwhile"  # of camera or board, that no station shows for certain
DEPTH = "scale and alignment of depth"
NORMAL_95 = 1.96  # [-] of a normal deviate; U = 2u rounds it up
AGREES = 0.02  # [-] share by which the parts may miss the whole
MEASURED_U_MM = 0.1  # mm; a length over the whole board, or its height, with a calliper, CP
FRESH_FOCAL, FRESH_PX = 0.0003, 0.5  # [-], px; a fresh lens calibration of 20 images, CP
FRESH_SCALE, FRESH_DEG = 0.0005, 0.02  # [-], deg; a fresh one of a 3-D camera, CP
MOSTLY = 0.8  # [-] of u: the rest of it, and so what further stations gain, is a fifth at most
LEAST_STATED = 1e-9  # [-] of a part that is nothing


@dataclass(frozen=True, slots=True)
class Budget:
    """The parts of a pick's uncertainty, the largest first; their squares add up.

    ``degrees`` are the effective degrees of freedom, ``coverage`` the factor that makes 95 % of
    them, ``corners`` what all corners of the work volume at once take more. ``help_`` is the part
    (board, lens, depth or height) whose measurement would shrink u most, to ``after_mm``; None:
    none by a tenth. ``length_mm`` the board's longer side. ``drift_mm``: what a drift may add, see
    `hidden_drift`; ``closing``: a stop that returned to the first shows it best. ``knock``: the
    station from which on the part `KNOCK` shows if it was; None: no such part.
    """

    parts: tuple[Part, ...]
    degrees: float
    coverage: float
    corners: float
    length_mm: float
    help_: str | None = None
    after_mm: float | None = None
    drift_mm: float | None = None
    closing: bool = False
    knock: int | None = None

    @property
    def wider(self) -> float:
        """How much larger u is stated than it is, so that U = 2u covers 95 %."""
        return self.coverage / 2.0

    def wider_after(self, more: float) -> float:
        """Return `wider` once there is ``more`` times the information: so grow the degrees."""
        return coverage(self.degrees * max(more, 1.0)) / 2.0

    @property
    def mostly_arm(self) -> bool:
        """Whether the robot's accuracy would leave most of u if nothing else were open."""
        squares = {part.name: part.u_mm**2 for part in self.parts}
        return squares.get(ARM, 0.0) > MOSTLY**2 * sum(squares.values())

    def stored(self) -> StoredBudget:
        """Return the budget as it is stored and shown."""
        k = self.coverage * self.corners
        return StoredBudget(self.parts, self.degrees, k, self.wider, self.drift_mm, self.closing)


def budget(
    found: Solution, whole: Array, pick: PickModel, pick_mm: float, knock: Knock | None = None
) -> Budget | None:
    """Return the budget of a pick that is off by ``pick_mm``.

    ``whole`` (k, k) is the covariance of all unknowns; ``knock`` is in it, if any. None where it
    is no sum of such parts.
    """
    covariances = _covariances(found)
    if knock is not None:
        covariances[KNOCK] = knock.doubted
    if np.abs(np.diag(sum(covariances.values()) - whole)).max() > AGREES * np.diag(whole).max():
        return None
    errors = found.fit.state.errors
    squares = pick.parts(covariances, whole, errors)
    squares[ARM] += pick.floor_mm**2
    total = sum(squares.values())
    degrees = _effective(squares, found.fit.degrees, total)
    parts = sorted(
        (Part(name, float(np.sqrt(max(v, 0.0)))) for name, v in squares.items()),
        key=lambda part: -part.u_mm,
    )
    told = tuple(part for part in parts if part.u_mm > LEAST_STATED)
    help_, after_mm = _best_help(found, pick, whole, pick_mm)
    seen = found.problem.observations
    places = found.gathered.index[found.used]
    return Budget(
        parts=told,
        degrees=degrees,
        coverage=coverage(degrees),
        corners=float(pick_mm / np.sqrt(total)),
        length_mm=found.problem.board.length_mm,
        help_=help_,
        after_mm=after_mm,
        drift_mm=hidden_drift(found, pick),
        closing=any(seen[i].closing for i in places),
        knock=None if knock is None else seen[places[knock.row]].id,
    )


def coverage(degrees: float) -> float:
    """Return the factor of U = k·u for 95 %: 2 for many degrees of freedom, more for few."""
    return float(2.0 * t_isf(0.025, max(degrees, 1.0)) / NORMAL_95)


def _covariances(found: Solution) -> dict[str, Array]:
    """Return what each part contributes to the covariance (k, k) of all unknowns."""
    if found.shares is not None:
        return dict(found.shares)
    stations, fit, noise = found.stations.take(found.used), found.fit, found.fit.noise
    system = found.system.take(found.used)
    W = np.linalg.solve(system.covariance(noise), system.rows)
    by_stop = np.swapaxes(system.by_flange, 1, 2) @ W
    p, G = len(stations.systematic_sd), fit.covariance
    images = in_the_images(stations, fit.state.errors[p:], noise)[0]
    by_pixel = noise.pixel_px * np.swapaxes(system.view_factor, 1, 2) @ W
    pixels = _summed(by_pixel)
    pixels[12 + p :, 12 + p :] += images
    turns, places = by_stop[:, :3], by_stop[:, 3:]
    board = 12 + p + found.gathered.terms.of_board
    depth = len(G) - found.gathered.terms.of_depth
    blocks = {
        ARM: slice(12, 12 + p),
        BOARD: slice(12 + p, board),
        LENS: slice(board, depth),
        DEPTH: slice(depth, None),
    }
    arm_sd = np.sqrt(stations.systematic_variance(noise))
    sd = np.concatenate([np.ones(12), arm_sd, stations.terms_sd])
    parts = {
        PIXELS: pixels,
        TURNS: noise.rotation**2 * _summed(turns),
        PLACES: noise.position**2 * _summed(places),
        NUMBERS: measured_numbers(stations, fit.state)[0],
    }
    for name, block in blocks.items():
        parts[name] = np.zeros_like(G)
        parts[name][block, block] = np.diag(sd[block] ** -2.0)
    return {name: G @ part @ G for name, part in parts.items()}


def _summed(rows: Array) -> Array:
    """Return the sum of rowsᵀ rows (k, k) of all ``rows`` (n, i, k)."""
    flat = rows.reshape(-1, rows.shape[2])
    return flat.T @ flat


def _effective(squares: dict[str, float], degrees: Array, total: float) -> float:
    """Return the effective degrees of freedom (Welch-Satterthwaite)."""
    own = zip((PIXELS, TURNS, PLACES, ARM), degrees, strict=True)
    spent = sum((squares[name] / total) ** 2 / max(float(nu), 1.0) for name, nu in own)
    return float(1.0 / max(spent, 1e-6))


def _best_help(
    found: Solution, pick: PickModel, whole: Array, now: float
) -> tuple[str | None, float | None]:
    """Return the measurement after which u of a pick, ``now`` [mm], is least, and that u [mm].

    ``whole`` is the covariance (k, k) of all unknowns.
    """
    errors, information = found.fit.state.errors, np.linalg.inv(whole)
    best: tuple[str | None, float | None] = (None, None)
    least = 0.9 * now
    for name, rows in _measurements(found):
        more = information + rows.T @ rows
        after = pick.pick_mm(np.asarray(np.linalg.inv(more)), errors, least)
        if after < least:
            best, least = (name, after), after
    return best


def _measurements(found: Solution) -> list[tuple[str, Array]]:
    """Return what could be measured: its name, and what it tells (i, k), in its own u."""
    terms, first = found.gathered.terms, 12 + len(found.systematic.sd)
    end = terms.count - terms.of_depth
    lens, depth = terms.names[terms.of_board : end], terms.names[end:]
    items = list[tuple[str, Array]]()
    unknowns = np.eye(first + terms.count)
    if terms.kept[0]:
        length = found.problem.board.length_mm
        items.append((BOARD, unknowns[first : first + 1] * length / MEASURED_U_MM))
    if lens:
        fresh = np.array([FRESH_FOCAL if name == "focal length" else FRESH_PX for name in lens])
        items.append((LENS, unknowns[first:][terms.of_board : end] / fresh[:, None]))
    if depth:
        fresh = np.array(
            [FRESH_SCALE if name == NAMES[DEPTH_SCALE] else FRESH_DEG for name in depth]
        )
        items.append((DEPTH, unknowns[first:][end:] / fresh[:, None]))
    for tie in found.stations.constraints:
        if tie.name == HEIGHT:
            more = (found.problem.board.height_u_mm / MEASURED_U_MM) ** 2 - 1.0
            state = found.fit.state
            rows = tie.whitened(state.camera, state.board, state.errors[first - 12 :])[1]
            items.append((NUMBERS, np.sqrt(max(more, 0.0)) * rows[:, :12] @ unknowns[:12]))
    return items
