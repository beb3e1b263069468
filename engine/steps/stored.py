"""The files of a station: what the cameras saw, under names that are free."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from ..boards.points_file import points_text
from ..cell.cameras import camera_number
from ..cell.cell import Cell
from ..cell.session import View
from ..findings import Finding
from .seen import ViewDraft


@dataclass(frozen=True, slots=True, eq=False)
class FurtherView:
    """What a further camera saw, examined, with every finding about it."""

    camera: str
    view: ViewDraft
    findings: tuple[Finding, ...]


def findings_of(views: Iterable[FurtherView]) -> tuple[Finding, ...]:
    """Return the findings of several views."""
    return tuple(item for view in views for item in view.findings)


def stored_views(
    cell: Cell, folder: Path, station_id: int, views: Sequence[FurtherView]
) -> tuple[tuple[View, ...], dict[str, bytes]]:
    """Return views as a station names them, and the contents to write by file name.

    The files carry the camera's place in the cell: images/003-camera2.png.
    """
    seen: list[View] = []
    files: dict[str, bytes] = {}
    for item in views:
        stem = f"{station_id:03d}-camera{camera_number(cell, item.camera)}"
        names, contents = new_files(folder, stem, item.view)
        seen.append(View(item.camera, names.get("image"), names.get("points")))
        files |= contents
    return tuple(seen), files


def new_files(folder: Path, stem: str, view: ViewDraft) -> tuple[dict[str, str], dict[str, bytes]]:
    """Return a view's file names and the contents to write; old files are never replaced."""
    names: dict[str, str] = {}
    files: dict[str, bytes] = {}
    if view.image is not None:
        suffix = Path(view.name or "").suffix.lower() or ".png"
        names["image"] = _free_name(folder, "images", stem, suffix)
        files[names["image"]] = view.image
    if view.point_ids is not None and view.pixels is not None:
        names["points"] = _free_name(folder, "points", stem, ".csv")
        files[names["points"]] = points_text(view.point_ids, view.pixels).encode()
    return names, files


def _free_name(folder: Path, kind: str, stem: str, suffix: str) -> str:
    name, attempt = f"{kind}/{stem}{suffix}", 1
    while (folder / name).exists():
        attempt += 1
        name = f"{kind}/{stem}-{attempt}{suffix}"
    return name
