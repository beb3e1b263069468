"""`pack` and `unpack`: a session in one file, for the colleague on the phone."""

from __future__ import annotations

import argparse
import io
from datetime import datetime
from importlib.metadata import version
from pathlib import Path

from engine.report.pack import Manifest, pack, unpack
from engine.sessions.store import write_bytes_new

from ..output import print_json


def run_pack(args: argparse.Namespace) -> int:
    """Write the session as one zip; an existing file is never replaced."""
    folder = Path(args.dir)
    out = Path(args.out) if args.out else Path(f"{folder.resolve().name}.zip")
    stream = io.BytesIO()
    manifest = pack(
        folder,
        stream,
        created=datetime.now().astimezone().isoformat(timespec="seconds"),
        program=f"stationbook {version('stationbook')}",
        images=not args.without_images,
    )
    write_bytes_new(out, stream.getvalue())
    return _told(args, manifest, str(out), "packed into")


def run_unpack(args: argparse.Namespace) -> int:
    """Unpack into a folder that does not exist yet; nothing in the pack is ever run."""
    source = Path(args.file)
    folder = Path(args.to) if args.to else Path(args.sessions) / source.stem
    return _told(args, unpack(source, folder), str(folder), "unpacked into")


def _told(args: argparse.Namespace, manifest: Manifest, place: str, done: str) -> int:
    if args.json:
        print_json(
            {
                "format": 1,
                "path": place,
                "session": manifest.session,
                "files": len(manifest.files),
                "left_out": len(manifest.left_out),
            }
        )
    else:
        print(f"{len(manifest.files)} files {done} {place}")
        if manifest.left_out:
            print(f"{len(manifest.left_out)} images are not in the pack")
    return 0
