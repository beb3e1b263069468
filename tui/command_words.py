"""The words of every command, and what the help says of them. Nothing heavy is imported here."""

from __future__ import annotations

import argparse
from typing import Any, NamedTuple


def number(text: str) -> float:
    """Read a number by the rules of a typed pose: a decimal comma is one, NaN is none."""
    from engine.errors import PoseError
    from engine.pendant.entry import typed_number

    try:
        return typed_number(text)
    except PoseError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


class Word(NamedTuple):
    """One word of a command: its name, and what argparse is told of it."""

    name: str
    options: dict[str, Any]


class OneOf:
    """Words of which one at most is given, or exactly one where that is ``required``."""

    def __init__(self, *words: Word, required: bool = False) -> None:
        self.words, self.required = words, required


def _word(words: str, help: str | None = None, **more: Any) -> Word:
    """Return a word by its name, and behind that what stands for each of its texts in the help."""
    name, *texts = words.split()
    if len(texts) > 1:
        return Word(name, {"metavar": tuple(texts), "nargs": len(texts), "help": help, **more})
    return Word(name, {"metavar": texts[0] if texts else None, "help": help, **more})


def _command(help: str, *words: Word | OneOf) -> tuple[str, tuple[Word | OneOf, ...]]:
    return help, words


def _flag(name: str, help: str) -> Word:
    return Word(name, {"action": "store_true", "help": help})


def _each(words: str, help: str) -> Word:
    """Return a word that may be given several times."""
    return _word(words, help, action="append", default=[])


def _maybe(words: str, help: str) -> Word:
    """Return a word whose text may be left out; it is "" then."""
    return _word(words, help, nargs="?", const="")


def _choice(name: str, help: str, *choices: str) -> Word:
    """Return a word with the first of its choices as default."""
    help = f"{help} (default: {choices[0]})"
    return _word(name, help=help, choices=choices, default=choices[0])


def _spiral(name: str, unit: str, what: str) -> Word:
    what = f"with --style spiral: {what}"
    return _word(f"--{name} {unit.upper()}", what, type=number, dest=f"{name}_{unit}")


DIR = _word("dir DIR")
CELL = _word("cell CELL", "the cell file (cell.yaml)")
OPERATOR = _word("--operator NAME", "who works at the robot")
ONE_CAMERA = _word("--camera NAME", "of several cameras this one (default: the first)")
ANYWAY = _flag("--anyway", "also a result against which a recheck spoke, with that mark")
FORCE = _flag("--force", "replace a file that this program did not write")
SEVERAL = (
    _word("dirs DIR", nargs="+"),
    _word("--jobs N", "processes for several DIRs (all cores)", type=int),
)
SOME = (SEVERAL[0]._replace(options={**SEVERAL[0].options, "nargs": "*"}), SEVERAL[1])
ACCEPTING = (
    _each("--accept CODE", "accept this warning"),
    _word("--reason TEXT", "why reach or joint-limit is accepted"),
)

# Help and words of every command by its name, in the order in which `--help` lists them.
COMMANDS = {
    "demo": _command(
        "try the whole job on a simulated cell; no robot, no camera",
        _flag("--auto", "do the whole job unattended"),
        _word("--dir DIR", "where to put the demo session"),
        _word("--seed", help="noise of the simulation (default: 7)", type=int, default=7),
        _choice("--board", "the board of the simulated cell", "chessboard", "circles"),
        _flag("--depth", "the simulated camera is a 3-D camera"),
    ),
    "start": _command(
        "start a session folder for a cell",
        _word("cell CELL", "the cell file, or an earlier session of the cell"),
        _word("dir DIR", "the new session folder"),
        OPERATOR,
        _word("--name TEXT", "name of the session (default: the cell's)"),
    ),
    "swap": _command(
        "start a session after a swap: spare camera, new board, second cell of the same design",
        _word("old OLD", "the earlier session"),
        _word("dir DIR", "the new session folder"),
        OneOf(
            _maybe(
                "--camera CELL",
                "a spare camera of the same type (CELL: a cell file with its lens data)",
            ),
            _maybe("--board CELL", "a new board (CELL: a cell file that describes it)"),
            _word("--cell NAME", "a second cell of this name"),
            required=True,
        ),
        OPERATOR,
    ),
    "open": _command(
        "open a session on the screen", DIR, _flag("--follow", "watch it live, read-only")
    ),
    "record": _command(
        "record one station: a typed pose, an image",
        DIR,
        _word("--pose TEXT", "the pose as the pendant shows it"),
        _word("--joints TEXT", "the joints as the pendant shows them"),
        OneOf(
            _word("--image FILE", "the image taken at this stop"),
            _word("--points FILE", "points (CSV id,u_px,v_px; in space: id,x_mm,y_mm,z_mm)"),
            _word("--board-pose TEXT", "x y z qx qy qz qw (mm) of the board in the camera"),
        ),
        _word("--depth FILE", "the depth that a 3-D camera took with the image"),
        *ACCEPTING,
        _flag("--closing", "a last stop at an earlier pose"),
        _word("--photo FILE", "a photograph of the pendant, kept as evidence"),
        OneOf(
            _word("--retake N", "replace station N", type=int),
            _word("--station N", "only add --view to station N", type=int),
        ),
        _each(
            "--view CAMERA FILE",
            "what a further camera of the cell saw here: an image, or points (.csv)",
        ),
        _each("--view-depth CAMERA FILE", "the depth taken with it"),
        OPERATOR,
    ),
    "edit": _command(
        "change one recorded station",
        DIR,
        _word("--station N", type=int, required=True),
        OneOf(
            _word("--pose TEXT", "the corrected pose"),
            _word("--aside TEXT", "leave it out of the solution, and why"),
            _flag("--back", "use it again"),
            _word("--note TEXT", "a remark kept with the station"),
            _word("--photo FILE", "a photograph of the pendant, kept as evidence"),
            required=True,
        ),
        *ACCEPTING,
    ),
    "import": _command(
        "bring in a table of poses with a folder of images; shown first, stored with --store",
        DIR,
        _word("table TABLE", "CSV, TSV or text as the pendant shows it; .npz, .json of a script"),
        _word("--images FOLDER", "images, or points (CSV), one for each row"),
        _word(
            "--pair",
            help="how rows and images belong together (default: by name where a row "
            "names one, else in order)",
            choices=("name", "order", "time"),
        ),
        _word(
            "--convention NAME",
            "poses of another script: matrix, quaternion-xyzw, rotation-vector, moving-zyx ...",
        ),
        _word("--unit UNIT", "with poses of another script: mm, m or in"),
        _word("--angle-unit UNIT", "with poses of another script: deg (default) or rad"),
        _flag("--inverse", "poses of another script that map the base into the flange"),
        *ACCEPTING,
        _flag("--store", "store what is not refused"),
        OPERATOR,
    ),
    "check": _command(
        "check what is recorded, and say what is wrong",
        *SEVERAL,
        _word("--fix CODE", "apply what this finding suggests, and check again"),
        _word("--station N", "with --fix: at this station", type=int),
    ),
    "plan": _command(
        "the stations worth visiting next",
        _word("where DIR|CELL", "a session folder, or a cell file"),
        _word("--count N", "so many further stations", type=int),
        _word("--until U", "stop when U at the work volume is below U mm", type=number),
        _flag("--close", "end at the first station's pose"),
        _choice(
            "--style",
            "chosen stations, or a fixed spiral where a procedure demands a pattern",
            "chosen",
            "spiral",
        ),
        _spiral("radius", "mm", "how far from the middle of the view it winds"),
        _spiral("depth", "mm", "from the nearest to the farthest stop, along the camera's axis"),
        _spiral("tilt", "deg", "of the board at every stop"),
        _spiral("turn", "deg", "about the line of sight, to either side"),
        _word("--out FILE.html", "a page to print and take to the robot"),
        FORCE,
        _flag("--no-write", "do not store it in the session"),
        _word("--operator NAME", "who plans"),
    ),
    "solve": _command(
        "find the camera's place and its uncertainty",
        *SOME,
        _word("--all ROOT", "every session below this folder again: a table of what changed"),
        _flag("--store", "with --all: store each result, the one before beside it"),
        _word(
            "--board-from OLD",
            "quick re-calibration: the board is on its mount as in this earlier session",
        ),
        _flag("--no-write", "compute, but store no result"),
    ),
    "recheck": _command(
        "did the camera move since an earlier session?",
        _word("dir DIR", "a session with one to three new stations"),
        _word("--against OLD", "the folder of the earlier session", required=True),
        _word("--visit N", "name N earlier stations to visit again", type=int),
    ),
    "compare": _command(
        "the difference of results, and their history",
        _word("dir DIR", "a session with a result"),
        _word("others OTHER", "sessions to compare it with", nargs="+"),
        _word("--figure FILE", "draw the history (.svg, .png or .pdf)"),
        FORCE,
        ONE_CAMERA,
    ),
    "proof": _command(
        "prove a result by touching points that the camera sees",
        DIR,
        _word("--tip TEXT", "x y z of the pointer's tip in the flange"),
        _word("--tip-u U", "its standard uncertainty, mm", type=number),
        _word("--view FILE", "image, or points CSV, of the board lying"),
        _word("--looked TEXT", "eye-in-hand: the pose at that image"),
        OneOf(
            _word("--touch ID", "board point that was touched", type=int),
            _word("--seen TEXT", "x y z of a touched mark in the camera"),
            _word("--forget N", "leave touch N out from now on", type=int),
            _word("--hold-out N", "compare with stations left out", type=int, nargs="+"),
        ),
        _word("--pose TEXT", "the pose with the tip on the point"),
        _word("--joints TEXT", "the joints there: they show tool and frame"),
        _word("--in-view N", "view of it (default: the last)", type=int),
        _flag("--fix", "four-axis: this touch is the missing number"),
        ACCEPTING[0],
        _word("--operator NAME", "who touches"),
        _flag("--no-write", "compute, but store nothing"),
    ),
    "tip": _command(
        "find the tip of a pointer or gripper by touching one fixed point",
        DIR,
        _each("--touch POSE", "the pose with the tip on the point, once for each orientation"),
        _word("--table FILE", "the poses as a table, one a line"),
        _flag("--use", "store it as the pointer of the proof, with its covariance"),
        OPERATOR,
    ),
    "frame": _command(
        "a conveyor or pallet frame through three points, exported like the camera's",
        DIR,
        _word("--name NAME", "such as belt or pallet", required=True),
        _each("--touch POSE", "a touched point: origin, along x, to the side of y"),
        _each("--seen TEXT", "x y z of a point in the camera, in the same order"),
        _word("--looked TEXT", "eye-in-hand: the pose at that image"),
        _word("--as FORMAT", "a form of export", dest="form"),
        _word("--unit UNIT", "mm, m or in (default: the format's own)"),
        _word("--out FILE", "write it there (default: print it)"),
        FORCE,
    ),
    "shift": _command(
        "carry points over that are fixed to the camera's frame",
        _word("dir DIR", "the session with the new result"),
        _word("--points FILE", "CSV name,fixed_to,... as on the pendant"),
        _word("--against OLD", "the folder of the earlier session"),
        _word("--out FILE", "write the points after the shift there"),
        FORCE,
        ONE_CAMERA,
    ),
    "report": _command(
        "write the page that the customer signs",
        *SEVERAL,
        _choice("--paper", "of the printed page", "A4", "letter"),
        _word("--together FILE.html", "all DIRs in one page, with a table of them first"),
        FORCE,
        _flag("--no-write", "make it, but store nothing"),
        ONE_CAMERA,
        ANYWAY,
    ),
    "export": _command(
        "hand the result over in the form another program reads",
        *SEVERAL,
        _word(
            "--as FORMAT",
            "pendant, yaml, json, csv, matrix, quaternion, opencv, urdf, tf, ros, plane, or poses",
            dest="form",
            required=True,
        ),
        ONE_CAMERA,
        _flag("--inverse", "the other direction"),
        _word("--unit UNIT", "mm, m or in (default: the format's own)"),
        _word("--rotation NAME", "pendant: another form of rotation, as in a cell"),
        _word("--angle-unit UNIT", "pendant: deg or rad"),
        _word("--decimals N", "pendant: so many digits", type=int),
        _word(
            "--height MM", "plane: z of the plane (default: middle of the work volume)", type=number
        ),
        _flag("--not-accepted", "also a result that was not accepted"),
        ANYWAY,
        _word("--out FILE", "write it there (default: print it)"),
        FORCE,
    ),
    "cells": _command(
        "every cell of a plant: result, proof, recheck, days left; exit status 1 where one is due",
        _word("root ROOT", "the folder below which the sessions lie"),
        _word("--cell NAME", "of this cell only"),
        _flag("--drift", "per week, the day the tolerance is reached, the interval that is enough"),
        _flag("--csv", "a table for a spreadsheet"),
        _word("--page FILE.html", "a page of the plant, with the drift of every cell"),
        FORCE,
        _flag("--no-index", "read every file anew"),
    ),
    "event": _command(
        "note what happened to a cell: crash, camera swapped, robot mastered again ...",
        _word("dir DIR", "a session of the cell, best the last"),
        _word("--what TEXT", "what happened", required=True),
        _word("--on DAY", "when (default: today)"),
        OPERATOR,
    ),
    "about": _command(
        "note for whom, where and how a session was made; the report carries it",
        DIR,
        _word("--customer TEXT", "for whom"),
        _word("--place TEXT", "where"),
        _word("--temperature DEGC", "of the cell, in degrees Celsius", type=number),
        _word("--warm-up MIN", "how long the robot ran before", type=number),
        _word("--instrument TEXT", "name; serial number; due day (once for each)", action="append"),
        OPERATOR,
    ),
    "focus": _command(
        "sharpness and exposure, image after image, to set the lens",
        CELL,
        _word("--image FILE", "report on this image only"),
        _flag("--confirm", "trust the cell's image source on this machine"),
    ),
    "lens": _command("do the lens data fit what the session saw?", DIR, ONE_CAMERA),
    "board": _command(
        "print the calibration board at true scale",
        CELL,
        _word("--out FILE", "a .pdf or .svg file", required=True),
        FORCE,
        _word("--paper SIZE", "A4, Letter, A2, 420x594 ... (default: A4)", default="A4"),
        _flag("--tiles", "over several sheets where needed"),
    ),
    "pack": _command(
        "put a session into one zip file",
        DIR,
        _word("--out FILE", "the zip (default: DIR.zip here)"),
        _flag("--without-images", "points solve as well"),
    ),
    "unpack": _command(
        "unpack a session, checked first",
        _word("file FILE"),
        _word("--to DIR", "a new folder (default: in the sessions folder)"),
    ),
    "robot import": _command(
        "make a robot file from a URDF file",
        _word("file FILE.urdf"),
        _word("--base LINK", "link that is the robot's base", required=True),
        _word("--tip LINK", "link that is the flange", required=True),
        _word("--out FILE", "the robot file (default: robots/NAME.yaml)"),
        FORCE,
    ),
    "explain": _command(
        "explain a finding: cause, signs, remedy",
        _word("code CODE", "without a code: list them all", nargs="?"),
    ),
    "completion": _command(
        "a script with which the shell completes commands, options and files",
        _word("shell", help="bash, zsh or powershell", choices=("bash", "zsh", "powershell")),
    ),
    "sign": _command(
        "sign a stored result with the site's own key",
        _word("dir DIR", "the session (without: with --new-key or --trust)", nargs="?"),
        _flag("--new-key", "make the site's key once, in your own configuration folder"),
        _word("--trust NAME KEY", "trust another site's public key"),
    ),
    "doctor": _command(
        "what a supporter asks first about this machine, or about one session",
        _word("dir DIR", "look at this session: what the journal can restore", nargs="?"),
        _flag("--rebuild", "restore DIR/session.yaml from the journal; the damaged file is kept"),
    ),
}
