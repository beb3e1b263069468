"""Numbers that a person types beside poses, read by the same rules as the line of a pose."""

from __future__ import annotations

from ..errors import PoseError
from .commas import MixedError
from .reading import read_line
from .scanning import Layout


def typed_numbers(text: str, labels: tuple[str, ...], units: tuple[str, ...]) -> tuple[float, ...]:
    """Return one finite number for each of ``labels``, in their order.

    Any separator, a decimal comma, labels and units are read as in a pose; ``units`` are names, or
    "" for bare numbers. Raises PoseError for what is no number, infinite, missing or ambiguous; its
    ``field`` is the label.
    """
    texts = read_line(text, Layout(labels, units, (0,) * len(labels)))
    return tuple(float(one) for one in texts)


def typed_number(text: str) -> float:
    """Return one finite number with a decimal point or comma. Raises PoseError as above."""
    try:
        (value,) = typed_numbers(text, ("value",), ("",))
    except MixedError:
        raise
    except PoseError:
        raise PoseError(f"{text!r} is no number", "Type one, such as 0.1.") from None
    return value
