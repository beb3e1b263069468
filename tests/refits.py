"""A fit that goes on from where another one ended, against one that begins anew."""

from __future__ import annotations

import numpy as np

from engine.estimate.problem import Problem
from engine.estimate.solver import Solution, fitted, refitted


def check_refit(found: Solution, problem: Problem) -> None:
    """Check that ``problem`` fitted from where ``found`` ended is what it is from the beginning."""
    again, anew = refitted(found, problem), fitted(problem)
    assert again is not None
    assert anew is not None
    sd = np.sqrt(np.diag(anew.fit.covariance))[:12]
    assert np.abs(again.fit.state.away(anew.fit.state) / sd).max() < 0.01
    np.testing.assert_allclose(again.fit.noise.log_variance, anew.fit.noise.log_variance, atol=0.02)
