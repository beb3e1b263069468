"""A disk that forgets: replays the prefix of a trace as a power cut would leave it.

What a program wrote is certain to be there only once the file was forced to the disk; a name
(created, renamed, deleted) only once its folder was. Until then each may be there, missing, or
(data) there in part, in any combination.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

LOCK = ".lock"  # belongs to the running program, not to the state on disk


@dataclass(frozen=True)
class Call:
    """One call that changes a disk, or (seek) where the next write goes: see `_LINES`."""

    kind: str
    path: str
    data: bytes = b""
    to: str = ""
    size: int = 0


@dataclass
class Content:
    """The bytes of one file, how many of them are certain, and where the next write goes."""

    now: bytearray
    certain: bytes
    at: int | None = None  # None: to the end

    def write(self, data: bytes) -> None:
        at = len(self.now) if self.at is None else self.at
        self.now[at : at + len(data)] = data
        self.at = None if at + len(data) == len(self.now) else at + len(data)


Named = tuple[str, Content | str | None]  # a path, and what it names: another one's folder to move


@dataclass
class Disk:
    """What is certain, and what is not yet."""

    names: dict[str, Content]  # as the running program sees them
    certain: dict[str, Content]
    pending: list[Named] = field(default_factory=list)

    def apply(self, call: Call) -> None:
        match call.kind:
            case "create":
                if call.path not in self.names:
                    self._name(call.path, Content(bytearray(), b""))
            case "write":
                self.names[call.path].write(call.data)
            case "seek" if call.path in self.names:
                self.names[call.path].at = call.size
            case "truncate":
                del self.names[call.path].now[call.size :]
            case "sync" if call.path in self.names:
                content = self.names[call.path]
                content.certain = bytes(content.now)
            case "sync":
                self._sync_folder(call.path)
            case "rename" if call.path not in self.names:
                self._name(call.to, call.path)
            case "rename":
                self._name(call.to, self.names[call.path])
                self._name(call.path, None)
            case "link":
                self._name(call.to, self.names[call.path])
            case "unlink":
                self._name(call.path, None)

    def _name(self, path: str, content: Content | str | None) -> None:
        self.pending.append((path, content))
        _enter(self.names, path, content)

    def _sync_folder(self, folder: str) -> None:
        for path, content in self.pending:
            if str(Path(path).parent) == folder:
                _enter(self.certain, path, content)
        self.pending = [item for item in self.pending if str(Path(item[0]).parent) != folder]

    def after_power_cut(self) -> Iterator[dict[str, bytes]]:
        """Return every state that a power cut now may leave: bytes by path."""
        for kept in itertools.product((False, True), repeat=len(self.pending)):
            names = dict(self.certain)
            for (path, content), there in zip(self.pending, kept, strict=True):
                if there:
                    _enter(names, path, content)
            for part in (0.0, 0.5, 1.0):
                yield {path: _torn(content, part) for path, content in names.items()}


def _enter(names: dict[str, Content], path: str, content: Content | str | None) -> None:
    if content is None:
        names.pop(path, None)
    elif isinstance(content, Content):
        names[path] = content
    else:
        for name in [name for name in names if name.startswith(f"{content}/")]:
            names[path + name.removeprefix(content)] = names.pop(name)


def _torn(content: Content, part: float) -> bytes:
    """Return what is certain and this part of what is not."""
    now, certain = bytes(content.now), content.certain
    if not now.startswith(certain):
        return now if part == 1.0 else certain
    return now[: len(certain) + int(part * (len(now) - len(certain)))]


def states(
    before: dict[str, bytes], calls: Sequence[Call]
) -> Iterator[tuple[int, dict[str, bytes]]]:
    """Return (number of calls done, state) for every prefix of the trace and every power cut."""
    start = {path: Content(bytearray(data), data) for path, data in before.items()}
    disk = Disk(dict(start), dict(start))
    for done in range(len(calls) + 1):
        seen: list[dict[str, bytes]] = []
        for state in disk.after_power_cut():
            if state not in seen:
                seen.append(state)
                yield done, state
        if done < len(calls):
            disk.apply(calls[done])


_STRING = r'"((?:\\x[0-9a-f]{2})*)"'
_FILE = r"\d+<((?:\\x[0-9a-f]{2})*)>"
_LINES = {
    "append": re.compile(rf"openat\(\S+, {_STRING}, \S*O_APPEND\S*, \d+\) = \d"),
    "create": re.compile(rf"openat\(\S+, {_STRING}, \S*O_CREAT\S*, \d+\) = \d"),
    "write": re.compile(rf"write\({_FILE}, {_STRING}, \d+\) += (\d+)"),
    "truncate": re.compile(rf"ftruncate\({_FILE}, (\d+)\) += 0"),
    "seek": re.compile(rf"lseek\({_FILE}, -?\d+, SEEK_\w+\) += (\d+)"),
    "sync": re.compile(rf"f(?:data)?sync\({_FILE}\) += 0"),
    "rename": re.compile(rf"rename\({_STRING}, {_STRING}\) += 0"),
    "link": re.compile(rf"link(?:at)?\((?:\S+, )?{_STRING}, (?:\S+, )?{_STRING}(?:, \d+)?\) += 0"),
    "unlink": re.compile(rf"unlink\({_STRING}\) += 0"),
    "mkdir": re.compile(rf"mkdir\({_STRING}, \d+\) += 0"),
}
TRACED = "openat,write,lseek,ftruncate,fsync,fdatasync,rename,link,linkat,unlink,mkdir"


def from_strace(text: str, folder: Path) -> list[Call]:
    """Return the calls below ``folder`` from the output of ``strace -f -y -xx``."""
    calls = []
    for line in text.splitlines():
        for kind, pattern in _LINES.items():
            if found := pattern.search(line):
                calls.append(_call(kind, found.groups()))
    appended = {c.path for c in calls if c.kind == "append"}  # whose end is where a write goes
    calls = [
        c for c in calls if c.kind != "append" and not (c.kind == "seek" and c.path in appended)
    ]
    return [c for c in calls if c.path.startswith(str(folder)) and not c.path.endswith(LOCK)]


def _call(kind: str, groups: tuple[str, ...]) -> Call:
    first, *rest = groups
    path = _plain(first).decode()
    if kind == "write":
        return Call(kind, path, data=_plain(rest[0])[: int(rest[1])])
    if kind in ("truncate", "seek"):
        return Call(kind, path, size=int(rest[0]))
    return Call(kind, path, to=_plain(rest[0]).decode() if rest else "")


def _plain(text: str) -> bytes:
    return bytes.fromhex(text.replace("\\x", ""))
