"""The memory that the program holds on to (glibc's mallopt and malloc_trim; elsewhere nothing)."""

from __future__ import annotations

import ctypes
from contextlib import suppress

M_MMAP_THRESHOLD, M_ARENA_MAX = -3, -8  # of mallopt(3)
LARGE = 2**17  # bytes; its default, which it else raises with every large array that is let go


def hold_little() -> None:
    """Let what large arrays held go back at once, and threads share what small ones leave."""
    with suppress(AttributeError, OSError, TypeError):  # another C library
        library = ctypes.CDLL(None)
        library.mallopt(M_MMAP_THRESHOLD, LARGE)
        library.mallopt(M_ARENA_MAX, 1)


def give_back() -> None:
    with suppress(AttributeError, OSError, TypeError):
        ctypes.CDLL(None).malloc_trim(0)
