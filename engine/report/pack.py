"""Packing a session into one file, and unpacking one: checked before anything is written.

The zip holds the session's files and `pack.json`, which lists every file with size and SHA-256.
Unpacking reads and checks all of it before the first file is written, writes only into a folder
that does not exist yet, and never runs, follows or overwrites anything.
"""

from __future__ import annotations

import hashlib
import json
import os
import stat
import unicodedata
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import IO, Any

from ..errors import BusyError, FileError
from ..files import LARGEST_FILE, inside, opened, read_bytes, sha256
from ..sessions.journal import MAX_JOURNAL
from ..sessions.schema import program_version
from ..sessions.store import (
    JOURNAL_FILE,
    PROOF_FILE,
    RESULT_FILE,
    SESSION_FILE,
    make_folder,
    making_new_folder,
    session_path,
    writing_new,
)

LONGEST_NAME = 200  # characters of a whole path; Windows ends at 260 with the folder before it
DEEPEST = 8  # folders; a session has one
_RESERVED = {"con", "prn", "aux", "nul", "conin$", "conout$"} | {
    f"{device}{digit}" for device in ("com", "lpt") for digit in "0123456789¹²³"
}
_FORBIDDEN = set('<>:"|?*\\')


def fault(name: str) -> str | None:
    """Return what is wrong with a file's path inside a pack, or None.

    Allowed are relative paths with forward slashes whose parts are ordinary names on Linux and on
    Windows: nothing absolute, no drive, no "..", no device, no control or direction character.
    """
    if not name or len(name) > LONGEST_NAME:
        return f"a name of {len(name)} characters"
    parts = name.split("/")
    if len(parts) > DEEPEST:
        return f"{len(parts)} folders deep"
    for part in parts:
        if part in ("", ".", ".."):
            return "an absolute path or one that leaves the folder"
        if set(part) & _FORBIDDEN or not part.isprintable():
            return "a character that file names must not have"
        if part[-1] in ". " or part[0] == " ":
            return "a part that begins or ends with a blank or ends with a point"
        if part.split(".")[0].strip().casefold() in _RESERVED:
            return "the name of a device"
        if part.startswith("."):
            return "a hidden file"
    return None


def folded(name: str) -> str:
    """Return the name as a file system that ignores case and accents' spelling sees it."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())


def collision(names: list[str]) -> tuple[str, str] | None:
    """Return two names of which one would overwrite or block the other, or None.

    That is: the same name twice, names that differ in case or spelling only, and a file that
    another name uses as a folder.
    """
    seen: dict[str, str] = {}
    for name in names:
        if (other := seen.setdefault(folded(name), name)) is not name:
            return other, name
    for name in names:
        parts = folded(name).split("/")
        for depth in range(1, len(parts)):
            if (other := seen.get("/".join(parts[:depth]), "")) != "":
                return other, name
    return None


PACK_FORMAT = 1
MANIFEST = "pack.json"
LEFT_OUT_FOLDERS = ("images", "depth")  # a pack without images solves from the points

MOST_FILES = 20_000  # 1500 stations have three files each
PACKED_RATIO = 50  # what shrinks more when packing is stored as it is
LARGEST_DEFLATED = 2**20  # bytes; larger files are images, which hardly shrink
CHANGING = (SESSION_FILE, RESULT_FILE, PROOF_FILE, JOURNAL_FILE)
STATE_TRIES = 20  # readings in a row; two that agree are one state, and an action takes 10 ms
_EPOCH = (1980, 1, 1, 0, 0, 0)  # the same session gives the same zip


@dataclass(frozen=True, slots=True)
class PackedFile:
    """One file of a session: path with forward slashes, size [bytes] and SHA-256."""

    path: str
    size: int
    sha256: str


@dataclass(frozen=True, slots=True)
class Manifest:
    """What a pack holds. ``left_out`` lists the images that were not packed."""

    session: str
    created: str
    program: str
    files: tuple[PackedFile, ...]
    left_out: tuple[PackedFile, ...] = ()


def pack(folder: Path, stream: IO[bytes], *, now: datetime, images: bool = True) -> Manifest:
    """Write the session in ``folder`` as a zip into ``stream`` and return what it holds.

    Hidden files (locks, unfinished writes) are no part of a session. Raises FileError for a folder
    without session.yaml, and for links or names that could not be unpacked elsewhere.
    """
    files, left_out = [], []
    created, program = now.isoformat(timespec="seconds"), f"stationbook {program_version()}"
    state = _one_state(folder)
    try:
        with zipfile.ZipFile(stream, "w") as archive:
            for path, name in _session_files(folder):
                if name in CHANGING and name not in state:
                    continue  # it came after the state that is packed
                if not images and name.split("/")[0] in LEFT_OUT_FOLDERS:
                    with opened(path, LARGEST_FILE) as file:
                        left_out.append(_copied(name, file, None))
                elif (data := state.get(name)) is not None:
                    files.append(_store(archive, name, data))
                else:
                    files.append(_store_file(archive, path, name))
            manifest = Manifest(folder.name, created, program, tuple(files), tuple(left_out))
            document = {"format": PACK_FORMAT, **asdict(manifest)}
            _store(archive, MANIFEST, json.dumps(document, indent=1).encode())
    except OSError as error:
        raise FileError.from_os(error.filename or folder, error, "pack") from error
    return manifest


def _one_state(folder: Path) -> dict[str, bytes]:
    """Return the files that change while somebody records, all of one moment.

    Images and points never change, and lie there before session.yaml names them.
    """
    before = None
    for _ in range(STATE_TRIES):
        paths = {name: inside(folder, name) for name in CHANGING}
        state = {n: read_bytes(path, MAX_JOURNAL) for n, path in paths.items() if path.exists()}
        if state == before:
            return state
        before = state
    raise BusyError(f"{folder} is changed all the time", "Pack it when nobody records there.")


def _store_file(archive: zipfile.ZipFile, path: Path, name: str) -> PackedFile:
    """Store a file; a large one piece by piece."""
    with opened(path, LARGEST_FILE) as file:
        head = file.read(LARGEST_DEFLATED + 1)
        if len(head) <= LARGEST_DEFLATED:
            return _store(archive, name, head)
        file.seek(0)
        with archive.open(_zip_entry(name), "w", force_zip64=True) as into:
            return _copied(name, file, into)


def _copied(
    name: str, file: IO[bytes], into: IO[bytes] | None, most: int = LARGEST_FILE
) -> PackedFile:
    """Copy a file piece by piece (None: nowhere) and return what it held.

    One of more than ``most`` bytes is not read to its end.
    """
    digest, size = hashlib.sha256(), 0
    while size <= most and (piece := file.read(_CHUNK)):
        digest.update(piece)
        size += len(piece)
        if into is not None:
            into.write(piece)
    return PackedFile(name, size, digest.hexdigest())


def _zip_entry(name: str) -> zipfile.ZipInfo:
    entry = zipfile.ZipInfo(name, _EPOCH)
    entry.external_attr = (stat.S_IFREG | 0o644) << 16
    entry.create_system = 3  # Unix, on every machine: the same session gives the same zip
    return entry


def _store(archive: zipfile.ZipFile, name: str, data: bytes) -> PackedFile:
    method = zipfile.ZIP_STORED
    if len(data) <= LARGEST_DEFLATED:
        small = len(zlib.compress(data, 6))
        if len(data) / PACKED_RATIO <= small < 0.9 * len(data):
            method = zipfile.ZIP_DEFLATED
    archive.writestr(_zip_entry(name), data, compress_type=method, compresslevel=6)
    return PackedFile(name, len(data), sha256(data))


def _session_files(folder: Path) -> Iterator[tuple[Path, str]]:
    """Yield the session's files in order of their names, after checking all of them."""
    session_path(folder)
    found = {path: path.relative_to(folder).as_posix() for path in sorted(folder.rglob("*"))}
    names = {path: name for path, name in found.items() if "/." not in f"/{name}"}
    for path, name in names.items():
        mode = path.lstat().st_mode
        if not (stat.S_ISREG(mode) or stat.S_ISDIR(mode)):
            raise FileError(path, "a link or device cannot be packed", "Put the file itself there.")
        if (wrong := fault(name)) or name == MANIFEST:
            raise FileError(path, f"cannot be packed: {wrong or 'the name is taken'}", "Rename it.")
        if stat.S_ISREG(mode) and path.stat().st_size > LARGEST_FILE:
            raise FileError(path, "too large to be packed", "Take it out of the session folder.")
    files = [(path, name) for path, name in names.items() if path.is_file()]
    if clash := collision([name for _, name in files]):
        raise FileError(folder, f"{clash[0]} and {clash[1]} are one name elsewhere", "Rename one.")
    if len(files) >= MOST_FILES:
        raise FileError(folder, f"{len(files)} files", f"A pack holds fewer than {MOST_FILES}.")
    yield from files


LARGEST_TOTAL = 2**34  # bytes; 1500 stations of 5 megapixels have 7.5 × 10⁹
LARGEST_PACK = LARGEST_TOTAL + 2**30  # bytes of the zip; what cannot be packed grows by a hundredth
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
            _read(archive, file, path, None)
        return manifest


def unpack(path: Path, folder: Path) -> Manifest:
    """Unpack a session into ``folder``, which must not exist yet, and return what it holds.

    The folder gets its name once all of it is there. Raises FileError; then nothing is left of it.
    """
    if os.path.lexists(folder):
        raise FileError(folder, "this exists already", "Name a folder that does not exist yet.")
    manifest = check_pack(path)
    with making_new_folder(folder) as aside, _opened(path) as archive:
        for file in manifest.files:
            target = aside.joinpath(*file.path.split("/"))
            make_folder(target.parent)
            with writing_new(target) as into:
                _read(archive, file, path, into)
    return manifest


@contextmanager
def _opened(path: Path) -> Iterator[zipfile.ZipFile]:
    """Open a zip; whatever is wrong inside it becomes one sentence."""
    try:
        with opened(path, LARGEST_PACK, _UNSAFE) as file, zipfile.ZipFile(file) as archive:
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
    damaged = FileError(source, f"{MANIFEST} is damaged", _AGAIN)
    texts = [data.get(key) for key in ("session", "created", "program")]
    try:
        files, left_out = (
            tuple(PackedFile(**row) for row in data[key]) for key in ("files", "left_out")
        )
    except (KeyError, TypeError):
        raise damaged from None
    for file in (*files, *left_out):
        texts += [file.path, file.sha256]
        if type(file.size) is not int:
            raise damaged
    if not all(isinstance(text, str) for text in texts):
        raise damaged
    session, created, program = map(str, texts[:3])
    return Manifest(session, created, program, files, left_out)


def _read(archive: zipfile.ZipFile, file: PackedFile, source: Path, into: IO[bytes] | None) -> None:
    """Copy a packed file (None: nowhere); raises FileError unless size and SHA-256 agree."""
    with archive.open(file.path) as stream:
        held = _copied(file.path, stream, into, file.size)
    if held != file:
        raise FileError(source, f"{file.path!r} in it is not what was packed", _AGAIN)
