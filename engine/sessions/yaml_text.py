"""Strict reader for the YAML of cells, sessions and results, and the one writer of plain data.

Built on the events of libyaml's safe parser (`yaml.parse` with `CSafeLoader`), so no value is ever
interpreted here: a scalar stays the raw text of the file, and a file that nests without end or
repeats itself through aliases is refused while it is read, not after it has filled the memory.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

from ..errors import FileError, StationbookError
from ..files import NOT_OURS, read_bytes

# A session of 1500 stations takes 0.6 MB and has 40 000 values, a result of 5000 stations that do
# not fit some 4 MB and 250 000; so much is read in 2 s, with 300 MB.
MAX_YAML = 8 * 2**20  # bytes
MAX_VALUES = 600_000
MAX_DEPTH = 30  # levels; the deepest key of any of our files lies on level 8
NULLS = frozenset(("", "~", "null", "Null", "NULL"))

_UNPRINTABLE = re.compile("[^\t\n\r -~\x85\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


@dataclass(slots=True, eq=False, repr=False)
class Node:
    """One value of a file: a text, a list of nodes or a dict of nodes, and where it stands.

    Attributes:
        path: the file.
        line: line in the file, counted from 1.
        value: raw text, list of nodes, or dict of nodes.
        plain: the text stands without quotes.
    """

    path: Path
    line: int
    value: str | list[Node] | dict[str, Node]
    plain: bool = False
    parent: Node | None = None
    step: str = ""

    @property
    def key(self) -> str:
        """Dotted key, such as ``stations[2].pose[1]``; items of lists count from 1."""
        above = self.parent.key if self.parent else ""
        if self.step.startswith("[") or not above:
            return above + self.step
        return f"{above}.{self.step}"

    @property
    def is_null(self) -> bool:
        """True for an unquoted null, or for nothing at all after the colon."""
        return self.plain and self.value in NULLS

    def described(self) -> str:
        """Say in a few words what stands here, for a complaint."""
        if isinstance(self.value, dict):
            return "a group of keys"
        if isinstance(self.value, list):
            return "a list"
        if self.is_null:
            return "nothing"
        shown = self.value if len(self.value) <= 40 else self.value[:40] + "..."
        return shown if self.plain else f'the text "{shown}"'

    def fail(self, problem: str, remedy: str = "") -> FileError:
        """Return the complaint about this value, ready to be raised."""
        return FileError(self.path, problem, remedy, line=self.line, key=self.key or None)

    def wrong(self, wanted: str, remedy: str = "") -> FileError:
        """Return the complaint that something else was expected here."""
        return self.fail(f"expected {wanted}, got {self.described()}", remedy)

    def text(self, wanted: str = "a text") -> str:
        """Return the raw text; raises FileError for a list, a group or nothing."""
        if not isinstance(self.value, str) or self.is_null:
            raise self.wrong(wanted)
        return self.value

    def items(self, wanted: str = "a list") -> list[Node]:
        """Return the items of a list; raises FileError for anything else."""
        if not isinstance(self.value, list):
            raise self.wrong(wanted, "Write it as [first, second, ...].")
        return self.value

    def entries(self, wanted: str = "a group of keys") -> dict[str, Node]:
        """Return the entries of a group of keys; raises FileError for anything else."""
        if not isinstance(self.value, dict):
            raise self.wrong(wanted)
        return self.value

    def at(self, key: str) -> Node:
        """Return the entry ``key``, or this group itself where the key is absent."""
        return self.entries().get(key, self)


def read_yaml(path: Path) -> Node:
    """Read a YAML file into nodes; raises FileError with the line for everything unclear."""
    return parse_yaml(read_bytes(path, MAX_YAML), path)


def parse_yaml(data: bytes, path: Path) -> Node:
    """Turn the content of a YAML file into nodes; ``path`` is named in complaints."""
    text = _decoded(data, path)
    try:
        root = _Builder(path).build(yaml.parse(text, yaml.CSafeLoader))
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        raise FileError(
            path,
            f"this is not valid YAML ({error.problem or error.context})",
            "Look at this line and the one above: indentation, quotes, brackets, colons.",
            line=mark.line + 1 if mark else None,
        ) from None
    except yaml.YAMLError as error:
        raise FileError(path, f"this is not valid YAML ({error})".replace("\n", " ")) from None
    if root is None or root.is_null:
        raise FileError(path, "the file is empty")
    return root


def _decoded(data: bytes, path: Path) -> str:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise FileError(path, "the text is stored as UTF-16", "Save it as UTF-8.")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise FileError(
            path, "the file is damaged or is not text in UTF-8", "Save it as UTF-8.", line=line
        ) from None
    if not text.strip():
        raise FileError(path, "the file is empty")
    if found := _UNPRINTABLE.search(text):
        line = text.count("\n", 0, found.start()) + 1
        code = f"U+{ord(found.group()):04X}"
        raise FileError(path, f"this is no plain text (character {code})", line=line)
    return text


class _Builder:
    """Builds the nodes of one document from parser events, without recursion."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.root: Node | None = None
        self.open: list[Node] = []  # lists and groups not closed yet
        self.keys: list[Node | None] = []  # for each: the key waiting for its value
        self.count = 0

    def build(self, events: Iterator[Any]) -> Node | None:
        for event in events:
            kind = type(event)
            if kind is yaml.ScalarEvent:
                self._check(event)
                self._scalar(event)
            elif kind is yaml.MappingStartEvent or kind is yaml.SequenceStartEvent:
                self._check(event)
                self._begin(event, {} if kind is yaml.MappingStartEvent else [])
            elif kind is yaml.MappingEndEvent or kind is yaml.SequenceEndEvent:
                self.open.pop()
                self.keys.pop()
            elif kind is yaml.AliasEvent:
                raise self._refused(event, f"*{event.anchor} repeats another place")
            elif kind is yaml.DocumentStartEvent and self.root is not None:
                raise self._refused(event, "a second document starts here", "Remove the --- line.")
        return self.root

    def _check(self, event: Any) -> None:
        self.count += 1
        if self.count > MAX_VALUES:
            raise self._refused(event, f"more than {MAX_VALUES} values", NOT_OURS)
        if event.anchor is not None:
            raise self._refused(event, f"&{event.anchor} marks a place to be repeated")
        if event.tag is not None:
            remedy = "Remove the word that starts with !."
            raise self._refused(event, f"the type mark {event.tag} is not allowed", remedy)

    def _refused(
        self, event: Any, problem: str, remedy: str = "Write the value out at every place."
    ) -> FileError:
        return FileError(self.path, problem, remedy, line=event.start_mark.line + 1)

    def _scalar(self, event: Any) -> None:
        line = event.start_mark.line + 1
        node = Node(self.path, line, event.value, plain=event.implicit[0])
        if self.open and isinstance(self.open[-1].value, dict) and self.keys[-1] is None:
            self._name(node)
        else:
            self._place(node)

    def _begin(self, event: Any, value: list[Node] | dict[str, Node]) -> None:
        if self.open and isinstance(self.open[-1].value, dict) and self.keys[-1] is None:
            raise self._refused(event, "a list or group stands where a key belongs", "")
        if len(self.open) >= MAX_DEPTH:
            raise self._refused(event, f"nested more than {MAX_DEPTH} levels deep", "")
        node = Node(self.path, event.start_mark.line + 1, value)
        self._place(node)
        self.open.append(node)
        self.keys.append(None)

    def _name(self, key: Node) -> None:
        group = self.open[-1]
        name = str(key.value)
        first = group.entries().get(name)
        if first is not None:
            key.parent, key.step = group, name
            raise key.fail(
                f"this key stands here twice, first in line {first.line}", "Remove one of them."
            )
        self.keys[-1] = key

    def _place(self, node: Node) -> None:
        if not self.open:
            self.root = node
            return
        node.parent = self.open[-1]
        holder, key = node.parent.value, self.keys[-1]
        if isinstance(holder, list):
            holder.append(node)
            node.step = f"[{len(holder)}]"
        elif isinstance(holder, dict) and key is not None:
            node.step = str(key.value)
            holder[node.step] = node
            self.keys[-1] = None


LINE_WIDTH = 100  # characters; longer lists are folded


class _Dumper(yaml.CSafeDumper):
    def ignore_aliases(self, data: Any) -> bool:
        """Write every value out in full: aliases are refused on reading."""
        return True


def yaml_dump(document: Mapping[str, Any] | list[Any]) -> str:
    """Return ``document`` (texts, numbers, booleans, None, lists, dicts) as YAML text.

    A text that would read as a number is quoted. Raises StationbookError for a text that holds
    halves of characters, as a terminal in the wrong encoding delivers them.
    """
    try:
        text: str = yaml.dump(
            document,
            Dumper=_Dumper,
            sort_keys=False,
            default_flow_style=None,
            allow_unicode=True,
            width=LINE_WIDTH,
        )
    except UnicodeEncodeError as error:
        raise StationbookError(
            f"the text {error.object!a} holds characters that cannot be stored",
            "Set the terminal to UTF-8 and type it again.",
        ) from None
    return text


def plain(value: Any) -> Any:
    """Return ``value`` with arrays, tuples and numpy numbers as plain data; NaN and Inf as None.

    A number that is not finite is not known, and what is not known is null in every file.
    """
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if hasattr(value, "tolist"):  # an array or a number of numpy
        return plain(value.tolist())
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
