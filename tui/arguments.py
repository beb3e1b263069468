"""The words of the command line. Nothing heavy is imported here: `--help` must be instant."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import TypeAlias

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
TYPED = ("--pose", "--joints", "--board-pose", "--tip", "--looked", "--seen")


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


def number(text: str) -> float:
    """Read a number by the rules of a typed pose: a decimal comma is one, NaN is none."""
    from engine.errors import PoseError
    from engine.pendant.entry import typed_number

    try:
        return typed_number(text)
    except PoseError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def build_parser() -> argparse.ArgumentParser:
    """Return the parser; every command sets ``run`` to "module:function" in tui.commands."""
    parser = argparse.ArgumentParser(
        prog="stationbook",
        description=DESCRIPTION,
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("--version", action=_Version, nargs=0, help="show the version and exit")
    parser.add_argument(
        "--sessions",
        metavar="DIR",
        default="sessions",
        help="where sessions live (default: %(default)s)",
    )
    parser.set_defaults(run="screen:run", json=False)
    commands = parser.add_subparsers(metavar="COMMAND", title="commands")
    for add in (
        _demo,
        _start,
        _open,
        _record,
        _edit,
        _check,
        _plan,
        _solve,
        _recheck,
        _compare,
        _proof,
        _shift,
        _report,
        _export,
        _focus,
        _lens,
        _board,
        _pack,
        _unpack,
        _robot,
        _explain,
        _doctor,
    ):
        add(commands)
    return parser


# What add_subparsers returns has no public name.
_Commands: TypeAlias = "argparse._SubParsersAction[argparse.ArgumentParser]"


def _command(commands: _Commands, name: str, run: str, help: str) -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = commands.add_parser(
        name, help=help, description=help, allow_abbrev=False
    )
    parser.set_defaults(run=run)
    parser.add_argument("--json", action="store_true", help="print one JSON document on stdout")
    return parser


def _demo(commands: _Commands) -> None:
    parser = _command(
        commands, "demo", "demo:run", "try the whole job on a simulated cell; no robot, no camera"
    )
    parser.add_argument("--auto", action="store_true", help="do the whole job unattended")
    parser.add_argument("--dir", metavar="DIR", help="where to put the demo session")
    parser.add_argument("--seed", type=int, default=7, help="noise of the simulation (default: 7)")
    parser.add_argument(
        "--board",
        choices=("chessboard", "circles"),
        default="chessboard",
        help="the board of the simulated cell (default: chessboard)",
    )


def _start(commands: _Commands) -> None:
    parser = _command(commands, "start", "start:run", "start a session folder for a cell")
    parser.add_argument(
        "cell", metavar="CELL", help="the cell file, or an earlier session of the cell"
    )
    parser.add_argument("dir", metavar="DIR", help="the new session folder")
    parser.add_argument("--operator", metavar="NAME", help="who works at the robot")
    parser.add_argument("--name", metavar="TEXT", help="name of the session (default: the cell's)")


def _open(commands: _Commands) -> None:
    parser = _command(commands, "open", "screen:run_open", "open a session on the screen")
    parser.add_argument("dir", metavar="DIR")
    parser.add_argument("--follow", action="store_true", help="watch it live, read-only")


def _record(commands: _Commands) -> None:
    parser = _command(
        commands, "record", "record:run", "record one station: a typed pose, an image"
    )
    parser.add_argument("dir", metavar="DIR")
    parser.add_argument("--pose", metavar="TEXT", help="the pose as the pendant shows it")
    parser.add_argument("--joints", metavar="TEXT", help="the joints as the pendant shows them")
    seen = parser.add_mutually_exclusive_group()
    seen.add_argument("--image", metavar="FILE", help="the image taken at this stop")
    seen.add_argument("--points", metavar="FILE", help="detected points (CSV id,u_px,v_px)")
    seen.add_argument(
        "--board-pose", metavar="TEXT", help="x y z qx qy qz qw (mm) of the board in the camera"
    )
    parser.add_argument(
        "--accept", metavar="CODE", action="append", default=[], help="accept this warning"
    )
    parser.add_argument("--reason", metavar="TEXT", help="why reach or joint-limit is accepted")
    parser.add_argument("--closing", action="store_true", help="a last stop at an earlier pose")
    place = parser.add_mutually_exclusive_group()
    place.add_argument("--retake", metavar="N", type=int, help="replace station N")
    place.add_argument("--station", metavar="N", type=int, help="only add --view to station N")
    parser.add_argument(
        "--view",
        metavar=("CAMERA", "FILE"),
        nargs=2,
        action="append",
        default=[],
        help="what a further camera of the cell saw here: an image, or points (.csv)",
    )
    parser.add_argument("--operator", metavar="NAME", help="who works at the robot")


def _edit(commands: _Commands) -> None:
    parser = _command(commands, "edit", "edit:run", "change one recorded station")
    parser.add_argument("dir", metavar="DIR")
    parser.add_argument("--station", metavar="N", type=int, required=True)
    change = parser.add_mutually_exclusive_group(required=True)
    change.add_argument("--pose", metavar="TEXT", help="the corrected pose")
    change.add_argument("--aside", metavar="TEXT", help="leave it out of the solution, and why")
    change.add_argument("--back", action="store_true", help="use it again")
    change.add_argument("--note", metavar="TEXT", help="a remark kept with the station")
    parser.add_argument(
        "--accept", metavar="CODE", action="append", default=[], help="accept this warning"
    )
    parser.add_argument("--reason", metavar="TEXT", help="why reach or joint-limit is accepted")


def _one_camera(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--camera", metavar="NAME", help="of several cameras this one (default: the first)"
    )


def _several(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("dirs", metavar="DIR", nargs="+")
    parser.add_argument(
        "--jobs", metavar="N", type=int, help="processes for several DIRs (all cores)"
    )


def _check(commands: _Commands) -> None:
    parser = _command(
        commands, "check", "check:run", "check what is recorded, and say what is wrong"
    )
    _several(parser)
    parser.add_argument(
        "--fix", metavar="CODE", help="apply what this finding suggests, and check again"
    )
    parser.add_argument("--station", metavar="N", type=int, help="with --fix: at this station")


def _solve(commands: _Commands) -> None:
    parser = _command(commands, "solve", "solve:run", "find the camera's place and its uncertainty")
    _several(parser)
    parser.add_argument(
        "--board-from",
        metavar="OLD",
        help="quick re-calibration: the board is on its mount as in this earlier session",
    )
    parser.add_argument("--no-write", action="store_true", help="compute, but store no result")


def _plan(commands: _Commands) -> None:
    parser = _command(commands, "plan", "plan:run", "the stations worth visiting next")
    parser.add_argument("where", metavar="DIR|CELL", help="a session folder, or a cell file")
    parser.add_argument("--count", metavar="N", type=int, help="so many further stations")
    parser.add_argument(
        "--until", metavar="U", type=number, help="stop when U at the work volume is below U mm"
    )
    parser.add_argument("--close", action="store_true", help="end at the first station's pose")
    parser.add_argument(
        "--style",
        choices=("chosen", "grid"),
        default="chosen",
        help="chosen stations (default), or a fixed pattern where a procedure demands one",
    )
    for name, unit, what in (
        ("heights", "mm", "along the camera's axis"),
        ("shifts", "mm", "from the middle of the view"),
        ("tilts", "deg", "of the board, in turn"),
        ("turns", "deg", "about the line of sight, in turn"),
    ):
        parser.add_argument(
            f"--{name}",
            dest=f"{name}_{unit}",
            metavar=unit.upper(),
            type=number,
            nargs="+",
            help=f"with --style grid: {what}",
        )
    parser.add_argument("--out", metavar="FILE.html", help="a page to print and take to the robot")
    parser.add_argument("--no-write", action="store_true", help="do not store it in the session")
    parser.add_argument("--operator", metavar="NAME", help="who plans")


def _report(commands: _Commands) -> None:
    parser = _command(commands, "report", "report:run", "write the page that the customer signs")
    _several(parser)
    parser.add_argument("--no-write", action="store_true", help="make it, but store nothing")
    _one_camera(parser)


def _export(commands: _Commands) -> None:
    parser = _command(
        commands, "export", "export:run", "hand the result over in the form another program reads"
    )
    _several(parser)
    parser.add_argument(
        "--as",
        dest="form",
        metavar="FORMAT",
        required=True,
        help="yaml, json, csv, matrix, quaternion, pendant, opencv, urdf or tf",
    )
    _one_camera(parser)
    parser.add_argument("--inverse", action="store_true", help="the other direction")
    parser.add_argument("--unit", metavar="UNIT", help="mm, m or in (default: the format's own)")
    parser.add_argument(
        "--not-accepted", action="store_true", help="also a result that was not accepted"
    )
    parser.add_argument("--out", metavar="FILE", help="write it there (default: print it)")


def _focus(commands: _Commands) -> None:
    parser = _command(
        commands, "focus", "focus:run", "sharpness and exposure, image after image, to set the lens"
    )
    parser.add_argument("cell", metavar="CELL", help="the cell file (cell.yaml)")
    parser.add_argument("--image", metavar="FILE", help="report on this image only")
    parser.add_argument(
        "--confirm", action="store_true", help="trust the cell's image source on this machine"
    )


def _lens(commands: _Commands) -> None:
    parser = _command(commands, "lens", "lens:run", "do the lens data fit what the session saw?")
    parser.add_argument("dir", metavar="DIR")
    _one_camera(parser)


def _board(commands: _Commands) -> None:
    parser = _command(commands, "board", "board:run", "print the calibration board at true scale")
    parser.add_argument("cell", metavar="CELL", help="the cell file (cell.yaml)")
    parser.add_argument("--out", metavar="FILE", required=True, help="a .pdf or .svg file")
    parser.add_argument(
        "--paper", metavar="SIZE", default="A4", help="A4, Letter, A2, 420x594 ... (default: A4)"
    )
    parser.add_argument("--tiles", action="store_true", help="over several sheets where needed")


def _pack(commands: _Commands) -> None:
    parser = _command(commands, "pack", "support:run_pack", "put a session into one zip file")
    parser.add_argument("dir", metavar="DIR")
    parser.add_argument("--out", metavar="FILE", help="the zip (default: DIR.zip here)")
    parser.add_argument("--without-images", action="store_true", help="points solve as well")


def _unpack(commands: _Commands) -> None:
    parser = _command(commands, "unpack", "support:run_unpack", "unpack a session, checked first")
    parser.add_argument("file", metavar="FILE")
    parser.add_argument(
        "--to", metavar="DIR", help="a new folder (default: in the sessions folder)"
    )


def _robot(commands: _Commands) -> None:
    parser: argparse.ArgumentParser = commands.add_parser(
        "robot", help="make a robot file from a URDF", allow_abbrev=False
    )
    parts = parser.add_subparsers(metavar="import", required=True)
    part = _command(parts, "import", "robot:run_import", "make a robot file from a URDF file")
    part.add_argument("file", metavar="FILE.urdf")
    part.add_argument("--base", metavar="LINK", required=True, help="link that is the robot's base")
    part.add_argument("--tip", metavar="LINK", required=True, help="link that is the flange")
    part.add_argument("--out", metavar="FILE", help="the robot file (default: robots/NAME.yaml)")


def _recheck(commands: _Commands) -> None:
    parser = _command(
        commands, "recheck", "recheck:run", "did the camera move since an earlier session?"
    )
    parser.add_argument("dir", metavar="DIR", help="a session with one to three new stations")
    parser.add_argument(
        "--against", metavar="OLD", required=True, help="the folder of the earlier session"
    )
    parser.add_argument(
        "--visit", metavar="N", type=int, help="name N earlier stations to visit again"
    )


def _compare(commands: _Commands) -> None:
    parser = _command(
        commands, "compare", "compare:run", "the difference of results, and their history"
    )
    parser.add_argument("dir", metavar="DIR", help="a session with a result")
    parser.add_argument("others", metavar="OTHER", nargs="+", help="sessions to compare it with")
    parser.add_argument("--figure", metavar="FILE", help="draw the history (.svg, .png or .pdf)")
    _one_camera(parser)


def _proof(commands: _Commands) -> None:
    parser = _command(
        commands, "proof", "proof:run", "prove a result by touching points that the camera sees"
    )
    parser.add_argument("dir", metavar="DIR")
    parser.add_argument("--tip", metavar="TEXT", help="x y z of the pointer's tip in the flange")
    parser.add_argument("--tip-u", metavar="U", type=number, help="its standard uncertainty, mm")
    parser.add_argument("--view", metavar="FILE", help="image, or points CSV, of the board lying")
    parser.add_argument("--looked", metavar="TEXT", help="eye-in-hand: the pose at that image")
    touched = parser.add_mutually_exclusive_group()
    touched.add_argument("--touch", metavar="ID", type=int, help="board point that was touched")
    touched.add_argument("--seen", metavar="TEXT", help="x y z of a touched mark in the camera")
    touched.add_argument("--forget", metavar="N", type=int, help="leave touch N out from now on")
    touched.add_argument(
        "--hold-out", metavar="N", type=int, nargs="+", help="compare with stations left out"
    )
    parser.add_argument("--pose", metavar="TEXT", help="the pose with the tip on the point")
    parser.add_argument("--in-view", metavar="N", type=int, help="view of it (default: the last)")
    parser.add_argument(
        "--fix", action="store_true", help="four-axis: this touch is the missing number"
    )
    parser.add_argument("--operator", metavar="NAME", help="who touches")
    parser.add_argument("--no-write", action="store_true", help="compute, but store nothing")


def _shift(commands: _Commands) -> None:
    parser = _command(
        commands, "shift", "shift:run", "carry points over that are fixed to the camera's frame"
    )
    parser.add_argument("dir", metavar="DIR", help="the session with the new result")
    parser.add_argument("--points", metavar="FILE", help="CSV name,fixed_to,... as on the pendant")
    parser.add_argument("--against", metavar="OLD", help="the folder of the earlier session")
    parser.add_argument("--out", metavar="FILE", help="write the points after the shift there")
    _one_camera(parser)


def _explain(commands: _Commands) -> None:
    parser = _command(commands, "explain", "explain:run", "explain a finding: cause, signs, remedy")
    parser.add_argument("code", metavar="CODE", nargs="?", help="without a code: list them all")


def _doctor(commands: _Commands) -> None:
    _command(commands, "doctor", "doctor:run", "what a supporter asks first about this machine")
