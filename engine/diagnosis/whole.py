"""Causes that concern every station: convention, unit, inverse poses, images shifted by one.

All of them are judged at once by closed forms and the sum of log(1 + squared deviation), which a
bad station cannot buy; the few best are fitted like the session itself.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..cell.stations import numbers
from ..checks.entry import UNIT_NAMES
from ..errors import StationbookError
from ..estimate.gather import in_one_numbering
from ..estimate.problem import Problem, related
from ..estimate.solver import LEAST_STATIONS, Solution
from ..estimate.start import squared_deviation, transforms_from
from ..findings import Finding, finding
from ..frames import AXES, inverse, rotation_log
from ..pendant.conventions import (
    EULER_ROTATIONS,
    POSITION_FIELDS,
    QUATERNION_WXYZ,
    QUATERNION_XYZW,
    ROTATIONS,
    VECTOR,
    YAW,
    equivalent,
    is_quaternion,
)
from ..pendant.entry import format_pose
from ..pendant.settings import ANGLE_RAD, JOINTS, LENGTH_MM
from ..robots.reach import out_of_reach
from .causes import Cause, apart_weight, declared_weight, solved_weight, texts_of
from .images import HOPELESS, partners
from .reported import inverse_said
from .scene import Scene, Texts

ALONE = float(np.log1p(5.0**2))  # of a station that a shift leaves without a partner
HALVED = 8  # stations from which on every other one is enough for a closed form
THIRDS = 12  # stations from which on every third one is enough: two bad ones spare one part
JUDGES = 40  # stations that judge; more change nothing

UNITS_OF = (("positions", "length_unit", LENGTH_MM), ("angles", "angle_unit", ANGLE_RAD))
LOG_SHARE = {  # logarithm of how common each cause is among sessions, common practice, no source
    "rotation-convention": -3.0,
    "unit": -4.0,
    "inverse-pose": -5.0,
    "pairing": -4.0,
}


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """One other reading of the whole session.

    ``code`` of the finding; ``value`` what it suggests (a rotation, a unit, a shift); ``typed``
    (n, 4, 4) the poses then; ``log_share`` how common it is. ``order`` (n,) says whose pose each
    station gets, where poses change places. ``quantity`` of a unit ("angles", "positions"); for a
    convention the other unit. ``some``: the rows read so, where it is not all; ``alone``: rows that
    are left without a partner.
    """

    code: str
    value: str
    typed: Array
    log_share: float
    quantity: str = ""
    order: tuple[int, ...] | None = None
    some: tuple[int, ...] = ()
    alone: tuple[int, ...] = ()


def readings(scene: Scene, *, calm: bool) -> list[Reading]:
    """Return every other reading of the session's poses.

    ``calm``: nothing else stands out, so only those that a session can hide: another convention,
    where tilts are small.
    """
    pendant = scene.layout.pendant
    if calm:
        return _rotations(scene, (pendant.angle_unit,))
    items = _rotations(scene, ANGLE_RAD) + _units(scene) + _paired(scene)
    typed = scene.stations.typed
    items.append(Reading("inverse-pose", "", inverse(typed), LOG_SHARE["inverse-pose"]))
    return items


def _rotations(scene: Scene, units: Iterable[str]) -> list[Reading]:
    """Return the readings under every other rotation convention and angle unit."""
    pendant = scene.layout.pendant
    if pendant.rotation == JOINTS:
        return []
    values = np.array([numbers(fields) for fields in scene.fields])
    if pendant.rotation == YAW:
        other_way = scene.layout.poses(values * np.array([1.0, 1.0, 1.0, -1.0]))
        return [Reading("rotation-convention", YAW, other_way, LOG_SHARE["rotation-convention"])]
    quaternion = is_quaternion(pendant.rotation)
    names: Sequence[str] = (
        (QUATERNION_WXYZ, QUATERNION_XYZW) if quaternion else (*EULER_ROTATIONS, VECTOR)
    )
    items = []
    for unit in (pendant.angle_unit,) if quaternion else units:
        for name in names:
            if name == pendant.rotation:
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
    share = LOG_SHARE["rotation-convention"] - float(np.log(count))
    both = "" if unit == pendant.angle_unit else unit
    extra = LOG_SHARE["unit"] if both else 0.0
    return Reading("rotation-convention", name, typed, share + extra, quantity=both)


def _units(scene: Scene) -> list[Reading]:
    """Return the poses read in another unit, at all stations or at those that look like it."""
    pendant, items = scene.layout.pendant, list[Reading]()
    if pendant.shows_joints:
        return items
    values, n = np.array([numbers(fields) for fields in scene.fields]), len(scene.ids)
    for quantity, key, sizes in UNITS_OF:
        declared, at = getattr(pendant, key), slice(0, POSITION_FIELDS)
        if quantity == "angles":
            at = slice(POSITION_FIELDS, None)
        if quantity == "angles" and is_quaternion(pendant.rotation):
            continue
        for unit in sizes.keys() - {declared}:
            other = replace(scene.layout, pendant=replace(pendant, **{key: unit}))  # type: ignore[arg-type]
            typed = other.poses(values)
            items.append(Reading("unit", unit, typed, LOG_SHARE["unit"], quantity=quantity))
            factor = sizes[unit] / sizes[declared]
            for rows in _outlying(scene, np.abs(values[:, at]).max(axis=1), factor):
                mixed = values.copy()
                mixed[rows, at] *= factor
                share = LOG_SHARE["unit"] - float(np.log(n)) * min(len(rows), n - len(rows))
                typed, some = scene.layout.poses(mixed), tuple(rows.tolist())
                items.append(Reading("unit", unit, typed, share, quantity=quantity, some=some))
    return items


def _outlying(scene: Scene, sizes: Array, factor: float) -> list[NDArray[np.int64]]:
    """Return the rows whose values may be ``factor`` times too small.

    Those that the fit left out, and those on the small (or large) side of the widest gap between
    the ``sizes`` (n,) of the values.
    """
    order = np.argsort(sizes if factor > 1.0 else -sizes)
    gaps = np.abs(np.diff(np.log(np.maximum(sizes[order], 1e-9))))
    small = np.sort(order[: int(gaps.argmax()) + 1])
    left_out = np.flatnonzero(~scene.used)
    return [small, *([left_out] if len(left_out) and not np.array_equal(left_out, small) else [])]


def _paired(scene: Scene) -> list[Reading]:
    """Return the images with the poses to which they belong, in whatever order they came.

    Two that are exchanged and a shift, throughout or from some station on, are likelier than any
    other order.
    """
    paired, ids = partners(scene), np.array(scene.ids)
    n = len(paired)
    moved = np.flatnonzero(paired != np.arange(n))
    if not len(moved):
        return []
    alone, first = np.flatnonzero(paired < 0), int(moved[0])
    by = np.unique((ids[paired] - ids)[np.setdiff1d(moved, alone)])
    value, share = "", -sum(float(np.log(n - k)) for k in range(len(moved)))
    if len(moved) == 2 and not len(alone):
        share = -float(np.log(n * (n - 1) / 2))
    elif len(by) == 1 and len(moved) == n - first and len(alone) == abs(by[0]):
        value, share = f"{by[0]:+d}", -float(np.log(2 * n)) * (first > 0)
    order = paired.copy()
    order[alone] = np.setdiff1d(np.arange(n), paired)
    typed, share = scene.stations.typed[order], LOG_SHARE["pairing"] + share
    places, left = tuple(order.tolist()), tuple(alone.tolist())
    return [Reading("pairing", value, typed, share, order=places, alone=left)]


def one_off(scene: Scene) -> list[Reading]:
    """Return the images with the poses of the next stations, and of those before."""
    rows, typed, items = np.arange(len(scene.ids)), scene.stations.typed, []
    for by, lonely in ((1, len(rows) - 1), (-1, 0)):
        order = np.roll(rows, -by)
        share, places = LOG_SHARE["pairing"], tuple(order.tolist())
        items.append(
            Reading("pairing", f"{by:+d}", typed[order], share, order=places, alone=(lonely,))
        )
    return items


def scores(scene: Scene, others: Sequence[Reading]) -> Array:
    """Return for each reading the sum of log(1 + squared deviation) of the best start (h,).

    Each station takes the best of the poses that explain its image; one without a partner counts as
    `ALONE`, and another one stands for it in the closed forms.
    """
    typed = np.array([item.typed for item in others])
    h, n = typed.shape[:2]
    alone, stand_in = np.zeros((h, n), bool), np.tile(np.arange(n), (h, 1))
    for row, item in enumerate(others):
        alone[row, list(item.alone)] = True
        stand_in[row, list(item.alone)] = alone[row].argmin()
    typed = np.take_along_axis(typed, stand_in[..., None, None], 1)
    judges = np.unique(np.linspace(0, n - 1, min(n, JUDGES)).round().astype(int))
    G = related(scene.stations.mount, typed[:, judges])
    best, mount, board = np.full(h, np.inf), scene.stations.mount, scene.found.gathered.board
    views = np.array(
        [
            in_one_numbering(mount, board, T[judges], scene.views[rows[judges]])
            for T, rows in zip(typed, stand_in, strict=True)
        ]
    )
    for rows in _subsets(len(judges)):
        starts = transforms_from(G[:, rows], views[:, rows])
        terms = _terms(scene, judges, G, *starts)
        terms = np.where(alone[:, judges], ALONE, terms)
        best = np.minimum(best, terms.sum(axis=2).min(axis=0))
    return best


def _subsets(n: int) -> list[NDArray[np.int64]]:
    """Return rows for closed forms: all, and some without any one bad station, or any two."""
    every = np.arange(n)
    if n < HALVED:
        return [every, *(np.delete(every, k) for k in every if n > 3)]
    thirds = [every[k::3] for k in range(3)] if n >= THIRDS else []
    return [every, every[::2], every[1::2], *thirds]


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
        cause = unfitted(scene, reading)
        found, weight = solved_weight(cause.problem)
        if found is None:
            continue
        if reading.alone:
            weight += apart_weight(found, scene.stations.dof[list(reading.alone)])
        causes.append(replace(cause, weight=weight + cause.weight, found=found))
    return causes


def unfitted(scene: Scene, reading: Reading) -> Cause:
    """Return a reading as a cause without a fit, whose weight says how common it is."""
    problem, texts = put_right(scene, reading)
    inverted = reading.code == "inverse-pose"
    aside, said = _set_aside(scene, reading), described_as(scene, reading)
    return Cause(reading.log_share, said, problem, texts, aside, last=inverted)


def order_causes(scene: Scene) -> list[Cause]:
    """Return the images in the order of the poses to which they belong, if there is one."""
    return whole_causes(scene, Promising(tuple(_paired(scene)), 0.0))


def settled(scene: Scene, causes: list[Cause]) -> list[Cause]:
    """Return the causes that fit better than the session as declared, the likeliest first.

    Where the likeliest is a convention that another one comes close to, both stand undecided.
    """
    null = declared_weight(scene.found)
    better = sorted((c for c in causes if c.weight > null + SURER), key=lambda c: -c.weight)
    if not better or better[0].findings[0].suggested not in ROTATIONS:
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


def inverse_unsettled(found: Solution) -> list[Finding]:
    """Return that inverse poses fit as well, or nothing.

    Of three poses the inverses turn and travel against each other by the same angles and lengths,
    so they often fit exactly; a fourth station tells. So do joints typed beside a pose, and a
    described arm that cannot hold the inverse poses.
    """
    seen = [found.problem.observations[i] for i in found.gathered.index]
    if len(seen) > LEAST_STATIONS or any(item.joints is not None for item in seen):
        return []
    typed, robot = inverse(found.stations.typed), found.problem.robot
    if robot is not None and out_of_reach(robot, typed, [None] * len(seen)).any():
        return []
    other, weight = solved_weight(applied(found.problem, [item.id for item in seen], typed))
    if other is None or weight < declared_weight(found) - SURER:
        return []
    here, there = found.fit.state.camera, other.fit.state.camera
    distance = np.linalg.norm(here[:3, 3] - there[:3, 3])
    return [finding("too-few", "inverse", distance_mm=distance)]


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
    if reading.quantity and not reading.some:  # of another unit it shows other decimals
        pendant = replace(pendant, decimals=scene.decimals())
    if reading.code == "rotation-convention":
        pendant = replace(pendant, rotation=reading.value)
        if reading.quantity:
            pendant = replace(pendant, angle_unit=reading.quantity)  # type: ignore[arg-type]
    elif reading.code == "unit" and not reading.some:
        key = "angle_unit" if reading.quantity == "angles" else "length_unit"
        pendant = replace(pendant, **{key: reading.value})  # type: ignore[arg-type]
    texts = texts_of(scene)
    if reading.value == YAW:
        for row, station in enumerate(scene.ids):
            texts[station] = format_pose(reading.typed[row], pendant, scene.fields[row])
    for row in reading.some:
        texts[scene.ids[row]] = format_pose(reading.typed[row], pendant, scene.fields[row])
    if reading.order is not None:
        texts = {i: scene.fields[k] for i, k in zip(scene.ids, reading.order, strict=True)}
    alone = {scene.ids[row] for row in reading.alone}
    observations = tuple(seen for seen in problem.observations if seen.id not in alone)
    return replace(problem, pendant=pendant, observations=observations), texts


def _set_aside(scene: Scene, reading: Reading) -> frozenset[int]:
    order = reading.order or range(len(scene.ids))
    moved = {row for row, place in enumerate(order) if row != place}
    return frozenset(scene.ids[row] for row in moved.union(reading.some))


def described_as(scene: Scene, reading: Reading) -> tuple[Finding, ...]:
    """Return the finding of a reading."""
    pendant = scene.layout.pendant
    if reading.value == YAW:
        return (finding("rotation-convention", "yaw", field=pendant.labels[-1]),)
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
        some = [scene.ids[row] for row in reading.some]
        return (_unit(reading.quantity, declared, reading.value, some),)
    if reading.code == "inverse-pose":
        return (inverse_said(scene.found.problem),)
    return (_pairing(scene, reading),)


def _pairing(scene: Scene, reading: Reading) -> Finding:
    places = reading.order or ()
    moved = [row for row, place in enumerate(places) if row != place]
    ids = [scene.ids[row] for row in moved]
    if reading.value:
        by = int(reading.value)
        return finding(
            "pairing",
            stations=ids,
            station=ids[0] if moved[0] else None,
            suggested=reading.value,
            shift=abs(by),
            shift_signed=f"{'+' if by > 0 else '−'} {abs(by)}",
        )
    paired = [row for row in moved if row not in reading.alone]
    return finding(
        "pairing",
        "swap" if len(paired) == len(moved) == 2 else "order",
        stations=[scene.ids[row] for row in paired],
        suggested=", ".join(str(scene.ids[places[row]]) for row in paired),
    )


def _unit(quantity: str, declared: str, fits: str, some: Sequence[int] = ()) -> Finding:
    """Return that the unit of ``quantity`` is another one, at the stations ``some`` or at all."""
    key = f"{'angle' if quantity == 'angles' else 'length'}_unit"
    return finding(
        "unit",
        "stations" if some else "session",
        stations=some or None,
        field=key,
        typed=declared,
        suggested=None if some else fits,
        quantity=quantity,
        looks_like=UNIT_NAMES[fits],
        expected=UNIT_NAMES[declared],
        key=key,
    )


def also_called(rotation: str) -> str:
    """Return in words which other name with reversed labels means the same matrices, or ""."""
    for other in ROTATIONS:
        order = equivalent(rotation, other)
        if other != rotation and order == (2, 1, 0):
            return f" (the same as {other} with its three angles in reverse order)"
    return ""
