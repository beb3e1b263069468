"""The commands, from the parsed words to printed lines and an exit status.

Only the module of the one that runs is loaded.
"""

from __future__ import annotations

import gc
from argparse import Namespace
from collections.abc import Callable
from importlib import import_module

WHERE = {  # name of a command in `tui.arguments`: its module here, and the function that runs it
    "screen": ("screen", "run"),
    "open": ("screen", "run_open"),
    "demo": ("screen", "run_demo"),
    "start": ("begin", "run_start"),
    "swap": ("begin", "run_swap"),
    "record": ("record", "run_record"),
    "edit": ("edit", "run"),
    "import": ("bring_in", "run"),
    "check": ("check", "run_check"),
    "plan": ("plan", "run"),
    "solve": ("solve", "run"),
    "recheck": ("compare", "run_recheck"),
    "compare": ("compare", "run_compare"),
    "shift": ("compare", "run_shift"),
    "tip": ("touching", "run_tip"),
    "frame": ("touching", "run_frame"),
    "proof": ("touching", "run_proof"),
    "cells": ("cells", "run"),
    "event": ("edit", "run_event"),
    "about": ("edit", "run_about"),
    "report": ("report", "run"),
    "export": ("export", "run"),
    "focus": ("check", "run_focus"),
    "lens": ("check", "run_lens"),
    "board": ("begin", "run_board"),
    "robot import": ("begin", "run_import"),
    "pack": ("support", "run_pack"),
    "unpack": ("support", "run_unpack"),
    "doctor": ("support", "run_doctor"),
    "sign": ("support", "run_sign"),
    "explain": ("explain", "run_explain"),
    "completion": ("explain", "run_completion"),
}


OBJECTS = 20_000  # made before waste is looked for: a few MB, where 700 cost a report a tenth


def find(name: str) -> Callable[[Namespace], int]:
    """Return the function that runs a command, by its name in `tui.arguments`."""
    gc.disable()  # what is loaded stays: nothing is found by looking for waste meanwhile
    module, function = WHERE[name]
    run: Callable[[Namespace], int] = getattr(import_module(f".{module}", __name__), function)
    if not gc.get_freeze_count():  # once a process: what is waste by then stays for good
        gc.freeze()
    if name not in ("screen", "open", "cells"):  # until the first picture is there, see `tui.app`
        gc.set_threshold(OBJECTS)
        gc.enable()
    return run
