"""One step over several session folders, on all cores, with the answers in order."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from typing import Any, TypeVar

from ..errors import StationbookError

Answer = TypeVar("Answer")


class Refused:
    """Stands in the place of a folder that could not be worked on: the sentence to show."""

    def __init__(self, sentence: str) -> None:
        self.sentence = sentence


def over_folders(
    work: Callable[..., Answer], folders: Sequence[str], jobs: int | None, **options: Any
) -> Iterator[tuple[str, Answer | Refused]]:
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


def _guarded(work: Callable[..., Answer], folder: str, options: dict[str, Any]) -> Answer | Refused:
    try:
        return work(folder, **options)
    except StationbookError as error:
        return Refused(str(error))


def _one_thread() -> None:
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ[name] = "1"
    import cv2

    cv2.setNumThreads(1)
