"""One image of a GenICam camera, in a process of its own: ``python -m engine.images.genicam``.

A producer (GenTL, the maker's library) may hang or crash; here it takes nobody with it, and whoever
started the process ends it after a time. Producers are found as the standard says (EMVA, GenICam
GenTL 1.5, section 6.1): every ``.cti`` file in the folders that GENICAM_GENTL64_PATH names.
"""

from __future__ import annotations

import os
import sys
from contextlib import suppress
from importlib import import_module
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

PRODUCERS = "GENICAM_GENTL64_PATH"
FETCH_S = 8.0  # s for one image; exposures of seconds are rare, triggers that never come are not
KNOWN_BY = ("user_defined_name", "serial_number", "id_", "model")  # what a cell may name
# Bits of a pixel by the names of the standard (GenICam PFNC); the rest cannot be read here.
BITS = {"Mono8": 8, "Mono10": 10, "Mono12": 12, "Mono14": 14, "Mono16": 16}
COLOURS = {"RGB8": cv2.COLOR_RGB2GRAY, "BGR8": cv2.COLOR_BGR2GRAY,
           "RGBa8": cv2.COLOR_RGBA2GRAY, "BGRa8": cv2.COLOR_BGRA2GRAY,
           "BayerRG8": cv2.COLOR_BayerBG2GRAY, "BayerGR8": cv2.COLOR_BayerGB2GRAY,
           "BayerGB8": cv2.COLOR_BayerGR2GRAY, "BayerBG8": cv2.COLOR_BayerRG2GRAY}  # fmt: skip


def main(name: str, target: str) -> int:
    """Take one image of camera ``name``, write it to ``target``; say on stderr what is wrong."""
    try:
        core = import_module("harvesters.core")
    except ImportError:
        return _said("GenICam needs the extra: pip install 'stationbook[genicam]'")
    with core.Harvester() as harvester:
        found = producers()
        if not found:
            return _said(f"no producer: {PRODUCERS} names no folder that holds a .cti file")
        for path in found:
            harvester.add_file(str(path))
        harvester.update()
        cameras = harvester.device_info_list
        chosen = next((k for k, camera in enumerate(cameras) if name in names_of(camera)), None)
        if chosen is None:
            there = ", ".join(names_of(camera)[0] for camera in cameras if names_of(camera))
            return _said(f"no camera {name!r}; there are: {there or 'none'}")
        with harvester.create(chosen) as acquirer:
            acquirer.start()
            try:
                with acquirer.fetch(timeout=FETCH_S) as buffer:
                    pixels = grey(buffer.payload.components[0])
            finally:
                acquirer.stop()
    if pixels is None:
        return _said("the camera's pixel format is none of " + ", ".join([*BITS, *COLOURS]))
    return 0 if cv2.imwrite(target, pixels) else _said(f"{target} cannot be written")


def producers() -> list[Path]:
    """Return the producers that this machine names."""
    folders = [Path(part) for part in os.environ.get(PRODUCERS, "").split(os.pathsep) if part]
    return sorted(path for folder in folders for path in folder.glob("*.cti"))


def names_of(camera: Any) -> list[str]:
    """Return the names under which a cell may ask for a camera, the friendliest first."""
    names = []
    for key in KNOWN_BY:
        with suppress(Exception):  # what a producer does not know, it refuses
            names.append(getattr(camera, key, None))
    return [str(name) for name in names if name]


def grey(component: Any) -> NDArray[np.integer[Any]] | None:
    """Return a component's grey levels (h, w), at the top of 16 bits; None: format not known."""
    form, (height, width) = component.data_format, (component.height, component.width)
    data = np.asarray(component.data)
    if form in COLOURS:
        pixels = data.reshape(height, width, -1).squeeze().astype(np.uint8)
        return np.asarray(cv2.cvtColor(pixels, COLOURS[form]))
    if form not in BITS:
        return None
    if BITS[form] == 8:
        return data.reshape(height, width).astype(np.uint8)
    return data.reshape(height, width).astype(np.uint16) << (16 - BITS[form])


def _said(problem: str) -> int:
    print(problem, file=sys.stderr)
    return 1


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:3]))
