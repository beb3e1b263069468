"""`recheck`: did the camera move since an earlier session?"""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from engine.findings import has_error
from engine.proof.recheck import Recheck
from engine.sessions.folder import open_session
from engine.sessions.session import Session
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
    session = open_session(folder)
    answers = recheck_session(session, folder, Path(args.against), args.visit)
    if args.json:
        print_json(document(answers, session))
    else:
        for name, answer in answers.items():
            if session.cell.cameras:
                print(f"== camera {name}")
            show(answer)
    return 1 if any(has_error(answer.findings) for answer in answers.values()) else 0


def document(answers: Mapping[str, Recheck], session: Session) -> dict[str, Any]:
    """Return the JSON form: the first camera's answer, and those of further ones by name."""
    found = answers[session.cell.camera.name].document()
    names = [camera.name for camera in session.cell.cameras]
    further = {name: answers[name].document() if name in answers else None for name in names}
    return found | ({"cameras": further} if names else {})


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
