"""The key ``camera`` of a cell: lens data, and where images come from."""

from __future__ import annotations

import re
from typing import Any

from ..camera.model import Camera
from .schema import Field, Many, Number, Record, Text, Values, Whole
from .yaml_text import Node, nearest

DISTORTION_COUNTS = (0, 4, 5, 8, 12, 14)  # the lengths that OpenCV's lens model knows
SOURCES = ("folder", "device", "url", "command")
MAX_SIDE = 100_000  # px; ten times the longest side of a large industrial sensor

_NAME = re.compile(r"[A-Za-z0-9_-]{1,64}", re.ASCII)
_PASSWORD = re.compile(r"^[a-z0-9+.-]+://[^/]*@", re.IGNORECASE)


class Source:
    """Where images come from: one of {folder}, {device}, {url}, {command}, or none."""

    def read(self, node: Node) -> dict[str, str] | None:
        if node.value == "none":
            return None
        entries = node.entries("one of {folder: ...}, {device: ...}, {url: ...}, {command: NAME}")
        for key, item in entries.items():
            if key not in SOURCES:
                raise item.fail("this key is not known", nearest(key, SOURCES))
        if len(entries) != 1:
            raise node.fail(f"expected one source, got {len(entries)}", f"One of {SOURCES}.")
        ((key, item),) = entries.items()
        text = Text().read(item)
        if key == "url" and _PASSWORD.match(text):
            raise item.fail(
                "the address holds a user name or password",
                "Credentials belong in this machine's own settings; leave them out here.",
            )
        if key == "command" and not _NAME.fullmatch(text):
            raise item.fail(
                f"{item.described()} is not the name of a command",
                "Give the name under which this machine's own settings hold the command.",
            )
        return {key: text}

    def write(self, value: Any) -> Any:
        return dict(value)


def _camera(values: Values, node: Node) -> Camera:
    matrix = values["matrix"]
    (fx, skew, _), (zero, fy, _), last = matrix
    where = node.at("matrix")
    if fx <= 0 or fy <= 0:
        raise where.fail(f"the focal lengths are {fx:g} and {fy:g} px", "Both are above 0.")
    if (skew, zero) != (0, 0) or last != (0, 0, 1):
        raise where.fail(
            "this is not a camera matrix", "Its form is [[fx, 0, cx], [0, fy, cy], [0, 0, 1]]."
        )
    if (focus := values["focus_range_mm"]) is not None and not 0 < focus[0] < focus[1]:
        raise node.at("focus_range_mm").fail(
            f"[{focus[0]:g}, {focus[1]:g}] is no range of distances", "Nearest first, both above 0."
        )
    return Camera(**values)


CAMERA = Record(
    (
        Field("name", Text()),
        Field("image_size_px", Many(Whole(1, MAX_SIDE), (2,))),
        Field("matrix", Many(Many(Number(), (3,)), (3,))),
        Field("distortion", Many(Number(), DISTORTION_COUNTS), (), always=True),
        Field("source", Source(), None),
        Field("focus_range_mm", Many(Number(), (2,)), None),
    ),
    _camera,
)
