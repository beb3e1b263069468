"""Which typing slip explains that a typed pose is not where the image says the flange is.

Each explanation is weighed by how well the pose it gives fits the prediction, and by how common
such a slip is: log p = −½ eᵀC⁻¹e + log share, with e the displacement from the predicted flange
and C its covariance. A value that no single slip turns into the typed one may be any of its field.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from ..arrays import Array
from ..frames import displacement
from ..pendant.entry import rounded
from .layout import SHARES, Layout, half_turn, kept, numbers, slips

EXCHANGED = 0.02  # share of slips that exchange two fields, common practice, no source
ANY_VALUE = 0.02  # share of slips that turn a value into just any other, common practice
TWO_SLIPS = 1e-4  # share of stations with a slip in two fields among those with one
RANGE_MM = 2000.0  # mm; spread of just any typed position, lift included
GRID = 120  # angles tried for a field that may be anything: 3° apart, refined from the best
STEPS = 4  # Gauss-Newton steps of a free value
SETTLED = 0.01  # [-] standard deviations
# A free value never weighs more: log(share / 6 · 2.5 sd / range) with an sd of 2 mm gives −11.
FREE_AT_MOST = -11.0
DIFFERENCE_STEP = 1e-4  # [field units] of numerical derivatives
CLOSE = 3.0  # [-] standard deviations within which a slip is taken for a value that is free


@dataclass(frozen=True, slots=True, eq=False)
class Prediction:
    """Where the image says the flange is: base_T_flange (4, 4) and covariance (6, 6), base axes."""

    flange: Array
    covariance: Array


@dataclass(frozen=True, slots=True, eq=False)
class Explanation:
    """One way to explain a typed pose.

    ``fields`` the indices changed and ``texts`` what they then say; ``kind`` of slip; ``log_p`` its
    weight, and ``size`` the squared deviation that remains (chi-square, 6 degrees of freedom).
    ``view`` says which of the predictions it belongs to.
    """

    kind: str
    fields: tuple[int, ...]
    texts: tuple[str, ...]
    pose: Array
    log_p: float
    size: float
    view: int = 0


def explanations(
    layout: Layout,
    fields: Sequence[str],
    predictions: Sequence[Prediction],
    previous: Sequence[str] | None = None,
) -> list[Explanation]:
    """Return every single slip, exchange and free value of ``fields``, the likeliest first.

    ``predictions`` are the poses that the image allows (the two of a flat board, or one);
    ``previous`` the fields of the station before.
    """
    found: list[Explanation] = []
    for view, prediction in enumerate(predictions):
        weigh = _Weigher(layout, tuple(fields), prediction, view)
        slipped = weigh.slipped()
        found += slipped
        if max((item.log_p for item in slipped), default=-np.inf) < FREE_AT_MOST:
            found += weigh.free(kept(fields, previous or ()))
    return sorted(found, key=lambda item: -item.log_p)


def two_fields(
    layout: Layout, fields: Sequence[str], predictions: Sequence[Prediction]
) -> list[Explanation]:
    """Return the explanations that change two fields of one station, the likeliest first."""
    found: list[Explanation] = []
    for view, prediction in enumerate(predictions):
        weigh = _Weigher(layout, tuple(fields), prediction, view)
        pairs = combinations(range(layout.count), 2)
        found += weigh.weighed([weigh.pair(a, b) for a, b in pairs])
    return sorted(found, key=lambda item: -item.log_p)


Change = tuple[str, tuple[int, ...], tuple[str, ...], float]
"""Kind of slip, indices of the fields changed, what they then say, and log of its share."""


@dataclass(frozen=True, slots=True, eq=False)
class _Weigher:
    layout: Layout
    fields: tuple[str, ...]
    prediction: Prediction
    view: int

    def sizes(self, values: Array) -> tuple[Array, Array]:
        """Return poses (m, 4, 4) of field values (m, k) and their squared deviations (m,)."""
        poses = self.layout.poses(values)
        off = displacement(poses, self.prediction.flange)
        size = np.einsum("mi,mi->m", off, np.linalg.solve(self.prediction.covariance, off.T).T)
        return poses, np.where(self.layout.valid(values), size, np.inf)

    def slipped(self) -> list[Explanation]:
        """Return one explanation per slip of one field, and per exchange of two."""
        changes = list[Change]()
        for k, text in enumerate(self.fields):
            wrap = half_turn(self.layout.units[k])
            for slip in slips(text, self.layout.decimals[k], wrap):
                share = slip.log_share - float(np.log(self.layout.count))
                changes.append((slip.kind, (k,), (slip.text,), share))
        pairs = [
            (a, b)
            for a, b in combinations(range(self.layout.count), 2)
            if self.layout.units[a] == self.layout.units[b] and self.fields[a] != self.fields[b]
        ]
        share = float(np.log(EXCHANGED / max(len(pairs), 1)))
        for a, b in pairs:
            changes.append(("exchanged fields", (a, b), (self.fields[b], self.fields[a]), share))
        return self.weighed(changes)

    def weighed(self, changes: Sequence[Change]) -> list[Explanation]:
        """Return the explanation that each of ``changes`` is, without those entry would refuse."""
        values = [numbers(self.changed(where, texts)) for _, where, texts, _ in changes]
        poses, sizes = self.sizes(np.array(values).reshape(-1, self.layout.count))
        return [
            Explanation(kind, where, texts, pose, share - 0.5 * size, size, self.view)
            for (kind, where, texts, share), pose, size in zip(
                changes, poses, sizes.tolist(), strict=True
            )
            if np.isfinite(size)
        ]

    def free(self, kept_fields: tuple[int, ...]) -> list[Explanation]:
        """Return one explanation per field that may hold any value, rounded as shown."""
        best, sd = self.each_free()
        changes = list[Change]()
        for k, decimals in enumerate(self.layout.decimals):
            text = rounded(best[k], decimals)
            share = SHARES["kept value"] if k in kept_fields else ANY_VALUE
            kind = "kept value" if k in kept_fields else "any value"
            if text != self.fields[k]:
                log_share = np.log(share / self.layout.count) + self.rare(k, sd[k])
                changes.append((kind, (k,), (text,), float(log_share)))
        return self.weighed(changes)

    def rare(self, k: int, sd: float) -> float:
        """Return the logarithm of how rarely just any value of field ``k`` falls within ``sd``."""
        spread = 2 * half_turn(self.layout.units[k]) or RANGE_MM
        return float(np.log(sd * np.sqrt(2 * np.pi) / spread))

    def each_free(self) -> tuple[Array, Array]:
        """Return the value of each field that fits best when it alone is free, and its sd (k,)."""
        k = self.layout.count
        rows = self._on_grid(np.repeat(numbers(self.fields)[None], k, axis=0))
        C_inverse = np.linalg.inv(self.prediction.covariance)
        own = np.arange(k)
        for _ in range(STEPS):
            poses = self.layout.poses(np.vstack([rows, rows + DIFFERENCE_STEP * np.eye(k)]))
            off = displacement(poses[:k], self.prediction.flange)
            J = displacement(poses[k:], poses[:k]) / DIFFERENCE_STEP
            A = np.maximum(np.einsum("ki,ij,kj->k", J, C_inverse, J), 1e-300)
            step = np.einsum("ki,ij,kj->k", J, C_inverse, off) / A
            rows[own, own] -= step
            if (step**2 * A).max() < SETTLED**2:
                break
        return rows[own, own], 1.0 / np.sqrt(A)

    def _on_grid(self, rows: Array) -> Array:
        """Return the rows (k, k) with each angle at the best place of a whole turn."""
        rows = rows.copy()
        angles = [k for k in range(self.layout.count) if self.layout.is_angle(k)]
        if not angles:
            return rows
        trial = np.repeat(rows[angles], GRID, axis=0)
        owner = np.repeat(angles, GRID)
        turn = 2.0 * np.array([half_turn(self.layout.units[k]) for k in owner])
        own = np.arange(len(trial)), owner
        trial[own] += np.tile(np.arange(GRID), len(angles)) * turn / GRID
        trial[own] = (trial[own] + turn / 2) % turn - turn / 2
        best = self.sizes(trial)[1].reshape(len(angles), GRID).argmin(axis=1)
        rows[angles, angles] = trial[own].reshape(len(angles), GRID)[range(len(angles)), best]
        return rows

    def pair(self, a: int, b: int) -> Change:
        """Return the change of fields a and b: to slips where they come close."""
        values, sd = self.solved((a, b))
        texts = tuple(self._near(k, values[k], s) for k, s in zip((a, b), sd, strict=True))
        log_share = float(np.log(TWO_SLIPS)) + self.rare(a, sd[0]) + self.rare(b, sd[1])
        return "two slips", (a, b), texts, log_share

    def _near(self, k: int, value: float, sd: float) -> str:
        close = [
            s
            for s in slips(self.fields[k], self.layout.decimals[k])
            if abs(float(s.text) - value) < CLOSE * sd
        ]
        if close:
            return max(close, key=lambda s: s.log_share).text
        return rounded(value, self.layout.decimals[k])

    def changed(self, where: tuple[int, ...], texts: tuple[str, ...]) -> list[str]:
        """Return the fields with some of them replaced."""
        new = list(self.fields)
        for k, text in zip(where, texts, strict=True):
            new[k] = text
        return new

    def solved(self, where: tuple[int, ...]) -> tuple[Array, Array]:
        """Return the values that fit best when the fields at ``where`` are free, and their sd.

        Gauss-Newton from the values as typed.
        """
        values, index = numbers(self.fields), np.array(where)
        C_inverse = np.linalg.inv(self.prediction.covariance)
        for _ in range(STEPS):
            near = values + DIFFERENCE_STEP * np.eye(len(values))[index]
            poses = self.layout.poses(np.vstack([values, near]))
            off = displacement(poses, self.prediction.flange)
            J = (displacement(poses[1:], poses[0]) / DIFFERENCE_STEP).T
            A = J.T @ C_inverse @ J
            A += 1e-12 * np.trace(A) * np.eye(len(index))
            step = np.linalg.solve(A, J.T @ C_inverse @ off[0])
            values[index] -= step
            if step @ A @ step < SETTLED**2:
                break
        return values, np.sqrt(np.diag(np.linalg.inv(A)))
