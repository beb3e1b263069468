"""`export`: the forms that other programs read."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from engine.errors import UsageError
from engine.report.exports import Chosen
from engine.sessions.folder import open_session
from engine.sessions.store import encoded, write_output
from engine.steps.handover import POSES, export_result, poses_text

from ..output import Answer, run_over, say


def run(args: argparse.Namespace) -> int:
    if args.out is not None and len(args.dirs) > 1:
        raise UsageError("--out takes one DIR", "Call export once for each folder.")

    def show(exported: Answer) -> None:
        text = exported.document["text"]
        if args.out is None:
            print(text, end="")
            return
        write_output(Path(args.out), encoded(text), force=args.force)
        say(f"written: {args.out}")

    return run_over(
        args,
        export_folder,
        show,
        form=args.form,
        inverse=args.inverse,
        unit=args.unit,
        not_accepted=args.not_accepted,
        camera=args.camera,
        anyway=args.anyway,
        chosen=Chosen(args.rotation, args.angle_unit, args.decimals, args.height),
    )


def export_folder(folder: str, *, form: str, **how: Any) -> Answer:
    """Return the export of the stored result in ``folder``.

    No findings: what is not accepted is refused, or says so in its text.
    """
    path = Path(folder)
    if form == POSES:
        text = poses_text(open_session(path), path)
        return Answer({"dir": folder, "as": form, "text": text}, [])
    text, source = export_result(open_session(path), path, form, **how)
    document = {"dir": folder, "as": form, "source_sha256": source, "text": text}
    return Answer(document, [])
