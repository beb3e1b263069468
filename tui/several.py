"""Commands that take several session folders: answers in order, the worst exit status."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from typing import Any, TypeVar

from engine.steps.many import Refused, over_folders

from .output import print_json, say

Answer = TypeVar("Answer")
BAD_INPUT = 2


def run_over(
    args: argparse.Namespace,
    work: Callable[..., Answer],
    document: Callable[[Answer], dict[str, Any]],
    show: Callable[[Answer], None],
    **options: Any,
) -> int:
    """Run ``work`` over ``args.dirs`` and print each answer; return the exit status.

    With --json every folder gives one line; a folder that cannot be worked on gives
    {"dir": .., "error": ..} in its place. The status is 1 where a document holds a finding at
    level error. One folder alone raises its error as it is.
    """
    single = len(args.dirs) == 1
    if single:
        answer = work(args.dirs[0], **options)
        return _print(args, answer, document, show)
    status = 0
    for folder, outcome in over_folders(work, args.dirs, args.jobs, **options):
        if isinstance(outcome, Refused):
            status = BAD_INPUT
            if args.json:
                print_json({"dir": folder, "error": outcome.sentence})
            say(f"stationbook: {outcome.sentence}")
            continue
        if not args.json:
            print(f"== {folder}")
        status = max(status, _print(args, outcome, document, show))
    return status


def _print(
    args: argparse.Namespace,
    answer: Answer,
    document: Callable[[Answer], dict[str, Any]],
    show: Callable[[Answer], None],
) -> int:
    answered = document(answer)
    if args.json:
        print_json(answered)
    else:
        show(answer)
    further = [item for item in answered.get("cameras", {}).values() if item is not None]
    return 1 if any(_has_error(item) for item in (answered, *further)) else 0


def _has_error(document: dict[str, Any]) -> bool:
    return any(item["level"] == "error" for item in document.get("findings", ()))
