"""Robot geometry worse than stated: an error that is the same smooth function of the pose."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..estimate.fit import State, Stations, fit
from ..estimate.systematic import flange_errors, systematic, typed_joints
from ..findings import finding
from ..frames import Array
from ..robots.model import ASSUMED_ACCURACY_MM
from .cause import OUTLIER_SHARE, Cause, texts_of
from .scene import Scene, evidence

LEAST_MM = 0.1  # mm; below, a robot is as good as compensated (Slamani, Nubiola, Bonev 2012)
SMOOTH_SHARE = -3.0  # log of how common it is among sessions, common practice, no source
LEVER_MM = (
    400.0  # mm; over such a distance errors of an arm change by their own size, common practice
)
# What a robot of 0.5 mm turns the flange (Slamani, Nubiola, Bonev 2012: 0.65 mm and 0.16°).
RAD_PER_MM = float(np.radians(0.16)) / 0.65


def smooth_causes(scene: Scene) -> list[Cause]:
    """Return the robot's geometry as a cause, where the estimate does not hold it already."""
    found = scene.found
    if len(found.stations.systematic_sd):
        return []
    columns, sd = _arm_columns(scene) or _any_columns(found.stations)
    stations = replace(found.stations, systematic=columns, systematic_sd=sd)
    state = State(found.fit.state.camera, found.fit.state.board, np.zeros(len(sd)))
    used = found.used
    ended = fit(stations.take(used), state, found.prior)
    weight = evidence(stations, used, ended, found.prior) + SMOOTH_SHARE
    weight += OUTLIER_SHARE * float((~used).sum())
    moved = (columns[used] @ ended.state.errors)[:, 3:]
    error = float(np.sqrt((moved**2).sum(axis=1).mean()))
    if error < LEAST_MM:
        return []
    described = finding("robot-geometry", error_mm=f"{error:.2g}", suggested=f"{error:.2g}")
    return [Cause(weight, (described,), found.problem, texts_of(scene), last=True)]


def _arm_columns(scene: Scene) -> tuple[Array, Array] | None:
    """Return the flange's displacement per geometric error of the arm, where it is described."""
    robot = scene.found.problem.robot
    if robot is None or not (robot.geometry_mm or robot.links):
        return None
    model = systematic(replace(robot, accuracy_mm=ASSUMED_ACCURACY_MM))
    seen = tuple(scene.found.problem.observations[i] for i in scene.found.gathered.index)
    return flange_errors(model, scene.stations.typed, typed_joints(seen)), model.sd


def _any_columns(stations: Stations) -> tuple[Array, Array]:
    """Return displacements (n, 6, 18) that grow linearly with the place, for any arm."""
    place = stations.typed[:, :3, 3]
    off = (place - place.mean(axis=0)) / LEVER_MM
    columns = np.zeros((len(place), 6, 18))
    for axis in range(6):
        columns[:, axis, 3 * axis : 3 * axis + 3] = off
    sd = np.repeat([ASSUMED_ACCURACY_MM * RAD_PER_MM, ASSUMED_ACCURACY_MM], 9)
    return columns, sd
