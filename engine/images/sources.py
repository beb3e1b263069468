"""Where images come from: the newest file of a folder, a device, an address or a command.

A folder may hold pairs, the image and the depth that a 3-D camera took with it: ``003.png`` with
``003.ply``, ``003_depth.png`` or ``depth-003.tif``.

Every source delivers the bytes of one image that was not taken before. Nothing is written to the
session here. A source that came with somebody else's cell is opened only once it was confirmed on
this machine; that is for the caller to know.
"""

from __future__ import annotations

import hashlib
import re
import time
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from threading import Thread
from time import perf_counter
from typing import Protocol

from ..camera.model import SOURCES
from ..errors import FileError, UsageError
from .live_sources import (
    COMMAND_TIMEOUT_S,
    URL_TIMEOUT_S,
    command_image,
    device_image,
    genicam_image,
    url_image,
)
from .load import decode_image, file_suffix, image_bytes, settled

SUFFIXES = (".png", ".jpg", ".jpeg", ".tif", ".tiff", ".bmp", ".webp", ".pgm", ".jp2")
SETTLE_S = 0.3  # s; a camera program writes a 20 MB file in less on a local disk
DEPTH_SUFFIXES = (".npy", ".ply", ".pcd")  # of files that hold depth, whatever they are called
PAIR_WAIT_S = 10.0  # s that an image waits for its depth; 3-D cameras compute it in 1 to 3
_DEPTH = re.compile(r"^depth[._-]|[._-]depth$", re.IGNORECASE)  # in a stem: depth, no image
_WORDS = "image|color|colour|rgb|grey|gray|intensity|texture"
_IMAGE = re.compile(rf"^({_WORDS})[._-]|[._-]({_WORDS})$", re.IGNORECASE)
# s; an image of a camera that answers takes less; a command may have to start one up
PATIENCE_S = URL_TIMEOUT_S + 2.0
COMMAND_PATIENCE_S = COMMAND_TIMEOUT_S + 5.0
POLL_S = 0.3  # s between looks; network shares send no events

SHARE = 400  # times as long as listing a folder took it is left alone: 0.25 % of a core
COARSE_S = 2.0  # s; times of a FAT folder go by steps of 2 s, so a change just now may not show
Key = tuple[str, int, int]  # name, size [bytes] and time [ns] of a file

_LOOKED = ("", 0, 0)  # among the files that are there: the folder was looked at
Credentials = Mapping[str, tuple[str, str]]  # host to user and password, from the user's own file


@dataclass(frozen=True, slots=True)
class NewImage:
    """One image as it came: its bytes, a file name, and the SHA-256 of the bytes.

    ``written``: when its file was last written [s since 1970], None where it comes from no file.
    ``depth``: content and name of the depth file taken with it, or None.
    """

    data: bytes
    name: str
    sha256: str
    written: float | None = None
    depth: tuple[bytes, str] | None = None


class ImageSource(Protocol):
    """Anything that delivers images."""

    def newest(self, taken: Collection[str]) -> NewImage | None:
        """Return the newest whole image whose SHA-256 is not in ``taken``, or None.

        Raises FileError when the source delivers something that is no whole image, or nothing.
        """

    @property
    def repeated(self) -> str:
        """What came last, in words, where that was an image delivered before; "" for any other."""


def open_source(
    source: Mapping[str, str],
    here: Path,
    *,
    commands: Mapping[str, Sequence[str]] | None = None,
    credentials: Credentials | None = None,
    pairs: bool = False,
) -> ImageSource:
    """Return the source that ``camera.source`` describes; a relative folder starts at ``here``.

    ``pairs``: images of a folder wait for the depth taken with them. ``commands`` holds the user's
    own commands by name. Raises UsageError for anything else.
    """
    if len(source) != 1 or next(iter(source)) not in SOURCES:
        raise UsageError(
            f"camera.source: {dict(source)} is no image source", f"One of {', '.join(SOURCES)}."
        )
    kind, value = next(iter(source.items()))
    if kind == "folder":
        return FolderSource(here / Path(value).expanduser(), pairs=pairs)
    if kind == "device":
        return LiveSource(value, lambda: device_image(value))
    if kind == "genicam":
        return LiveSource(value, lambda: genicam_image(value), COMMAND_PATIENCE_S)
    if kind == "url":
        return LiveSource(value, lambda: url_image(value, credentials or {}))
    if value not in (commands or {}):
        raise UsageError(
            f"camera.source: no command named {value!r} on this machine",
            "Commands are set up in the user's own configuration, never by a cell file.",
        )
    arguments = tuple((commands or {})[value])
    return LiveSource(value, lambda: command_image(value, arguments), COMMAND_PATIENCE_S)


@dataclass(slots=True)
class _Look:
    """What the last listing of a folder found. ``stamp``: time of the folder [ns], 0: not at rest.

    ``until`` [s, monotonic] it is believed while the folder's time and the latest file stay.
    """

    stamp: int = 0
    until: float = 0.0
    latest: Path | None = None
    key: Key | None = None


@dataclass(frozen=True, slots=True)
class FolderSource:
    """The newest image file of a folder that the camera's own program saves into.

    Looks instead of waiting for events: those come before a file is written to its end, and from
    network shares not at all. A large folder is not listed at every look: its own time and its
    latest file tell of nearly all changes; of another file written over, the next listing. An image
    that came since the first look goes before those that were
    ``there``, whatever the camera's clock says. ``known`` remembers the hashes of files seen, by
    name, size and time;
    ``waiting`` since when an image waits for its depth, if it has any (``pairs``).
    """

    folder: Path
    settle_s: float = SETTLE_S
    sleep: Callable[[float], None] = time.sleep
    known: dict[Key, str] = field(default_factory=dict)
    there: set[Key] = field(default_factory=set)
    pairs: bool = False
    clock: Callable[[], float] = time.monotonic
    waiting: dict[Key, float] = field(default_factory=dict)
    look: _Look = field(default_factory=_Look)

    def newest(self, taken: Collection[str]) -> NewImage | None:
        """Return the folder's newest image if it is whole and was not taken before."""
        if self._unchanged() and (self.look.key is None or self.known.get(self.look.key) in taken):
            return None
        began = perf_counter()
        stamp = self._stamp()
        keys = self._listed()
        path = self._latest(keys)
        self._remember(stamp, began, path, None if path is None else keys[path])
        if path is None:
            return None
        key = keys[path]
        if self.known.get(key) in taken:
            return None
        if not settled(path, self.settle_s, self.sleep):
            return None
        depth = self._depth(path) if self.pairs else None
        if self.pairs and depth is None:
            since = self.waiting.setdefault(key, self.clock())
            if self.clock() - since < PAIR_WAIT_S:
                return None
        data = image_bytes(path)
        decode_image(data, path)
        image = replace(_image(data, path.name, key[2] / 1e9), depth=depth)
        self.known[key] = image.sha256
        self.there.update(keys.values())  # what came before it is no longer looked for
        return None if image.sha256 in taken else image

    @property
    def repeated(self) -> str:
        """Say that the latest file has the content of an earlier one, or ""."""
        latest = self.look.key
        content = None if latest is None else self.known.get(latest)
        if latest is None or content is None:
            return ""
        same = next((k for k, seen in self.known.items() if seen == content and k != latest), None)
        if same is None:
            return ""
        if same[0] == latest[0]:
            return f"{latest[0]} was written again with the same content"
        return f"{latest[0]} has the very content of {same[0]}"

    def _unchanged(self) -> bool:
        """Tell whether the folder looks as it was listed last, and that is not long ago."""
        look = self.look
        if not look.stamp or time.monotonic() > look.until or self._stamp() != look.stamp:
            return False
        return look.latest is None or _key(look.latest) == look.key

    def _remember(self, stamp: int, began: float, latest: Path | None, key: Key | None) -> None:
        look, took = self.look, perf_counter() - began
        at_rest = abs(time.time() - stamp / 1e9) > COARSE_S
        look.stamp, look.until = stamp if at_rest else 0, time.monotonic() + SHARE * took
        look.latest, look.key = latest, key

    def _stamp(self) -> int:
        """Return the time of the folder [ns], 0 where it cannot be read."""
        try:
            return self.folder.stat().st_mtime_ns
        except OSError:
            return 0

    def _listed(self) -> dict[Path, Key]:
        try:
            files = [p for p in self.folder.iterdir() if p.suffix.lower() in SUFFIXES]
            files = [p for p in files if not is_depth(p)]
        except OSError as error:
            raise FileError(
                self.folder,
                f"the camera's folder cannot be read ({error.strerror})",
                "Create the folder, mount the share, or correct camera.source.",
            ) from error
        return {path: key for path in files if (key := _key(path)) is not None}

    def _latest(self, keys: Mapping[Path, Key]) -> Path | None:
        """Return the newest of those that came since the first look, else of all."""
        came = [path for path, key in keys.items() if self.there and key not in self.there]
        if not self.there:
            self.there.update([_LOOKED, *keys.values()])
        return max(came or keys, key=lambda path: (keys[path][2], path.name), default=None)

    def _depth(self, image: Path) -> tuple[bytes, str] | None:
        """Return content and name of the depth taken with ``image``; None: it is not whole yet."""
        path = depth_beside(image)
        if path is None or not settled(path, self.settle_s, self.sleep):
            return None
        return image_bytes(path), path.name


def is_depth(path: Path) -> bool:
    """Tell whether a file holds depth, by its name."""
    suffix = path.suffix.lower()
    return suffix in DEPTH_SUFFIXES or (suffix in SUFFIXES and bool(_DEPTH.search(path.stem)))


def depth_beside(image: Path) -> Path | None:
    """Return the file with the depth taken with ``image``, by its name; None where there is none.

    Raises OSError where the folder cannot be listed.
    """
    stem = _IMAGE.sub("", image.stem)
    beside = [p for p in image.parent.iterdir() if is_depth(p) and _DEPTH.sub("", p.stem) == stem]
    return min(beside, default=None)


@dataclass(slots=True)
class LiveSource:
    """A source that takes a new image each time it is asked: device, address or command.

    Every image is asked for anew, so a camera that was gone is found again. One that does not
    answer is given up after ``patience_s`` [s]; while it still hangs, nobody waits for it again.
    """

    name: str
    take: Callable[[], bytes]
    patience_s: float = PATIENCE_S
    asked: Thread | None = None
    repeated: str = ""

    def newest(self, taken: Collection[str]) -> NewImage | None:
        """Take an image now; None if it is one that was taken before."""
        data = self._taken()
        decode_image(data, self.name)
        image = _image(data, "taken" + file_suffix(data))
        again = image.sha256 in taken
        self.repeated = f"{self.name} delivered an image that it delivered before" if again else ""
        return None if again else image

    def _taken(self) -> bytes:
        if self.asked is not None and self.asked.is_alive():
            raise FileError(self.name, "still does not answer", "Check cable, power and address.")
        answer: list[bytes | Exception] = []
        self.asked = Thread(target=_asked, args=(self.take, answer), daemon=True)
        self.asked.start()
        self.asked.join(self.patience_s)
        if not answer:
            raise FileError(
                self.name,
                f"does not answer within {self.patience_s:.0f} s",
                "Check cable, power and address.",
            )
        if isinstance(answer[0], Exception):
            raise answer[0]
        return answer[0]


def _asked(take: Callable[[], bytes], answer: list[bytes | Exception]) -> None:
    """Put into ``answer`` what ``take`` returns or raises: it is raised again by who asked."""
    try:
        answer.append(take())
    except Exception as error:
        answer.append(error)


def watched(
    source: ImageSource, sleep: Callable[[float], None] = time.sleep
) -> Iterator[NewImage | FileError | None]:
    """Yield every new image of ``source``, and at once what is wrong with it, for ever.

    Trouble is said when it begins or changes, not while it lasts. None: nothing new since the last
    look, so whoever asks can go on with other things or stop.
    """
    known, said = set[str](), ""
    while True:
        try:
            image = source.newest(known)
        except FileError as error:
            yield None if str(error) == said else error
            said = str(error)
        else:
            if image is not None:
                known.add(image.sha256)
                said = ""
            yield image
        sleep(POLL_S)


def _image(data: bytes, name: str, written: float | None = None) -> NewImage:
    return NewImage(data, name, hashlib.sha256(data).hexdigest(), written)


def _key(path: Path) -> Key | None:
    try:
        state = path.stat()
    except OSError:
        return None
    return path.name, state.st_size, state.st_mtime_ns
