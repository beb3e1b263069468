"""The lines of a form, and what each accepts."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import NamedTuple

from engine.errors import PoseError
from engine.pendant.entry import typed_number

Check = Callable[[str], str | None]  # what is wrong with a text, or None
as_number = typed_number  # with a point or a comma; raises PoseError for anything else


class Question(NamedTuple):
    """One line of a form: its key, label, first text, check, and a hint shown while it is typed.

    ``note`` says what is worth knowing of a text that is taken all the same, or None.
    """

    key: str
    label: str
    value: str = ""
    check: Check = lambda _: None
    hint: str = ""
    note: Check = lambda _: None
    choices: tuple[str, ...] = ()  # taken with the left and right arrow, or a click
    typed: bool = False  # ``value`` was typed before, and is no proposal to be typed over


def needed(text: str) -> str | None:
    return None if text.strip() else "Something must be typed here."


def yes_or_no(text: str) -> str | None:
    return None if text.strip().lower() in ("y", "yes", "n", "no") else "Type y or n."


def is_yes(text: str) -> bool:
    return text.strip().lower().startswith("y")


def number(text: str) -> str | None:
    """Check for a number, by the rules of the pose line."""
    try:
        as_number(text)
    except PoseError as error:
        return str(error)
    return None


def number_or_empty(text: str) -> str | None:
    return number(text) if text.strip() else None


def above_zero(text: str) -> str | None:
    wrong = number(text)
    return "It must be above 0." if wrong is None and as_number(text) <= 0 else wrong


def not_below_zero(text: str) -> str | None:
    wrong = number(text)
    return "It must not be below 0." if wrong is None and as_number(text) < 0 else wrong


def not_below_zero_or_empty(text: str) -> str | None:
    return not_below_zero(text) if text.strip() else None


def one_of(*words: str) -> Check:
    listed = ", ".join(words)
    return lambda text: None if text.strip().lower() in words else f"Type one of: {listed}."


def parts(text: str) -> list[str]:
    """Return the words of a line of numbers; between them blanks, semicolons, or 1280x1024."""
    return re.split(r"[\s;×xX*]+", text.strip()) if text.strip() else []


def numbers(*counts: int, each: Check = number) -> Check:
    """Check for so many numbers in one line, with blanks between them; ``each`` checks one."""
    wanted = " or ".join(map(str, counts))

    def check(text: str) -> str | None:
        words = parts(text)
        if len(words) not in counts:
            return f"{len(words)} numbers; expected {wanted}, with blanks between them."
        return next(filter(None, map(each, words)), None)

    return check


def as_numbers(text: str) -> list[float]:
    return [as_number(word) for word in parts(text)]


def choice(key: str, label: str, value: str, choices: tuple[str, ...], hint: str = "") -> Question:
    return Question(key, label, value, one_of(*choices), hint, choices=choices)


def whole(text: str) -> str | None:
    return None if text.strip().isdecimal() and int(text) > 0 else "Type a whole number."


def pixels(text: str) -> str | None:
    """Check for a side of an image in which a board can be found."""
    from engine.sessions.cell_parts import LEAST_PIXELS  # not for the first picture

    few = f"An image has {LEAST_PIXELS} px a side at least."
    return whole(text) or (None if int(text) >= LEAST_PIXELS else few)
