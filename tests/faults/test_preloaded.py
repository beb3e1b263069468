"""The system refuses calls of the real process: a library loaded before all others sees to it."""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from command import STATIONBOOK
from made_session import make_session

from engine.sessions.folder import open_session
from engine.sessions.journal import altered

SOURCE = Path(__file__).with_name("refuse.c")
POSITIONS = (6, 8)  # of some twenty calls of an `edit`


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    if sys.platform != "linux" or shutil.which("gcc") is None:
        pytest.skip("needs gcc and a system that preloads libraries")
    made = tmp_path_factory.mktemp("library") / "refuse.so"
    words = ["gcc", "-shared", "-fPIC", "-o", str(made), str(SOURCE), "-ldl"]
    subprocess.run(words, check=True, capture_output=True)
    return made


def refused_at(
    library: Path, session: Path, position: int, error: int
) -> subprocess.CompletedProcess:
    environment = {
        **os.environ,
        "LD_PRELOAD": str(library),
        "REFUSE_AT": str(position),
        "REFUSE_WITH": str(error),
        "REFUSE_BELOW": str(session),
    }
    words = [str(STATIONBOOK), "edit", str(session), "--station", "2", "--note", "kept"]
    return subprocess.run(words, env=environment, capture_output=True, text=True, check=False)


@pytest.mark.parametrize("position", POSITIONS)
def test_a_call_refused_by_the_system_is_a_sentence_and_loses_nothing(
    library: Path, tmp_path: Path, position: int
) -> None:
    session = tmp_path / "session"
    make_session(session, 3)
    run = refused_at(library, session, position, errno.ENOSPC)
    assert run.returncode == 2
    assert "the disk is full" in run.stderr
    assert "Traceback" not in run.stderr
    assert [station.note for station in open_session(session).stations] == [None] * 3
    assert altered(session) == []
    assert refused_at(library, session, 999, errno.ENOSPC).returncode == 0
    assert open_session(session).existing(2).note == "kept"
