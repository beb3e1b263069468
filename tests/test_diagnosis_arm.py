"""An arm that the cell calls exact and the stations do not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from refits import check_refit
from simulated_sessions import Case, simulated

from engine.diagnosis.arm import as_inaccurate
from engine.estimate.problem import USUAL_ACCURACY_MM, Problem, inaccurate
from engine.estimate.solver import fitted

WORSE = Case(stations=15, geometry_mm=0.35, beyond_mm=0.2, accuracy_mm=0.0)  # than it is told


def session(seed: int) -> Problem:
    return simulated(WORSE, np.random.default_rng([seed, 31])).problem


def test_another_arm_fits_as_from_the_beginning() -> None:
    found = fitted(session(1))
    assert found is not None
    problem = inaccurate(found.problem)
    check_refit(found, problem)


def test_a_station_set_aside_stays_out_where_the_arm_is_believed_worse() -> None:
    found = fitted(session(1))
    assert found is not None
    used = found.used.copy()
    used[6] = False  # something that was typed wrong, say
    believed = as_inaccurate(replace(found, used=used))
    robot = believed.problem.robot
    assert robot is not None
    assert robot.accuracy == USUAL_ACCURACY_MM
    assert not believed.used[6]
    assert believed.used.sum() == used.sum()
