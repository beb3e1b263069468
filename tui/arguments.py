"""The parser of the command line. Nothing heavy is imported here: `--help` must be instant."""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Sequence
from functools import partial
from importlib import import_module

from .command_words import COMMANDS, Word

DESCRIPTION = """\
Tie a camera to an industrial robot whose pose is read off the teach pendant and typed.
Without a command the screen opens on the sessions folder."""

EPILOG = """\
exit status: 0 done, nothing at level error; 1 done with a finding at level error (record: nothing
was stored); 2 bad input or usage."""


class _Version(argparse.Action):
    """Looks the version up only when asked: reading package metadata takes time."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        from importlib.metadata import version

        print(f"stationbook {version('stationbook')}")
        parser.exit()


# Options whose text may begin with a minus.
TYPED = (
    "--pose", "--joints", "--board-pose", "--tip", "--looked", "--seen", "--temperature", "--touch",
    "--height",
)  # fmt: skip


def joined(words: Sequence[str]) -> list[str]:
    """Return ``words`` with each typed text joined to its option: `--pose=-85.1,...`.

    argparse takes a word that begins with a minus for an option, and poses do that.
    """
    left = list(words)
    out = []
    while left:
        word = left.pop(0)
        if word in TYPED and left and not left[0].startswith("--"):
            word = f"{word}={left.pop(0)}"
        out.append(word)
    return out


# What a shell offers behind a word, where it is neither a file nor one of `choices`: the module
# that has it (loaded at the tab key alone), and its name there.
OFFERED = {
    "code": ("engine.catalogue", "CODES"),
    "--accept": ("engine.catalogue", "CODES"),
    "--as": ("engine.steps.handover", "EXPORTS"),
    "--rotation": ("engine.pendant.conventions", "POSE_ROTATIONS"),
    "--convention": ("engine.pendant.conventions", "CONVENTIONS"),
    "--unit": ("engine.pendant.settings", "LENGTH_MM"),
    "--angle-unit": ("engine.pendant.settings", "ANGLE_RAD"),
}


def _offered(name: str, **_: object) -> Iterable[str]:
    module, known = OFFERED[name]
    return getattr(import_module(module), known)  # type: ignore[no-any-return]


def build_parser(words: Sequence[str] | None = None) -> argparse.ArgumentParser:
    """Return the parser; every command sets ``run`` to its name in `commands.find`.

    With ``words`` that begin with a command it knows this one alone, with none no command: making
    all of them takes longer than most of what the screen does until its first picture.
    """
    parser = argparse.ArgumentParser(
        prog="stationbook",
        description=DESCRIPTION,
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("--version", action=_Version, nargs=0, help="show the version and exit")
    sessions = "where sessions live (default: %(default)s)"
    parser.add_argument("--sessions", metavar="DIR", default="sessions", help=sessions)
    parser.set_defaults(run="screen", json=False)
    commands = parser.add_subparsers(metavar="COMMAND", title="commands")
    first = None if words is None else "".join(words[:1])
    for name, (help, described) in COMMANDS.items():
        if name != first and (first in COMMANDS or first == ""):
            continue
        into, last = commands, name
        if name == "robot import":
            robot = commands.add_parser(
                "robot", help="make a robot file from a URDF", allow_abbrev=False
            )
            into, last = robot.add_subparsers(metavar="import", required=True), "import"
        command = into.add_parser(last, help=help, description=help, allow_abbrev=False)
        command.set_defaults(run=name)
        command.add_argument(
            "--json", action="store_true", help="print one JSON document on stdout"
        )
        for item in described:
            if isinstance(item, Word):
                action = command.add_argument(item.name, **item.options)
                if item.name in OFFERED:
                    action.completer = partial(_offered, item.name)  # type: ignore[attr-defined]
            else:
                group = command.add_mutually_exclusive_group(required=item.required)
                for word in item.words:
                    group.add_argument(word.name, **word.options)
    return parser
