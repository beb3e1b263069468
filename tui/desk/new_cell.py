"""Describing a new cell: pages of questions, and the cell file they make."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, NamedTuple, get_args

from engine.boards.pattern import BOW_U_MM, HEIGHT_U_MM
from engine.camera.model import ASSUMED_LENS_U, DISTORTION_COUNTS
from engine.cell.cell import Locate
from engine.cell.rule import GUARDED, Rule
from engine.errors import FileError, StationbookError
from engine.pendant.conventions import VECTOR, YAW, is_quaternion
from engine.pendant.labels import LABEL_SETS, LabelSet, example_fields
from engine.robots.arms import LEVEL_KINDS
from engine.robots.model import ASSUMED_ACCURACY_MM, ASSUMED_REPEATABILITY_MM
from engine.sessions.cell_file import cell_record
from engine.sessions.cell_parts import ROBOT, read_robot
from engine.sessions.store import make_folder, write_bytes_new
from engine.sessions.yaml_text import parse_yaml, yaml_dump

from .board_length import length_questions, length_u, pitch_of
from .form import (
    Check,
    Question,
    above_zero,
    as_number,
    as_numbers,
    choice,
    needed,
    not_below_zero,
    not_below_zero_or_empty,
    number,
    number_or_empty,
    numbers,
    pixels,
    whole,
)

Answers = Mapping[str, str]
ROBOTS = ("none", "file", "six", "scara", "palletizer")
KINDS = {"six": "spherical-wrist", "scara": "scara", "palletizer": "level-flange"}
LENS = ("images", "known")  # where the lens data come from
SIX_AXIS, FOUR_AXIS = ("a1", "a2", "b", "c1", "c2", "c3", "c4"), ("l1", "l2", "z0")


class Page(NamedTuple):
    """One page of questions; ``when`` tells from the answers so far whether it is asked."""

    title: str
    intro: str
    questions: Callable[[Answers], list[Question]]
    when: Callable[[Answers], bool] = lambda _: True


def _cell(_: Answers) -> list[Question]:
    return [
        Question("name", "Name of the cell", "", needed, "As people here call it."),
        choice("mount", "The camera stands on", "frame", ("frame", "flange"),
                 "frame: it looks at a board on the flange. flange: it looks at a board in the "
                 "cell."),
        choice("robot", "The robot", "none", ROBOTS,
               "none: reach is not checked. file: a robot file. six: six axes, spherical wrist. "
               "scara: four axes, with a lift. palletizer: four axes, flange held level."),
    ]  # fmt: skip


def _pendant(answers: Answers) -> list[Question]:
    labels, rotation = answers.get("shown", ""), answers.get("rotation", "")
    fine = "4" if rotation == VECTOR or is_quaternion(rotation) else "2"
    angle = choice("angle_unit", "Angles in", "rad" if rotation == VECTOR else "deg",
                   ("deg", "rad"), "deg or rad.")  # fmt: skip
    down = choice("flange", "The flange's Z points", "", ("up", "down"),
                    "up or down in the robot's manual: the one angle does not say.")  # fmt: skip
    return [
        Question("labels", "Labels, as shown", f"X Y Z {labels}", _labels(answers),
                 "In the order in which the pendant shows the fields."),
        choice("length_unit", "Lengths in", "mm", ("mm", "m", "in"), "mm, m or in."),
        *([] if is_quaternion(rotation) else [angle]),
        Question("length_decimals", "Decimals of a length", "2", _digits,
                 "Digits behind the point: 2 for 612.40, and 5 for 0.61240."),
        Question("angle_decimals", "Decimals of the rotation", fine, _digits,
                 "Digits behind the point."),
        *([down] if rotation == YAW else []),
    ]  # fmt: skip


def _robot(answers: Answers) -> list[Question]:
    names = FOUR_AXIS if answers["robot"] == "scara" else SIX_AXIS
    axes = 6 if answers["robot"] == "six" else 4
    lengths = [
        Question(f"geometry_{name}", f"{name}, mm", "", number, "From the data sheet's drawing.")
        for name in names
    ]
    return [
        Question("robot_name", "Name of the robot", "arm", needed, "Type and serial number."),
        *lengths,
        Question("limits", "Joint limits", "", _limits(2 * axes),
                 f"{2 * axes} numbers: lowest and highest of each joint, in degrees (a lift: mm)."),
        _accuracy(),
        Question("repeatability", "Repeatability, mm", f"{ASSUMED_REPEATABILITY_MM:g}",
                 not_below_zero, "As the data sheet gives it (ISO 9283)."),
        Question("offsets", "Offsets of the joints, °", " ".join(["0"] * axes), numbers(axes),
                 "Model angle = direction · shown angle − offset; a lift: mm."),
        Question("directions", "Directions of the joints", " ".join(["1"] * axes), _signs(axes),
                 "1, or −1 for a joint that the pendant counts the other way."),
        Question("coupling", "Joint moving with another", "none", _coupling(axes),
                 "Such as J3 J2: the shown J3 moves with J2 (parallel linkage). Or none."),
    ]  # fmt: skip


def _accuracy() -> Question:
    return Question("accuracy", "Absolute accuracy, mm", f"{ASSUMED_ACCURACY_MM:g}", not_below_zero,
                    "RMS of position; 0 for a compensated robot.")  # fmt: skip


def _signs(count: int) -> Check:

    def check(text: str) -> str | None:
        wrong = numbers(count)(text)
        if wrong is None and any(abs(value) != 1.0 for value in as_numbers(text)):
            return "Each is 1 or -1."
        return wrong

    return check


def _coupling(axes: int) -> Check:
    """Check for the names of two joints, or none."""
    joints = [f"J{k + 1}" for k in range(axes)]

    def check(text: str) -> str | None:
        words = text.upper().split()
        two = len(words) == 2 and words[0] != words[1] and set(words) <= set(joints)
        return None if two or words == ["NONE"] else "Two joints such as J3 J2, or none."

    return check


def _camera(_: Answers) -> list[Question]:
    return [
        Question("camera_name", "Name of the camera", "camera", needed, "Such as: frame camera."),
        Question("size", "Image size, px", "1280 1024", numbers(2, each=pixels),
                 "Width and height, such as 1280x1024."),
        choice("lens", "Lens data", "images", LENS,
               "images: found from the session's own images. known: typed on the next page."),
        Question("source", "Folder of the images", "", lambda _: None,
                 "Where the camera's own program saves them; empty for none.", _no_folder_yet),
    ]  # fmt: skip


USUAL_LENS = (
    f"{100 * ASSUMED_LENS_U.focal:g} {ASSUMED_LENS_U.center_px:g} {ASSUMED_LENS_U.edge_px:g}"
)


def _lens(answers: Answers) -> list[Question]:
    width, height = as_numbers(answers["size"])
    middle = f"{(width - 1) / 2:g} {(height - 1) / 2:g}"
    return [
        Question("focal", "Focal lengths fx fy, px", "", numbers(2, each=above_zero),
                 "From the lens calibration."),
        Question("centre", "Image centre cx cy, px", middle, numbers(2),
                 "From the lens calibration."),
        Question("distortion", "Distortion", "0 0 0 0 0", numbers(*DISTORTION_COUNTS),
                 "k1 k2 p1 p2 k3 ... as the lens calibration gives them."),
        Question("lens_u", "Known to: focal %, px, px", USUAL_LENS, numbers(3, each=not_below_zero),
                 "Standard uncertainties of focal length (%), centre, and distortion in the "
                 "corner (px). As proposed: usual ones; the result says that they are assumed."),
    ]  # fmt: skip


def _board(answers: Answers) -> list[Question]:
    patterns = ("chessboard", "circles", "circles-staggered", "charuco")
    height = []
    if _level(answers):
        height = height_questions("", f"{HEIGHT_U_MM:g}", in_hand=answers["mount"] == "flange")
    return [
        choice("pattern", "Pattern", "chessboard", patterns, ", ".join(patterns)),
        Question("columns", "Points in a row", "11", whole, "Inner corners, or circles."),
        Question("rows", "Rows", "8", whole, "Inner corners, or circles."),
        *length_questions("200/10", "", open_=True),
        Question("bow", "Flat to, mm", "", not_below_zero_or_empty,
                 "Standard uncertainty over the diagonal: the gap under a straight edge.",
                 _not_flat),
        *height,
    ]  # fmt: skip


def height_questions(height: str, u: str, *, in_hand: bool) -> list[Question]:
    """Ask for the height of the board's point 0 and how well it is known, as measured."""
    where = "in the base" if in_hand else "in the flange frame"
    return [
        Question("height", "Height of point 0, mm", height, number_or_empty,
                 f"z of the board's first point {where}, measured: this arm cannot show it. Empty: "
                 "one point is to be touched.", _unmeasured),
        Question("height_u", "Height known to, mm", u, above_zero,
                 "Standard uncertainty of that height."),
    ]  # fmt: skip


def _not_flat(text: str) -> str | None:
    """Say what follows where the flatness is not given."""
    if text.strip():
        return None
    return f"Empty: {BOW_U_MM:g} mm, a sheet on a stiff plate, is assumed, and the result says so."


def _level(answers: Answers) -> bool:
    """Tell whether the arm holds its flange level: no stations then show a height."""
    if answers["robot"] == "file":
        return read_robot(Path(answers["robot_file"]).expanduser()).kind in LEVEL_KINDS
    return answers["robot"] in ("scara", "palletizer") or answers.get("rotation") == YAW


def _unmeasured(text: str) -> str | None:
    """Say what follows where no height is given."""
    if text.strip():
        return None
    return "The camera's height stays unknown until a point is touched, which then proves nothing."


def _board_more(answers: Answers) -> list[Question]:
    if answers["pattern"] == "charuco":
        return [
            Question("dictionary", "Dictionary of the markers", "DICT_4X4_50", needed,
                     "The name that OpenCV gives it."),
            Question("marker", "Side of a marker, mm", "", _below_pitch(answers),
                     "Smaller than the pitch."),
        ]  # fmt: skip
    return [Question("diameter", "Diameter of a circle, mm", "", _below_pitch(answers),
                     "As printed.")]  # fmt: skip


def _work(answers: Answers) -> list[Question]:
    frame = "base" if answers["mount"] == "frame" else "camera"
    return [
        Question("center", "Middle of the pick area, mm", "", numbers(3), f"x y z in the {frame}."),
        Question("size_mm", "Size of the pick area, mm", "400 300 200", numbers(3, each=above_zero),
                 "Along the same x y z."),
        choice("locate", "Parts are located by", "lens", get_args(Locate),
               "lens: in the image, with the same lens data as here. depth: as 3-D points. With "
               "lens most of the lens's error cancels, with depth nothing does."),
    ]  # fmt: skip


def _tolerance(_: Answers) -> list[Question]:
    return [
        Question("tolerance", "A pick may be off by, mm", "1.0", above_zero, "At most."),
        Question("tolerance_deg", "A pick may be turned by, °", "0.2", above_zero, "At most."),
        choice("rule", "Decided by the rule", GUARDED, get_args(Rule),
               "guarded (ISO 14253-1): error and U together within the tolerance. simple (JCGM "
               "106): the error within it, U at most a third of it."),
        Question("set_by", "Tolerance and rule set by", "", lambda _: None,
                 "Who answers for them, such as: quality department. Empty: nobody is named.",
                 _nobody),
        Question("file", "Save the cell as", "cell.yaml", needed, "A new file.", _made),
    ]  # fmt: skip


def _made(text: str) -> str | None:
    """Say where the file comes to lie, and that its folder is made where it is not there."""
    if not text.strip():
        return None
    path = cell_path(text)
    new = "" if path.parent.is_dir() else " Its folder is not there yet and is made."
    return f"A new file, {path.absolute()}.{new}"


def _nobody(text: str) -> str | None:
    """Say what follows where nobody is named."""
    return None if text.strip() else "Result, report and exports then say that nobody is named."


PAGES: tuple[Page, ...] = (
    Page("The cell", "", _cell),
    Page("Robot file", "", lambda _: [
        Question("robot_file", "Robot file", "", _is_file, "A file that describes a robot."),
    ], lambda a: a["robot"] == "file"),
    Page("The robot", "docs/robots.md draws the lengths.", _robot, lambda a: a["robot"] in KINDS),
    Page("The robot", "", lambda _: [_accuracy()], lambda a: a["robot"] == "none"),
    Page("The pendant", "", _pendant),
    Page("The camera", "", _camera),
    Page("The lens", "", _lens, lambda a: a["lens"] == "known"),
    Page("The board", "", _board),
    Page("The board's pattern", "", _board_more, lambda a: a["pattern"] != "chessboard"),
    Page("Where parts are picked", "", _work),
    Page("The tolerance", "", _tolerance),
)  # fmt: skip
PENDANT_PAGE = 4  # before it the label sets are shown


def document(answers: Answers) -> dict[str, Any]:
    mount = "eye-to-hand" if answers["mount"] == "frame" else "eye-in-hand"
    source = answers.get("source", "")
    return {
        "format": 1,
        "name": answers["name"],
        "mount": mount,
        "robot": _robot_document(answers),
        "pendant": _pendant_document(answers),
        "camera": {
            "name": answers["camera_name"],
            "image_size_px": [int(n) for n in as_numbers(answers["size"])],
            **_lens_document(answers),
            "source": {"folder": source} if source else "none",
        },
        "board": _board_document(answers),
        "work_volume": {
            "frame": "base" if mount == "eye-to-hand" else "camera",
            "center_mm": as_numbers(answers["center"]),
            "size_mm": as_numbers(answers["size_mm"]),
        },
        "tolerance": {
            "position_mm": as_number(answers["tolerance"]),
            "angle_deg": as_number(answers["tolerance_deg"]),
            "rule": answers["rule"],
            **({"set_by": set_by} if (set_by := answers["set_by"].strip()) else {}),
        },
        "locate": answers["locate"],
        **_undescribed(answers),
    }


def _undescribed(answers: Answers) -> dict[str, float]:
    """Return how accurate an arm is that is not described; nothing where that is only assumed."""
    if answers["robot"] != "none" or as_number(answers["accuracy"]) == ASSUMED_ACCURACY_MM:
        return {}
    return {"robot_accuracy_mm": as_number(answers["accuracy"])}


def _lens_document(answers: Answers) -> dict[str, Any]:
    if answers["lens"] == "images":
        return {"matrix": "none"}
    (fx, fy), (cx, cy) = as_numbers(answers["focal"]), as_numbers(answers["centre"])
    bent = as_numbers(answers["distortion"])
    lens = {"matrix": [[fx, 0, cx], [0, fy, cy], [0, 0, 1]], "distortion": bent}
    if (known := as_numbers(answers["lens_u"])) == as_numbers(USUAL_LENS):
        return lens  # assumed, which the result then says
    focal, centre, edge = known
    return {**lens, "u": {"focal": focal / 100.0, "center_px": centre, "edge_px": edge}}


def cell_path(text: str) -> Path:
    """Return the file that is named, or `cell.yaml` in the folder that is."""
    path = Path(text.strip()).expanduser()
    return path if path.suffix in (".yaml", ".yml") else path / "cell.yaml"


def save(answers: Answers) -> Path:
    """Check the cell as its reader does and store it in a new file; returns the path.

    Raises StationbookError naming the key that does not fit, FileError where the file is there
    already.
    """
    path = cell_path(answers["file"])
    data = yaml_dump(document(answers)).encode()
    try:
        cell_record(inside=False).read(parse_yaml(data, path))
    except FileError as error:  # the file is not there yet: its lines would help nobody
        place = f"{error.key}: " if error.key else ""
        raise StationbookError(f"{place}{error.clause}", error.remedy) from error
    make_folder(path.parent)
    write_bytes_new(path, data)
    return path


def label_sets(*, level: bool = False) -> list[tuple[LabelSet, tuple[str, ...]]]:
    """Return the common label sets, each with the numbers of the example pose.

    ``level``: of an arm that holds its flange level, with the one angle of such arms first.
    """
    sets = sorted(LABEL_SETS, key=lambda labels: level and labels.rotation != YAW)
    return [(labels, example_fields(labels, level=level)) for labels in sets]


def level_arm(answers: Answers) -> bool:
    """Tell whether the robot that was described holds its flange level."""
    return _level({**answers, "rotation": ""})


def _robot_document(answers: Answers) -> Any:
    kind = answers["robot"]
    if kind == "none":
        return "none"
    if kind == "file":
        return ROBOT.write(read_robot(Path(answers["robot_file"]).expanduser()))
    names = FOUR_AXIS if kind == "scara" else SIX_AXIS
    coupled = answers["coupling"].upper().split()
    limits = as_numbers(answers["limits"])
    return {
        "name": answers["robot_name"],
        "kind": KINDS[kind],
        "geometry_mm": {name: as_number(answers[f"geometry_{name}"]) for name in names},
        "offsets_deg": as_numbers(answers["offsets"]),
        "directions": [int(value) for value in as_numbers(answers["directions"])],
        "coupling": {coupled[0]: coupled[1]} if len(coupled) == 2 else None,
        "limits_deg": [list(pair) for pair in zip(limits[::2], limits[1::2], strict=True)],
        "accuracy_mm": as_number(answers["accuracy"]),
        "repeatability_mm": as_number(answers["repeatability"]),
    }


def _pendant_document(answers: Answers) -> dict[str, Any]:
    labels = answers["labels"].split()
    lengths, angles = int(answers["length_decimals"]), int(answers["angle_decimals"])
    return {
        "length_unit": answers["length_unit"],
        **({} if is_quaternion(answers["rotation"]) else {"angle_unit": answers["angle_unit"]}),
        "rotation": answers["rotation"],
        "labels": labels,
        "decimals": [lengths] * min(3, len(labels)) + [angles] * (len(labels) - 3),
    } | ({"flange_down": answers["flange"] == "down"} if answers["rotation"] == YAW else {})


def _board_document(answers: Answers) -> dict[str, Any]:
    board: dict[str, Any] = {
        "pattern": answers["pattern"],
        "columns": int(answers["columns"]),
        "rows": int(answers["rows"]),
        "pitch_mm": pitch_of(answers["length"]),
    }
    if (scale_u := length_u(answers["length"], answers["length_u"])) is not None:
        board["scale_u"] = scale_u
    if answers["bow"].strip():
        board["bow_u_mm"] = as_number(answers["bow"])
    if _level(answers) and answers["height"].strip():
        board["height_mm"] = as_number(answers["height"])
        board["height_u_mm"] = as_number(answers["height_u"])
    if "diameter" in answers and answers["pattern"].startswith("circles"):
        board["diameter_mm"] = as_number(answers["diameter"])
    if answers["pattern"] == "charuco":
        board["dictionary"] = answers["dictionary"]
        board["marker_mm"] = as_number(answers["marker"])
    return board


def _digits(text: str) -> str | None:
    return None if text.strip() in tuple("0123456789") else "Type one digit, 0 to 9."


def _labels(answers: Answers) -> Check:
    """Check for as many labels as the chosen set has."""
    count = 3 + len(answers.get("shown", "").split())

    def check(text: str) -> str | None:
        found = len(text.split())
        wanted = f"{found} labels; expected {count}, with blanks between them."
        return None if found == count else wanted

    return check


def _limits(count: int) -> Check:
    """Check for pairs of numbers, each the lower one first."""

    def check(text: str) -> str | None:
        wrong = numbers(count)(text)
        if wrong is not None:
            return wrong
        values = as_numbers(text)
        turned = [n for n in range(1, count, 2) if values[n - 1] >= values[n]]
        return f"Joint {turned[0] // 2 + 1}: the lowest comes first." if turned else None

    return check


def _below_pitch(answers: Answers) -> Check:
    """Check for a length between 0 and the board's pitch."""

    def check(text: str) -> str | None:
        pitch = pitch_of(answers["length"])
        wrong = above_zero(text)
        if wrong is None and as_number(text) >= pitch:
            return f"It must be below the pitch, {pitch:g} mm."
        return wrong

    return check


def _no_folder_yet(text: str) -> str | None:
    """Say of a folder that is not there where it is looked for; it may be made later."""
    folder = Path(text.strip()).expanduser()
    if not text.strip() or (folder.is_absolute() and folder.is_dir()):
        return None
    if folder.is_absolute():
        return "There is no such folder yet: make it before the first image."
    return "It is looked for beside the cell's file: make it there before the first image."


def _is_file(text: str) -> str | None:
    return None if Path(text.strip()).expanduser().is_file() else "There is no such file."


def next_page(answers: Answers, after: int) -> int | None:
    """Return the number of the page that comes after page ``after``, or None at the end."""
    return next((n for n, page in enumerate(PAGES) if n > after and page.when(answers)), None)
