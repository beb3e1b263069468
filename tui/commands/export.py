"""`export`: the camera's transform in the form that a robot or a vision program reads."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from engine.errors import UsageError
from engine.report.delivered import of_camera
from engine.report.exports import export
from engine.sessions.cameras import cell_of
from engine.sessions.folder import open_session
from engine.sessions.places import RESULT_FILE
from engine.sessions.store import write_text_atomic
from engine.sessions.yaml_text import read_bytes, sha256
from engine.steps.current import current_result

from ..output import say
from ..several import run_over


def run(args: argparse.Namespace) -> int:
    """Print the exported text of each folder, or write it to --out."""
    if args.out is not None and len(args.dirs) > 1:
        raise UsageError("--out takes one DIR", "Call export once for each folder.")

    def show(exported: dict[str, Any]) -> None:
        if args.out is None:
            print(exported["text"], end="")
            return
        write_text_atomic(Path(args.out), exported["text"])
        say(f"written: {args.out}")

    return run_over(
        args,
        export_folder,
        lambda exported: exported,
        show,
        form=args.form,
        inverse=args.inverse,
        unit=args.unit,
        not_accepted=args.not_accepted,
        camera=args.camera,
    )


def export_folder(
    folder: str,
    *,
    form: str,
    inverse: bool,
    unit: str | None,
    not_accepted: bool,
    camera: str | None,
) -> dict[str, Any]:
    """Return the export of the stored result in ``folder`` with what it was made from."""
    path = Path(folder)
    session = open_session(path)
    document = current_result(session, path)
    source = sha256(read_bytes(path / RESULT_FILE))
    name = camera or session.cell.camera.name
    text = export(
        of_camera(document, session.cell, name),
        cell_of(session.cell, name),
        form,
        inverse=inverse,
        unit=unit,
        allow_not_accepted=not_accepted,
        source_sha256=source,
    )
    return {"format": 1, "dir": folder, "as": form, "source_sha256": source, "text": text}
