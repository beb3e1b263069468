"""Inputs that the cell calls exact, or knows better than the stations show them to be."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from mistakes import unsure
from refits import check_refit
from simulated_sessions import Case, simulated
from two_cameras import pair

from engine.diagnosis.diagnose import diagnosed
from engine.diagnosis.inputs import as_inexact, contradicted
from engine.diagnosis.together import diagnosed_together
from engine.estimate.loosened import FOCAL, SCALE, USUAL, loosened
from engine.estimate.problem import Problem
from engine.estimate.result import Result
from engine.estimate.solver import fitted
from engine.findings import Finding

FEW = Case(stations=8, geometry_mm=0.35, beyond_mm=0.2, accuracy_mm=0.4)
TOLD, LONGER = 0.0004, 1.003


def told_too_exactly(problem: Problem, scale_u: float = TOLD) -> Problem:
    """Return the problem with a board that is told too long, by more than is said of it."""
    problem = unsure(problem)
    board = replace(problem.board, pitch_mm=LONGER * problem.board.pitch_mm, scale_u=scale_u)
    return replace(problem, board=board)


def session(seed: int = 4) -> Problem:
    return simulated(FEW, np.random.default_rng([seed, 5])).problem


def doubted(result: Result) -> list[Finding]:
    return [item for item in result.findings if item.code == "input-doubted"]


@pytest.mark.parametrize("scale_u", [TOLD, 0.0])
def test_a_pitch_told_too_exactly_counts_as_is_usual(scale_u: float) -> None:
    found = diagnosed(told_too_exactly(session(), scale_u))
    (said,) = doubted(found)
    assert (said.level, said.field) == ("note", SCALE)
    assert f"says ±{100 * scale_u:.2g} %" in said.message
    k = found.systematic.names.index("board scale")
    assert found.systematic.prior_sd[k] == USUAL[SCALE]
    assert found.systematic.value[k] == pytest.approx(
        1.0 - LONGER, abs=2.0 * found.systematic.sd[k]
    )


def test_a_pitch_as_exact_as_told_is_believed() -> None:
    problem = unsure(session())
    problem = replace(problem, board=replace(problem.board, scale_u=TOLD))
    found = fitted(problem)
    assert found is not None
    assert as_inexact(found) is found


@pytest.mark.parametrize("scale_u", [TOLD, 0.0])
def test_what_was_told_too_exactly_fits_as_from_the_beginning(scale_u: float) -> None:
    found = fitted(told_too_exactly(session(), scale_u))
    assert found is not None
    assert contradicted(found) == {SCALE}
    problem = loosened(found.problem, frozenset({SCALE, FOCAL}))
    assert problem.doubted == ((SCALE, scale_u),)  # the lens is told as is usual
    check_refit(found, problem)


def test_cameras_doubt_the_board_that_they_share_together() -> None:
    first, second = (told_too_exactly(one) for one in pair(replace(FEW, stations=5), 4).problems)
    keys = [contradicted(found) for one in (first, second) if (found := fitted(one))]
    assert keys == [set(), {SCALE}]
    found = diagnosed_together([first, second], [{}, {}])
    assert found.joint is not None
    assert [[item.field for item in doubted(one)] for one in found.results] == [[SCALE]] * 2
    own = [one.systematic for one in found.results]
    values = [one.value[one.names.index("board scale")] for one in own]
    assert values[0] == values[1]
