"""Typing mistakes as hands make them, for demonstrations."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from ..errors import StationbookError

LEAST_STEPS = 500  # display steps; a slip that shows: 5 mm with two decimals
MOST_STEPS = 10_000  # display steps; a larger one would show at a glance: 100 mm
POSITION = 3  # the leading fields, where a slip is easy to understand


def typing_slip(fields: Sequence[str], rng: np.random.Generator) -> tuple[str, ...]:
    """Return ``fields`` with two neighbouring digits of one field swapped: -85.10 → -58.10.

    A position field is taken where there is one whose swap shows without being absurd. Raises
    StationbookError where no field has two neighbouring digits that differ.
    """
    swaps = [
        (index, text[:k] + text[k + 1] + text[k] + text[k + 2 :])
        for index, text in enumerate(fields)
        for k, (a, b) in enumerate(pairwise(text))
        if a.isdigit() and b.isdigit() and a != b
    ]
    if not swaps:
        raise StationbookError(f"no digits to swap in {tuple(fields)}")
    plain = [
        (index, text)
        for index, text in swaps
        if index < POSITION and LEAST_STEPS <= _steps(fields[index], text) <= MOST_STEPS
    ]
    index, slipped = (plain or swaps)[rng.integers(len(plain or swaps))]
    return (*fields[:index], slipped, *fields[index + 1 :])


def _steps(typed: str, slipped: str) -> float:
    """Return how many display steps two texts with equal decimals are apart."""
    decimals = len(typed.partition(".")[2])
    return float(abs(float(slipped) - float(typed)) * 10**decimals)
