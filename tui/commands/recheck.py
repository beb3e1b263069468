"""`recheck`: did the camera move since an earlier session?"""

from __future__ import annotations

import argparse
from pathlib import Path

from engine.findings import has_error
from engine.proof.recheck import Recheck
from engine.sessions.folder import open_session
from engine.steps.recheck import CAUTIONS, recheck_session

from ..output import print_findings, print_json
from ..result_text import number

SAID: dict[tuple[str, bool | None], str] = {
    ("none", False): "NOT MOVED",
    ("board", False): "CAMERA NOT MOVED, BOARD SITS ELSEWHERE",
    ("camera", True): "CAMERA MOVED",
    ("unclear", True): "SOMETHING MOVED, CAMERA OR BOARD",
}


def run(args: argparse.Namespace) -> int:
    """Compare the stations of one session with what an earlier one predicts."""
    folder = Path(args.dir)
    answer = recheck_session(open_session(folder), folder, Path(args.against), args.visit)
    if args.json:
        print_json(answer.document())
    else:
        show(answer)
    return 1 if has_error(answer.findings) else 0


def show(answer: Recheck) -> None:
    """Print the answer for a person."""
    print(f"recheck: {SAID.get((answer.cause, answer.moved), 'NOT KNOWN')}")
    if answer.movement is not None:
        movement = answer.movement
        print(f"movement of the camera   {movement.words()} (± U = 2u)")
        u = number(2 * movement.u_work_volume_mm, "mm", 2)
        print(f"at the work volume       {number(movement.work_volume_mm, 'mm', 2)} ± {u}")
        shift, turn = number(answer.detectable_mm, "mm", 2), number(answer.detectable_deg, "°", 3)
        print(f"would have been found    a shift of {shift}, a turn of {turn}")
    print_findings(answer.findings)
    if answer.cause != "none":
        print()
        for text in CAUTIONS:
            print(f"CAUTION: {text}")
