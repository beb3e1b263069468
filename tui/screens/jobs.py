"""Jobs in the background: work that takes time, off the screen's own thread."""

from __future__ import annotations

import asyncio
import traceback
from collections.abc import Callable, Coroutine
from functools import partial
from typing import Any, TypeVar

from textual.dom import DOMNode
from textual.worker import Worker

from engine.errors import StationbookError

Answer = TypeVar("Answer")


async def in_background(work: Callable[..., Answer], *args: Any, **more: Any) -> Answer:
    """Run ``work`` in a thread and return its answer.

    Raises StationbookError: what nobody foresaw is written to the error log first, so that it can
    be sent to whoever supports this machine.
    """
    try:
        return await asyncio.to_thread(work, *args, **more)
    except StationbookError:
        raise
    except Exception as error:
        raise StationbookError(*unforeseen(error)) from error


def begin_job(
    node: DOMNode,
    work: Callable[..., Coroutine[Any, Any, None]],
    *args: Any,
    group: str,
    exclusive: bool = True,
    **more: Any,
) -> Worker[None]:
    """Run ``work`` as a job of ``group``; ``exclusive`` cancels one that runs there already."""
    job: Callable[[], Coroutine[None, None, None]] = partial(work, *args, **more)
    worker: Worker[None] = node.run_worker(job, group=group, exclusive=exclusive)
    return worker


def unforeseen(error: Exception) -> tuple[str, str]:
    """Log an error and return the problem and the remedy to show."""
    from engine.sessions.store import append_error_log

    place = append_error_log("".join(traceback.format_exception(error)))
    what = f"internal error ({type(error).__name__}: {error})"
    return what, f"Please send {place} to whoever supports you."
