"""Commands that take several session folders: on all cores, answers in order, the worst status."""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from typing import Any, Protocol, TypeVar

from engine.errors import StationbookError
from engine.findings import Finding, has_error

from .output import print_json, say

BAD_INPUT = 2


class Answer(Protocol):
    """What a command says of one folder."""

    def document(self) -> dict[str, Any]:
        """Return the JSON form."""

    def findings(self) -> Iterable[Finding]:
        """Return what was noticed; the exit status is 1 where any is at level error."""


Said = TypeVar("Said", bound=Answer)


class Refused:
    """Stands in the place of a folder that could not be worked on: the sentence to show."""

    def __init__(self, sentence: str) -> None:
        self.sentence = sentence


def run_over(
    args: argparse.Namespace,
    work: Callable[..., Said],
    show: Callable[[Said], None],
    **options: Any,
) -> int:
    """Run ``work`` over ``args.dirs`` and print each answer; return the exit status.

    With --json every folder gives one line; a folder that cannot be worked on gives
    {"dir": .., "error": ..} in its place. One folder alone raises its error as it is.
    """
    if len(args.dirs) == 1:
        return _print(args, work(args.dirs[0], **options), show)
    status = 0
    for folder, outcome in _over_folders(work, args.dirs, args.jobs, **options):
        if isinstance(outcome, Refused):
            status = BAD_INPUT
            if args.json:
                print_json({"dir": folder, "error": outcome.sentence})
            say(f"stationbook: {outcome.sentence}")
            continue
        if not args.json:
            print(f"== {folder}")
        status = max(status, _print(args, outcome, show))
    return status


def _print(args: argparse.Namespace, answer: Said, show: Callable[[Said], None]) -> int:
    if args.json:
        print_json(answer.document())
    else:
        show(answer)
    return 1 if has_error(answer.findings()) else 0


def _over_folders(
    work: Callable[..., Said], folders: Sequence[str], jobs: int | None, **options: Any
) -> Iterator[tuple[str, Said | Refused]]:
    """Yield ``(folder, work(folder, **options))`` in order; a bad folder yields `Refused`.

    ``work`` must be importable by name (a module-level function). One folder, or one job, runs in
    this process. Several processes keep the libraries they use to one thread each: the folders are
    what is parallel.
    """
    workers = min(len(folders), jobs or os.cpu_count() or 1)
    if workers <= 1:
        for folder in folders:
            yield folder, _guarded(work, folder, options)
        return
    with ProcessPoolExecutor(
        workers, mp_context=get_context("spawn"), initializer=_one_thread
    ) as pool:
        waiting = [pool.submit(_guarded, work, folder, options) for folder in folders]
        for folder, answer in zip(folders, waiting, strict=True):
            yield folder, answer.result()


def _guarded(work: Callable[..., Said], folder: str, options: dict[str, Any]) -> Said | Refused:
    try:
        return work(folder, **options)
    except StationbookError as error:
        return Refused(str(error))


def _one_thread() -> None:
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ[name] = "1"
    import cv2

    cv2.setNumThreads(1)
