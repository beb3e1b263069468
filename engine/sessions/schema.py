"""A small declarative schema: what a file may hold, read into dataclasses and written back.

A kind reads a `Node` into a value and writes the value as plain data. A `Record` is a group of
keys, each a `Field` with a kind; it refuses unknown keys, names the nearest known one, and builds
a dataclass. `record_of` reads a record off a dataclass: each field a key, its type what may stand
there. The specifications themselves are in cell_parts.py, cell_file.py, folder.py and results.py.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import MISSING, dataclass, fields, replace
from datetime import datetime
from enum import StrEnum
from types import NoneType
from typing import (
    Annotated,
    Any,
    Generic,
    Literal,
    Protocol,
    TypeVar,
    get_args,
    get_origin,
    get_type_hints,
)

from ..cell.session import FORMAT
from ..errors import FileError, StationbookError, nearest
from ..files import is_absolute, leads_outside
from .yaml_text import Node

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_WHOLE = re.compile(r"[+-]?\d{1,15}", re.ASCII)
_TYPED = re.compile(r"\s*[+\-−]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?\s*", re.ASCII)
MAX_ID = 10**6  # an id never counts that far by hand
MAX_TEXT = 4000  # characters; a note, an address or a path is far shorter


class Kind(Protocol):
    """What a key may hold; written as a text unless a kind says otherwise."""

    def read(self, node: Node) -> Any:
        """Return the value of ``node``; raises FileError naming its place."""

    def write(self, value: Any) -> Any:
        """Return ``value`` as texts, numbers, lists and dicts."""
        return str(value)


@dataclass(frozen=True, slots=True)
class Text(Kind):
    """A text; with ``choices`` one of these words."""

    choices: tuple[str, ...] = ()

    def read(self, node: Node) -> str:
        text = node.text(f"one of {', '.join(self.choices)}" if self.choices else "a text")
        if self.choices and text not in self.choices:
            raise node.fail(f"{node.described()} is not known", nearest(text, self.choices))
        if not text.strip():
            raise node.fail("the text is empty")
        if len(text) > MAX_TEXT:
            raise node.fail(f"the text has {len(text)} characters, the limit is {MAX_TEXT}")
        return text


@dataclass(frozen=True, slots=True)
class Words(Kind):
    """Any text that this program wrote, even an empty one."""

    def read(self, node: Node) -> str:
        return node.text()


@dataclass(frozen=True, slots=True)
class Word(Kind):
    """One word of an enumeration."""

    of: type[StrEnum]

    def read(self, node: Node) -> StrEnum:
        return self.of(Text(tuple(self.of)).read(node))


@dataclass(frozen=True, slots=True)
class Number(Kind):
    """A decimal number, finite, within the limits."""

    above: float = -math.inf
    least: float = -math.inf
    most: float = math.inf  # in size

    def read(self, node: Node) -> float:
        wanted = "a number"
        text = node.text(wanted)
        if not node.plain:
            raise node.wrong(wanted, "Write it without quotes.")
        if not _NUMBER.fullmatch(text) or not math.isfinite(value := float(text)):
            raise node.wrong(wanted, "Write it with digits and a point, such as 20.5.")
        if value <= self.above:
            raise node.wrong(f"a number above {self.above:g}")
        if value < self.least:
            raise node.wrong(f"a number of at least {self.least:g}")
        if abs(value) > self.most:
            raise node.wrong(f"a number of at most {self.most:g} in size", "Check the point.")
        return value

    def write(self, value: Any) -> Any:
        return float(value)


@dataclass(frozen=True, slots=True)
class Whole(Kind):
    """A whole number within the limits."""

    least: int
    most: int

    def read(self, node: Node) -> int:
        wanted = f"a whole number from {self.least} to {self.most}"
        text = node.text(wanted)
        whole = node.plain and _WHOLE.fullmatch(text)
        if not whole or not self.least <= int(text) <= self.most:
            raise node.wrong(wanted)
        return int(text)

    def write(self, value: Any) -> Any:
        return int(value)


@dataclass(frozen=True, slots=True)
class Flag(Kind):
    """true or false, and no other word for it."""

    def read(self, node: Node) -> bool:
        if not node.plain or node.value not in ("true", "false"):
            raise node.wrong("true or false")
        return node.value == "true"

    def write(self, value: Any) -> Any:
        return bool(value)


@dataclass(frozen=True, slots=True)
class OrNull(Kind):
    """A value of one kind, or null for what is not known."""

    of: Kind

    def read(self, node: Node) -> Any:
        return None if node.is_null else self.of.read(node)

    def write(self, value: Any) -> Any:
        return None if value is None else self.of.write(value)


@dataclass(frozen=True, slots=True)
class OrNone(Kind):
    """A value of one kind, or the word ``none`` for what there is not."""

    of: Kind

    def read(self, node: Node) -> Any:
        return None if node.value == "none" else self.of.read(node)

    def write(self, value: Any) -> Any:
        return "none" if value is None else self.of.write(value)


@dataclass(frozen=True, slots=True)
class Typed(Kind):
    """One field as typed on the pendant: its raw text, never interpreted here."""

    def read(self, node: Node) -> str:
        text = node.text("a number as the pendant shows it")
        if not _TYPED.fullmatch(text):
            raise node.wrong("a number as the pendant shows it", "Write it as 612.40.")
        return text.strip()


@dataclass(frozen=True, slots=True)
class Time(Kind):
    """A date and time in ISO 8601, kept as text."""

    def read(self, node: Node) -> str:
        wanted = "a date and time such as 2026-11-25T09:12:00+01:00"
        text = node.text(wanted)
        try:
            datetime.fromisoformat(text)
        except ValueError:
            raise node.wrong(wanted) from None
        return text


@dataclass(frozen=True, slots=True)
class FileName(Kind):
    """A relative path with forward slashes; ``inside``: it may not leave its folder."""

    inside: bool = True

    def read(self, node: Node) -> str:
        text = node.text("the path of a file")
        if is_absolute(text):
            raise node.fail(
                f"{node.described()} is not a path relative to this file",
                "Give it relative to this file, with forward slashes.",
            )
        if not text.strip() or text.endswith("/") or (self.inside and leads_outside(text)):
            raise node.fail(f"{node.described()} is not a file inside this folder")
        return text


@dataclass(frozen=True, slots=True)
class Many(Kind):
    """A list of one kind; ``counts``: the lengths allowed, () for any."""

    of: Kind
    counts: tuple[int, ...] = ()

    def read(self, node: Node) -> tuple[Any, ...]:
        listed = " or ".join(map(str, self.counts))
        items = node.items(f"a list of {listed} values" if listed else "a list")
        if self.counts and len(items) not in self.counts:
            raise node.fail(f"expected {listed} values, got {len(items)}")
        return tuple([self.of.read(item) for item in items])

    def write(self, value: Any) -> Any:
        return [self.of.write(item) for item in value]


@dataclass(frozen=True, slots=True)
class Table(Kind):
    """A group of keys with free names, all of one kind."""

    of: Kind

    def read(self, node: Node) -> dict[str, Any]:
        return {key: self.of.read(item) for key, item in node.entries().items()}

    def write(self, value: Any) -> Any:
        return {key: self.of.write(item) for key, item in value.items()}


REQUIRED: Any = object()  # in the place of a default: the key must be there


@dataclass(frozen=True, slots=True)
class Field:
    """One key of a record. ``always``: written even where it holds its default.

    ``remedy`` is said where it is missing.
    """

    key: str
    kind: Kind
    default: Any = REQUIRED
    always: bool = False
    remedy: str = ""


Values = dict[str, Any]
Built = TypeVar("Built")


def attributes(value: Any) -> Values:
    """Return what the fields of a dataclass hold, by name."""
    return {name: getattr(value, name) for name in value.__dataclass_fields__}


@dataclass(frozen=True, slots=True)
class Record(Kind, Generic[Built]):
    """A group of known keys, built into a dataclass.

    ``build`` takes the values by key and the node (for complaints that concern several keys);
    ``parts`` is its reverse: the values by key of what was built; one left out is the default.
    """

    fields: tuple[Field, ...]
    build: Callable[[Values, Node], Built]
    parts: Callable[[Any], Mapping[str, Any]] = attributes

    def read(self, node: Node) -> Built:
        entries = node.entries()
        known = [field.key for field in self.fields]
        for key, item in entries.items():
            if key not in known:
                raise item.fail("this key is not known", nearest(key, known))
        values = {field.key: field.default for field in self.fields}
        for field in self.fields:
            given = entries.get(field.key)
            if given and not (given.is_null and field.default is not REQUIRED):
                values[field.key] = field.kind.read(given)
            elif field.default is REQUIRED:
                raise missing(node, field.key, field.remedy)
        return self.build(values, node)

    def write(self, value: Any) -> dict[str, Any]:
        parts = self.parts(value)
        written: dict[str, Any] = {}
        for field in self.fields:
            part = parts.get(field.key, field.default)
            if part != field.default or field.always:
                empty = part is None and field.default is not REQUIRED
                written[field.key] = None if empty else field.kind.write(part)
        return written

    def leaving_out(self, *keys: str) -> Record[Built]:
        """Return the record with keys that are left out where they hold their default."""
        listed = [replace(f, always=f.always and f.key not in keys) for f in self.fields]
        return replace(self, fields=tuple(listed))


def missing(node: Node, key: str, remedy: str = "") -> FileError:
    """Return the complaint that a group of keys lacks ``key``."""
    dotted = f"{node.key}.{key}" if node.key else key
    return FileError(
        node.path, "this key is missing", remedy or f"Add {key}.", line=node.line, key=dotted
    )


def record_of(
    cls: type[Built],
    build: Callable[[Values, Node], Built] | None = None,
    always: tuple[str, ...] | None = None,
    **kinds: Kind | None,
) -> Record[Built]:
    """Return the record of a dataclass: its fields are the keys, their types say what may stand.

    One that may be None, or has a default, may be missing; one that does not count where two are
    compared is no key. ``kinds`` stand in for what the types do not say; None: this field is no
    key. ``build`` as in `Record`. ``always``: the keys that are written even at their default;
    None, for what only this program writes: all of them, and a text may be empty.
    """
    hints = get_type_hints(cls, include_extras=True)
    listed = []
    for field in fields(cls):  # type: ignore[arg-type]
        if not field.compare:
            continue
        hint = hints[field.name]
        kind = kinds.get(field.name) or _kind(hint, people=always is not None)
        default = REQUIRED if field.default is MISSING else field.default
        if field.default_factory is not MISSING:
            default = field.default_factory()
        elif default is REQUIRED and NoneType in get_args(hint):
            default = None
        if kinds.get(field.name, kind) is not None:
            written = always is None or field.name in always
            listed.append(Field(field.name, kind, default, written))
    return Record(tuple(listed), build or (lambda values, _: cls(**values)))


def _kind(hint: Any, people: bool) -> Kind:
    """Return what may stand where a field has this type; the length of a list by `Annotated`.

    ``people``: it is written by hand.
    """
    of, origin = get_args(hint), get_origin(hint)
    if hint is str:
        return Text() if people else Words()
    if hint in _PLAIN:
        return _PLAIN[hint]
    if origin is Literal:
        return Text(of)
    if origin is Annotated:
        return Many(_kind(get_args(of[0])[0], people), of[1:])
    if NoneType in of:
        (some,) = set(of) - {NoneType}
        return OrNull(_kind(some, people))
    if origin is tuple:
        return Many(_kind(of[0], people), () if ... in of else (len(of),))
    if origin is Mapping:
        return Table(_kind(of[1], people))
    if issubclass(hint, StrEnum):
        return Word(hint)
    return record_of(hint, always=() if people else None)


_PLAIN: dict[Any, Kind] = {float: Number(), int: Whole(0, 10**9), bool: Flag()}


_SUBJECT = re.compile(r"(?:\w+\.)?(\w+)(?:: | |, [^:]*: )")


def placed_at(node: Node, check: Callable[[], Built]) -> Built:
    """Return what ``check`` returns; a complaint it raises gets file, line and key of ``node``.

    A complaint that starts with a key of this group ("robot.links: ...") is placed at that key.
    """
    try:
        return check()
    except FileError:
        raise
    except StationbookError as error:
        subject = _SUBJECT.match(error.problem)
        if subject and isinstance(node.value, dict) and subject[1] in node.value:
            said = error.problem[subject.end() :]
            raise node.at(subject[1]).fail(said, error.remedy) from None
        raise node.fail(error.problem, error.remedy) from None


def require_count(node: Node, key: str, values: Sequence[object], count: int, why: str) -> None:
    """Raise FileError unless ``values``, read from ``key``, has ``count`` entries."""
    if len(values) != count:
        raise node.at(key).fail(f"expected {count} values ({why}), got {len(values)}")


def check_format(root: Node) -> None:
    """Raise FileError unless the file says a format that this program knows.

    Called before anything else is read: a newer file may hold keys that are not known here.
    """
    if "format" not in root.entries("keys and values"):
        raise missing(root, "format", f"Write `format: {FORMAT}` as the first line.")
    node = root.at("format")
    if (found := Whole(1, 999_999).read(node)) > FORMAT:
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
