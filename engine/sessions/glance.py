"""A first look at a session folder: what a list shows, before anything heavy is loaded.

Nothing is checked beyond being readable: `folder.open_session` is the strict reader, and
whoever shows a glance reads strictly right after it. Only what PyYAML is enough for is imported
here. Results need no such first look: `results.read_result` is strict and light.
"""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

from ..cell.session import PlannedStation, Station, View
from ..errors import FileError
from ..files import inside
from .store import SESSION_FILE
from .yaml_text import Node, read_yaml


class Glance(NamedTuple):
    """What a session says about itself, as texts.

    ``cameras`` are the names of all, ``labels`` the pendant's. ``stations`` and ``plan`` hold what
    the file says, unchecked; ``problem`` is what is wrong with the first station that is none at
    first sight, or "".
    """

    name: str
    operator: str | None
    cell: str
    cameras: tuple[str, ...]
    labels: tuple[str, ...]
    stations: tuple[Station, ...]
    plan: tuple[PlannedStation, ...]
    problem: str = ""


def read_glance(folder: Path, *, judged: bool = True) -> Glance:
    """Read the first look at ``session.yaml``; raises FileError when it is no YAML at all.

    ``judged`` looks for a problem too, which needs more than a first picture should load.
    """
    root = read_yaml(inside(folder, SESSION_FILE))
    root.entries("keys and values")
    cell = _child(root, "cell")
    return Glance(
        name=_text(root, "name") or folder.name,
        operator=_text(root, "operator"),
        cell=_text(cell, "name") or "",
        cameras=tuple(
            _text(one, "name") or "" for one in (_child(cell, "camera"), *_list(cell, "cameras"))
        ),
        labels=_texts(_child(cell, "pendant"), "labels") or (),
        stations=tuple(
            _station(node, number) for number, node in enumerate(_list(root, "stations"), 1)
        ),
        plan=tuple(_planned(node) for node in _list(root, "plan")),
        problem=next(filter(None, map(_problem, _list(root, "stations"))), "") if judged else "",
    )


def _station(node: Node, number: int) -> Station:
    return Station(
        id=int(text) if (text := _text(node, "id") or "").isdecimal() else number,
        pose=_texts(node, "pose"),
        joints=_texts(node, "joints"),
        image=_text(node, "image"),
        points=_text(node, "points"),
        board_pose=_numbers(_texts(node, "board_pose")),
        taken=_text(node, "taken"),
        use=_text(node, "use") != "false",
        accepted=_texts(node, "accepted") or (),
        operator=_text(node, "operator"),
        note=_text(node, "note"),
        closing=_text(node, "closing") == "true",
        views=tuple(_view(view) for view in _list(node, "views")),
    )


def _view(node: Node) -> View:
    return View(_text(node, "camera") or "", _text(node, "image"), _text(node, "points"))


def _numbers(texts: tuple[str, ...] | None) -> tuple[float, ...] | None:
    with suppress(ValueError):
        return tuple(map(float, texts)) if texts else None
    return None


def _problem(node: Node) -> str:
    from .schema import MAX_ID, Many, Typed, Whole  # not before the first picture

    try:
        Whole(1, MAX_ID).read(node.at("id"))
        for key in ("pose", "joints"):
            if (typed := node.entries().get(key)) is not None and not typed.is_null:
                Many(Typed()).read(typed)
    except FileError as error:
        return error.problem
    return ""


def _planned(node: Node) -> PlannedStation:
    return PlannedStation(
        pose=_texts(node, "pose"),
        jog=_text(node, "jog"),
        why=_text(node, "why"),
        beware=_text(node, "beware"),
        skipped=_text(node, "skipped"),
    )


def _child(node: Node | None, key: str) -> Node | None:
    return node.value.get(key) if node is not None and isinstance(node.value, dict) else None


def _text(node: Node | None, key: str) -> str | None:
    child = _child(node, key)
    if child is None or child.is_null or not isinstance(child.value, str):
        return None
    return child.value


def _list(node: Node | None, key: str) -> list[Node]:
    child = _child(node, key)
    return child.value if child is not None and isinstance(child.value, list) else []


def _texts(node: Node | None, key: str) -> tuple[str, ...] | None:
    child = _child(node, key)
    if child is None or not isinstance(child.value, list):
        return None
    return tuple(item.value for item in child.value if isinstance(item.value, str))
