"""`doctor`: what a supporter asks first about this machine."""

from __future__ import annotations

import argparse
import locale
import os
import platform
import shutil
import sys
from collections.abc import Callable
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from ..output import print_json

PACKAGES = (
    "stationbook",
    "textual",
    "numpy",
    "scipy",
    "opencv-python-headless",
    "pyyaml",
    "py-opw-kinematics",
    "matplotlib",
)
LEAST_FREE_MB = 500  # a session of 50 five-megapixel images takes about 250 MB; twice that


def run(args: argparse.Namespace) -> int:
    """Print versions, terminal, disk and what is missing; 1 when something keeps the job back."""
    document: dict[str, Any] = {
        "format": 1,
        "system": _system(),
        "packages": {name: _version(name) for name in PACKAGES},
        "terminal": _terminal(),
        "sessions": _sessions(Path(args.sessions)),
    }
    document["problems"] = problems = _problems(document)
    if args.json:
        print_json(document)
    else:
        for part in ("system", "packages", "terminal", "sessions"):
            print(part)
            for key, value in document[part].items():
                print(f"  {key:24} {'not known' if value is None else value}")
        print("\n".join(problems) if problems else "no problems found")
    return 1 if problems else 0


def _system() -> dict[str, Any]:
    return {
        "os": platform.platform(),
        "machine": platform.machine(),
        "python": platform.python_version(),
        "executable": sys.executable,
        "cores": os.cpu_count(),
        "yaml_c_loader": _works(_yaml_c_loader),
        "hand_eye_functions": _works(_hand_eye_functions),
    }


def _yaml_c_loader() -> object:
    import yaml

    return yaml.CSafeLoader


def _hand_eye_functions() -> object:
    import cv2

    return cv2.calibrateHandEye


def _works(probe: Callable[[], object]) -> bool:
    try:
        probe()
    except (ImportError, AttributeError):
        return False
    return True


def _version(package: str) -> str | None:
    try:
        return version(package)
    except PackageNotFoundError:
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
    if document["terminal"]["term"] == "dumb":
        found.append("TERM=dumb cannot show the screen: use a terminal with cursor control")
    if not document["system"]["yaml_c_loader"]:
        found.append("PyYAML lacks its C loader: large sessions open slowly")
    return found
