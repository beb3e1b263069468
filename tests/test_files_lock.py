"""One writer at a time; a crash locks nobody out; a refusal says who and since when."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from files_samples import NOW

from engine.errors import BusyError, FileError
from engine.sessions import lock as lock_module
from engine.sessions.lock import Holder, holder, take_lock, writing

ROOT = Path(__file__).parent.parent

OTHER = """
import sys, time
from datetime import datetime
from pathlib import Path
from engine.sessions.lock import take_lock
since = datetime.fromisoformat("2026-11-25T08:00:00+00:00")
lock = take_lock(Path(sys.argv[1]), "B. Example", since)
print("held", flush=True)
time.sleep(60)
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "session.yaml").write_text("format: 1\n")
    return tmp_path


def other_writer(folder: Path) -> subprocess.Popen[str]:
    process = subprocess.Popen(
        [sys.executable, "-c", OTHER, str(folder)], cwd=ROOT, stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "held\n"
    return process


def test_a_second_writer_is_told_who_and_since_when(folder: Path) -> None:
    process = other_writer(folder)
    try:
        with pytest.raises(BusyError) as caught:
            take_lock(folder, "A. Example", NOW)
    finally:
        process.kill()
        process.wait()
    assert "B. Example" in str(caught.value)
    assert "2026-11-25T08:00:00+00:00" in str(caught.value)
    assert f"process {process.pid}" in str(caught.value)


def test_a_killed_writer_locks_nobody_out(folder: Path) -> None:
    process = other_writer(folder)
    process.send_signal(signal.SIGKILL)
    process.wait()
    named = holder(folder)
    assert named is not None
    assert named.operator == "B. Example"
    with take_lock(folder, "A. Example", NOW):
        named = holder(folder)
        assert named is not None
        assert (named.operator, named.pid) == ("A. Example", os.getpid())
        with pytest.raises(BusyError, match=r"A\. Example"):
            take_lock(folder, None, NOW)
    assert holder(folder) is None
    take_lock(folder, None, NOW).close()


def test_a_lock_file_deleted_by_hand_lets_the_next_writer_in(folder: Path) -> None:
    """As told for a computer that no longer exists but whose share still holds its lock."""
    held = take_lock(folder, None, NOW)
    (folder / ".lock").unlink()
    with take_lock(folder, None, NOW):
        held.close()
        assert holder(folder) is not None


def test_a_damaged_lock_file_is_no_obstacle(folder: Path) -> None:
    for content in (b"\xff\xfe", b"[]", b'{"pid": "x"}', b"x" * 20_000):
        (folder / ".lock").write_bytes(content)
        take_lock(folder, None, NOW).close()


def test_only_a_session_folder_gets_a_lock(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="holds no session"):
        writing(tmp_path)
    with pytest.raises(FileError, match="no such folder"):
        writing(tmp_path / "nowhere")
    assert list(tmp_path.iterdir()) == []


def record(folder: Path, host: str, pid: int) -> None:
    import json

    document = {"operator": None, "user": "other", "host": host, "pid": pid, "since": "then"}
    (folder / ".lock").write_text(json.dumps(document))


def dead_pid() -> int:
    process = subprocess.Popen([sys.executable, "-c", ""])
    process.wait()
    return process.pid


@pytest.mark.parametrize("number", [errno.ENOLCK, errno.EOPNOTSUPP])
def test_on_a_share_without_locks_the_record_decides(
    folder: Path, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    def unsupported(fd: int) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(lock_module, "_system_lock", unsupported)
    here = lock_module.platform.node()
    record(folder, "another-computer", dead_pid())
    with pytest.raises(BusyError, match="another-computer") as caught:
        take_lock(folder, None, NOW)
    assert "delete" in str(caught.value)
    record(folder, here, os.getppid())
    with pytest.raises(BusyError, match="other"):
        take_lock(folder, None, NOW)
    record(folder, here, dead_pid())
    with take_lock(folder, "A. Example", NOW):
        assert isinstance(holder(folder), Holder)


def test_other_errors_of_the_lock_are_told(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(fd: int) -> None:
        raise OSError(errno.EIO, "fault")

    monkeypatch.setattr(lock_module, "_system_lock", broken)
    with pytest.raises(FileError, match="cannot lock it"):
        take_lock(folder, None, NOW)
