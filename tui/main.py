"""The entry point: parse the words, run the command, turn errors into one sentence."""

from __future__ import annotations

import json
import logging
import os
import sys
import traceback
import warnings
from collections.abc import Sequence
from contextlib import suppress
from typing import TextIO

from engine.errors import StationbookError
from engine.sessions.store import append_error_log

from .arguments import build_parser, joined
from .commands import find

EXIT_BAD_INPUT = 2  # bad input or usage; 1 is kept for findings at level error
EXIT_INTERRUPTED = 130  # the shell's convention for Ctrl+C: 128 + SIGINT


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status: 0 done, 1 error finding, 2 bad input."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:  # a console that cannot show a sign must not stop the program
            reconfigure(errors="backslashreplace")
    parser = build_parser()
    if "_ARGCOMPLETE" in os.environ:  # the shell asks what fits; see `commands.completion`
        import argcomplete

        argcomplete.autocomplete(parser)
    args = parser.parse_args(joined(sys.argv[1:] if argv is None else argv))
    _warnings_to_log()
    if argv is None:
        _own_stderr()
    try:
        status = find(args.run)(args)
        sys.stdout.flush()
    except StationbookError as error:
        return _failed(args, str(error))
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        return EXIT_INTERRUPTED
    except Exception as error:
        return _failed(args, _unexpected(error))
    return status


def _warnings_to_log() -> None:
    """Send what libraries warn of into the error log: it tells the operator nothing.

    On the screen it would stand across the picture.
    """

    def warned(
        message: Warning | str,
        category: type[Warning],
        filename: str,
        lineno: int,
        file: TextIO | None = None,
        line: str | None = None,
    ) -> None:
        _log(warnings.formatwarning(message, category, filename, lineno, line))

    warnings.showwarning = warned
    logging.lastResort = _ErrorLog(logging.WARNING)


class _ErrorLog(logging.Handler):
    """Takes what libraries log, where nobody else does."""

    def emit(self, record: logging.LogRecord) -> None:
        _log(self.format(record))


def _log(text: str) -> None:
    with suppress(StationbookError):  # a log that cannot be written stops no job
        append_error_log(text)


def _own_stderr() -> None:
    """Keep the terminal's stderr for this program alone: C libraries write to it by its number.

    They complain there of damaged images, which are told in one sentence of our own.
    """
    if sys.stderr is None or os.environ.get("STATIONBOOK_DEBUG"):
        return
    try:
        own = os.dup(sys.stderr.fileno())
    except (OSError, ValueError):  # no file stands behind it
        return
    sys.stderr.flush()
    sys.stderr = open(  # noqa: SIM115 - open until the program ends
        own, "w", buffering=1, encoding=sys.stderr.encoding, errors="backslashreplace"
    )
    sys.__stderr__ = sys.stderr  # type: ignore[misc]  # the screen is drawn there
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 2)
    os.close(nowhere)


def _failed(args: object, sentence: str) -> int:
    if getattr(args, "json", False):
        print(json.dumps({"format": 1, "error": sentence}, ensure_ascii=False))
    print(f"stationbook: {sentence}", file=sys.stderr)
    return EXIT_BAD_INPUT


def _unexpected(error: Exception) -> str:
    """Log an error nobody foresaw and return the sentence to show instead of a traceback."""
    text = "".join(traceback.format_exception(error))
    if os.environ.get("STATIONBOOK_DEBUG"):
        print(text, file=sys.stderr)
    place = append_error_log(text)
    what = f"{type(error).__name__}: {error}"
    return f"internal error ({what}); please send {place} to whoever supports you"


if __name__ == "__main__":
    sys.exit(main())
