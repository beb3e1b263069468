"""Records read off dataclasses: each field a key, its type what may stand there."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import MISSING, fields
from enum import StrEnum
from types import NoneType
from typing import Annotated, Any, get_args, get_origin, get_type_hints

from .schema import (
    REQUIRED,
    Field,
    Flag,
    Kind,
    Many,
    Number,
    OrNull,
    Record,
    Table,
    Whole,
    Word,
    Words,
    plain_record,
)


def record_of(cls: type, **kinds: Kind) -> Record:
    """Return the record of a dataclass: its fields are the keys, their types say what may stand.

    All keys are written. One that may be None, or has a default, may be missing. ``kinds`` stand in
    for what the types do not say.
    """
    hints = get_type_hints(cls, include_extras=True)
    listed = []
    for field in fields(cls):
        kind, nothing = kinds.get(field.name), NoneType in get_args(hints[field.name])
        default = None if nothing and field.default is MISSING else field.default
        if field.default_factory is not MISSING:
            default = field.default_factory()
        default = REQUIRED if default is MISSING else default
        listed.append(Field(field.name, kind or _kind(hints[field.name]), default, always=True))
    return plain_record(cls, *listed)


def _kind(hint: Any) -> Kind:
    """Return what may stand where a field has this type; the length of a list by `Annotated`."""
    of = get_args(hint)
    if hint in _PLAIN:
        return _PLAIN[hint]
    if get_origin(hint) is Annotated:
        return Many(_kind(get_args(of[0])[0]), of[1:])
    if NoneType in of:
        (some,) = set(of) - {NoneType}
        return OrNull(_kind(some))
    if get_origin(hint) is tuple:
        return Many(_kind(of[0]))
    if get_origin(hint) is Mapping:
        return Table(_kind(of[1]))
    return Word(hint) if issubclass(hint, StrEnum) else record_of(hint)


_PLAIN: dict[Any, Kind] = {
    float: Number(),
    int: Whole(0, 10**9),
    bool: Flag(),
    str: Words(),
}
