"""A 3-D camera whose depth is tilted or shifted against the image by more than the cell says.

A sensor that is turned against the image tilts and shifts depth alike; depth that is worked out on
the image's own pixels may be tilted alone, and depth that was laid on other pixels shifted alone.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..arrays import Array
from ..camera.lens import DEPTH_LEANINGS, DEPTH_SHIFTS, DEPTH_TILTS, Terms
from ..estimate.problem import Problem
from ..findings import Finding, finding
from .causes import Cause
from .optics import WIDER, wider_causes
from .scene import Scene


def leaning_causes(now: Scene) -> list[Cause]:
    """Return depth that is tilted, shifted or turned against the image; none where none counts."""
    depth, terms = now.found.gathered.depth, now.found.gathered.terms
    if depth is None or not depth.used.any():
        return []
    parts = [part for part in (DEPTH_TILTS, DEPTH_SHIFTS) if set(part) <= set(terms.names)]
    names = [name for part in parts for name in part]
    return wider_causes(now, names, _wider(now.found.problem), _finding, parts) if parts else []


def _wider(problem: Problem) -> Problem:
    """Return the problem with a depth that may lean by `WIDER` times as much."""
    depth = problem.camera.deep
    tilt_deg = WIDER * depth.known_u[1]
    camera = replace(problem.camera, depth=replace(depth, tilt_u_deg=tilt_deg))
    return replace(problem, camera=camera, locate="depth" if problem.by_depth else "lens")


def _finding(problem: Problem, known: Terms, off: Array) -> Finding:
    """Return `depth-tilted`, as the larger of tilt and shift: the one comes with a bit of other."""
    angles = dict.fromkeys(DEPTH_LEANINGS, 0.0)
    angles |= zip(known.names, off.tolist(), strict=True)
    tilt, shift = (
        np.array([angles[name] for name in part]) for part in (DEPTH_TILTS, DEPTH_SHIFTS)
    )
    allowed = float(known.sd[0]) / WIDER
    if np.linalg.norm(tilt) >= np.linalg.norm(shift):
        return finding(
            "depth-tilted",
            angle=float(np.linalg.norm(tilt)),
            about_x=tilt[0],
            about_y=tilt[1],
            allowed=allowed,
        )
    focal = np.array([problem.camera.matrix[k][k] for k in range(2)])
    right, down = focal * np.radians(shift)
    return finding("depth-tilted", "shift", right=right, down=down, allowed=allowed)
