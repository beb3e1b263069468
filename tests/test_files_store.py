"""The one module that writes: whole or not at all, and a sentence when it cannot."""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from engine.errors import FileError
from engine.sessions import store

ROOT = Path(__file__).parent.parent
OLD, NEW = b"old content\n", b"new content, longer than the old\n"


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_a_file_is_replaced_whole(tmp_path: Path) -> None:
    path = tmp_path / "session.yaml"
    store.write_bytes_atomic(path, OLD)
    store.write_text_atomic(path, "Zähler − 1\n")
    assert path.read_text(encoding="utf-8") == "Zähler − 1\n"
    assert names(tmp_path) == ["session.yaml"]


def test_a_new_file_never_overwrites(tmp_path: Path) -> None:
    path = tmp_path / "003.png"
    store.write_bytes_new(path, OLD)
    with pytest.raises(FileError, match=r"exists already.*use another name"):
        store.write_bytes_new(path, NEW)
    assert path.read_bytes() == OLD


def test_what_a_crash_left_aside_is_cleared_by_the_next_writer(tmp_path: Path) -> None:
    (tmp_path / ".session.yaml.aside").write_bytes(b"half writ")
    store.write_bytes_atomic(tmp_path / "session.yaml", NEW)
    assert names(tmp_path) == ["session.yaml"]
    assert (tmp_path / "session.yaml").read_bytes() == NEW


def test_a_link_planted_aside_is_not_followed(tmp_path: Path) -> None:
    victim = tmp_path / "victim"
    victim.write_bytes(OLD)
    (tmp_path / ".a.aside").symlink_to(victim)
    store.write_bytes_atomic(tmp_path / "a", NEW)
    assert victim.read_bytes() == OLD
    (tmp_path / "journal.jsonl").symlink_to(victim)
    with pytest.raises(FileError):
        store.append_line(tmp_path / "journal.jsonl", "{}")
    assert victim.read_bytes() == OLD


def test_appending_closes_a_cut_off_line_first(tmp_path: Path) -> None:
    path = tmp_path / "journal.jsonl"
    store.append_line(path, "first")
    path.write_bytes(path.read_bytes() + b'{"cut o')
    store.append_line(path, "third")
    assert path.read_text() == 'first\n{"cut o\nthird\n'


WRITES: list[Callable[[Path], None]] = [
    lambda path: store.write_bytes_atomic(path, NEW),
    lambda path: store.append_line(path, "another line"),
    lambda path: store.write_bytes_new(path.with_name("new.png"), NEW),
]


@pytest.mark.parametrize("write", WRITES, ids=["atomic", "append", "new"])
@pytest.mark.parametrize("call", ["open", "write", "fsync", "replace", "half"])
@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EIO, errno.EROFS, errno.EDQUOT])
def test_a_failing_call_leaves_the_old_file_and_nothing_half_written(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    write: Callable[[Path], None],
    call: str,
    number: int,
) -> None:
    path = tmp_path / "file"
    path.write_bytes(OLD)
    real_write = os.write

    def fails(*_: object, **__: object) -> None:
        raise OSError(number, os.strerror(number))

    def half(fd: int, data: bytes) -> int:
        if len(data) <= 3:
            fails()
        return real_write(fd, data[: len(data) // 2])

    with monkeypatch.context() as patched:
        patched.setattr(
            store.os, "write" if call == "half" else call, half if call == "half" else fails
        )
        if call == "replace" and write is not WRITES[0]:
            return
        with pytest.raises(FileError) as caught:
            write(path)
    assert "\n" not in str(caught.value)
    assert path.read_bytes() == OLD
    assert names(tmp_path) == ["file"]


def test_an_interrupt_leaves_nothing_half_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(store.os, "fsync", interrupted)
    for write in WRITES:
        (tmp_path / "file").write_bytes(OLD)
        with pytest.raises(KeyboardInterrupt):
            write(tmp_path / "file")
        assert (tmp_path / "file").read_bytes() == OLD
        assert names(tmp_path) == ["file"]


@pytest.fixture
def tiny_disk(tmp_path: Path) -> Iterator[Path]:
    """A real file system of 64 kB."""
    if not hasattr(os, "geteuid") or os.geteuid() != 0 or not shutil.which("mount"):
        pytest.skip("a tiny disk needs the right to mount one; the injected errors cover the rest")
    place = tmp_path / "disk"
    place.mkdir()
    made = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(place)])
    if made.returncode:
        pytest.skip("this machine lets nobody mount a disk; the injected errors cover the rest")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


def test_a_disk_that_is_really_full_keeps_the_old_file(tiny_disk: Path) -> None:
    path = tiny_disk / "session.yaml"
    store.write_bytes_atomic(path, OLD * 100)
    store.append_line(tiny_disk / "journal.jsonl", "first")
    (tiny_disk / "ballast").write_bytes(b"x" * 40_000)
    for write in (
        lambda: store.write_bytes_atomic(path, NEW * 1000),
        lambda: store.write_bytes_new(tiny_disk / "003.png", b"p" * 50_000),
        lambda: store.append_line(tiny_disk / "journal.jsonl", "y" * 50_000),
    ):
        with pytest.raises(FileError, match="disk is full"):
            write()
    assert path.read_bytes() == OLD * 100
    assert (tiny_disk / "journal.jsonl").read_bytes() == b"first\n"
    assert names(tiny_disk) == ["ballast", "journal.jsonl", "session.yaml"]


@pytest.fixture
def read_only_disk(tmp_path: Path) -> Iterator[Path]:
    """A real file system that may only be read, holding one file."""
    if not hasattr(os, "geteuid") or os.geteuid() != 0 or not shutil.which("mount"):
        pytest.skip("a read-only disk needs the right to mount one; chmod is tested below")
    place = tmp_path / "disk"
    place.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(place)]).returncode:
        pytest.skip("this machine lets nobody mount a disk; chmod is tested below")
    (place / "file").write_bytes(OLD)
    subprocess.run(["mount", "-o", "remount,ro", str(place)], check=True)
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


def test_a_read_only_disk_is_named(read_only_disk: Path) -> None:
    for write in WRITES:
        with pytest.raises(FileError, match="write-protected"):
            write(read_only_disk / "file")
    assert names(read_only_disk) == ["file"]


AS_NOBODY = """
import os, sys
from pathlib import Path
from engine.errors import FileError
from engine.sessions import store
from engine.sessions.folder import open_session
os.setgid(65534); os.setuid(65534)
try:
    store.write_bytes_atomic(Path(sys.argv[1]), b"new")
except FileError as error:
    print(error)
try:
    open_session(Path(sys.argv[2]))
except FileError as error:
    print(error)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no such rights")
def test_folders_and_files_without_the_right_to_them_are_named(tmp_path: Path) -> None:
    tmp_path.chmod(0o755)
    (tmp_path / "file").write_bytes(OLD)
    (tmp_path / "file").chmod(0o444)
    (tmp_path / "secret").mkdir(mode=0o700)
    (tmp_path / "closed").mkdir()
    (tmp_path / "closed/session.yaml").write_bytes(OLD)
    (tmp_path / "closed/session.yaml").chmod(0o000)
    tmp_path.chmod(0o555)
    if os.geteuid() != 0:
        with pytest.raises(FileError, match="no permission"):
            store.write_bytes_atomic(tmp_path / "file", NEW)
        return
    for parent in tmp_path.parents:
        if parent != parent.parent and "pytest" in parent.name:
            parent.chmod(0o755)
    for unreadable in ("secret", "closed"):
        run = subprocess.run(
            [sys.executable, "-c", AS_NOBODY, str(tmp_path / "file"), str(tmp_path / unreadable)],
            capture_output=True,
            text=True,
            cwd=ROOT,
            check=True,
        )
        written, read = run.stdout.splitlines()
        assert "cannot write it: no permission" in written
        assert "no permission" in read
    assert (tmp_path / "file").read_bytes() == OLD


def test_folders_are_made_and_files_in_the_way_are_named(tmp_path: Path) -> None:
    store.make_folder(tmp_path / "a/b/c")
    store.make_folder(tmp_path / "a/b/c")
    assert (tmp_path / "a/b/c").is_dir()
    (tmp_path / "file").write_bytes(OLD)
    with pytest.raises(FileError):
        store.make_folder(tmp_path / "file")
    with pytest.raises(FileError):
        store.make_folder(tmp_path / "file/below")


def test_unforeseen_errors_are_logged_in_the_users_own_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("STATIONBOOK_CONFIG", str(tmp_path / "mine"))
    place = store.append_error_log("Traceback: one")
    assert store.append_error_log("Traceback: two") == place
    assert place.parent == tmp_path / "mine"
    assert place.read_text() == "Traceback: one\nTraceback: two\n"


def test_no_other_module_of_the_engine_writes_to_disk() -> None:
    """Files are opened for writing, renamed and deleted in store.py alone."""
    words = (".write_text(", ".write_bytes(", "os.replace(", "os.rename(", ".unlink(", ".mkdir(")
    for path in sorted((ROOT / "engine").rglob("*.py")):
        if path.name == "store.py":
            continue
        text = path.read_text(encoding="utf-8")
        found = [word for word in words if word in text]
        assert found == [], f"{path.relative_to(ROOT)} writes by itself: {found}"
