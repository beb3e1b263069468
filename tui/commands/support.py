"""`pack`, `unpack` and `doctor`: what the colleague on the phone needs."""

from __future__ import annotations

import argparse
import locale
import os
import platform
import shlex
import shutil
import sys
from contextlib import nullcontext, suppress
from importlib import import_module
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from engine.errors import StationbookError, UsageError
from engine.report.pack import Manifest, pack, unpack
from engine.sessions.changes import Who
from engine.sessions.confirmed import CONFIRMED_FILE, SETTINGS_FILE
from engine.sessions.lock import writing
from engine.sessions.signature import KEY_FILE, new_key, sign, trust
from engine.sessions.store import config_folder, refuse_own, writing_new
from engine.steps.restoring import rebuild, rebuilding, restoring

from ..clock import now
from ..output import Answer, tell


def run_pack(args: argparse.Namespace) -> int:
    """Write the session as one zip; an existing file is never replaced."""
    folder = Path(args.dir)
    out = Path(args.out) if args.out else Path(f"{folder.resolve().name}.zip")
    refuse_own(out)
    with writing_new(out) as stream:
        manifest = pack(folder, stream, now=now(), images=not args.without_images)
    return _told(args, manifest, str(out), "packed into", folder)


def run_unpack(args: argparse.Namespace) -> int:
    """Unpack into a folder that does not exist yet; nothing in the pack is ever run."""
    source = Path(args.file)
    folder = Path(args.to) if args.to else Path(args.sessions) / source.stem
    return _told(args, unpack(source, folder), str(folder), "unpacked into", folder)


def _told(args: argparse.Namespace, manifest: Manifest, place: str, done: str, folder: Path) -> int:
    """Say what was packed, and why its result in ``folder`` must not be used where that is so."""
    caution = _caution(folder)
    files, left_out = len(manifest.files), len(manifest.left_out)
    document = {
        "path": place,
        "session": manifest.session,
        "files": files,
        "left_out": left_out,
        "caution": caution,
    }
    missing = [f"{left_out} images are not in the pack"] if left_out else []
    missing += [f"the result in it: {caution}"] if caution else []
    return tell(args, Answer(document, [f"{files} files {done} {place}", *missing]))


def _caution(folder: Path) -> str | None:
    """Return why the result in ``folder`` must not be used as it stands, or None."""
    from engine.steps.handover import caution_of  # the engine behind it: doctor does without

    return caution_of(folder)


def run_sign(args: argparse.Namespace) -> int:
    if args.new_key:
        path, public = new_key()
        said = [f"key made: {path} (readable by you alone; keep a copy in a safe place)"]
        return tell(args, Answer({"path": str(path), "key": public}, [*said, public]))
    if args.trust is not None:
        place = trust(*args.trust)
        return tell(args, Answer({"path": str(place)}, [f"trusted: {args.trust[0]}"]))
    if args.dir is None:
        raise UsageError("nothing to sign", "Give a session, or --new-key.")
    folder = Path(args.dir)
    with writing(folder):
        signed = sign(folder, now=now())
    caution = _caution(folder)
    document = {"dir": args.dir, "key": signed.key, "result": signed.result, "caution": caution}
    said = [f"the signed result: {caution}"] if caution else []
    return tell(args, Answer(document, [f"signed with key {signed.key}", *said, WHAT_IT_SHOWS]))


WHAT_IT_SHOWS = (
    "It shows that the holder of this key signed this result and journal; not who that is, nor "
    "that the measurement was good."
)
PACKAGES = (
    "stationbook", "textual", "numpy", "scipy", "opencv-python-headless", "pyyaml", "matplotlib",
    "pillow",
)  # fmt: skip
LEAST_FREE_MB = 500  # a session of 50 five-megapixel images takes about 250 MB; twice that


def run_doctor(args: argparse.Namespace) -> int:
    """Print versions, terminal, disk and what is missing; 1 when something keeps the job back.

    Of one session: what the journal can restore, and with ``--rebuild`` restore it.
    """
    if args.dir is not None:
        return _run_session(args, Path(args.dir))
    if args.rebuild:
        raise UsageError("--rebuild needs a session", "stationbook doctor DIR --rebuild")
    document: dict[str, Any] = {
        "system": _system(),
        "packages": {name: _version(name) for name in PACKAGES},
        "terminal": _terminal(),
        "sessions": _sessions(Path(args.sessions)),
    }
    document["problems"] = problems = _problems(document)
    lines: list[str] = []
    for part in ("system", "packages", "terminal", "sessions"):
        lines.append(part)
        for key, value in document[part].items():
            lines.append(f"  {key:24} {'not known' if value is None else value}")
    tell(args, Answer(document, lines + (problems or ["no problems found"])))
    return 1 if problems else 0


def _run_session(args: argparse.Namespace, folder: Path) -> int:
    """Show as a difference what the journal can restore, and restore it when told to."""
    held = restoring(folder, now()) if args.rebuild else nullcontext()
    with held:
        found = rebuilding(folder)
        kept = rebuild(folder, found, Who(None, now())) if args.rebuild else None
    document = {
        "dir": args.dir,
        "problem": found.problem,
        "difference": list(found.difference),
        "from": found.at,
        "restored": kept is not None,
        "kept": kept,
    }
    lines = [found.problem or "session.yaml can be read"]
    if found.content is None:
        lines.append("the journal cannot restore it: no line of it tells the whole file")
    elif not found.difference:
        lines.append("it is what the journal tells: nothing to restore")
    else:
        lines += [f"the journal tells it as it was (to be) stored {found.at} ({found.action}):"]
        lines += [f"  {line}" for line in found.difference]
        if kept is None:
            lines.append(f"to restore it: stationbook doctor {shlex.quote(args.dir)} --rebuild")
    if kept is not None:
        lines.append("restored" + (f"; the file that was there is kept as {kept}" if kept else ""))
    tell(args, Answer(document, lines))
    return 1 if found.problem and kept is None else 0


def _system() -> dict[str, Any]:
    return {
        "os": platform.platform(),
        "machine": platform.machine(),
        "python": platform.python_version(),
        "executable": sys.executable,
        "cores": os.cpu_count(),
        "yaml_c_loader": _has("yaml", "CSafeLoader"),
        "hand_eye_functions": _has("cv2", "calibrateHandEye"),
    }


def _has(module: str, name: str) -> bool:
    with suppress(ImportError):
        return hasattr(import_module(module), name)
    return False


def _version(package: str) -> str | None:
    with suppress(PackageNotFoundError):
        return version(package)
    return None


def _terminal() -> dict[str, Any]:
    size = shutil.get_terminal_size((0, 0))
    return {
        "term": os.environ.get("TERM"),
        "colorterm": os.environ.get("COLORTERM"),
        "no_color": "NO_COLOR" in os.environ,
        "columns": size.columns or None,
        "lines": size.lines or None,
        "encoding": sys.stdout.encoding,
        "locale": locale.getlocale()[0],
        "ssh": "SSH_CONNECTION" in os.environ,
    }


def _sessions(folder: Path) -> dict[str, Any]:
    exists = folder.is_dir()
    where = folder if exists else Path.cwd()
    return {
        "folder": str(folder.resolve()),
        "exists": exists,
        "writable": os.access(where, os.W_OK),
        "free_mb": shutil.disk_usage(where).free // 2**20,
    }


def _readable_by_others() -> list[str]:
    """Return what lies open of the files that only the user may read, such as credentials."""
    if sys.platform == "win32":
        return []
    found = []
    for name in (SETTINGS_FILE, CONFIRMED_FILE, KEY_FILE):
        with suppress(OSError, StationbookError):
            path = config_folder() / name
            if path.stat().st_mode & 0o077:
                found.append(f"{path} can be read or changed by others: chmod 600 {path}")
    return found


def _problems(document: dict[str, Any]) -> list[str]:
    found = [
        f"package {name} is missing: install stationbook again in a fresh virtual environment"
        for name, known in document["packages"].items()
        if known is None
    ]
    sessions = document["sessions"]
    if not sessions["writable"]:
        found.append(f"{sessions['folder']} cannot be written: choose --sessions DIR or its owner")
    if sessions["free_mb"] < LEAST_FREE_MB:
        found.append(f"only {sessions['free_mb']} MB free: make room before a session")
    found += _readable_by_others()
    if document["terminal"]["term"] == "dumb":
        found.append("TERM=dumb cannot show the screen: use a terminal with cursor control")
    if not document["system"]["yaml_c_loader"]:
        found.append("PyYAML lacks its C loader: large sessions open slowly")
    return found
