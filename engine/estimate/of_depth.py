"""What the stations tell of the depth that a 3-D camera measured with them, as findings."""

from __future__ import annotations

import numpy as np

from ..camera.lens import DEPTH_LEANINGS, DEPTH_SCALE, DEPTH_TILTS, NAMES
from ..camera.model import DepthCamera
from ..findings import Finding, finding
from .pick import PickModel
from .result import Result
from .solver import Solution

TOLD = 3.0  # [-] standard uncertainties beyond which an error of depth is worth correcting


def depth_findings(found: Solution, result: Result, pick: PickModel) -> list[Finding]:
    """Return `depth-disagrees` where the depth of all stations together contradicts the images.

    Or where that of some is bent; an error where parts are located by it. `depth-scale` and
    `depth-leans` where all of it is off as the stations tell, by what no transform undoes.
    """
    depth, camera = found.gathered.depth, found.problem.camera.depth
    if depth is None:
        return []
    items, located = list[Finding](), found.problem.by_depth
    if depth.bent.any():
        most = located and np.count_nonzero(depth.bent[:, 0]) > depth.used.sum()
        bow, limit = depth.bent[depth.bent[:, 0].argmax()]
        places = found.gathered.index[depth.bent[:, 0] > 0.0]
        ids = [found.problem.observations[i].id for i in places]
        if most:
            items.append(finding("depth-disagrees", "bends", stations=ids, bow=bow, limit=limit))
        else:
            items.append(finding("depth-disagrees", "bow", stations=ids, bow=bow, limit=limit))
    if depth.left_out:
        percent, times = 100 * depth.scale, np.sqrt(depth.inflated)
        if located:
            items.append(finding("depth-disagrees", "located", percent=percent, times=times))
        else:
            items.append(finding("depth-disagrees", "session", percent=percent, times=times))
    if items or camera is None or not located:
        return items
    return [*_scale(found, result, camera), *_lean(found, pick)]


def _scale(found: Solution, result: Result, camera: DepthCamera) -> list[Finding]:
    name, names = NAMES[DEPTH_SCALE], result.systematic.names
    if name not in names:
        return []
    at = names.index(name)
    off, u = float(result.systematic.value[at]), float(result.systematic.sd[at])
    half = max(found.problem.work_volume.size_mm) / 2.0
    if abs(off) < TOLD * u:
        return []
    fits = f"{camera.scale_mm / (1.0 + off):.6g}"
    corner_mm = abs(off) * half
    return [
        finding("depth-scale", percent=100 * off, u=100 * u, corner_mm=corner_mm, suggested=fits)
    ]


def _lean(found: Solution, pick: PickModel) -> list[Finding]:
    """Return `depth-leans` where tilt and shift of depth leave more than their own uncertainty.

    Of a sensor that is turned against the image nothing is left: a transform undoes that.
    """
    first, names = len(found.systematic.sd), found.gathered.terms.names
    at = first + np.flatnonzero(np.isin(names, DEPTH_LEANINGS))
    off, spread = found.fit.state.errors[at], found.fit.covariance[np.ix_(12 + at, 12 + at)]
    left = (pick.off - pick.moved @ pick.rigid)[pick.corner][..., at]
    sizes = np.linalg.norm(left @ off, axis=1)
    worst = int(sizes.argmax())
    u = float(np.sqrt(np.trace(left[worst] @ spread @ left[worst].T)))
    if sizes[worst] <= TOLD * u:
        return []
    told = dict.fromkeys(DEPTH_TILTS, 0.0)
    told |= zip((names[k - first] for k in at), off.tolist(), strict=True)
    about_x, about_y = (told[name] for name in DEPTH_TILTS)
    return [
        finding(
            "depth-leans",
            angle=float(np.hypot(about_x, about_y)),
            about_x=about_x,
            about_y=about_y,
            corner_mm=sizes[worst],
        )
    ]
