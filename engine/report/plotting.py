"""matplotlib with the settings of this program alone.

It reads a file of settings from the working folder, from places that the environment names and
from the user's own folder when it is loaded; such a file can make it run programs (TeX). Here it is
loaded with the file that comes with it, whatever lies there: a session folder has no such power.
"""

from __future__ import annotations

import os
from importlib.util import find_spec
from pathlib import Path
from typing import Any

_NAME = "matplotlibrc"


def _loaded() -> Any:
    """Load matplotlib once, without looking at the working folder."""
    spec = find_spec("matplotlib")
    own = Path(spec.origin or "").parent / "mpl-data" / _NAME if spec else Path(_NAME)
    exists, kept = os.path.exists, os.environ.get("MATPLOTLIBRC")
    os.environ["MATPLOTLIBRC"] = str(own)
    os.environ.pop("MPLBACKEND", None)
    os.path.exists = lambda path: path != _NAME and exists(path)  # of the working folder
    try:
        import matplotlib as loaded
    finally:
        os.path.exists = exists
        if kept is None:
            del os.environ["MATPLOTLIBRC"]
        else:
            os.environ["MATPLOTLIBRC"] = kept
    loaded.rcdefaults()  # it was loaded before, by something else
    return loaded


mpl = _loaded()

from matplotlib import artist as artists  # noqa: E402

# A tenth of loading the rest would go into texts about its own classes, which nobody reads here.
_worded, artists.kwdoc = artists.kwdoc, lambda artist: ""

from matplotlib.collections import PolyCollection  # noqa: E402
from matplotlib.figure import Figure  # noqa: E402
from matplotlib.patches import PathPatch, Rectangle  # noqa: E402
from matplotlib.path import Path as Outline  # noqa: E402
from matplotlib.transforms import blended_transform_factory  # noqa: E402

artists.kwdoc = _worded

__all__ = [
    "Figure",
    "Outline",
    "PathPatch",
    "PolyCollection",
    "Rectangle",
    "blended_transform_factory",
    "mpl",
]
