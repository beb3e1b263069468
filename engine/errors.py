"""One error tree for everything that a person can put right."""

from __future__ import annotations

import errno
from collections.abc import Iterable, Sequence
from difflib import get_close_matches

MOST_TOLD = 4  # differences that a sentence can carry

_REASONS = {  # what an operating system's error number means to the person at the machine
    errno.ENOENT: ("no such file or folder", "Check the name."),
    errno.ENOTDIR: ("part of the path is a file, not a folder", "Check the name."),
    errno.EISDIR: ("this is a folder, not a file", "Check the name."),
    errno.EEXIST: ("a file with this name exists already", "It stays as it is: use another name."),
    errno.EACCES: ("no permission", "Ask for the right to this folder, or use another one."),
    errno.EPERM: ("no permission", "Ask for the right to this folder, or use another one."),
    errno.EROFS: ("the disk is write-protected", "Use another folder."),
    errno.ENOSPC: ("the disk is full", "Make room, then do the last step again."),
    errno.EDQUOT: ("the disk quota is used up", "Make room, then do the last step again."),
    errno.EFBIG: ("the file would become too large", "Use another disk."),
    errno.EIO: ("the disk reports a fault", "Copy the folder to another disk first."),
    errno.ENAMETOOLONG: ("the name is too long", "Use a shorter one."),
    errno.ELOOP: ("the path runs in a circle of links", "Check the name."),
    errno.EMFILE: ("too many files are open", "Close other programs."),
}


class StationbookError(Exception):
    """Something a person can put right: what was wrong, the value received and the remedy.

    Attributes:
        problem: one clause saying what is wrong, with the value received.
        remedy: one sentence saying what to do, or "".
    """

    def __init__(self, problem: str, remedy: str = "") -> None:
        self.problem = problem
        self.remedy = remedy
        super().__init__(f"{problem}. {remedy}" if remedy else problem)


class FileError(StationbookError):
    """A file or folder that cannot be read, written or understood.

    Attributes:
        path: the file, as the person named it.
        line: line in the file, counted from 1, or None.
        key: dotted key inside the file, such as ``board.pitch_mm``, or None.
        clause: what is wrong, without the place that ``problem`` starts with.
    """

    def __init__(
        self,
        path: object,
        problem: str,
        remedy: str = "",
        *,
        line: int | None = None,
        key: str | None = None,
    ) -> None:
        self.path = str(path)
        self.line = line
        self.key = key
        self.clause = problem
        place = self.path if line is None else f"{self.path}, line {line}"
        subject = f"{place}: {key}: " if key else f"{place}: "
        super().__init__(subject + problem, remedy)

    @classmethod
    def from_os(cls, path: object, error: OSError, doing: str) -> FileError:
        """Return the sentence for an operating system's error while ``doing`` ("read", "write")."""
        said = (error.strerror or str(error), "")
        reason, remedy = _REASONS.get(error.errno or 0, said)
        return cls(path, f"cannot {doing} it: {reason}", remedy)


class ChangedError(FileError):
    """A file is not the one that was opened: another hand wrote there meanwhile.

    Attributes:
        apart: what stands in the file and what was to be stored, a sentence for each difference.
    """

    def __init__(self, path: object, apart: Sequence[str]) -> None:
        self.apart = tuple(apart)
        more = len(self.apart) - MOST_TOLD
        told = "; ".join(self.apart[:MOST_TOLD]) + (f"; and {more} more" if more > 0 else "")
        super().__init__(
            path,
            f"it is not the file that was opened, so nothing was stored ({told})",
            "Look at both, then do the step again, on top of what stands in the file now.",
        )


class StoredError(FileError):
    """It is stored, but the disk does not confirm that it will stay.

    Attributes:
        after: SHA-256 of the file as it is now.
    """

    def __init__(self, path: object, reason: str, after: str) -> None:
        self.after = after
        said = reason.removeprefix("cannot write it: ")
        super().__init__(
            path,
            f"it is stored, but the disk does not confirm that it will last ({said})",
            "Copy the folder to another disk before going on.",
        )


class BusyError(StationbookError):
    """The session is being written by somebody else: who, and since when."""


class UsageError(StationbookError):
    """A command was called with words that do not fit together."""


class PoseError(StationbookError):
    """A typed pose that cannot be read, or can be read in two ways.

    Attributes:
        field: the label of the field concerned, or None for the whole line.
    """

    def __init__(self, problem: str, remedy: str = "", *, field: str | None = None) -> None:
        self.field = field
        super().__init__(problem, remedy)


class SolveError(StationbookError):
    """The data cannot be solved at all: too few stations, or nothing measured."""


def nearest(word: str, known: Iterable[str]) -> str:
    """Return a remedy that names the nearest known word, or all of them."""
    listed = list(known)
    close = get_close_matches(word, listed, n=1, cutoff=0.6)
    return f"Did you mean {close[0]}?" if close else f"Known here: {', '.join(listed)}."
