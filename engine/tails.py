"""Tails of the distributions that thresholds come from, without the weight of a statistics package.

`scipy.stats` takes longer to import than a session to solve; its formulas stand in `scipy.special`.
``sf`` is the chance to exceed x, ``isf`` what is exceeded with chance p. Formulas:
NIST Digital Library of Mathematical Functions, 8.17 (from memory). Tests: against `scipy.stats`.
"""

from __future__ import annotations

import numpy as np
import scipy

from .arrays import Array


def chi2_sf(x: float, degrees: float) -> float:
    """Return the chance that chi-squared with so many degrees of freedom exceeds x."""
    return float(scipy.special.chdtrc(degrees, x))


def chi2_isf(p: float, degrees: float) -> float:
    """Return what chi-squared exceeds with chance p."""
    return float(scipy.special.chdtri(degrees, p))


def f_sf(x: float, numerator: float, denominator: float) -> float:
    """Return the chance that Fisher's F exceeds x, by the degrees of freedom of both variances."""
    return float(scipy.special.fdtrc(numerator, denominator, x))


def f_isf(p: float, numerator: float, denominator: float) -> float:
    """Return what Fisher's F exceeds with chance p, however small that is."""
    a, b = numerator / 2.0, denominator / 2.0
    return float(b * scipy.special.betainccinv(a, b, p) / (a * scipy.special.betaincinv(b, a, p)))


def non_central_f_size(chance: float, x: float, numerator: float, denominator: float) -> float:
    """Return the non-centrality at which F exceeds x with this chance, to about 1e-4 of itself."""
    return float(scipy.special.ncfdtrinc(numerator, denominator, 1.0 - chance, x))


def t_sf(x: Array, degrees: Array | float) -> Array:
    """Return the chance that Student's t exceeds x."""
    return np.asarray(scipy.special.stdtr(degrees, -x))


def t_isf(p: float, degrees: float) -> float:
    """Return what Student's t exceeds with chance p."""
    return -float(scipy.special.stdtrit(degrees, p))
