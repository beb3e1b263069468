"""Board, lens or a height that the cell knows more exactly than the stations show it to be."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..arrays import Array
from ..estimate.fit import but_the_arm
from ..estimate.loosened import HEIGHT_U, TERMS, USUAL, loosened, told
from ..estimate.problem import absurd
from ..estimate.solver import Solution, refitted
from ..estimate.ties import HEIGHT
from ..tails import chi2_sf
from .arm import as_inaccurate
from .scene import LEAST_DEGREES, SHARE_OF_DEGREES, Inside, Scene, f_chance, quadratic, scene

# [-] chance below which what is told is taken to be no better than usual: of what a pick leans on
# most, 1.5 deviates, or 2 where it is told to be without any error; and of the rest, which images
# tell by themselves. From simulated sessions of five and eight stations, see docs/method.md.
LEANING, LEANED, EXACT = ("board scale", "focal length"), 0.134, 0.05
SHOWN = 0.01
LEAST_TOLD = 1e-6  # [-] of a height's variance: less than that is rounding


def as_shown(found: Solution, *, arm: bool = True) -> Solution:
    """Return the fit with board, lens and arm as told, or as inexact as the stations show them.

    ``arm``: whether what is off may be put down to the arm.
    """
    found = as_inexact(found)
    return as_inaccurate(found) if arm else found


def as_inexact(found: Solution) -> Solution:
    """Return the fit with board and lens as told, or as is usual where the stations show it.

    What is told too exactly pulls the fit, and U came out small.
    """
    problem = loosened(found.problem, contradicted(found))
    if problem is found.problem:
        return found
    other = refitted(found, problem)
    return found if other is None or absurd(other.fit.noise, other.prior) else other


def contradicted(found: Solution) -> frozenset[str]:
    """Return the keys of what is told better than usual and lies farther off than that.

    By what stations and images tell beside it: each of those that a pick leans on by itself, the
    others of one key together.
    """
    known, doubted = told(found.problem), set[str]()
    keys = [key for key in TERMS if known[key] < USUAL[key]]
    names = [name for key in keys for name in TERMS[key]]
    if names:
        view = scene(found, {})
        degrees = max(SHARE_OF_DEGREES * view.redundancy, LEAST_DEGREES)
        score, information = _test(view, names)
        for key in keys:
            for group in _groups(TERMS[key]):
                at = [names.index(name) for name in group]
                size = quadratic(information[np.ix_(at, at)][None], score[at][None])[0]
                leaned = LEANED if known[key] else EXACT
                shown = leaned if group[0] in LEANING else SHOWN
                if f_chance(float(size), len(at), degrees) < shown:
                    doubted.add(key)
    if known[HEIGHT_U] < USUAL[HEIGHT_U] and _height_chance(found) < SHOWN:
        doubted.add(HEIGHT_U)
    return frozenset(doubted)


def _groups(names: tuple[str, ...]) -> list[tuple[str, ...]]:
    """Return the terms of one key as they are tested."""
    rest = tuple(name for name in names if name not in LEANING)
    alone = [(name,) for name in names if name in LEANING]
    return [group for group in (*alone, rest) if group]


def _test(view: Scene, names: list[str]) -> tuple[Array, Array]:
    """Return score (q,) and information (q, q) of what is off beside what the cell allows."""
    found = view.found
    known, views, used = found.gathered.terms, found.stations.views, found.used
    every = known.only((*known.names, *names))
    if every.count > known.count:
        views = replace(found.gathered, terms=every).linearised(found.views, views.pose)
    at = np.array([every.names.index(name) for name in names])
    kept = np.isin(every.names, known.names)
    p, variance = len(found.systematic.sd), found.fit.noise.pixel_px**2
    gradient = views.rest_gradient[used].sum(axis=0)
    curve = views.rest_information[used].sum(axis=0)
    now = curve[np.ix_(at, kept)] @ found.fit.state.errors[p:]
    shared = np.zeros((len(found.fit.covariance), len(at)))
    shared[12 + p :] = curve[np.ix_(kept, at)] / variance
    inside = Inside((gradient[at] - now) / variance, curve[np.ix_(at, at)] / variance, shared)
    return view.test(views.by_terms[:, :, at], inside)


def _height_chance(found: Solution) -> float:
    """Return the chance of the height as told; 1 where none counts, or no station tells."""
    state, p = found.fit.state, len(found.systematic.sd)
    own = but_the_arm(len(found.fit.covariance), p)
    for tie in found.stations.constraints:
        if tie.name == HEIGHT:
            off, rows = tie.whitened(state.camera, state.board, state.errors[p:])
            taken = rows @ found.fit.covariance[np.ix_(own, own)] @ rows.T
            left = 1.0 - float(taken[0, 0])
            return chi2_sf(float(off[0]) ** 2 / left, 1) if left > LEAST_TOLD else 1.0
    return 1.0
