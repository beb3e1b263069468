"""Several cameras over one cell: the session as each of them sees it.

A further camera's part of a session is a session of its own, with that camera in the cell and its
views in the stations. Whatever works on a session works on it unchanged.
"""

from __future__ import annotations

from dataclasses import replace

from ..errors import UsageError, nearest
from .cell import Cell
from .session import Session, Station, View


def cell_of(cell: Cell, name: str) -> Cell:
    """Return the cell with camera ``name`` as its only one. Raises UsageError for another name.

    A rough result belongs to the first camera.
    """
    if name == cell.camera.name:
        return replace(cell, cameras=())
    for camera in cell.cameras:
        if camera.name == name:
            return replace(cell, camera=camera, cameras=(), rough=None)
    known = [cell.camera.name, *(camera.name for camera in cell.cameras)]
    raise UsageError(f"the cell has no camera {name!r}", nearest(name, known))


def seen_by(session: Session, name: str) -> Session:
    """Return what camera ``name`` saw: the stations that hold a view of it, and its cell.

    Raises UsageError for a name that the cell does not have.
    """
    cell = cell_of(session.cell, name)
    if name == session.cell.camera.name:
        alone = tuple(replace(station, views=()) for station in session.stations)
        return replace(session, cell=cell, stations=alone)
    seen = [(station, view_of(station, name)) for station in session.stations]
    stations = tuple(
        replace(station, image=view.image, points=view.points, board_pose=None, views=())
        for station, view in seen
        if view is not None
    )
    return replace(session, cell=cell, stations=stations)


def camera_number(cell: Cell, name: str | None) -> int:
    """Return the place in the cell of a further camera, from 2 on; 0 for the first, and None."""
    names = [camera.name for camera in cell.cameras]
    return names.index(name) + 2 if name in names else 0


def view_of(station: Station, name: str) -> View | None:
    """Return the station's view of a further camera, or None."""
    return next((view for view in station.views if view.camera == name), None)


def with_view(station: Station, view: View) -> Station:
    """Return the station with ``view`` added, or put in place of that camera's earlier one."""
    others = tuple(item for item in station.views if item.camera != view.camera)
    return replace(station, views=(*others, view))
