"""The arm may stand in another configuration at some stations: its wrist turned over, say.

A typed pose does not show the configuration, and errors of joint zeros and lengths move the flange
differently in each. A station in another one than assumed looks off by a fraction of the robot's
accuracy, and nothing is wrong with it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..errors import StationbookError
from ..estimate.fit import Fit, State, Stations, System, fit, linear_system
from ..estimate.systematic import postures_at
from ..robots.kinematics import Kinematics
from .causes import Cause, evidence, texts_of
from .scene import Scene

OTHER_SHARE = float(np.log(1 / 20))  # stations in another configuration, common practice, no source
ROUNDS = 4  # choices in turn with fits; 2 settle
SAME_RAD = 1e-3  # [rad] postures that differ by less are one


def configuration_causes(scene: Scene) -> list[Cause]:
    """Return the configurations that explain the stations best, where they differ from the usual.

    Nothing to tell the operator, so the cause has no finding; the result is made with them.
    """
    found = scene.found
    arm = found.systematic.arm
    seen = [found.problem.observations[i] for i in found.gathered.index]
    if arm is None or any(item.joints is not None for item in seen):
        return []
    usual = postures_at(arm, scene.stations.typed, [None] * len(seen))
    options = [_options(arm, T, q) for T, q in zip(scene.stations.typed, usual, strict=True)]
    chosen, used, stations, ended = _settled(scene, arm, options)
    changed = int((chosen > 0).sum())
    if not changed:
        return []
    weight = evidence(stations, used, ended, found.prior) + OTHER_SHARE * changed
    joints = {
        station: postures[k]
        for station, postures, k in zip(scene.ids, options, chosen, strict=True)
        if np.isfinite(postures[k]).all()
    }
    observations = tuple(
        replace(item, joints=joints.get(item.id)) for item in found.problem.observations
    )
    problem = replace(found.problem, observations=observations)
    return [Cause(weight, (), problem, texts_of(scene), kept=True)]


def _options(arm: Kinematics, pose: Array, usual: Array) -> Array:
    """Return the postures (k, axes) that hold ``pose``, the usual one first."""
    try:
        branches = arm.branches(pose, limited=False)
    except StationbookError:
        branches = np.empty((0, arm.axes))
    others = [q for q in branches if np.abs(np.sin((q - usual) / 2.0)).max() > SAME_RAD]
    return np.array([usual, *others])


def _settled(
    scene: Scene, arm: Kinematics, options: list[Array]
) -> tuple[NDArray[np.int64], NDArray[np.bool_], Stations, Fit]:
    """Return the choice (n,) that fits best, the stations then used (n,), and their fit.

    In turn: every station takes the posture that its image likes best, then all are fitted again.
    A station that was left out joins when another posture is found for it.
    """
    found, used = scene.found, scene.used
    J = [_jacobians(arm, q, J) for q, J in zip(options, scene.stations.systematic, strict=True)]
    chosen, stations, ended = np.zeros(len(J), int), scene.stations, found.fit
    for _ in range(ROUNDS):
        system = linear_system(stations, ended.state)
        again = np.array(
            [
                _sizes(scene.V[row], J[row], chosen[row], system, row, ended.state).argmin()
                for row in range(len(J))
            ]
        )
        if (again == chosen).all():
            break
        chosen, used = again, scene.used | (again > 0)
        systematic = np.array([J[row][k] for row, k in enumerate(chosen)])
        stations = replace(stations, systematic=systematic)
        ended = fit(stations.take(used), ended.state, found.prior, noise=ended.noise)
    return chosen, used, stations, ended


def _jacobians(arm: Kinematics, postures: Array, usual: Array) -> Array:
    """Return the flange's displacement (k, 6, p) per systematic error in each posture."""
    if not np.isfinite(postures[0]).all():
        return usual[None]
    return np.concatenate([usual[None], arm.parameter_jacobian(postures[1:])])


def _sizes(V: Array, J: Array, chosen: int, system: System, row: int, state: State) -> Array:
    """Return the squared deviation (k,) of a station in each posture, errors as estimated."""
    moved = (J - J[chosen]) @ state.errors[: J.shape[2]]
    off = system.residual[row] - moved @ system.by_flange[row].T
    return np.asarray(np.einsum("ki,ij,kj->k", off, np.linalg.inv(V), off))
