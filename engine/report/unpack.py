"""Unpacking a session that somebody sent: everything is checked before anything is written."""

from __future__ import annotations

import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from ..errors import FileError
from ..sessions.places import SESSION_FILE
from ..sessions.store import make_folder, write_bytes_new
from .pack import DAMAGE, Manifest, content, read_manifest


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
