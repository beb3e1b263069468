"""The ``format`` key that every file of this program starts with."""

from __future__ import annotations

from ..cell.session import FORMAT
from .schema import Whole, missing
from .yaml_text import Node

_ANY = Whole(1, 999_999)


def check_format(root: Node) -> None:
    """Raise FileError unless the file says a format that this program knows.

    Called before anything else is read: a newer file may hold keys that are not known here.
    """
    if "format" not in root.entries("keys and values"):
        raise missing(root, "format", f"Write `format: {FORMAT}` as the first line.")
    node = root.at("format")
    if (found := _ANY.read(node)) > FORMAT:
        raise node.fail(
            f"format {found} is newer than format {FORMAT}, the newest that this program "
            f"({program_version()}) knows",
            f"Use a version of stationbook newer than {program_version()} that reads format "
            f"{found}.",
        )


def program_version() -> str:
    """Return the installed version of this program."""
    from importlib.metadata import PackageNotFoundError, version  # not before the first picture

    try:
        return version("stationbook")
    except PackageNotFoundError:
        return "not installed"
