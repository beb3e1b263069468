"""Reads the joints of a URDF file. Document types and entities are refused, not expanded."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from xml.etree.ElementTree import Element, TreeBuilder
from xml.parsers import expat

from ..errors import FileError

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
    try:
        with path.open("rb") as file:
            content = file.read(LARGEST_BYTES + 1)
    except OSError as error:
        raise FileError(path, f"cannot be read ({error.strerror})") from error
    if len(content) > LARGEST_BYTES:
        raise FileError(path, f"larger than {LARGEST_BYTES // 10**6} MB", "This is no URDF.")
    builder = TreeBuilder()
    parser = expat.ParserCreate()
    parser.StartElementHandler = lambda tag, attributes: builder.start(tag, attributes)
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


def _joint(path: Path, element: Element) -> UrdfJoint:
    name = element.get("name") or "?"
    place = f"joint {name}"
    origin, limit, mimic = (element.find(tag) for tag in ("origin", "limit", "mimic"))
    axis = element.find("axis")
    return UrdfJoint(
        name=name,
        type=element.get("type") or "?",
        parent=_link(path, place, element, "parent"),
        child=_link(path, place, element, "child"),
        xyz=_numbers(path, place, origin, "xyz", "0 0 0"),
        rpy=_numbers(path, place, origin, "rpy", "0 0 0"),
        axis=_numbers(path, place, axis, "xyz", "1 0 0"),
        limits=_range(path, place, limit),
        mimics=None if mimic is None else (mimic.get("joint") or "?"),
    )


def _link(path: Path, place: str, element: Element, tag: str) -> str:
    found = element.find(tag)
    link = None if found is None else found.get("link")
    if not link:
        raise FileError(path, f"has no <{tag} link=..>", "Every joint names both.", key=place)
    return link


def _range(path: Path, place: str, element: Element | None) -> tuple[float, float] | None:
    if element is None:
        return None
    lower = _numbers(path, place, element, "lower", "0", count=1)
    upper = _numbers(path, place, element, "upper", "0", count=1)
    return (lower[0], upper[0])


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
