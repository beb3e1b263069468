"""How a camera is mounted, and what the two transforms are called then."""

from __future__ import annotations

from typing import Literal

Mount = Literal["eye-to-hand", "eye-in-hand"]
EYE_TO_HAND: Mount = "eye-to-hand"
EYE_IN_HAND: Mount = "eye-in-hand"
KEYS: dict[Mount, tuple[str, str]] = {  # names of the camera's and of the board's transform
    EYE_TO_HAND: ("base_T_camera", "flange_T_board"),
    EYE_IN_HAND: ("flange_T_camera", "base_T_board"),
}
