"""`export`: the camera's transform in the form that a robot or a vision program reads."""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from engine.errors import UsageError
from engine.findings import Finding
from engine.sessions.folder import open_session
from engine.sessions.store import write_text_atomic
from engine.steps.handover import export_result

from ..output import say
from ..several import run_over


def run(args: argparse.Namespace) -> int:
    """Print the exported text of each folder, or write it to --out."""
    if args.out is not None and len(args.dirs) > 1:
        raise UsageError("--out takes one DIR", "Call export once for each folder.")

    def show(exported: Exported) -> None:
        if args.out is None:
            print(exported.text, end="")
            return
        write_text_atomic(Path(args.out), exported.text)
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
    )


@dataclass(frozen=True, slots=True)
class Exported:
    """The text of an export, of which folder and in which form, and the hash of result.yaml."""

    folder: str
    form: str
    source_sha256: str
    text: str

    def findings(self) -> tuple[Finding, ...]:
        """Return nothing: what is not accepted is refused, or says so in its text."""
        return ()

    def document(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            "format": 1,
            "dir": self.folder,
            "as": self.form,
            "source_sha256": self.source_sha256,
            "text": self.text,
        }


def export_folder(folder: str, *, form: str, **how: Any) -> Exported:
    """Return the export of the stored result in ``folder``."""
    path = Path(folder)
    text, source = export_result(open_session(path), path, form, **how)
    return Exported(folder, form, source, text)
