"""What the parts of the screen show, as plain data."""

from __future__ import annotations

from typing import NamedTuple


class Title(NamedTuple):
    """Left: name of the session and of what is shown. Right: operator, done and left."""

    name: str
    right: str


class Move(NamedTuple):
    """The next move: a headline such as ``Station 7``, the move as jog or pose, and why."""

    headline: str
    move: str
    why: str = ""


class Quality(NamedTuple):
    """Expanded uncertainty of a pick and the tolerance [mm], a remark, and the worst finding."""

    expanded_mm: float | None = None
    tolerance_mm: float | None = None
    remark: str = ""
    worst: str = ""
    worst_role: str = "good"


class FieldView(NamedTuple):
    """One field as parsed: the pendant's label, the text, and what is wrong with it, or None."""

    label: str
    text: str
    problem: str | None = None


class Fact(NamedTuple):
    """One line: a name, a value, and the role it is shown in."""

    name: str
    value: str
    role: str = "text"


class Facts(NamedTuple):
    """A headline and the facts below it."""

    headline: str
    facts: tuple[Fact, ...] = ()
