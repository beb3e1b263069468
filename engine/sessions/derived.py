"""Records read off dataclasses: each field a key, its type what may stand there."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import MISSING, fields
from enum import StrEnum
from types import NoneType
from typing import Annotated, Any, Literal, get_args, get_origin, get_type_hints

from .schema import (
    REQUIRED,
    Built,
    Field,
    Flag,
    Kind,
    Many,
    Number,
    OrNull,
    Record,
    Table,
    Text,
    Values,
    Whole,
    Word,
    Words,
    plain_record,
)
from .yaml_text import Node


def record_of(
    cls: type[Built],
    build: Callable[[Values, Node], Built] | None = None,
    always: tuple[str, ...] | None = None,
    **kinds: Kind | None,
) -> Record[Built]:
    """Return the record of a dataclass: its fields are the keys, their types say what may stand.

    One that may be None, or has a default, may be missing. ``kinds`` stand in for what the types do
    not say; None: this field is no key. ``build`` as in `Record`. ``always``: the keys that are
    written even at their default; None, for what only this program writes: all of them, and a text
    may be empty.
    """
    hints = get_type_hints(cls, include_extras=True)
    listed = []
    for field in fields(cls):  # type: ignore[arg-type]
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
    return Record(tuple(listed), build) if build else plain_record(cls, *listed)


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
