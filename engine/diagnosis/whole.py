"""Causes that concern every station: convention, unit, inverse poses, images shifted by one.

All of them are judged at once by closed forms and the sum of log(1 + squared deviation), which a
bad station cannot buy; the few best are fitted like the session itself.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..cell.stations import numbers
from ..checks.entry import UNIT_NAMES
from ..errors import StationbookError
from ..estimate.problem import Problem, related
from ..estimate.start import squared_deviation, transforms_from
from ..findings import Finding, finding
from ..frames import AXES, inverse, rotation_log
from ..pendant.conventions import (
    EULER_ROTATIONS,
    QUATERNION_WXYZ,
    QUATERNION_XYZW,
    ROTATIONS,
    VECTOR,
    YAW,
    equivalent,
    is_quaternion,
)
from ..pendant.settings import ANGLE_RAD, JOINTS, LENGTH_MM
from .causes import Cause, apart_weight, declared_weight, solved_weight, texts_of
from .scene import Scene, Texts

SHIFTS = (-2, -1, 1, 2)  # stations by which images and poses may be shifted
LATE_SHIFTS = (-1, 1)  # the same, from some station on
MOST_SWAPPED = 12  # stations among which exchanges are tried
MOST_STARTS = 20  # places from which a late shift is tried
ALONE = float(np.log1p(5.0**2))  # of a station that a shift leaves without a partner
HALVED = 8  # stations from which on every other one is enough for a closed form
JUDGES = 40  # stations that judge; more change nothing

LOG_SHARE = {  # logarithm of how common each cause is among sessions, common practice, no source
    "rotation-convention": -3.0,
    "unit": -4.0,
    "inverse-pose": -5.0,
    "pairing": -4.0,
}


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """One other reading of the whole session.

    ``code`` of the finding ("swap" for exchanged images); ``value`` what it suggests (a rotation, a
    unit, a shift); ``typed`` (n, 4, 4) the poses then; ``log_share`` how common it is. ``order``
    (n,) says whose pose each station gets, where poses change places; ``start`` is the first row of
    a late shift. ``quantity`` of a unit ("angles", "positions"); for a convention the other unit.
    ``alone``: rows that a shift leaves without a partner.
    """

    code: str
    value: str
    typed: Array
    log_share: float
    start: int = 0
    quantity: str = ""
    order: tuple[int, ...] | None = None
    alone: tuple[int, ...] = ()


def readings(scene: Scene, *, calm: bool) -> list[Reading]:
    """Return every other reading of the session's poses.

    ``calm``: nothing else stands out, so only those that a session can hide: another convention,
    where tilts are small.
    """
    pendant = scene.layout.pendant
    if calm:
        return _rotations(scene, (pendant.angle_unit,))
    items = _rotations(scene, ANGLE_RAD) + _lengths(scene) + _shifts(scene) + _swaps(scene)
    typed = scene.stations.typed
    items.append(Reading("inverse-pose", "", inverse(typed), LOG_SHARE["inverse-pose"]))
    return items


def _rotations(scene: Scene, units: Iterable[str]) -> list[Reading]:
    """Return the readings under every other rotation convention and angle unit."""
    pendant = scene.layout.pendant
    if pendant.rotation in (JOINTS, YAW):
        return []
    values = np.array([numbers(fields) for fields in scene.fields])
    quaternion = is_quaternion(pendant.rotation)
    names: Sequence[str] = (
        (QUATERNION_WXYZ, QUATERNION_XYZW) if quaternion else (*EULER_ROTATIONS, VECTOR)
    )
    items = []
    for unit in (pendant.angle_unit,) if quaternion else units:
        for name in names:
            if (name, unit) == (pendant.rotation, pendant.angle_unit):
                continue
            other = replace(pendant, rotation=name, angle_unit=unit)  # type: ignore[arg-type]
            try:
                typed = replace(scene.layout, pendant=other).poses(values)
            except StationbookError:
                continue
            items.append(_rotation_reading(name, str(unit), typed, scene, len(names)))
    return items


def _rotation_reading(name: str, unit: str, typed: Array, scene: Scene, count: int) -> Reading:
    pendant = scene.layout.pendant
    if name == pendant.rotation:
        return Reading("unit", unit, typed, LOG_SHARE["unit"], quantity="angles")
    share = LOG_SHARE["rotation-convention"] - float(np.log(count))
    both = "" if unit == pendant.angle_unit else unit
    extra = LOG_SHARE["unit"] if both else 0.0
    return Reading("rotation-convention", name, typed, share + extra, quantity=both)


def _lengths(scene: Scene) -> list[Reading]:
    pendant = scene.layout.pendant
    if pendant.shows_joints:
        return []
    items = []
    for unit, size in LENGTH_MM.items():
        if unit != pendant.length_unit:
            typed = scene.stations.typed.copy()
            typed[:, :3, 3] *= size / LENGTH_MM[pendant.length_unit]
            items.append(Reading("unit", unit, typed, LOG_SHARE["unit"], quantity="positions"))
    return items


def _shifts(scene: Scene) -> list[Reading]:
    """Return the poses shifted against the images, throughout or from some station on."""
    typed, n = scene.stations.typed, len(scene.ids)
    items = [_shifted(typed, by, 0) for by in SHIFTS if n >= abs(by) + 3]
    starts = np.arange(1, n - 1)
    if len(starts) > MOST_STARTS:
        starts = np.unique(np.linspace(starts[0], starts[-1], MOST_STARTS).round().astype(int))
    return items + [_shifted(typed, by, int(k)) for k in starts for by in LATE_SHIFTS]


def _shifted(typed: Array, by: int, start: int) -> Reading:
    n = len(typed)
    order = np.arange(n)
    order[start:] = np.roll(order[start:], -by)
    alone = range(n - by, n) if by > 0 else range(start, start - by)
    share = LOG_SHARE["pairing"] - float(np.log(2 * n)) * (start > 0)
    moved, places = typed[order], _indices(order)
    return Reading("pairing", f"{by:+d}", moved, share, start, order=places, alone=tuple(alone))


def _swaps(scene: Scene) -> list[Reading]:
    """Return the poses with two stations' exchanged: all pairs, or those of the worst stations."""
    n = len(scene.ids)
    rows = np.arange(n)
    if n > MOST_SWAPPED:
        size = np.einsum("ni,ni->n", scene.w, scene.system.residual)
        rows = np.sort(np.argsort(-size, kind="stable")[:MOST_SWAPPED])
    share = LOG_SHARE["pairing"] - float(np.log(n * (n - 1) / 2 + 1))
    items = []
    for a, b in combinations(rows, 2):
        order = np.arange(n)
        order[[a, b]] = b, a
        typed = scene.stations.typed[order]
        items.append(Reading("swap", f"{a} {b}", typed, share, order=_indices(order)))
    return items


def _indices(order: NDArray[np.int64]) -> tuple[int, ...]:
    return tuple(int(k) for k in order)


def scores(scene: Scene, others: Sequence[Reading]) -> Array:
    """Return for each reading the sum of log(1 + squared deviation) of the best start (h,).

    Each station takes the best of the poses that explain its image; one without a partner counts as
    `ALONE`.
    """
    typed = np.array([item.typed for item in others])
    alone = np.zeros(typed.shape[:2], bool)
    for row, item in enumerate(others):
        alone[row, list(item.alone)] = True
    h, n = typed.shape[:2]
    judges = np.unique(np.linspace(0, n - 1, min(n, JUDGES)).round().astype(int))
    G = related(scene.stations.mount, typed[:, judges])
    best = np.full(h, np.inf)
    for rows in _subsets(len(judges)):
        view = scene.views[judges[rows]]
        starts = transforms_from(G[:, rows], np.broadcast_to(view, (h, *view.shape)))
        terms = _terms(scene, judges, G, *starts)
        terms = np.where(alone[:, judges], ALONE, terms)
        best = np.minimum(best, terms.sum(axis=2).min(axis=0))
    return best


def _subsets(n: int) -> list[NDArray[np.int64]]:
    """Return rows for closed forms: all, and some without any one bad station."""
    every = np.arange(n)
    if n < HALVED:
        return [every, *(np.delete(every, k) for k in every if n > 4)]
    return [every, every[::2], every[1::2]]


def _terms(
    scene: Scene, judges: NDArray[np.int64], G: Array, cameras: Array, boards: Array
) -> Array:
    """Return log(1 + squared deviation) (starts, h, n) of each station's best candidate."""
    h, n = G.shape[:2]
    candidates = scene.found.gathered.candidates.take(judges)
    centre = scene.found.gathered.board.points().mean(axis=0)
    right = (np.concatenate([G] * (len(cameras) // h)) @ boards[:, None])[:, :, None]
    left = cameras[:, None, None] @ candidates.pose
    size = squared_deviation(left, right, centre) + candidates.cost
    size = np.where(candidates.valid, size, np.inf).min(axis=2)
    return np.asarray(np.log1p(size).reshape(-1, h, n))


def applied(problem: Problem, ids: Sequence[int], typed: Array) -> Problem:
    """Return the problem with other typed poses (n, 4, 4) for the stations ``ids``."""
    new = dict(zip(ids, typed, strict=True))
    observations = tuple(
        replace(seen, base_T_flange=new[seen.id], joints=None) if seen.id in new else seen
        for seen in problem.observations
    )
    return replace(problem, observations=observations)


BETTER = 5.0  # [-] log score by which a reading must beat the declared one to be fitted at all
HOPELESS = 5.0  # [-] mean log score of stations that fit nothing: 12 times what a closed form errs
NEAR_BEST = 15.0  # [-] log score within which the next best readings are fitted too
FITTED = 4  # readings fitted at most


@dataclass(frozen=True, slots=True, eq=False)
class Promising:
    """Readings that beat the declared one, best first; empty in a clean session."""

    items: tuple[Reading, ...]
    gain: float


NOTHING = Promising((), 0.0)


def promising(scene: Scene, *, calm: bool) -> Promising:
    """Return the readings worth a fit. Costs a few closed forms, so every session can have it.

    ``calm``: nothing else stands out.
    """
    others = readings(scene, calm=calm)
    if not others:
        return NOTHING
    declared = Reading("", "", scene.stations.typed, 0.0)
    score = scores(scene, [*others, declared])
    order = np.argsort(score[:-1], kind="stable")
    best = float(score[order[0]])
    gain = float(score[-1]) - best
    if gain < BETTER or best > len(scene.ids) * HOPELESS:
        return Promising((), gain)
    chosen = [others[i] for i in order[:FITTED] if score[i] < min(best + NEAR_BEST, score[-1])]
    return Promising(tuple(chosen), gain)


# Readings whose noise is less than so many times the best one's cannot be told from it: simulated
# sessions with tilts of ±6° gave 1.9, with ±35° at least 24.
LEAST_RATIO = 1.9
SURER = 10.0  # [-] log odds by which a reading must beat another one: 1 in 20,000
SETTLING_TILT_DEG = 20.0  # deg; a tilt that settles a convention: ratios above 10 in simulation


def whole_causes(scene: Scene, readings: Promising) -> list[Cause]:
    """Return the promising readings as causes, fitted like the session itself."""
    causes = []
    for reading in readings.items:
        problem, texts = put_right(scene, reading)
        found, weight = solved_weight(problem)
        if found is None:
            continue
        if reading.alone:
            weight += apart_weight(found, scene.stations.dof[list(reading.alone)])
        described = described_as(scene, reading)
        causes.append(
            Cause(
                weight + reading.log_share,
                described,
                problem,
                texts,
                _set_aside(scene, reading),
                last=reading.code == "inverse-pose",
                found=found,
            )
        )
    return causes


def settled(scene: Scene, causes: list[Cause]) -> list[Cause]:
    """Return the causes that fit better than the session as declared, the likeliest first.

    Where the likeliest is a convention that another one comes close to, both stand undecided.
    """
    null = declared_weight(scene.found)
    better = sorted((c for c in causes if c.weight > null + SURER), key=lambda c: -c.weight)
    if not better or better[0].findings[0].code != "rotation-convention":
        return better
    close = max(SURER, scene.redundancy * float(np.log(LEAST_RATIO)))
    rivals = [
        c.findings[0].suggested or ""
        for c in better
        if c.findings[0].code == "rotation-convention" and c.weight > better[0].weight - close
    ]
    if null > better[0].weight - close:
        rivals.append(scene.layout.pendant.rotation)
    if len(rivals) < 2:
        return better
    said = finding(
        "rotation-convention",
        "unsettled",
        typed=scene.layout.pendant.rotation,
        candidates=", ".join(rivals),
        tilt_deg=SETTLING_TILT_DEG,
        axis=_calm_axis(scene),
    )
    return [replace(better[0], findings=(said,), last=True)]


def _calm_axis(scene: Scene) -> str:
    """Return the base axis about which the stations turn least."""
    R = scene.stations.typed[:, :3, :3]
    turns = rotation_log(R @ R[0].T)
    spread = turns.std(axis=0)
    return f"base {AXES[int(spread.argmin())]}"


def put_right(scene: Scene, reading: Reading) -> tuple[Problem, Texts]:
    """Return the session as read otherwise: problem and texts."""
    problem = applied(scene.found.problem, scene.ids, reading.typed)
    pendant = problem.pendant
    if reading.code == "rotation-convention":
        pendant = replace(pendant, rotation=reading.value)
        if reading.quantity:
            pendant = replace(pendant, angle_unit=reading.quantity)  # type: ignore[arg-type]
    elif reading.code == "unit" and reading.quantity == "angles":
        pendant = replace(pendant, angle_unit=reading.value)  # type: ignore[arg-type]
    elif reading.code == "unit":
        pendant = replace(pendant, length_unit=reading.value)  # type: ignore[arg-type]
    texts = texts_of(scene)
    if reading.order is not None:
        texts = {i: scene.fields[k] for i, k in zip(scene.ids, reading.order, strict=True)}
    alone = {scene.ids[row] for row in reading.alone}
    observations = tuple(seen for seen in problem.observations if seen.id not in alone)
    return replace(problem, pendant=pendant, observations=observations), texts


def _set_aside(scene: Scene, reading: Reading) -> frozenset[int]:
    if reading.order is None:
        return frozenset()
    return frozenset(i for row, i in enumerate(scene.ids) if reading.order[row] != row)


def described_as(scene: Scene, reading: Reading) -> tuple[Finding, ...]:
    """Return the finding of a reading."""
    pendant = scene.layout.pendant
    if reading.code == "rotation-convention":
        said = finding(
            "rotation-convention",
            field="rotation",
            typed=pendant.rotation,
            suggested=reading.value,
            also=also_called(reading.value),
        )
        unit = (_unit("angles", pendant.angle_unit, reading.quantity),) if reading.quantity else ()
        return (said, *unit)
    if reading.code == "unit":
        declared = pendant.angle_unit if reading.quantity == "angles" else pendant.length_unit
        return (_unit(reading.quantity, declared, reading.value),)
    if reading.code == "inverse-pose":
        return (finding("inverse-pose"),)
    moved = sorted(_set_aside(scene, reading))
    if reading.code == "swap":
        return (finding("pairing", "swap", stations=moved),)
    return (_shift(reading, moved),)


def _shift(reading: Reading, moved: list[int]) -> Finding:
    by = -int(reading.value)
    return finding(
        "pairing",
        stations=moved,
        station=moved[0] if reading.start else None,
        suggested=reading.value,
        shift=abs(by),
        shift_signed=f"{'+' if by < 0 else '−'} {abs(by)}",
    )


def _unit(quantity: str, declared: str, fits: str) -> Finding:
    return finding(
        "unit",
        "session",
        field=f"{'angle' if quantity == 'angles' else 'length'}_unit",
        typed=declared,
        suggested=fits,
        quantity=quantity,
        looks_like=UNIT_NAMES[fits],
        expected=UNIT_NAMES[declared],
        key=f"{'angle' if quantity == 'angles' else 'length'}_unit",
    )


def also_called(rotation: str) -> str:
    """Return in words which other name with reversed labels means the same matrices, or ""."""
    for other in ROTATIONS:
        order = equivalent(rotation, other)
        if other != rotation and order == (2, 1, 0):
            return f" (the same as {other} with its three angles in reverse order)"
    return ""
