"""The entry point: parse the words, run the command, turn errors into one sentence."""

from __future__ import annotations

import logging
import os
import sys
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from typing import TextIO

from engine.errors import StationbookError
from engine.sessions.store import append_error_log

from .arguments import build_parser, joined
from .commands import find
from .output import BAD_INPUT, OutputError, Visible, print_json, say, unexpected

EXIT_INTERRUPTED = 130  # the shell's convention for Ctrl+C: 128 + SIGINT


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status: 0 done, 1 error finding, 2 bad input."""
    words = joined(sys.argv[1:] if argv is None else argv)
    if "_ARGCOMPLETE" in os.environ:  # the shell asks what fits; see `commands.explain`
        import argcomplete

        argcomplete.autocomplete(build_parser())
    parser = build_parser(words)
    for name in [name for name in os.environ if name.startswith("OPENCV_")]:
        del os.environ[name]  # they would let it write files into the working folder, and print
    with _streams(own=argv is None):
        args = parser.parse_args(words)
        _warnings_to_log()
        try:
            try:
                status = find(args.run)(args)
                sys.stdout.flush()
            except StationbookError as error:
                return _failed(args, str(error))
            except BrokenPipeError:
                raise
            except Exception as error:
                return _failed(args, unexpected(error))
        except BrokenPipeError:
            _let_go(sys.stdout)
            return 0
        except OutputError:  # not even the complaint can be printed
            return BAD_INPUT
        except KeyboardInterrupt:
            return EXIT_INTERRUPTED
        return status


@contextmanager
def _streams(own: bool) -> Iterator[None]:
    """Print through streams that show control characters instead of sending them to a terminal.

    With ``own`` they are kept for this program alone: C libraries write to stdout and stderr by
    their numbers, complaining of damaged images, which are told in one sentence of our own.
    """
    if own:
        for number in range(3):  # one that is closed would be taken by the next file opened
            with suppress(OSError):
                os.fstat(number)
                continue
            os.open(os.devnull, os.O_RDWR)
    before = sys.stdout, sys.stderr
    out, err = (_kept(stream, own) for stream in before)
    if own:
        sys.__stdout__, sys.__stderr__ = out, err  # type: ignore[misc,assignment]  # for the screen
    sys.stdout, sys.stderr = Visible(out), Visible(err)
    try:
        yield
    finally:
        if own:
            for stream in (out, err):
                try:
                    stream.flush()
                except (OSError, ValueError):
                    _let_go(stream)
        else:
            sys.stdout, sys.stderr = before


def _kept(stream: TextIO | None, own: bool) -> TextIO:
    """Return the stream with a number of its own, and its old number leading nowhere."""
    if stream is None:  # it was closed when the program began
        return open(os.devnull, "w")
    if own and not os.environ.get("STATIONBOOK_DEBUG"):
        with suppress(OSError, ValueError):  # no file stands behind it
            number = stream.fileno()
            another = os.dup(number)
            stream.flush()
            kept = open(  # noqa: SIM115 - open until the program ends
                another, "w", buffering=1, encoding=stream.encoding, errors="backslashreplace"
            )
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, number)
            os.close(nowhere)
            return kept
    reconfigure = getattr(stream, "reconfigure", None)
    if reconfigure is not None:  # a console that cannot show a sign must not stop the program
        reconfigure(errors="backslashreplace")
    return stream


def _let_go(stream: TextIO) -> None:
    """Let what still waits to be printed lead nowhere: nobody takes it any more."""
    with suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


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


def _failed(args: object, sentence: str) -> int:
    if getattr(args, "json", False):
        with suppress(OutputError):
            print_json({"format": 1, "error": sentence})
    say(f"stationbook: {sentence}")
    return BAD_INPUT


if __name__ == "__main__":
    sys.exit(main())
