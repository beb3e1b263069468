"""`export`: the camera's transform in the form that a robot or a vision program reads."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from engine.errors import UsageError
from engine.sessions.folder import open_session
from engine.sessions.store import write_text_atomic
from engine.steps.export import export_result

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


def export_folder(folder: str, *, form: str, **how: Any) -> dict[str, Any]:
    """Return the export of the stored result in ``folder`` with what it was made from."""
    path = Path(folder)
    text, source = export_result(open_session(path), path, form, **how)
    return {"format": 1, "dir": folder, "as": form, "source_sha256": source, "text": text}
