"""What the parts of the screen show, as plain data."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Title:
    """Left: name of the session and of what is shown. Right: operator, done and left."""

    name: str
    right: str


@dataclass(frozen=True, slots=True)
class Move:
    """The next move: a headline such as ``Station 7``, the move as jog or pose, and why."""

    headline: str
    move: str
    why: str = ""


@dataclass(frozen=True, slots=True)
class Quality:
    """Expanded uncertainty of a pick and the tolerance [mm], a remark, and the worst finding."""

    expanded_mm: float | None = None
    tolerance_mm: float | None = None
    remark: str = ""
    worst: str = ""
    worst_role: str = "good"


@dataclass(frozen=True, slots=True)
class FieldView:
    """One field as parsed: the pendant's label, the text, and what is wrong with it, or None."""

    label: str
    text: str
    problem: str | None = None


@dataclass(frozen=True, slots=True)
class Fact:
    """One line: a name, a value, and the role it is shown in."""

    name: str
    value: str
    role: str = "text"


@dataclass(frozen=True, slots=True)
class Facts:
    """A headline and the facts below it."""

    headline: str
    facts: tuple[Fact, ...] = ()
