"""Tails of distributions against `scipy.stats`, an implementation that the engine does not use."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from engine import tails

DEGREES = (1.0, 3.7, 40.0, 2000.0)


@pytest.mark.parametrize("p", [0.4, 0.05, 0.001, 1e-8])
def test_what_is_exceeded_with_a_chance_is_what_scipy_says(p: float) -> None:
    for d in DEGREES:
        assert tails.chi2_isf(p, d) == pytest.approx(stats.chi2.isf(p, d), rel=1e-7)
        assert tails.t_isf(p, d) == pytest.approx(stats.t.isf(p, d), rel=1e-7)
        assert tails.f_isf(p, 6, d) == pytest.approx(stats.f.isf(p, 6, d), rel=1e-7)


@pytest.mark.parametrize("x", [0.0, 0.3, 2.0, 25.0])
def test_the_chance_to_exceed_is_what_scipy_says(x: float) -> None:
    for d in DEGREES:
        assert tails.chi2_sf(x, d) == pytest.approx(stats.chi2.sf(x, d), rel=1e-9)
        assert tails.f_sf(x, 6, d) == pytest.approx(stats.f.sf(x, 6, d), rel=1e-9)
        many = np.array([x, -x])
        assert tails.t_sf(many, d) == pytest.approx(stats.t.sf(many, d), rel=1e-9)


def test_endless_degrees_of_freedom_are_the_normal_case() -> None:
    assert tails.t_isf(0.025, np.inf) == pytest.approx(stats.norm.isf(0.025), rel=1e-9)


@pytest.mark.parametrize("denominator", [5.0, 12.0, 400.0])
def test_the_size_found_with_a_power_is_found_with_that_power(denominator: float) -> None:
    limit = tails.f_isf(0.025, 6, denominator)
    size = tails.non_central_f_size(0.95, limit, 6, denominator)
    assert stats.ncf.sf(limit, 6, denominator, size) == pytest.approx(0.95, abs=1e-4)
