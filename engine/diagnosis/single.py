"""One station against all the others: what would explain it, as causes."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations
from operator import attrgetter

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..camera.views import linearised
from ..cell.stations import Observation
from ..checks.entry import SMALL_MOVE_DEG, SMALL_MOVE_MM
from ..checks.explain import Explanation, Prediction, explanations, two_fields
from ..estimate.fit import Fit, fit
from ..estimate.problem import absurd, derivatives, implied_flange
from ..estimate.solver import LEAST_STATIONS
from ..estimate.systematic import flange_errors, postures_at, typed_joints, usual_posture
from ..findings import Finding, Level, finding
from ..frames import displaced, displacement
from ..robots.kinematics import kinematics
from ..tails import f_isf
from .causes import SLIP_SHARE, Cause, apart, evidence, heavy_tails, texts_of, with_pose
from .scene import Alarm, Scene

POSTURES = 8  # stations that tell in which configuration the arm stands
FITS = 1e-4  # [-] a station within its noise is called unexplained this rarely
_VIEW = attrgetter("point_ids", "pixels", "camera_T_board")


@dataclass(frozen=True, slots=True, eq=False)
class Others:
    """What all other stations say of one: its row, their fit, and the poses its image allows.

    ``limit``: the squared deviation up to which a station belongs to them; ``systematic`` (6, p):
    the flange's displacement per systematic error.
    """

    row: int
    fit: Fit
    predictions: tuple[Prediction, ...]
    limit: float
    kept: tuple[bool, ...]
    systematic: Array


def others(scene: Scene, row: int) -> Others:
    """Return what the stations used, less ``row``, say of station ``row``."""
    found = scene.found
    mask = scene.used.copy()
    mask[row] = False
    rest = found.fit
    if (mask != scene.used).any():
        start, noise = found.fit.state, found.fit.noise
        rest = fit(found.stations.take(mask), start, found.prior, noise=noise)
    limit = _limit(FITS, int(mask.sum()))
    candidates = found.gathered.candidates
    plain = candidates.pose[row][candidates.valid[row] & (candidates.turn[row] == found.turn[row])]
    J = _errors_there(scene, rest, mask, plain[0])
    predictions = tuple(predicted(scene, rest, row, view, J) for view in plain)
    return Others(row, rest, predictions, limit, tuple(mask), J)


def _limit(chance: float, count: int) -> float:
    """Return the squared deviation that a good station exceeds by ``chance``, beside ``count``."""
    return 6.0 * f_isf(chance, 6, max(6.0 * count - 12.0, 3.0))


def _errors_there(scene: Scene, rest: Fit, kept: NDArray[np.bool_], view: Array) -> Array:
    """Return the flange's displacement (6, p) per systematic error where the image puts it.

    Where it was typed may be anywhere. The arm stands as at the stations kept.
    """
    found, state = scene.found, rest.state
    if not len(found.stations.systematic_sd):
        return np.empty((6, 0))
    flange = implied_flange(found.problem.mount, state.camera, view, state.board)
    poses = np.concatenate([scene.stations.typed[kept][:POSTURES], flange[None]])
    return np.asarray(flange_errors(found.systematic, poses)[-1])


def predicted(scene: Scene, rest: Fit, row: int, view: Array, J: Array) -> Prediction:
    """Return base_T_flange as typed, if the image of ``row`` shows ``view``, and its covariance.

    ``J`` (6, p) is the flange's displacement per systematic error.
    """
    found, state, p = scene.found, rest.state, J.shape[1]
    mount, known = found.problem.mount, found.gathered
    image = found.views.take(np.array([row]))  # with what depth says, which ``view`` has not
    seen = linearised(image, view[None], known.lens, known.terms)
    seen = seen.without_terms(known.foreign[row : row + 1])
    shown = seen.measured(state.errors[p:])[0]
    flange = implied_flange(mount, state.camera, shown, state.board)
    *fixed, by_flange = derivatives(mount, state.camera, flange[None], state.board)
    rows = np.concatenate([*fixed, by_flange @ J, seen.by_terms], axis=2)[0]
    of_image = rest.noise.pixel_px**2 * np.linalg.inv(seen.information[0])
    back = np.linalg.inv(by_flange[0])
    spread = back @ (of_image + rows @ rest.covariance @ rows.T) @ back.T
    covariance = spread + rest.noise.robot_covariance()
    return Prediction(displaced(flange, -J @ state.errors[:p]), (covariance + covariance.T) / 2)


def slips_of(scene: Scene, seen: Others) -> list[Explanation]:
    """Return the single slips that bring the station within its noise, the likeliest first."""
    previous = scene.fields[seen.row - 1] if seen.row else None
    found = explanations(scene.layout, scene.fields[seen.row], seen.predictions, previous)
    same = _same_everywhere(scene, seen.row)
    likely = [
        replace(item, log_p=item.log_p + OTHER_VALUE * (same.get(k, text) != text))
        for item in found
        if item.size <= seen.limit
        for k, text in [(item.fields[0], item.texts[0])]
    ]
    return sorted(likely, key=attrgetter("log_p"), reverse=True)


def _same_everywhere(scene: Scene, row: int) -> dict[int, str]:
    """Return the fields that show one value at all other stations, and that value."""
    others = [fields for k, fields in enumerate(scene.fields) if k != row]
    if len(others) < CONSTANT:
        return {}
    return {k: texts[0] for k, texts in enumerate(zip(*others, strict=True)) if len({*texts}) == 1}


def double_slips_of(scene: Scene, seen: Others) -> list[Explanation]:
    """Return the slips in two fields that bring the station within its noise."""
    found = two_fields(scene.layout, scene.fields[seen.row], seen.predictions)
    return [item for item in found if item.size <= seen.limit]


MOST_AT_ONCE, FEW = 3, 7  # bad stations that are looked for together, and of how many at most
SUSPECT = 0.2  # [-] chance in a clean session above which a station is beyond suspicion
SUSPECTS = 3  # stations looked at in a session of more than EVERY
EVERY = 8  # stations up to which each is a suspect: a bad one pulls all of them
FITTED = 3  # explanations of a station that are fitted in full
# Stations that show a field to hold one value, as those of an arm that cannot tilt do; log of how
# rarely it was to hold another one then. Common practice, no source.
CONSTANT, OTHER_VALUE = 4, float(np.log(1 / 100))
SLIGHT = 0.05  # [-] chance that the farthest of all good stations is as far off, common practice
OLD_SHARE = float(np.log(1 / 300))  # stations with the image of the stop before, CP, no source
MOVING_SHARE = float(np.log(1 / 500))  # stations where the arm still moved, CP, no source
LEAST_WAY = 1e-3  # [-] share of the way from the station before: less is within the noise
ROUGHLY = 0.15  # [-] of what is left of the way: how far beside it an arm may arrive


def single_causes(scene: Scene, alarms: list[Alarm], *, double: bool) -> list[Cause]:
    """Return the causes at the stations that stand out most; ``alarms`` one per station.

    ``double``: slips in two fields are tried too; where nothing fits yet, they would fit anything.
    """
    by_chance = sorted((a for a in alarms if a.chance < SUSPECT), key=lambda a: a.chance)
    left_out = [int(row) for row in np.flatnonzero(~scene.used)]
    rows = list(dict.fromkeys(left_out + [a.station for a in by_chance if a.station is not None]))
    if len(scene.ids) > EVERY:
        rows = rows[: max(SUSPECTS, len(left_out))]
    if scene.used.sum() <= 3:
        rows = left_out
    return [cause for row in rows for cause in _causes_at(scene, row, double)]


def several_causes(scene: Scene) -> list[Cause]:
    """Return some of few stations together as ones that fit nothing, up to half of them.

    Left out one by one they are not found: each that remains keeps the fit from the good ones.
    """
    n, causes = len(scene.ids), list[Cause]()
    if n > FEW:
        return []
    for count in range(2, min(n // 2, n - LEAST_STATIONS, MOST_AT_ONCE) + 1):
        for rows in combinations(range(n), count):
            kept = np.delete(np.arange(n), rows)
            rest = fit(scene.stations.take(kept), scene.found.fit.state, scene.found.prior)
            if not absurd(rest.noise, scene.found.prior):
                causes.append(_several(scene, rows, rest))
    return causes


def _several(scene: Scene, rows: tuple[int, ...], rest: Fit) -> Cause:
    found, used = scene.found, np.ones(len(scene.ids), bool)
    used[list(rows)] = False
    weight = evidence(found.stations, used, rest, found.prior)
    said, state, mount = list[Finding](), rest.state, found.problem.mount
    for row in rows:
        flange = implied_flange(mount, state.camera, scene.views[row], state.board)
        said.append(_unfitting(scene, row, flange))
    return _without(scene, weight, *said)


def _unfitting(scene: Scene, row: int, flange: Array) -> Finding:
    """Return the finding of a station whose flange must be at ``flange`` (4, 4)."""
    distance_mm, angle_deg = _off(scene, row, flange)
    return finding(
        "outlier",
        "last" if row == len(scene.ids) - 1 else None,
        station=scene.ids[row],
        distance_mm=distance_mm,
        angle_deg=angle_deg,
    )


def _causes_at(scene: Scene, row: int, double: bool) -> list[Cause]:
    seen = others(scene, row)
    if again := _taken_again(scene, seen):  # to the last digit: no accident, whatever else fits
        return [_without(scene, _others_weight(scene, seen), again)]
    found = slips_of(scene, seen)
    causes = [_slip_cause(scene, seen, item) for item in found[:FITTED]]
    causes += _old_image(scene, seen) or _moving_causes(scene, seen)
    if not causes and double:
        causes = [_slip_cause(scene, seen, item) for item in double_slips_of(scene, seen)[:1]]
    return [*causes, _outlier_cause(scene, seen)]


def _slip_cause(scene: Scene, seen: Others, item: Explanation) -> Cause:
    """Return a slip as a cause, with its weight from a fit of the corrected station."""
    found, row = scene.found, seen.row
    typed = scene.stations.typed.copy()
    typed[row] = item.pose
    systematic = scene.stations.systematic.copy()
    systematic[row] = seen.systematic
    stations = replace(found.stations, typed=typed, systematic=systematic)
    used = scene.used.copy()
    used[row] = True
    if item.view:
        pose = found.stations.views.pose.copy()
        pose[row] = found.gathered.candidates.pose[row][item.view]
        stations = replace(stations, views=replace(stations.views, pose=pose))
    ended = fit(stations.take(used), seen.fit.state, found.prior, noise=seen.fit.noise)
    weight = evidence(stations, used, ended, found.prior)
    weight += SLIP_SHARE + item.log_p + 0.5 * item.size
    fields = list(scene.fields[row])
    for k, text in zip(item.fields, item.texts, strict=True):
        fields[k] = text
    problem, texts = with_pose(scene, row, item.pose, tuple(fields))
    said = typed_values(scene, row, item)
    return Cause(weight, said, problem, texts, frozenset({scene.ids[row]}))


def typed_values(scene: Scene, row: int, item: Explanation) -> tuple[Finding, ...]:
    """Return one `typed-value` per field changed."""
    return tuple(
        finding(
            "typed-value",
            station=scene.ids[row],
            field=scene.layout.labels[k],
            typed=scene.fields[row][k],
            suggested=text,
        )
        for k, text in zip(item.fields, item.texts, strict=True)
    )


def _old_image(scene: Scene, seen: Others) -> list[Cause]:
    """Return the station as one whose image shows the board as it stood at the stop before.

    A camera may still deliver the image it took there, or the arm not have left.
    """
    row, prediction = seen.row, seen.predictions[0]
    place = int(scene.found.gathered.index[row])
    if not place:
        return []
    before = scene.found.problem.observations[place - 1]
    off = displacement(prediction.flange, before.base_T_flange)
    size, log_density = _normal(off, prediction.covariance)
    if size > seen.limit:
        return []
    way = displacement(scene.stations.typed[row], before.base_T_flange)
    described = finding(
        "same-image",
        "unchanged",
        level=Level.ERROR,
        station=scene.ids[row],
        other=before.id,
        distance_mm=np.linalg.norm(way[3:]),
        angle_deg=np.degrees(np.linalg.norm(way[:3])),
    )
    return [_instead_of_apart(scene, seen, OLD_SHARE + log_density, described)]


def _instead_of_apart(scene: Scene, seen: Others, log_density: float, said: Finding) -> Cause:
    """Return a cause that puts the station, left out, where it has this density."""
    weight = _others_weight(scene, seen) + log_density
    stations = scene.found.stations
    heavy = heavy_tails(stations.take(np.array(seen.kept)), seen.fit)
    weight -= apart(stations.take(np.array([seen.row])), seen.fit, heavy)
    return _without(scene, weight, said)


def _moving_causes(scene: Scene, seen: Others) -> list[Cause]:
    """Return the station as one where the arm had not arrived, or the pendant not been read yet.

    It is then off by a small share of its way from the stop before, either way; that may be one
    without an image.
    """
    found, row = scene.found, seen.row
    place = int(found.gathered.index[row])
    if not place:
        return []
    before = found.problem.observations[place - 1]
    typed, prediction = scene.stations.typed, seen.predictions[0]
    off = displacement(prediction.flange, typed[row])
    ways = [way for way in _ways(scene, row, before) if way.any()]  # none: its pose once more
    if not ways:
        return []
    tried = [_on_the_way(off, way, prediction.covariance) for way in ways]
    share, log_density, size = max(tried, key=lambda item: item[1])
    if size > seen.limit or not LEAST_WAY < abs(share) < 1.0:
        return []
    described = finding(
        "still-moving",
        station=scene.ids[row],
        other=before.id,
        distance_mm=np.linalg.norm(off[3:]),
        angle_deg=np.degrees(np.linalg.norm(off[:3])),
    )
    log_density += MOVING_SHARE - float(np.log(len(ways)))
    return [_instead_of_apart(scene, seen, log_density, described)]


def _ways(scene: Scene, row: int, before: Observation) -> list[Array]:
    """Return the ways (6,) back to the stop before: straight, and by joints as it arrives."""
    poses = np.array([before.base_T_flange, scene.stations.typed[row]])
    ways = [displacement(poses[0], poses[1])]
    found, robot = scene.found, scene.found.problem.robot
    if robot is not None and (robot.geometry_mm or robot.links):
        arm = kinematics(robot)
        joints = typed_joints(tuple(found.problem.observations[i] for i in found.gathered.index))
        usual = usual_posture(arm, scene.stations.typed, joints)
        q = postures_at(arm, poses, [before.joints, joints[row]], usual)
        if np.isfinite(q).all():
            ways.append(arm.forward_and_jacobian(q[1:])[1][0] @ (q[0] - q[1]))
    return ways


def _on_the_way(off: Array, way: Array, covariance: Array) -> tuple[float, float, float]:
    """Return the share of ``way`` (6,) nearest to ``off``, its log density, and the rest's size.

    The share's logarithm is anything from `LEAST_WAY` to 1; the arm comes along the way within
    `ROUGHLY` of it.
    """
    share, spread = 0.0, covariance
    for _ in range(2):
        loose = np.repeat([np.linalg.norm(way[:3]), np.linalg.norm(way[3:])], 3) * ROUGHLY * share
        spread = covariance + np.diag(loose**2)
        weighed = np.linalg.solve(spread, way)
        information = float(weighed @ way)
        share = float(weighed @ off) / information
    rest = off - share * way
    size, density = _normal(rest, spread)
    density += 0.5 * float(np.log(2.0 * np.pi / information))
    range_ = 2.0 * float(np.log(1.0 / LEAST_WAY))
    return share, density - float(np.log(range_ * max(abs(share), LEAST_WAY))), size


def _normal(off: Array, covariance: Array) -> tuple[float, float]:
    """Return the squared size of ``off`` (k,) in its deviations, and its log density, normal."""
    size = float(off @ np.linalg.solve(covariance, off))
    return size, -0.5 * (size + float(np.linalg.slogdet(2.0 * np.pi * covariance)[1]))


def _taken_again(scene: Scene, seen: Others) -> Finding | None:
    """Return that the station has the image or the pose of another one, equal in every digit.

    The pose only where the image tells that the robot moved: it may have come back there, as a
    closing stop does on purpose.
    """
    row, id_ = seen.row, scene.ids[seen.row]
    distance_mm, angle_deg = _off(scene, row, seen.predictions[0].flange)
    moved = distance_mm > SMALL_MOVE_MM or angle_deg > SMALL_MOVE_DEG
    stops = [scene.found.problem.observations[i] for i in scene.found.gathered.index]
    for other in (*range(row)[::-1], *range(row + 1, len(stops))):
        if all(map(np.array_equal, _VIEW(stops[other]), _VIEW(stops[row]))):
            return finding("same-image", level=Level.ERROR, station=id_, other=scene.ids[other])
        meant = stops[other].closing or stops[row].closing
        if moved and not meant and scene.fields[other] == scene.fields[row]:
            variant = "previous" if other == row - 1 else None
            return finding("duplicate", variant, station=id_, other=scene.ids[other])
    return None


def _others_weight(scene: Scene, seen: Others) -> float:
    """Return the evidence of the other stations alone."""
    found = scene.found
    return evidence(found.stations, np.array(seen.kept), seen.fit, found.prior)


def _outlier_cause(scene: Scene, seen: Others) -> Cause:
    """Return the station as one that fits nothing."""
    prediction = seen.predictions[0]
    off = displacement(prediction.flange, scene.stations.typed[seen.row])
    size, n = _normal(off, prediction.covariance)[0], len(scene.ids)
    slight = bool(scene.used[seen.row]) and size < _limit(SLIGHT / n, sum(seen.kept))
    described = _unfitting(scene, seen.row, prediction.flange)
    return replace(_without(scene, _others_weight(scene, seen), described), slight=slight)


def _off(scene: Scene, row: int, flange: Array) -> tuple[float, float]:
    """Return how far [mm] and turned [deg] the typed pose is from ``flange`` (4, 4)."""
    off = displacement(flange, scene.stations.typed[row])
    return float(np.linalg.norm(off[3:])), float(np.degrees(np.linalg.norm(off[:3])))


def _without(scene: Scene, weight: float, *described: Finding) -> Cause:
    """Return the cause that leaves out the stations that are described."""
    ids = frozenset(item.station for item in described if item.station is not None)
    observations = scene.found.problem.observations
    left = tuple(seen for seen in observations if seen.id not in ids)
    problem = replace(scene.found.problem, observations=left)
    return Cause(weight, described, problem, texts_of(scene), ids)
