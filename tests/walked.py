"""Which modules of the project a piece of work runs through, in order.

Functions called while a module is imported do not count: whoever follows the work does not meet
them. Run as a program it prints the walk of `solve` as DEVELOPERS.md tells it.
"""

from __future__ import annotations

import contextlib
import io
import sys
from collections.abc import Callable
from pathlib import Path
from types import FrameType

ROOT = Path(__file__).resolve().parent.parent
OPTIMIZED = 1  # a function's flag (inspect.CO_OPTIMIZED); bodies of classes and modules lack it


def walked(work: Callable[[], object]) -> list[str]:
    """Return the modules, as paths below the project, in which functions run during ``work``."""
    found: dict[str, None] = {}
    tops = tuple(str(ROOT / top) for top in ("engine", "tui"))

    def called(frame: FrameType, event: str, _: object) -> None:
        code = frame.f_code
        if event == "call" and code.co_flags & OPTIMIZED and code.co_filename.startswith(tops):
            found.setdefault(Path(code.co_filename).relative_to(ROOT).as_posix())

    sys.setprofile(called)
    try:
        work()
    finally:
        sys.setprofile(None)
    return list(found)


def solving(folder: Path) -> list[str]:
    """Return the modules that `stationbook solve FOLDER` runs through."""
    from engine.pendant.entry import stored_pose
    from tui.main import main

    words = ["solve", str(folder), "--no-write"]
    with contextlib.redirect_stdout(io.StringIO()):
        main(words)  # what is imported is imported now
        stored_pose.cache_clear()  # and nothing is known already
        return walked(lambda: main(words))


if __name__ == "__main__":
    print("\n".join(solving(ROOT / "sessions" / "bottling-line-2-infeed")))
