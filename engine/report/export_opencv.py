"""The transform as a YAML file of OpenCV's FileStorage."""

from __future__ import annotations

import re

import cv2
import numpy as np

from ..frames import rotation_log
from .delivered import Delivered, facts, scaled


def as_opencv(item: Delivered, unit: str) -> str:
    """Return nodes ``matrix`` (4×4), ``R`` (3×3), ``rvec`` (3×1, rad) and ``t`` (3×1), and texts.

    ``rvec`` and ``t`` are what ``cv2.projectPoints`` and its relatives take.
    """
    store = cv2.FileStorage("transform.yml", cv2.FILE_STORAGE_WRITE | cv2.FILE_STORAGE_MEMORY)
    convention = "matrix acts on column vectors; rvec is R as rotation vector in rad"
    for key, text in facts(item, unit, convention):
        store.write(_node(key), text)
    T = item.matrix.copy()
    T[:3, 3] = scaled(T[:3, 3], unit)
    store.write("matrix", T + 0.0)
    store.write("R", T[:3, :3] + 0.0)
    store.write("rvec", rotation_log(T[:3, :3])[:, None] + 0.0)
    store.write("t", np.ascontiguousarray(T[:3, 3:]))
    if item.covariance is not None:
        store.write("covariance_rad_mm", item.covariance)
    return str(store.releaseAndGetString())


def _node(key: str) -> str:
    """Return a node name: letters, digits and underscores only."""
    return "_".join(re.findall(r"\w+", key))
