"""What commands print: a JSON document a line, or text for a person; of several folders too."""

from __future__ import annotations

import argparse
import json
import os
import sys
import traceback
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any, NamedTuple, TextIO

from engine.errors import FileError, StationbookError
from engine.findings import Finding, by_gravity, has_error
from engine.sessions.store import append_error_log

from .words import Line, headline, line_text, remedy, unwrapped, visible

BAD_INPUT = 2  # exit status of bad input or usage; 1 is kept for findings at level error
WIDTH = 100  # cells for bars; a terminal wraps longer texts by itself


def print_json(document: Any) -> None:
    """Print one JSON document on one line of stdout; what is not known is null."""
    text = json.dumps(document, ensure_ascii=False, allow_nan=False)
    hidden = {char for char in text if visible(char) != char}
    for char in hidden:
        text = text.replace(char, f"\\u{ord(char):04x}")
    print(text, flush=True)


class OutputError(StationbookError):
    """What was said could not be printed; what was done is done."""

    def __init__(self, error: OSError) -> None:
        reason = FileError.from_os("", error, "write").clause.removeprefix("cannot write it: ")
        super().__init__(f"the answer could not be printed ({reason}); what was stored is stored")


class Visible:
    """A stream to which texts of files are printed: control characters are shown, not obeyed."""

    def __init__(self, stream: TextIO) -> None:
        self.stream = stream

    def write(self, text: str) -> int:
        """Print a text; raises OutputError where that cannot be."""
        self._told(lambda: self.stream.write(visible(text)))
        return len(text)

    def flush(self) -> None:
        """Print what waits; raises OutputError where that cannot be."""
        self._told(self.stream.flush)

    def _told(self, act: Callable[[], object]) -> None:
        try:
            act()
        except BrokenPipeError:
            raise
        except OSError as error:
            raise OutputError(error) from None

    def __getattr__(self, name: str) -> Any:
        return getattr(self.stream, name)


def say(text: str) -> None:
    """Print diagnostics and progress on stderr, so that stdout stays the answer."""
    print(text, file=sys.stderr, flush=True)


def texts(lines: Iterable[Line]) -> list[str]:
    return [line_text(line).rstrip() for line in lines]


def finding_texts(findings: Iterable[Finding]) -> list[str]:
    """Return findings for a person, errors first, each with the station it belongs to."""
    lines: list[Line] = []
    for item in by_gravity(findings):
        place = "" if item.station is None else f", station {item.station}"
        lines += headline(item, unwrapped, WIDTH, place=place) + remedy(item, unwrapped, WIDTH)
    return texts(lines)


def cautions(texts: Iterable[str]) -> list[str]:
    """Return what can hurt somebody, for a person."""
    return [f"CAUTION: {text}" for text in texts]


class Answer(NamedTuple):
    """What a command says: as JSON, as lines for a person, and the findings that it rests on.

    The document says its format by itself, and lists the findings unless they are None.
    """

    document: Mapping[str, Any]
    lines: Sequence[str]
    findings: Sequence[Finding] | None = None

    def show(self) -> None:
        for line in self.lines:
            print(line)


def tell(
    args: argparse.Namespace, answer: Answer, show: Callable[[Answer], None] = Answer.show
) -> int:
    """Print an answer and return the exit status: 1 where a finding is at level error."""
    findings = answer.findings or ()
    if args.json:
        document = {"format": 1, **answer.document}
        if answer.findings is not None:
            document.setdefault("findings", [item.document() for item in findings])
        print_json(document)
    else:
        show(answer)
    return 1 if has_error(findings) else 0


def tell_stored(
    args: argparse.Namespace, findings: Sequence[Finding], station: object, said: str
) -> int:
    """Print what became of a station, as session.yaml has it; None: a finding is in the way."""
    tell(args, Answer({"station": station}, [*finding_texts(findings), said], findings))
    return 0 if station is not None else 1


Work = Callable[..., Answer]  # what a command does with one folder


def run_over(
    args: argparse.Namespace,
    work: Work,
    show: Callable[[Answer], None] = Answer.show,
    **options: Any,
) -> int:
    """Run ``work`` over ``args.dirs`` and print each answer; return the exit status.

    With --json every folder gives one line; a folder that cannot be worked on gives
    {"dir": .., "error": ..} in its place. One folder alone raises its error as it is.
    """
    if len(args.dirs) == 1:
        return tell(args, work(args.dirs[0], **options), show)
    status = 0
    for folder, outcome in _over_folders(work, args.dirs, args.jobs, **options):
        if isinstance(outcome, str):
            status = BAD_INPUT
            if args.json:
                print_json({"dir": folder, "error": outcome})
            say(f"stationbook: {outcome}")
            continue
        if not args.json:
            print(f"== {folder}")
        status = max(status, tell(args, outcome, show))
    return status


def _over_folders(
    work: Work, folders: Sequence[str], jobs: int | None, **options: Any
) -> Iterator[tuple[str, Answer | str]]:
    """Yield ``(folder, work(folder, **options))`` in order; for a bad folder the sentence to show.

    ``work`` must be importable by name (a module-level function). One folder, or one job, runs in
    this process. Several processes keep the libraries they use to one thread each: the folders are
    what is parallel.
    """
    workers = min(len(folders), jobs or os.cpu_count() or 1)
    if workers <= 1:
        for folder in folders:
            yield folder, _guarded(work, folder, options)
        return
    # takes time to load, which the other commands need not wait for
    from concurrent.futures.process import BrokenProcessPool

    from engine.steps.archive import processes

    left = list(folders)
    with processes(workers) as together:
        waiting = [together.submit(_guarded, work, folder, options) for folder in folders]
        for answer in waiting:
            try:
                outcome = answer.result()
            except BrokenProcessPool:
                break
            yield left.pop(0), outcome
    for folder in left:  # a process was ended from outside, and took the rest with it: one by one
        with processes(1) as alone:
            try:
                yield folder, alone.submit(_guarded, work, folder, options).result()
            except BrokenProcessPool:
                yield folder, f"{folder}: the process that worked on it was ended from outside"


def _guarded(work: Work, folder: str, options: dict[str, Any]) -> Answer | str:
    """Work on one folder; whatever is wrong with it is a sentence, and the others go on."""
    try:
        return work(folder, **options)
    except StationbookError as error:
        return str(error)
    except Exception as error:
        return f"{folder}: {unexpected(error)}"


def unexpected(error: Exception) -> str:
    """Log an error nobody foresaw and return the sentence to show instead of a traceback."""
    text = "".join(traceback.format_exception(error))
    if os.environ.get("STATIONBOOK_DEBUG"):
        print(text, file=sys.stderr)
    what = f"internal error ({type(error).__name__}: {error})"
    try:
        place = append_error_log(text)
    except StationbookError as unwritten:  # no home, no room
        return f"{what}; the error log cannot be written ({unwritten})"
    return f"{what}; please send {place} to whoever supports you"
