"""One error tree for everything that a person can put right."""

from __future__ import annotations


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
        place = self.path if line is None else f"{self.path}, line {line}"
        subject = f"{place}: {key}: " if key else f"{place}: "
        super().__init__(subject + problem, remedy)


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
