"""Commands that take several session folders: answers in order, the worst exit status."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterable
from typing import Any, Protocol, TypeVar

from engine.findings import Finding, has_error
from engine.steps.many import Refused, over_folders

from .output import print_json, say

BAD_INPUT = 2


class Answer(Protocol):
    """What a command says of one folder."""

    def document(self) -> dict[str, Any]:
        """Return the JSON form."""

    def findings(self) -> Iterable[Finding]:
        """Return what was noticed; the exit status is 1 where any is at level error."""


Said = TypeVar("Said", bound=Answer)


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
    for folder, outcome in over_folders(work, args.dirs, args.jobs, **options):
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
