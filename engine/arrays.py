"""The arrays that signatures name."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]  # an image, (rows, columns) grey levels
