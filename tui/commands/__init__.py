"""The commands: one module each, from the parsed words to printed lines and an exit status.

Only the one that runs is loaded.
"""

from __future__ import annotations

import gc
from argparse import Namespace
from collections.abc import Callable


def find(name: str) -> Callable[[Namespace], int]:
    """Return the function that runs a command, by its name in `tui.arguments`."""
    if name in ("screen", "open"):
        gc.disable()  # until the first picture is there, see `tui.app`
    match name:
        case "screen":
            from .screen import run
        case "open":
            from .screen import run_open as run
        case "pack":
            from .support import run_pack as run
        case "unpack":
            from .support import run_unpack as run
        case "robot import":
            from .robot import run_import as run
        case "board":
            from .board import run
        case "check":
            from .check import run
        case "compare":
            from .compare import run
        case "demo":
            from .demo import run
        case "doctor":
            from .doctor import run
        case "edit":
            from .edit import run
        case "explain":
            from .explain import run
        case "export":
            from .export import run
        case "focus":
            from .focus import run
        case "lens":
            from .lens import run
        case "plan":
            from .plan import run
        case "proof":
            from .proof import run
        case "recheck":
            from .recheck import run
        case "record":
            from .record import run
        case "report":
            from .report import run
        case "shift":
            from .shift import run
        case "solve":
            from .solve import run
        case "start":
            from .start import run
        case _:
            raise KeyError(name)
    return run
