"""Help for tests that drive the screen."""

from __future__ import annotations

import asyncio
import functools
from collections.abc import Awaitable, Callable
from typing import Any


def on_screen(test: Callable[..., Awaitable[None]]) -> Callable[..., None]:
    """Let an async test run in an event loop of its own."""

    @functools.wraps(test)
    def run(*args: Any, **more: Any) -> None:
        asyncio.run(test(*args, **more))  # type: ignore[arg-type]

    return run
