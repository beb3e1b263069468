"""Jobs in the background: work that takes time, off the screen's own thread."""

from __future__ import annotations

import asyncio
import traceback
from collections.abc import Callable, Coroutine
from functools import partial
from typing import Any, TypeVar

from textual.dom import DOMNode
from textual.screen import Screen
from textual.worker import Worker

from engine.errors import StationbookError
from engine.sessions.store import append_error_log

Answer = TypeVar("Answer")
Tell = Callable[[str, str], None]  # says a text in a role
Work = Callable[..., Coroutine[Any, Any, None]]


class Jobs:
    """The jobs of one screen or widget, and the questions that it asks.

    An error of a job is told by ``tell`` and ends nothing but the job. A part of a screen gets the
    jobs of the screen instead of the screen.
    """

    def __init__(self, node: DOMNode, tell: Tell) -> None:
        self.node, self.tell = node, tell

    def begin(self, work: Work, *args: Any, group: str, exclusive: bool = True) -> None:
        """Run ``work`` as a job of ``group``; ``exclusive`` stops one that runs there already."""
        job: Callable[[], Coroutine[None, None, None]] = partial(self._guarded, work, *args)
        _: Worker[None] = self.node.run_worker(job, group=group, exclusive=exclusive)

    async def _guarded(self, work: Work, *args: Any) -> None:
        try:
            await work(*args)
        except StationbookError as error:
            self.tell(str(error), "error")

    def stop(self, group: str) -> None:
        """Stop the jobs of a group."""
        self.node.workers.cancel_group(self.node, group)

    def ask(self, question: Screen[Answer], then: Callable[[Any], object]) -> None:
        """Ask on top of the screen; ``then`` gets the answer, unless it is None or no."""

        def answered(answer: Answer | None) -> None:
            if answer is not None and answer is not False:
                then(answer)

        self.node.app.push_screen(question, answered)


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


def unforeseen(error: Exception) -> tuple[str, str]:
    """Log an error and return the problem and the remedy to show."""
    place = append_error_log("".join(traceback.format_exception(error)))
    what = f"internal error ({type(error).__name__}: {error})"
    return what, f"Please send {place} to whoever supports you."
