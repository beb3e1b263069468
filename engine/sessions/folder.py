"""A session folder: session.yaml read, checked and written."""

from __future__ import annotations

import json
import shlex
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

from ..cell.cell import Cell
from ..cell.session import (
    FORMAT,
    About,
    Instrument,
    PlannedStation,
    Session,
    Station,
    View,
)
from ..errors import FileError, nearest
from ..files import read_bytes, sha256
from ..frames import from_position_quaternion
from .cell_file import cell_document, cell_record
from .schema import (
    MAX_ID,
    Field,
    FileName,
    Many,
    Number,
    Record,
    Text,
    Time,
    Typed,
    Values,
    Whole,
    check_format,
    placed_at,
    record_of,
)
from .store import JOURNAL_FILE, SESSION_FILE, session_path
from .yaml_text import MAX_YAML, Node, parse_yaml, plain, yaml_dump

_CHECKED = Path(SESSION_FILE)  # named where what is to be written cannot be read back


def _station(values: Values, node: Node) -> Station:
    station = Station(**values)
    if station.pose is None and station.joints is None:
        raise node.fail("the station has neither a pose nor joints", "Type what the pendant shows.")
    if (numbers := station.board_pose) is not None:
        placed_at(node.at("board_pose"), lambda: from_position_quaternion(numbers))
    return station


def _view(values: Values, node: Node) -> View:
    if values["image"] is None and values["points"] is None:
        raise node.fail("the view has neither an image nor points", "Name a file, or leave it out.")
    return View(**values)


VIEW = record_of(
    View, _view, ("image", "points"), image=FileName(), points=FileName(), depth=FileName()
)
STATION = record_of(
    Station,
    _station,
    ("pose", "joints", "image", "points", "board_pose", "taken", "use", "accepted"),
    id=Whole(1, MAX_ID),
    pose=Many(Typed()),
    joints=Many(Typed()),
    image=FileName(),
    points=FileName(),
    depth=FileName(),
    board_pose=Many(Number(), (7,)),
    taken=Time(),
    views=Many(VIEW),
    photo=FileName(),
)
PLANNED = record_of(PlannedStation, None, ("pose", "jog"), pose=Many(Typed()))
INSTRUMENT = record_of(Instrument, None, (), due=Time())
ABOUT = record_of(About, None, (), instruments=Many(INSTRUMENT), warm_up_min=Number(least=0))


def _session(values: Values, node: Node) -> Session:
    del values["format"]
    session = Session(**values)
    _check_stations(session.cell, session.stations, node.at("stations"))
    return session


def _check_stations(cell: Cell, stations: tuple[Station, ...], node: Node) -> None:
    """Check ids and numbers of fields; ``node`` is the list of stations, or any other place."""
    nodes = node.value if isinstance(node.value, list) else [node] * len(stations)
    seen: dict[int, int] = {}
    for station, place in zip(stations, nodes, strict=True):
        if station.id in seen:
            raise place.at("id").fail(
                f"station {station.id} stands here twice, first in line {seen[station.id]}",
                "Every station has its own id.",
            )
        seen[station.id] = place.line
        _check_counts(cell, station, place)
        if station.views:
            _check_views(cell, station, place.at("views"))


def _check_counts(cell: Cell, station: Station, node: Node) -> None:
    pendant, robot = cell.pendant, cell.robot
    if pendant.shows_joints:
        if station.pose is not None:
            raise node.at("pose").fail("with rotation: joints, `joints` holds what was typed")
    elif station.pose is None:
        raise node.at("pose").fail(
            "the station has no pose", f"Type {' '.join(pendant.labels)} from the pendant."
        )
    elif len(station.pose) != len(pendant.labels):
        raise node.at("pose").fail(
            f"expected {len(pendant.labels)} fields ({' '.join(pendant.labels)}), "
            f"got {len(station.pose)}"
        )
    if station.joints is not None and robot and len(station.joints) != robot.axes:
        raise node.at("joints").fail(f"expected {robot.axes} values, got {len(station.joints)}")


def _check_views(cell: Cell, station: Station, node: Node) -> None:
    """Check that each view is of a further camera of the cell, and of each at most one."""
    nodes = node.value if isinstance(node.value, list) else [node] * len(station.views)
    left = [camera.name for camera in cell.cameras]
    for view, place in zip(station.views, nodes, strict=True):
        where = place.at("camera")
        if view.camera == cell.camera.name:
            raise where.fail(
                f"{view.camera!r} is the first camera",
                "Its image and points are the station's own.",
            )
        if view.camera not in [camera.name for camera in cell.cameras]:
            raise where.fail(f"the cell has no camera {view.camera!r}", nearest(view.camera, left))
        if view.camera not in left:
            raise where.fail(f"two views of camera {view.camera!r} at one station")
        left.remove(view.camera)


SESSION = Record(
    (
        Field("format", Whole(1, FORMAT), FORMAT, always=True),
        Field("name", Text()),
        Field("operator", Text(), None, always=True),
        Field("created", Time(), ""),
        Field("about", ABOUT, None),
        Field("cell", cell_record(inside=True)),
        Field("plan", Many(PLANNED), (), always=True),
        Field("stations", Many(STATION), (), always=True),
    ),
    _session,
)


def open_session(folder: Path) -> Session:
    """Read ``session.yaml`` of a session folder; raises FileError naming file, line and key.

    A station that cannot be read is left out and named in ``damaged``, as long as the rest can be
    read and more stations are whole than damaged. Where the cell gives no lens data, the session's
    own images do, as soon as they can.
    """
    path = session_path(folder)
    data = read_bytes(path, MAX_YAML)
    try:
        root = parse_yaml(data, path)
    except FileError as error:
        raise _restorable(folder, error) from None
    try:
        session = session_from(root)
    except FileError as error:
        session = _without_damaged(root, error)
    return with_lens(replace(session, origin=sha256(data)), folder)


def _restorable(folder: Path, error: FileError) -> FileError:
    """Return the error of a damaged file, with where to see what the journal can restore."""
    if not (folder / JOURNAL_FILE).is_file():
        return error
    doctor = f"`stationbook doctor {shlex.quote(str(folder))}`"
    remedy = f"{error.remedy} {doctor} says what the journal can restore.".strip()
    return FileError(error.path, error.clause, remedy, line=error.line, key=error.key)


def with_lens(session: Session, folder: Path) -> Session:
    """Return the session with the lens that its own images show, where its cell gives none."""
    if all(camera.lens_from == "cell" for camera in session.cell.every_camera):
        return session
    from .numbers import with_own_lens  # loads OpenCV, which others need not wait for

    return with_own_lens(session, folder)


def session_from(root: Node) -> Session:
    """Read a session from the root of its file; raises FileError naming file, line and key."""
    check_format(root)
    return SESSION.read(root)


def _without_damaged(root: Node, error: FileError) -> Session:
    """Read a session without the stations that cannot be read; raises ``error`` where that is not
    all that is wrong with it."""
    try:
        items = root.at("stations").items()
        head = replace(root, value={k: v for k, v in root.entries().items() if k != "stations"})
        cell = session_from(head).cell
    except FileError:
        raise error from None
    whole: list[Station] = []
    ids: set[int] = set()
    damaged: dict[str, int | None] = {}
    for number, node in enumerate(items, 1):
        try:
            station = STATION.read(node)
            _check_stations(cell, (station,), node)
            if station.id in ids:
                raise node.at("id").fail(f"station {station.id} stands here twice")
        except FileError as wrong:
            named = _readable_id(node)
            what = f"station {named}" if named else f"the station in place {number}"
            place = f"{wrong.key}: " if wrong.key else ""
            damaged[f"{what}, line {wrong.line or node.line}: {place}{wrong.clause}"] = named
        else:
            whole.append(station)
            ids.add(station.id)
    if len(damaged) >= max(len(whole), 2):
        raise error
    taken = tuple(named for named in damaged.values() if named is not None)
    head_only = session_from(head)
    return replace(head_only, stations=tuple(whole), damaged=tuple(damaged), taken_ids=taken)


def _readable_id(node: Node) -> int | None:
    try:
        return Whole(1, MAX_ID).read(node.entries()["id"])
    except (FileError, KeyError):
        return None


def what_differs(file: Session, ours: Session) -> list[str]:
    """Return what differs between a session file and what was to be stored, each in a clause."""
    found = [
        f"{name}: another one in the file"
        for name in ("name", "operator", "created", "cell", "plan")
        if getattr(file, name) != getattr(ours, name)
    ]
    theirs, own = ({s.id: s for s in session.stations} for session in (file, ours))
    for number in sorted({*theirs, *own}):
        there, here = theirs.get(number), own.get(number)
        if there is None or here is None:
            found.append(f"station {number}: {'to be stored' if here else 'in the file'} only")
        elif there != here:
            old, new = STATION.write(there), STATION.write(here)
            keys = [key for key in {**old, **new} if old.get(key) != new.get(key)]
            found += [f"station {number}, {key}: {_apart(old, new, key)}" for key in keys]
    return found


def _apart(old: Values, new: Values, key: str) -> str:
    """Say what stands in the file and what was to be stored; of lists only what differs."""
    there, here = old.get(key), new.get(key)
    if isinstance(there, list) and isinstance(here, list) and len(there) == len(here):
        pairs = [(a, b) for a, b in zip(there, here, strict=True) if a != b]
        there, here = (" ".join(map(str, side)) for side in zip(*pairs, strict=True))
    return f"{there} in the file, {here} to be stored"


def session_text(session: Session) -> str:
    """Return the text of ``session.yaml``, after making sure that it can be read back.

    Only stations not written before take time. Raises FileError for a session that could not be
    opened again, so that none is ever stored.
    """
    blocks = [_station_text(station) for station in session.stations]
    head = SESSION.write(replace(session, stations=()))
    del head["stations"]
    text = yaml_dump(head)
    bare = _without_files(session.cell)
    checked = text if bare == session.cell else yaml_dump(head | {"cell": cell_document(bare)})
    node = parse_yaml(checked.encode(), _CHECKED)
    _check_stations(SESSION.read(node).cell, session.stations, node)
    text += "stations:\n" + "".join(blocks) if blocks else "stations: []\n"
    if len(text.encode()) > MAX_YAML:
        raise FileError(_CHECKED, "the session has grown too large to be opened again")
    return text


def _without_files(cell: Cell) -> Cell:
    """Return the cell with all of it inline, as the files it names may not be in place yet."""
    robot = cell.robot and replace(cell.robot, file=None)
    board = cell.board if cell.board.points_file is None else replace(cell.board, points_file=None)
    return replace(cell, robot=robot, board=board)


@lru_cache(maxsize=4096)
def _station_text(station: Station) -> str:
    text = yaml_dump([STATION.write(station)])
    (node,) = parse_yaml(text.encode(), _CHECKED).items()
    STATION.read(node)
    return text


# What of a cell enters no result: when to look at it again.
UNTOUCHED = ("recheck_every_days", "recheck_after")
# What of a station enters a result; the rest of it is for people.
DECIDING = ("id", "pose", "joints", "points", "board_pose", "closing", "views")


def basis(session: Session) -> str:
    """Return the SHA-256 of all of a session that a result depends on: cell and stations in use.

    A note, a plan or another operator change session.yaml, but no result.
    """
    stations = [STATION.write(station) for station in session.stations if station.use]
    cell = cell_document(session.cell)
    whole = [
        {key: value for key, value in cell.items() if key not in UNTOUCHED},
        [{key: station.get(key) for key in DECIDING} for station in stations],
    ]
    return sha256(json.dumps(plain(whole), sort_keys=True).encode())
