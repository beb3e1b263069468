"""Draw the pictures of docs/images.md: docs/faults/*.jpg, each fault with what is found in it.

    python tests/tools/make_fault_pictures.py

A ring is a point that counts, a cross one of the board that does not.
"""

from __future__ import annotations

import sys
from pathlib import Path

import cv2
import numpy as np

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests"))

from board_pictures import facing, render  # noqa: E402
from faulty_pictures import PATTERNS, Faulty, faulty  # noqa: E402

from engine.boards.circle_centres import centre_shift_px  # noqa: E402
from engine.boards.detect import detect  # noqa: E402
from engine.boards.pattern import Board  # noqa: E402

PICTURES = ROOT / "docs" / "faults"
SHOWN_PX = 400  # wide
FOUND, LOST = (60, 170, 20), (40, 90, 255)  # blue, green, red
SCENES = {  # file: pattern, fault and number of the scene
    "good": ("chessboard", "none", 3),
    "reflection": ("circles", "glare", 6),
    "tube": ("chessboard", "tube", 4),
    "hand": ("chessboard", "hand", 7),
    "cable": ("circles", "cable", 1),
    "shadow": ("circles-staggered", "shadow", 2),
    "uneven": ("circles", "light", 5),
    "dirt": ("circles", "dirt", 2),
    "cut-off": ("circles-staggered", "cut-off", 3),
    "blurred": ("chessboard", "blur", 4),
    "smeared": ("circles", "motion", 2),
    "noise": ("chessboard", "noise", 5),
    "jpeg": ("circles-staggered", "bad-jpeg", 4),
    "steep": ("charuco", "tilt", 3),
}


def drawn(image: np.ndarray, board: Board, picture: Faulty) -> np.ndarray:
    """Return the image in colour, with the points that are found and those that are not."""
    shown = cv2.cvtColor(image, cv2.COLOR_GRAY2BGR)
    found = detect(image, board, picture.camera)
    for u, v in np.rint(found.pixels).astype(int).tolist():
        cv2.circle(shown, (u, v), 9, FOUND, 3, cv2.LINE_AA)
    true = picture.pixels + centre_shift_px(picture.camera_T_board, board, picture.camera)
    for u, v in true.tolist():
        seen = len(found.pixels) and np.hypot(*(found.pixels - (u, v)).T).min() < 3.0
        if not seen:
            at = (round(u), round(v))
            cv2.drawMarker(shown, at, LOST, cv2.MARKER_TILTED_CROSS, 16, 3, cv2.LINE_AA)
    return shown


def write(name: str, shown: np.ndarray) -> None:
    size = SHOWN_PX, round(SHOWN_PX * shown.shape[0] / shown.shape[1])
    small = cv2.resize(shown, size, interpolation=cv2.INTER_AREA)
    cv2.imwrite(str(PICTURES / f"{name}.jpg"), small, [cv2.IMWRITE_JPEG_QUALITY, 80])


def main() -> None:
    PICTURES.mkdir(exist_ok=True)
    for name, (pattern, fault, number) in SCENES.items():
        board = PATTERNS[pattern]
        picture = faulty(board, fault, number)
        write(name, drawn(picture.image, board, picture))
    board = PATTERNS["chessboard"]
    picture = faulty(board, "none", 8)
    for name, factor in (("dark", 0.07), ("white", 1.7)):
        exposed = np.clip(picture.image * factor, 0, 255).astype(np.uint8)
        write(name, drawn(exposed, board, picture))
    large = Board("circles", 15, 13, 20.0, diameter_mm=10.0)
    near = render(large, facing(large, 260.0, 15.0, 40.0, 5.0), picture.camera, rays=2)
    write("middle", cv2.cvtColor(near.image, cv2.COLOR_GRAY2BGR))


if __name__ == "__main__":
    main()
