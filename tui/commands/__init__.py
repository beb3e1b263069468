"""The commands, a module each; only the one that runs is loaded."""

from __future__ import annotations

import gc
from argparse import Namespace
from collections.abc import Callable

Run = Callable[[Namespace], int]


def find(name: str) -> Run:
    """Return the function that runs a command, by its name in `tui.arguments`."""
    match name:
        case "screen" | "open":
            gc.disable()  # until the first picture is there, see `tui.app`
            from . import screen

            return screen.run if name == "screen" else screen.run_open
        case "pack" | "unpack":
            from . import support

            return support.run_pack if name == "pack" else support.run_unpack
        case "robot import":
            from . import robot

            return robot.run_import
        case "board":
            from . import board

            return board.run
        case "check":
            from . import check

            return check.run
        case "compare":
            from . import compare

            return compare.run
        case "demo":
            from . import demo

            return demo.run
        case "doctor":
            from . import doctor

            return doctor.run
        case "edit":
            from . import edit

            return edit.run
        case "explain":
            from . import explain

            return explain.run
        case "export":
            from . import export

            return export.run
        case "focus":
            from . import focus

            return focus.run
        case "lens":
            from . import lens

            return lens.run
        case "plan":
            from . import plan

            return plan.run
        case "proof":
            from . import proof

            return proof.run
        case "recheck":
            from . import recheck

            return recheck.run
        case "record":
            from . import record

            return record.run
        case "report":
            from . import report

            return report.run
        case "shift":
            from . import shift

            return shift.run
        case "solve":
            from . import solve

            return solve.run
        case "start":
            from . import start

            return start.run
        case _:
            raise KeyError(name)
