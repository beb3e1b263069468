"""Causes at single stations: one typed value, two, a half-turn, or nothing that explains it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..checks.explain import Explanation
from ..estimate.fit import fit
from ..findings import Finding, finding
from ..frames import displacement
from .cause import OUTLIER_SHARE, SLIP_SHARE, Cause, texts_of, with_pose
from .scene import LOG_ANYWHERE, Scene, evidence
from .screen import Alarm
from .single import Others, deviation, double_slips_of, half_turn_of, others, slips_of

SUSPECT = 0.2  # [-] chance in a clean session above which a station is beyond suspicion
SUSPECTS = 3  # stations looked at in a session of more than EVERY
EVERY = 8  # stations up to which each is a suspect: a bad one pulls all of them
FITTED = 3  # explanations of a station that are fitted in full
TURN_SHARE = -3.0  # log of how common a half-turn is against a slip, common practice


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


def _causes_at(scene: Scene, row: int, double: bool) -> list[Cause]:
    seen = others(scene, row)
    found = slips_of(scene, seen)
    turn = half_turn_of(scene, seen)
    causes = [_slip_cause(scene, seen, item) for item in found[:FITTED]]
    if turn is not None:
        causes.append(_turn_cause(scene, seen, turn))
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
    weight += SLIP_SHARE + item.log_p + 0.5 * item.size + OUTLIER_SHARE * float((~used).sum())
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


def _turn_cause(scene: Scene, seen: Others, turn: str) -> Cause:
    """Return the half-turn of a board that does not look the same after it."""
    found, row = scene.found, seen.row
    place = int(found.gathered.index[row])
    observation = found.problem.observations[place]
    ids = observation.point_ids
    if ids is None:
        return _outlier_cause(scene, seen)
    last = found.problem.board.count - 1
    observations = list(found.problem.observations)
    observations[place] = replace(observation, point_ids=last - ids)
    problem = replace(found.problem, observations=tuple(observations))
    turned = seen.predictions[seen.plain :]
    size = min(deviation(p, scene.stations.typed[row]) for p in turned)
    spread = float(np.linalg.slogdet(2 * np.pi * turned[0].covariance)[1])
    weight = evidence(found.stations, np.array(seen.kept), seen.fit, found.prior)
    weight -= 0.5 * (size + spread)
    weight += SLIP_SHARE + TURN_SHARE
    weight += OUTLIER_SHARE * float(len(seen.kept) - 1 - sum(seen.kept))
    weight -= LOG_ANYWHERE
    described = finding("board-turned", stations=[scene.ids[row]], turn=turn)
    return Cause(weight, (described,), problem, texts_of(scene), kept=True)


def _outlier_cause(scene: Scene, seen: Others) -> Cause:
    """Return the station as one that fits nothing."""
    found, row = scene.found, seen.row
    kept = np.array(seen.kept)
    weight = evidence(found.stations, kept, seen.fit, found.prior)
    weight += OUTLIER_SHARE * float((~kept).sum())
    off = displacement(seen.predictions[0].flange, scene.stations.typed[row])
    described = finding(
        "outlier",
        station=scene.ids[row],
        distance_mm=f"{np.linalg.norm(off[3:]):.2f}",
        angle_deg=f"{np.degrees(np.linalg.norm(off[:3])):.2f}",
    )
    problem = replace(
        found.problem,
        observations=tuple(o for o in found.problem.observations if o.id != scene.ids[row]),
    )
    return Cause(
        weight,
        (described,),
        problem,
        texts_of(scene),
        frozenset({scene.ids[row]}),
    )
