"""A session as one zip for somebody else: which names may stand in it, and packing.

The zip holds the session's files and `pack.json`, which lists every file with size and SHA-256.
Unpacking reads and checks all of it before the first file is written, writes only into a folder
that does not exist yet, and never runs, follows or overwrites anything.
"""

from __future__ import annotations

import hashlib
import json
import stat
import unicodedata
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import IO

from ..errors import FileError
from ..sessions.store import session_path

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
LARGEST_FILE = 2**29  # bytes; a 16-bit image of 100 megapixels has 2 × 10⁸
PACKED_RATIO = 50  # what shrinks more when packing is stored as it is
LARGEST_DEFLATED = 2**20  # bytes; larger files are images, which hardly shrink
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

    @property
    def folder_name(self) -> str:
        """Name for a folder to unpack into: the session's where it is an ordinary name."""
        return "session" if "/" in self.session or fault(self.session) else self.session


def pack(
    folder: Path, stream: IO[bytes], *, created: str, program: str, images: bool = True
) -> Manifest:
    """Write the session in ``folder`` as a zip into ``stream`` and return what it holds.

    Hidden files (locks, unfinished writes) are no part of a session. ``created`` is ISO 8601,
    ``program`` names program and version. Raises FileError for a folder without session.yaml, and
    for links or names that could not be unpacked elsewhere.
    """
    files, left_out = [], []
    try:
        with zipfile.ZipFile(stream, "w") as archive:
            for path, name in _session_files(folder):
                data = path.read_bytes()
                entry = PackedFile(name, len(data), hashlib.sha256(data).hexdigest())
                if not images and name.split("/")[0] in LEFT_OUT_FOLDERS:
                    left_out.append(entry)
                    continue
                files.append(entry)
                _store(archive, name, data)
            manifest = Manifest(folder.name, created, program, tuple(files), tuple(left_out))
            document = {"format": PACK_FORMAT, **asdict(manifest)}
            _store(archive, MANIFEST, json.dumps(document, indent=1).encode())
    except OSError as error:
        raise FileError.from_os(error.filename or folder, error, "pack") from error
    return manifest


def _store(archive: zipfile.ZipFile, name: str, data: bytes) -> None:
    entry = zipfile.ZipInfo(name, _EPOCH)
    entry.external_attr = (stat.S_IFREG | 0o644) << 16
    entry.create_system = 3  # Unix, on every machine: the same session gives the same zip
    method = zipfile.ZIP_STORED
    if len(data) <= LARGEST_DEFLATED:
        small = len(zlib.compress(data, 6))
        if len(data) / PACKED_RATIO <= small < 0.9 * len(data):
            method = zipfile.ZIP_DEFLATED
    archive.writestr(entry, data, compress_type=method, compresslevel=6)


def _session_files(folder: Path) -> Iterator[tuple[Path, str]]:
    """Yield the session's files in order of their names, after checking all of them."""
    session_path(folder)
    found = [p for p in sorted(folder.rglob("*")) if not _hidden(p.relative_to(folder))]
    names = {path: path.relative_to(folder).as_posix() for path in found}
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


def _hidden(path: Path) -> bool:
    return any(part.startswith(".") for part in path.parts)
