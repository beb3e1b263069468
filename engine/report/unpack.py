"""Unpacking a session that somebody sent: everything is checked before anything is written."""

from __future__ import annotations

import hashlib
import json
import stat
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from ..errors import FileError
from ..sessions.store import SESSION_FILE, make_folder, write_bytes_new
from .pack import (
    LARGEST_FILE,
    MANIFEST,
    MOST_FILES,
    PACK_FORMAT,
    Manifest,
    PackedFile,
    collision,
    fault,
)

LARGEST_TOTAL = 2**34  # bytes; 1500 stations of 5 megapixels have 7.5 × 10⁹
LARGEST_MANIFEST = 2**23  # bytes; 20 000 files need 4 × 10⁶
LARGEST_RATIO = 100  # unpacked / packed; text shrinks to a tenth, deflate reaches 1000
HARMLESS = 2**16  # bytes; small files may shrink as they like: all of them are 1.3 × 10⁹
_CHUNK = 2**20
_AGAIN = "Have the pack made and sent again."
_UNSAFE = "Do not use this file; ask whoever sent it."

# What the zip and JSON readers raise on damaged files.
DAMAGE = (
    zipfile.BadZipFile, zipfile.LargeZipFile, zlib.error, EOFError, ValueError, OverflowError,
    NotImplementedError, RuntimeError, IndexError, KeyError,
)  # fmt: skip


def check_pack(path: Path) -> Manifest:
    """Read a whole pack and return what it holds; nothing is written.

    Raises FileError for whatever is not an intact pack of a session.
    """
    with _opened(path) as archive:
        manifest = read_manifest(archive, path)
        for file in manifest.files:
            content(archive, file, path)
        return manifest


def unpack(path: Path, folder: Path) -> Manifest:
    """Unpack a session into ``folder``, which must not exist yet, and return what it holds.

    session.yaml is written last, so that a folder left half way is no session. Raises FileError;
    unless the disk itself fails, nothing has been written then.
    """
    if folder.exists() or folder.is_symlink():
        raise FileError(folder, "this exists already", "Name a folder that does not exist yet.")
    manifest = check_pack(path)
    make_folder(folder)
    with _opened(path) as archive:
        for file in sorted(manifest.files, key=lambda file: file.path == SESSION_FILE):
            target = folder.joinpath(*file.path.split("/"))
            make_folder(target.parent)
            write_bytes_new(target, content(archive, file, path))
    return manifest


@contextmanager
def _opened(path: Path) -> Iterator[zipfile.ZipFile]:
    """Open a zip; whatever is wrong inside it becomes one sentence."""
    try:
        with zipfile.ZipFile(path) as archive:
            yield archive
    except FileError:
        raise
    except OSError as error:
        raise FileError.from_os(path, error, "read") from error
    except DAMAGE as error:
        raise FileError(
            path, "damaged, cut off, or no pack of a session", "Have it made and sent again."
        ) from error


def read_manifest(archive: zipfile.ZipFile, source: Path) -> Manifest:
    """Return what the pack says it holds, after checking form, names and limits.

    Raises FileError; nothing but the manifest has been read of the contents then.
    """
    entries = [entry for entry in archive.infolist() if not _is_plain_folder(entry)]
    if len(entries) > MOST_FILES:
        raise FileError(source, f"{len(entries)} files in it", "This is no pack of a session.")
    _check_entries(entries, source)
    by_name = {entry.filename: entry for entry in entries}
    if MANIFEST not in by_name:
        raise FileError(source, f"no {MANIFEST} in it", "This is no pack of a session.")
    if by_name[MANIFEST].file_size > LARGEST_MANIFEST:
        raise FileError(source, f"{MANIFEST} is too large", "This is no pack of a session.")
    manifest = _manifest(json.loads(archive.read(MANIFEST)), source)
    listed = {file.path: file.size for file in manifest.files}
    held = {name: entry.file_size for name, entry in by_name.items() if name != MANIFEST}
    if len(listed) != len(manifest.files) or listed != held:
        odd = sorted(set(listed.items()) ^ set(held.items()))
        what = odd[0][0] if odd else "a name listed twice"
        raise FileError(source, f"contents and {MANIFEST} disagree ({what!r})", _AGAIN)
    if SESSION_FILE not in listed:
        raise FileError(source, f"no {SESSION_FILE} in it", "This is no pack of a session.")
    return manifest


def _is_plain_folder(entry: zipfile.ZipInfo) -> bool:
    """Tell whether this is an entry for a folder, as other zip programs add them."""
    return entry.is_dir() and entry.file_size == 0 and fault(entry.filename[:-1]) is None


def _check_entries(entries: list[zipfile.ZipInfo], source: Path) -> None:
    for entry in entries:
        name = entry.orig_filename  # before zipfile cuts at a zero byte or turns slashes
        if wrong := fault(name):
            raise FileError(source, f"{name[:80]!r} in it: {wrong}", _UNSAFE)
        kind = stat.S_IFMT(entry.external_attr >> 16)
        if kind not in (0, stat.S_IFREG):
            raise FileError(source, f"{name!r} in it is a link or device", _UNSAFE)
        if entry.flag_bits & 0x1:
            raise FileError(source, f"{name!r} in it is encrypted", "Send it without a password.")
        if entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            raise FileError(source, f"{name!r} in it is packed in an unusual way", _AGAIN)
        if entry.file_size > LARGEST_RATIO * entry.compress_size + HARMLESS:
            raise FileError(source, f"{name!r} in it unpacks to {entry.file_size} bytes", _UNSAFE)
        if entry.file_size > LARGEST_FILE:
            raise FileError(source, f"{name!r} in it has {entry.file_size} bytes", _UNSAFE)
    if sum(entry.file_size for entry in entries) > LARGEST_TOTAL:
        raise FileError(source, f"unpacks to more than {LARGEST_TOTAL} bytes", _UNSAFE)
    if sum(entry.compress_size for entry in entries) > source.stat().st_size:
        raise FileError(source, "files in it overlap", _UNSAFE)
    if clash := collision([entry.filename for entry in entries]):
        raise FileError(source, f"{clash[0]!r} and {clash[1]!r} in it are one name", _UNSAFE)


def _manifest(data: Any, source: Path) -> Manifest:
    if not isinstance(data, dict) or data.get("format") != PACK_FORMAT:
        raise FileError(source, f"{MANIFEST} has an unknown form", "Use a newer stationbook.")
    texts = [data.get(key) for key in ("session", "created", "program")]
    if not all(isinstance(text, str) for text in texts):
        raise FileError(source, f"{MANIFEST} is damaged", _AGAIN)
    files, left_out = (_files(data.get(key), source) for key in ("files", "left_out"))
    session, created, program = map(str, texts)
    return Manifest(session, created, program, files, left_out)


def _files(rows: Any, source: Path) -> tuple[PackedFile, ...]:
    try:
        files = tuple(PackedFile(**row) for row in rows)
    except TypeError:
        raise FileError(source, f"{MANIFEST} is damaged", _AGAIN) from None
    for file in files:
        if not (
            isinstance(file.path, str) and type(file.size) is int and isinstance(file.sha256, str)
        ):
            raise FileError(source, f"{MANIFEST} is damaged", _AGAIN)
    return files


def content(archive: zipfile.ZipFile, file: PackedFile, source: Path) -> bytes:
    """Return a packed file's bytes; raises FileError unless size and SHA-256 agree."""
    data = bytearray()
    with archive.open(file.path) as stream:
        while chunk := stream.read(_CHUNK):
            data += chunk
            if len(data) > file.size:
                break
    if len(data) != file.size or hashlib.sha256(data).hexdigest() != file.sha256:
        raise FileError(source, f"{file.path!r} in it is not what was packed", _AGAIN)
    return bytes(data)
