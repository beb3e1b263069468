"""OpenCV's hand-eye functions in this project's convention, as references.

`calibrateHandEye` takes the typed pose for a camera on the flange and its inverse for a fixed one.
`calibrateRobotWorldHandEye` takes them the other way round and returns the camera's inverse.
"""

from __future__ import annotations

import cv2
import numpy as np

from engine.estimate.problem import related
from engine.frames import inverse, transform

HAND_EYE = {
    "Tsai": cv2.CALIB_HAND_EYE_TSAI,
    "Park": cv2.CALIB_HAND_EYE_PARK,
    "Horaud": cv2.CALIB_HAND_EYE_HORAUD,
    "Andreff": cv2.CALIB_HAND_EYE_ANDREFF,
    "Daniilidis": cv2.CALIB_HAND_EYE_DANIILIDIS,
}
ROBOT_WORLD = {
    "Shah": cv2.CALIB_ROBOT_WORLD_HAND_EYE_SHAH,
    "Li": cv2.CALIB_ROBOT_WORLD_HAND_EYE_LI,
}


def closed_form(name: str, mount: str, typed: np.ndarray, views: np.ndarray) -> np.ndarray:
    """Return the camera's transform (4, 4) from flange poses and views (n, 4, 4)."""
    G = related(mount, typed)  # the flange pose, inverted for eye-in-hand
    if name in HAND_EYE:
        R, t = cv2.calibrateHandEye(*_parts(inverse(G)), *_parts(views), method=HAND_EYE[name])
        return transform(R, np.ravel(t))
    _, _, R, t = cv2.calibrateRobotWorldHandEye(
        *_parts(views), *_parts(G), method=ROBOT_WORLD[name]
    )
    return inverse(transform(R, np.ravel(t)))


def _parts(T: np.ndarray) -> tuple[list[np.ndarray], list[np.ndarray]]:
    return [pose[:3, :3] for pose in T], [pose[:3, 3:] for pose in T]
