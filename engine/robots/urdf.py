"""Robots from URDF files: any serial chain of turning and lifting joints as a `chain` robot.

A URDF gives each joint an arbitrary frame and axis. The axes at the zero posture determine the
Denavit-Hartenberg links by the common normals of neighbours (Denavit & Hartenberg 1955; Paul 1981);
what is left at both ends goes into the two constant transforms of the robot, so nothing is lost.
"""

from __future__ import annotations

import difflib
import math
import re
from dataclasses import dataclass
from pathlib import Path
from xml.etree.ElementTree import Element, TreeBuilder
from xml.parsers import expat

import numpy as np

from ..arrays import Array
from ..errors import FileError, StationbookError
from ..files import read_bytes
from ..frames import inverse, transform, turn_angles, turns
from .model import ChainLink, JointType, Robot

_UTF8 = ("utf-8", "utf8", "us-ascii", "ascii")
MOST_ELEMENTS = 300_000  # a robot has some hundreds
LARGEST_BYTES = 20_000_000  # a robot's URDF has a few hundred kB; meshes are files of their own


@dataclass(frozen=True, slots=True)
class UrdfJoint:
    """One joint element as written: [m, rad]. ``limits`` None: not given."""

    name: str
    type: str
    parent: str
    child: str
    xyz: tuple[float, ...]
    rpy: tuple[float, ...]
    axis: tuple[float, ...]
    limits: tuple[float, float] | None
    mimics: str | None


def read_joints(path: Path) -> list[UrdfJoint]:
    """Return the joints of the file; raises FileError for a file that is no URDF."""
    root = _parsed(path)
    if root.tag != "robot":
        raise FileError(path, f"the outermost element is <{root.tag}>", "A URDF begins <robot>.")
    if any("xacro" in element.tag for element in root.iter()):
        raise FileError(path, "holds xacro macros", "Expand it first and import the result.")
    return [_joint(path, element) for element in root.findall("joint")]


def _parsed(path: Path) -> Element:
    content = _utf8(path, read_bytes(path, LARGEST_BYTES, "This is no URDF."))
    builder = TreeBuilder()
    parser = expat.ParserCreate("utf-8")  # whatever the file declares
    left = iter(range(MOST_ELEMENTS))

    def start(tag: str, attributes: dict[str, str]) -> None:
        if next(left, None) is None:
            raise FileError(path, f"holds more than {MOST_ELEMENTS} elements", "This is no URDF.")
        builder.start(tag, attributes)

    parser.StartElementHandler = start
    parser.EndElementHandler = lambda tag: builder.end(tag)

    def refuse(*_: object) -> None:
        raise FileError(
            path,
            "declares a document type",
            "A URDF needs none; remove the <!DOCTYPE> part.",
            line=parser.CurrentLineNumber,
        )

    parser.StartDoctypeDeclHandler = refuse
    parser.EntityDeclHandler = refuse
    try:
        parser.Parse(content, True)
    except expat.ExpatError as error:
        problem = f"not readable as XML ({expat.ErrorString(error.code)})"
        raise FileError(path, problem, line=error.lineno) from error
    return builder.close()


_DECLARED = re.compile(rb"^\s*<\?xml[^>]*?encoding\s*=\s*[\"']([^\"']*)[\"']")


def _utf8(path: Path, content: bytes) -> bytes:
    """Return the content, which is text in UTF-8 and says no other encoding; raises FileError."""
    said = _DECLARED.match(content.removeprefix(b"\xef\xbb\xbf"))
    name = said[1].decode("ascii", "replace") if said else "utf-8"
    try:
        content.decode("utf-8-sig")
    except UnicodeDecodeError:
        name = name if name.lower() not in _UTF8 else "another encoding"
    if name.lower() not in _UTF8 or b"\0" in content:
        what = "another encoding" if b"\0" in content else name
        raise FileError(path, f"the text is stored as {what!r}, not as UTF-8", "Save it as UTF-8.")
    return content


def _joint(path: Path, element: Element) -> UrdfJoint:
    name = element.get("name") or "?"
    place = f"joint {name}"
    origin, axis, limit, mimic = map(element.find, ("origin", "axis", "limit", "mimic"))
    ends = [_numbers(path, place, limit, key, "0", count=1)[0] for key in ("lower", "upper")]
    return UrdfJoint(
        name=name,
        type=element.get("type") or "?",
        parent=_named_link(path, place, element, "parent"),
        child=_named_link(path, place, element, "child"),
        xyz=_numbers(path, place, origin, "xyz", "0 0 0"),
        rpy=_numbers(path, place, origin, "rpy", "0 0 0"),
        axis=_numbers(path, place, axis, "xyz", "1 0 0"),
        limits=None if limit is None else (ends[0], ends[1]),
        mimics=None if mimic is None else (mimic.get("joint") or "?"),
    )


def _named_link(path: Path, place: str, element: Element, tag: str) -> str:
    found = element.find(tag)
    link = None if found is None else found.get("link")
    if not link:
        raise FileError(path, f"has no <{tag} link=..>", "Every joint names both.", key=place)
    return link


def _numbers(
    path: Path, place: str, element: Element | None, key: str, default: str, count: int = 3
) -> tuple[float, ...]:
    text = default if element is None else element.get(key, default)
    try:
        values = tuple(float(word) for word in text.split())
    except ValueError:
        values = ()
    if len(values) != count or not all(math.isfinite(value) for value in values):
        raise FileError(path, f"{key} {text!r} is not {count} numbers", key=place)
    return values


PARALLEL = 1e-8  # [rad] axes closer than this are parallel: their common normal is 1e8 arms away
CONTINUOUS_DEG = 360.0  # [deg] limits written for a joint that turns without end


@dataclass(frozen=True, slots=True)
class _Axis:
    """A joint at the zero posture: its axis as a line in the base frame [mm]."""

    point: Array  # (3,)
    direction: Array  # (3,) unit vector
    type: JointType
    limits: tuple[float, float]  # [deg] or [mm]


def import_urdf(path: str | Path, base: str, tip: str) -> Robot:
    """Return the arm from link ``base`` to link ``tip`` of the URDF file at ``path``.

    Shown joint values are the file's own (zero where the file's is zero, same direction). Raises
    FileError for a file that cannot be read and StationbookError for a chain that cannot be used.
    """
    path = Path(path)
    joints = read_joints(path)
    axes, base_T_tip = _axes(_between(joints, base, tip))
    if not axes:
        raise StationbookError(
            f"no moving joint between {base!r} and {tip!r}", "Choose the links at the arm's ends."
        )
    base_T_first, links, base_T_last = _links(axes)
    return Robot(
        name=path.stem,
        kind="chain",
        convention="standard",
        links=tuple(links),
        limits=tuple(axis.limits for axis in axes),
        base_T_first_mm_deg=_six(base_T_first),
        last_T_flange_mm_deg=_six(inverse(base_T_last) @ base_T_tip),
    )


def _between(joints: list[UrdfJoint], base: str, tip: str) -> list[UrdfJoint]:
    names = sorted({name for joint in joints for name in (joint.parent, joint.child)})
    for link in (base, tip):
        if link not in names:
            near = difflib.get_close_matches(link, names, n=3, cutoff=0.4) or names[:8]
            raise StationbookError(f"no link {link!r} in the file", f"Near it: {', '.join(near)}.")
    above: dict[str, UrdfJoint] = {}
    for joint in joints:
        if joint.child in above:
            raise StationbookError(
                f"link {joint.child!r} hangs on two joints, {above[joint.child].name!r} and "
                f"{joint.name!r}",
                "Closed loops cannot be described; cut one of the two in a copy of the file.",
            )
        above[joint.child] = joint
    path: list[UrdfJoint] = []
    link = tip
    while link != base:
        if link not in above or len(path) > len(joints):
            raise StationbookError(
                f"link {tip!r} is not carried by link {base!r}",
                f"From {tip!r} the file leads to {', '.join(_carriers(above, tip))}.",
            )
        path.insert(0, above[link])
        link = above[link].parent
    return path


def _carriers(above: dict[str, UrdfJoint], link: str) -> list[str]:
    found: list[str] = []
    while link in above and above[link].parent not in found:
        link = above[link].parent
        found.append(link)
    return found or ["no other link"]


def _axes(joints: list[UrdfJoint]) -> tuple[list[_Axis], Array]:
    """Return the moving axes at the zero posture and base_T_tip (4, 4) [mm]."""
    T, found = np.eye(4), []
    for joint in joints:
        R = turns("zyx", joint.rpy[::-1])
        T = T @ transform(R, 1000.0 * np.asarray(joint.xyz))
        if joint.type != "fixed":
            found.append(_axis(joint, T))
    return found, T


def _axis(joint: UrdfJoint, T: Array) -> _Axis:
    kinds: dict[str, JointType] = {"revolute": "turn", "continuous": "turn", "prismatic": "lift"}
    if joint.type not in kinds:
        raise StationbookError(
            f"joint {joint.name!r} is of type {joint.type!r}",
            "Only revolute, continuous, prismatic and fixed joints can stand between the links.",
        )
    if joint.mimics:
        raise StationbookError(
            f"joint {joint.name!r} follows joint {joint.mimics!r}",
            "Coupled joints cannot be imported; choose links with independent joints between them.",
        )
    length = float(np.linalg.norm(joint.axis))
    if not length > 0:
        raise StationbookError(f"joint {joint.name!r}: its axis is zero", "Give it a direction.")
    return _Axis(
        point=T[:3, 3],
        direction=T[:3, :3] @ (np.asarray(joint.axis) / length),
        type=kinds[joint.type],
        limits=_limits(joint),
    )


def _limits(joint: UrdfJoint) -> tuple[float, float]:
    if joint.type == "continuous":
        return (-CONTINUOUS_DEG, CONTINUOUS_DEG)
    if joint.limits is None or joint.limits[0] >= joint.limits[1]:
        raise StationbookError(
            f"joint {joint.name!r} has no limits",
            "Give it <limit lower=.. upper=..>, or make it continuous.",
        )
    unit = 1000.0 if joint.type == "prismatic" else 180.0 / math.pi
    return (joint.limits[0] * unit, joint.limits[1] * unit)


def _links(axes: list[_Axis]) -> tuple[Array, list[ChainLink], Array]:
    """Return base_T_first, the standard links, and the base_T of the last link at zero.

    Frame i has its z on axis i + 1 and its x on the common normal of axes i and i + 1; the last
    frame is the one before it moved by the last joint.
    """
    z = axes[0].direction
    across = np.eye(3)[0 if abs(z[0]) < 0.9 else 1]  # base X, or base Y where z is nearly X
    first = _frame(axes[0].point, z, across)
    frame, links = first, []
    for axis, following in zip(axes, [*axes[1:], None], strict=True):
        after = frame if following is None else _next_frame(frame, following)
        links.append(_link(frame, after, axis.type))
        frame = frame @ _dh(links[-1])
    return first, links, frame


def _next_frame(frame: Array, axis: _Axis) -> Array:
    z, origin = frame[:3, 2], frame[:3, 3]
    cross = np.cross(z, axis.direction)
    sine = float(np.linalg.norm(cross))
    apart = axis.point - origin
    if sine < PARALLEL:
        across = apart - (apart @ z) * z
        same_line = np.linalg.norm(across) <= PARALLEL * np.linalg.norm(apart)
        x = frame[:3, 0] if same_line else across
        return _frame(origin if same_line else origin + across, axis.direction, x)
    x = cross / sine
    foot = axis.point + (np.cross(apart, z) @ cross) / sine**2 * axis.direction
    return _frame(foot, axis.direction, x)


def _frame(origin: Array, z: Array, x: Array) -> Array:
    x = x - (x @ z) * z
    x = x / np.linalg.norm(x)
    return transform(np.stack([x, np.cross(z, x), z], axis=1), origin)


def _link(frame: Array, after: Array, kind: JointType) -> ChainLink:
    """Return the link that takes ``frame`` to ``after``, whose x crosses frame's z squarely."""
    D = inverse(frame) @ after
    turn = math.atan2(D[1, 0], D[0, 0])
    return ChainLink(
        a_mm=float(D[0, 3] * math.cos(turn) + D[1, 3] * math.sin(turn)),
        alpha_deg=math.degrees(math.atan2(D[2, 1], D[2, 2])),
        d_mm=float(D[2, 3]),
        offset_deg=math.degrees(turn),
        type=kind,
    )


def _dh(link: ChainLink) -> Array:
    turn, twist = math.radians(link.offset_deg), math.radians(link.alpha_deg)
    R = turns("zx", [turn, twist])
    a, d = link.a_mm, link.d_mm
    return transform(R, [a * math.cos(turn), a * math.sin(turn), d])


def _six(T: Array) -> tuple[float, ...]:
    angles = np.degrees(turn_angles("zyx", T[:3, :3])[::-1])
    return tuple(float(value) for value in (*T[:3, 3], *angles))
