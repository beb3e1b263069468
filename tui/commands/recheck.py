"""`recheck`: did the camera move since an earlier session?"""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Any

from engine.cautions import RECHECK
from engine.cell.session import Session
from engine.errors import BusyError, FileError
from engine.findings import has_error
from engine.proof.recheck import Recheck
from engine.sessions.changes import Who, commit
from engine.sessions.folder import open_session
from engine.sessions.lock import writing
from engine.steps.recheck import note_recheck, recheck_session

from ..output import WIDTH, print_json, print_lines
from ..words import recheck_lines, unwrapped


def run(args: argparse.Namespace) -> int:
    """Compare the stations of one session with what an earlier one predicts."""
    folder, against = Path(args.dir), Path(args.against)
    session = open_session(folder)
    answers = recheck_session(session, folder, against, args.visit)
    _note(answers, session, folder, against)
    if args.json:
        print_json(document(answers, session))
    else:
        for name, answer in answers.items():
            if session.cell.cameras:
                print(f"Camera {name}")
            print_lines(recheck_lines(answer, args.against, unwrapped, WIDTH))
        if any(answer.cause != "none" for answer in answers.values()):
            for text in RECHECK:
                print(f"CAUTION: {text}")
    return 1 if any(has_error(answer.findings) for answer in answers.values()) else 0


def document(answers: Mapping[str, Recheck], session: Session) -> dict[str, Any]:
    """Return the JSON form: the first camera's answer, and those of further ones by name."""
    found = answers[session.cell.camera.name].document()
    names = [camera.name for camera in session.cell.cameras]
    further = {name: answers[name].document() if name in answers else None for name in names}
    return found | ({"cameras": further} if names else {})


def _note(answers: Mapping[str, Recheck], session: Session, folder: Path, against: Path) -> None:
    """Keep the answer in the journal, unless somebody records there or nothing can be written."""
    with suppress(BusyError, FileError), writing(folder, session.operator):
        change = note_recheck(answers, session, folder, against)
        commit(folder, change, Who(None, datetime.now().astimezone()))
