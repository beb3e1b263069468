"""Which typing slip explains that a typed pose is not where the image says the flange is.

Each explanation is weighed by how well the pose it gives fits the prediction, and by how common
such a slip is: log p = −½ eᵀC⁻¹e + log share, with e the displacement from the predicted flange
and C its covariance. A value that no single slip turns into the typed one may be any of its field.

Kinds of slips and their shares are common practice, no source; only their order of magnitude
matters, because what the image says decides between candidates that lie apart.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import chain, combinations

import numpy as np

from ..arrays import Array
from ..cell.stations import Layout, numbers
from ..frames import displacement
from ..pendant.entry import rounded
from ..pendant.settings import ANGLE_RAD

SHARES = {  # share of each kind among slips in one field
    "wrong digit": 0.35,
    "swapped digits": 0.25,
    "lost digit": 0.10,
    "doubled digit": 0.08,
    "extra digit": 0.02,
    "lost sign": 0.11,  # near half a turn: the other sign of the wrap
    "shifted point": 0.06,
    "kept value": 0.03,
}
OTHER_DECIMALS = 0.02  # share of typists who leave out a trailing zero that the pendant shows
FULL_CIRCLE = 0.02  # share of pendants that show angles from 0° to 360°, from memory
PAD_NEIGHBOUR = 2.0  # times as likely as another digit: the key beside it on the number pad
_PAD = {digit: (k % 3, k // 3) for k, digit in enumerate("123456789")} | {"0": (0, -1)}


@dataclass(frozen=True, slots=True)
class Slip:
    """One text that may have been meant, the kind of slip, and the logarithm of its share."""

    text: str
    kind: str
    log_share: float


@lru_cache(maxsize=512)  # the same fields are asked for on every key
def slips(typed: str, decimals: int, wrap: float = 0.0) -> tuple[Slip, ...]:
    """Return what may have been meant by ``typed``: a number as `TypedPose.fields` holds it.

    ``decimals`` as the pendant shows them; ``wrap`` a half turn in the field's unit, 0 where it is
    no angle. A text that can come about in two ways keeps the likelier one. A value kept from the
    station before says nothing about what was meant; see `kept`.
    """
    best: dict[str, Slip] = {}
    for text, kind, share in _candidates(typed, wrap):
        clean = _normalised(text)
        if clean is None or float(clean) == float(typed):
            continue
        share *= _as_shown(clean, typed, decimals) * _within_turn(float(clean), wrap)
        if share > 0.0 and (clean not in best or math.log(share) > best[clean].log_share):
            best[clean] = Slip(clean, kind, math.log(share))
    return tuple(best.values())


def half_turn(unit: str) -> float:
    """Return a half turn in ``unit``; 0 where it is no angle."""
    return math.pi / ANGLE_RAD[unit] if unit in ANGLE_RAD else 0.0


def kept(fields: Sequence[str], previous: Sequence[str]) -> tuple[int, ...]:
    """Return the fields whose text is the one of the previous station: perhaps not read again."""
    return tuple(k for k, (a, b) in enumerate(zip(fields, previous, strict=False)) if a == b)


def _candidates(typed: str, wrap: float) -> Iterator[tuple[str, str, float]]:
    """Yield (text, kind, share) with the share of a kind spread over its members."""
    sign = "-" if typed.startswith("-") else ""
    whole, _, fraction = typed.removeprefix("-").partition(".")
    digits, point = whole + fraction, len(whole)
    for new, at, kind, share in chain(_other_digits(digits, point), _other_lengths(digits, point)):
        yield sign + _joined(new, at), kind, share
    for at in range(1, len(digits) + 1):
        if at != point:
            share = SHARES["shifted point"] / 2.0 ** abs(at - point)
            yield sign + _joined(digits, at), "shifted point", share
    other_sign = typed.removeprefix("-") if sign else f"-{typed}"
    near_wrap = bool(wrap) and abs(float(typed)) > wrap / 2
    kind = "other sign of the wrap" if near_wrap else "lost sign"
    yield other_sign, kind, SHARES["lost sign"]


def _other_digits(digits: str, point: int) -> Iterator[tuple[str, int, str, float]]:
    """Yield (digits, place of the point, kind, share): one digit wrong, or two swapped."""
    n = len(digits)
    for k, digit in enumerate(digits):
        near = {d for d in _PAD if math.dist(_PAD[d], _PAD[digit]) == 1.0}
        weight = {d: PAD_NEIGHBOUR if d in near else 1.0 for d in "0123456789" if d != digit}
        for other, w in weight.items():
            share = SHARES["wrong digit"] * w / sum(weight.values()) / n
            yield digits[:k] + other + digits[k + 1 :], point, "wrong digit", share
    for k in range(n - 1):
        if digits[k] != digits[k + 1]:
            new = digits[:k] + digits[k + 1] + digits[k] + digits[k + 2 :]
            yield new, point, "swapped digits", SHARES["swapped digits"] / (n - 1)


def _other_lengths(digits: str, point: int) -> Iterator[tuple[str, int, str, float]]:
    """Yield (digits, place of the point, kind, share): one digit lost, doubled or too many."""
    n = len(digits)
    share = SHARES["lost digit"] / (10 * (n + 1))
    for k in range(n + 1):
        for digit in "0123456789":
            new = digits[:k] + digit + digits[k:]
            if k <= point:
                yield new, point + 1, "lost digit", share
            if k >= point:
                yield new, point, "lost digit", share
    for k in range(n if n > 1 else 0):
        double = digits[k] in (digits[k - 1 : k] + digits[k + 1 : k + 2])
        kind = "doubled digit" if double else "extra digit"
        yield digits[:k] + digits[k + 1 :], point - (k < point), kind, SHARES[kind]


def _joined(digits: str, point: int) -> str:
    point = min(max(point, 0), len(digits))
    whole, fraction = digits[:point], digits[point:]
    return f"{whole or '0'}.{fraction}" if fraction else whole


def _normalised(text: str) -> str | None:
    """Return the text without superfluous leading zeros; None where it is no number."""
    sign = "-" if text.startswith("-") else ""
    whole, dot, fraction = text.removeprefix("-").partition(".")
    whole = whole.lstrip("0") or "0"
    if not (whole + fraction).isdigit():
        return None
    clean = f"{whole}{dot}{fraction}"
    return f"{sign}{clean}" if float(clean) else clean


def _as_shown(text: str, typed: str, decimals: int) -> float:
    """Return how likely the pendant shows ``text``: it always shows as many decimals."""
    count = len(text.partition(".")[2])
    if count == decimals:
        return 1.0
    if count > decimals and count > len(typed.partition(".")[2]):
        return 0.0
    return OTHER_DECIMALS


def _within_turn(value: float, half_turn: float) -> float:
    """Return how likely a pendant shows an angle: ±180° mostly, 0° to 360° on a few, never more."""
    if not half_turn or abs(value) <= half_turn:
        return 1.0
    return FULL_CIRCLE if 0.0 < value <= 2 * half_turn else 0.0


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
            Explanation(
                kind, where, self.shown(where, texts), pose, share - 0.5 * size, size, self.view
            )
            for (kind, where, texts, share), pose, size in zip(
                changes, poses, sizes.tolist(), strict=True
            )
            if np.isfinite(size)
        ]

    def shown(self, where: tuple[int, ...], texts: tuple[str, ...]) -> tuple[str, ...]:
        """Return the texts with the trailing zeros that the pendant shows."""
        shown = list[str]()
        for k, text in zip(where, texts, strict=True):
            decimals = self.layout.decimals[k]
            short = len(text.partition(".")[2]) < decimals
            shown.append(rounded(float(text), decimals) if short else text)
        return tuple(shown)

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
