"""Small files are kept in memory, and read again as soon as they changed."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from engine import files
from engine.errors import FileError

HOUR_NS = 3600 * 10**9


@pytest.fixture
def read(monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    """The files that were read from the disk, in order."""
    seen: list[Path] = []
    real = files.read_bytes

    def counted(path: Path, *args: object) -> bytes:
        seen.append(path)
        return real(path, *args)

    monkeypatch.setattr(files, "read_bytes", counted)
    return seen


def settled(path: Path, data: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    """Write a file as if long ago: what changed just now is not kept."""
    path.write_bytes(data)
    now = os.stat(path).st_mtime_ns
    monkeypatch.setattr(files.time, "time_ns", lambda: now + HOUR_NS)


def test_a_file_is_read_once_until_it_changes(
    tmp_path: Path, read: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "points.csv"
    settled(path, b"one", monkeypatch)
    assert [files.content(path).data for _ in range(3)] == [b"one"] * 3
    assert len(read) == 1
    other = tmp_path / "other"
    settled(other, b"two", monkeypatch)  # the same size
    os.utime(other, ns=(os.stat(path).st_atime_ns, os.stat(path).st_mtime_ns))
    os.replace(other, path)
    assert files.content(path).data == b"two"
    assert files.content(path).sha256 == files.sha256(b"two")
    assert len(read) == 2


def test_a_file_that_changed_just_now_is_read_each_time(tmp_path: Path, read: list[Path]) -> None:
    path = tmp_path / "points.csv"
    path.write_bytes(b"one")
    ahead = os.stat(path).st_mtime_ns + HOUR_NS  # a server whose clock is ahead
    os.utime(path, ns=(ahead, ahead))
    files.content(path)
    files.content(path)
    assert len(read) == 2


def test_what_the_program_wrote_itself_is_not_read(tmp_path: Path, read: list[Path]) -> None:
    path = tmp_path / "points.csv"
    path.write_bytes(b"one")
    files.written(path, b"one")
    assert files.content(path).data == b"one"
    assert not read
    path.unlink()
    with pytest.raises(FileError, match="no such file"):
        files.content(path)


def test_large_files_are_not_kept(
    tmp_path: Path, read: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "image.png"
    settled(path, bytes(files.LARGEST_KEPT + 1), monkeypatch)
    files.content(path)
    files.content(path)
    assert len(read) == 2
