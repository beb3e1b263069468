"""The real command in a subprocess, for tests."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

STATIONBOOK = Path(sys.executable).parent / "stationbook"


def stationbook(*words: object, timeout: float = 120) -> subprocess.CompletedProcess[str]:
    """Run ``stationbook WORDS`` as a person would and return what it printed."""
    return subprocess.run(
        [str(STATIONBOOK), *map(str, words)],
        capture_output=True,
        text=True,
        timeout=timeout,
        stdin=subprocess.DEVNULL,
        check=False,
    )


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
