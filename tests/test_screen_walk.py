"""A part of the walk over every screen, key and size; the whole of it is a bench."""

from __future__ import annotations

from pathlib import Path

from screen_bench import on_screen
from walking import KEYS, SIZES, Walk

EVERY = 293  # prime, so that each run of keys falls on other sizes; all of it takes half an hour


@on_screen
async def test_no_key_at_any_size_ends_in_an_error(tmp_path: Path) -> None:
    walk = Walk(tmp_path)
    count = await walk.run(EVERY)
    assert count == len(walk.makers) * len(KEYS) * len(SIZES) // EVERY
