"""The command line for tests: in this process, or as a process of its own.

A process of its own costs about a second of loading; it is kept for what is about processes (exit
status, killing, locks, tracing), and tests/test_command_process.py holds the two to each other.
"""

from __future__ import annotations

import gc
import io
import json
import os
import subprocess
import sys
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from typing import Any
from unittest.mock import patch

from tui.main import main

STATIONBOOK = Path(sys.executable).parent / "stationbook"


def process(*words: object, timeout: float = 120) -> subprocess.CompletedProcess[str]:
    """Run ``stationbook WORDS`` as a person would, as a process, and return what it printed."""
    return subprocess.run(
        [str(STATIONBOOK), *map(str, words)],
        capture_output=True,
        text=True,
        timeout=timeout,
        stdin=subprocess.DEVNULL,
        check=False,
    )


def stationbook(*words: object) -> subprocess.CompletedProcess[str]:
    """Run ``stationbook WORDS`` in this process and return what it printed."""
    args = list(map(str, words))
    out, err = (io.TextIOWrapper(io.BytesIO(), encoding="utf-8") for _ in range(2))
    with (
        open(os.devnull) as nothing,
        patch("sys.stdin", nothing),
        redirect_stdout(out),
        redirect_stderr(err),
    ):
        status = _status(args)
    return subprocess.CompletedProcess(args, status, _printed(out), _printed(err))


def _status(args: list[str]) -> int:
    objects = gc.get_threshold()
    try:
        return main(args)
    except SystemExit as end:  # wrong words and --help end the parser
        return end.code if isinstance(end.code, int) else int(end.code is not None)
    finally:  # a command looks for waste seldom or never, as its process ends with it
        gc.set_threshold(*objects)
        gc.enable()


def _printed(stream: io.TextIOWrapper) -> str:
    stream.flush()
    return stream.buffer.getvalue().decode()  # type: ignore[attr-defined]


def answer(*words: object, status: int = 0) -> Any:
    """Run a command with --json, check its exit status and return the one document it printed."""
    run = stationbook(*words, "--json")
    assert run.returncode == status, f"exit {run.returncode}: {run.stdout}\n{run.stderr}"
    return json.loads(run.stdout)


def refused(*words: object) -> str:
    """Run a command that must refuse its input: exit status 2, one sentence, no traceback."""
    run = stationbook(*words)
    assert run.returncode == 2, f"exit {run.returncode}: {run.stdout}\n{run.stderr}"
    assert "Traceback" not in run.stderr
    assert run.stderr.startswith("stationbook: ") or run.stderr.startswith("usage: ")
    return run.stderr


def contents(folder: Path) -> dict[str, bytes]:
    """Return what the files of a folder hold, the lock left out."""
    files = (path for path in folder.rglob("*") if path.is_file() and path.name != ".lock")
    return {str(path.relative_to(folder)): path.read_bytes() for path in files}
