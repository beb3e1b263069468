"""Bringing in what exists: a table of poses and a folder of images become stations of a session.

Rows and files are paired first and shown; every station then goes the way of a typed one, with the
same checks, and what is refused says why.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from itertools import zip_longest
from pathlib import Path, PurePosixPath
from typing import Literal

from ..cell.session import Session, Station
from ..errors import FileError, StationbookError, UsageError
from ..files import LARGEST_FILE, holds, inside, read_bytes
from ..findings import Finding
from ..images.sources import SUFFIXES, depth_beside, is_depth
from ..pendant.table import MOST_BYTES, Row, Table, decoded, read_table, time_in, time_of
from ..robots.arms import joint_types
from ..sessions.changes import Change, Who
from .recording import Consent, examine, outstanding, record_station
from .station_image import POINTS_SUFFIX, ViewDraft, examine_file, new_files, no_view
from .station_pose import PoseDraft, examine_pose, known

OLD_IMAGE = "image-old"  # what is brought in is older than the session that it comes into
SHORT = "digits-missing"  # a spreadsheet leaves zeros at the end out, and stops at no digit
ACTION = "import"  # the word in the journal

Pairing = Literal["name", "order", "time"]
NEAR_S = 30.0  # s from a row's time to its image; stops are a minute apart: common practice


@dataclass(frozen=True, slots=True)
class Paired:
    """One row and its image (or points); ``problem``: why it has none, or why it is none."""

    row: Row
    file: Path | None
    problem: str = ""


@dataclass(frozen=True, slots=True)
class Pairs:
    """All rows, how they were paired, and the files that belong to no row."""

    items: tuple[Paired, ...]
    by: Pairing | None
    left: tuple[Path, ...] = ()


@dataclass(frozen=True, slots=True)
class Imported:
    """What became of one row: the station (None: refused), all findings, and why it was refused.

    ``already``: the station was stored before, with the same fields and image: the table came in
    once more.
    """

    pair: Paired
    station: int | None
    findings: tuple[Finding, ...]
    refused: str = ""
    already: bool = False


def table_rows(session: Session, path: Path) -> Table:
    """Return the stations of a table of poses for this session's pendant. Raises FileError."""
    return rows_of_text(session, decoded(read_bytes(path, MOST_BYTES)))


def rows_of_text(session: Session, text: str) -> Table:
    """Return the stations of a pasted block or of the text of a file. Raises UsageError."""
    cell = session.cell
    axes = 0 if cell.robot is None else len(joint_types(cell.robot))
    return read_table(text, cell.pendant, axes, cell.robot)


def image_files(folder: Path) -> list[Path]:
    """Return the images and points files of a folder, in the order of the numbers in their names.

    Where it holds none, those of its sub-folders. Raises FileError where it cannot be read.
    """
    try:
        files = [path for path in folder.iterdir() if path.is_file()]
        wanted = _images_of(files) or _images_of(_below(folder))
    except OSError as error:
        raise FileError.from_os(folder, error, "read") from None
    return sorted(wanted, key=lambda path: _natural(path.relative_to(folder)))


def _images_of(files: Iterable[Path]) -> list[Path]:
    wanted = [path for path in files if path.suffix.lower() in (*SUFFIXES, POINTS_SUFFIX)]
    wanted = [path for path in wanted if not is_depth(path)]
    return [path for path in wanted if path.suffix.lower() != POINTS_SUFFIX] or wanted


def _below(folder: Path) -> Iterator[Path]:
    """Yield the files of the sub-folders, links not followed."""
    for place, folders, names in os.walk(folder):
        folders[:] = [name for name in folders if not name.startswith(".")]
        yield from (Path(place, name) for name in names)


def _natural(path: Path) -> list[tuple[int, str]]:
    """Return what sorts image2 before image10."""
    parts = re.split(r"(\d+)", path.as_posix().casefold())
    return [(int(part), "") if part.isdecimal() else (-1, part) for part in parts]


def paired(rows: Sequence[Row], files: Sequence[Path], by: Pairing | None = None) -> Pairs:
    """Return each row with its file, by name, in order, or by time.

    ``by`` None: by name where a row gives one, else in order. Rows that give no image name or no
    time, names that no file has and files that no row wants are told, never guessed.
    """
    if not files and not any(row.image for row in rows):
        return Pairs(tuple(Paired(row, None) for row in rows), None)
    by = by or ("name" if any(row.image for row in rows) else "order")
    pair = {"name": _by_name, "order": _in_order, "time": _by_time}[by]
    items = tuple(pair(rows, files))
    used = {item.file for item in items}
    return Pairs(items, by, tuple(file for file in files if file not in used))


def _by_name(rows: Sequence[Row], files: Sequence[Path]) -> Iterator[Paired]:
    names: dict[str, list[Path]] = {}
    for path in files:
        for name in {path.name.casefold(), path.stem.casefold()}:
            names.setdefault(name, []).append(path)
    taken: dict[Path, int] = {}
    for row in rows:
        if not row.image:
            yield Paired(row, None, "the row names no image")
            continue
        named = PurePosixPath(row.image.replace("\\", "/").casefold())
        found = names.get(named.name) or names.get(named.stem) or []
        if len(found) > 1:
            found = [path for path in found if path.parent.name.casefold() == named.parent.name]
        if len(found) != 1:
            which = "more than one" if found or named.name in names else "no"
            yield Paired(row, None, f"there is {which} image {row.image}")
        elif (file := found[0]) in taken:
            yield Paired(row, None, f"{file.name} belongs to line {taken[file]} already")
        else:
            taken[file] = row.number
            yield Paired(row, file)


def _in_order(rows: Sequence[Row], files: Sequence[Path]) -> Iterator[Paired]:
    if len(files) != len(rows):
        raise UsageError(
            f"{len(rows)} rows and {len(files)} images cannot be paired in their order",
            "Pair them by name (a column image) or by time (a column taken), or take away what "
            "does not belong.",
        )
    for row, file in zip_longest(rows, files):
        yield Paired(row, file)


def _by_time(rows: Sequence[Row], files: Sequence[Path]) -> Iterator[Paired]:
    """Pair each row with the image taken nearest to its time, each image once."""
    written = _times(files)
    times = {k: time for k, row in enumerate(rows) if (time := time_of(row.taken)) is not None}
    apart = [
        (abs((time.astimezone() - then).total_seconds()), k, file)
        for k, time in times.items()
        for file, then in written.items()
    ]
    found: dict[int, Path] = {}
    for gap, k, file in sorted(apart, key=lambda item: item[0]):
        if gap <= NEAR_S and k not in found and file not in found.values():
            found[k] = file
    for k, row in enumerate(rows):
        if k in found:
            yield Paired(row, found[k])
        elif k in times:
            yield Paired(row, None, f"no image was taken within {NEAR_S:g} s of {row.taken}")
        else:
            yield Paired(row, None, "the row gives no time")


def _times(files: Sequence[Path]) -> dict[Path, datetime]:
    """Return when each file was made: as all their names say, else when it was written."""
    named = {file: time_in(file.stem) for file in files}
    if all(named.values()):
        return {file: time.astimezone() for file, time in named.items() if time is not None}
    return {file: datetime.fromtimestamp(file.stat().st_mtime, UTC) for file in files}


# ---- from rows to stations ---------------------------------------------------------------------


def imported(
    session: Session,
    folder: Path,
    pairs: Sequence[Paired],
    who: Who,
    consent: Consent,
    store: Callable[[Change], object] | None = None,
) -> Iterator[Imported]:
    """Examine row after row, and give each change that passes to ``store``.

    A refused row keeps no other from being stored, and one that ``session`` holds already is left
    as it is. Without ``store`` nothing is written, and rows are held against each other's poses,
    but not against each other's images.
    """
    before = session.stations
    for pair in pairs:
        if problem := pair.problem or pair.row.problem:
            said = f"{problem}. {pair.row.remedy}" if pair.row.remedy else f"{problem}."
            yield Imported(pair, None, (), said)
            continue
        try:
            item, session = _one(session, before, folder, pair, who, consent, store)
        except StationbookError as error:
            item = Imported(pair, None, (), str(error))
        yield item


def _one(
    session: Session,
    before: Sequence[Station],
    folder: Path,
    pair: Paired,
    who: Who,
    consent: Consent,
    store: Callable[[Change], object] | None,
) -> tuple[Imported, Session]:
    """Return what became of one row, and the session after it."""
    row = pair.row
    view = no_view()
    if pair.file is not None:
        depth = depth_beside(pair.file) if session.cell.camera.depth else None
        view = examine_file(session, folder, pair.file, depth)
    view = replace(view, findings=tuple(i for i in view.findings if i.code != OLD_IMAGE))
    pose = examine_pose(session, row.pose, row.joints, earlier=known(session))
    pose = replace(pose, findings=tuple(i for i in pose.findings if i.code != SHORT))
    if (there := _already(before, folder, pose, view)) is not None:
        return Imported(pair, there, (), already=True), session
    draft = examine(session, folder, pose, view)
    if standing := outstanding(draft.findings, consent):
        said = f"{standing[0].code}: {standing[0].message}"
        return Imported(pair, None, draft.findings, said), session
    time, stored = time_of(row.taken), session.next_id
    taken = (
        (time if time.tzinfo else time.astimezone()).isoformat(timespec="seconds") if time else None
    )
    change = record_station(session, folder, draft, who, consent)
    station = replace(change.session.existing(stored), taken=taken)
    change = replace(change, session=change.session.with_station(station))
    if store is not None:
        details = {**change.details, "line": row.number}
        store(replace(change, action=ACTION, details=details))
        return Imported(pair, stored, draft.findings), change.session
    without = replace(station, image=None, points=None)
    return Imported(pair, stored, draft.findings), change.session.with_station(without)


def _already(
    stations: Iterable[Station], folder: Path, pose: PoseDraft, view: ViewDraft
) -> int | None:
    """Return the station that holds a row's fields, text by text, and the image that it brings."""
    pose_fields = pose.typed.fields if pose.typed else None
    joints = pose.joints.fields if pose.joints else None
    for station in stations:
        if (station.pose, station.joints) == (pose_fields, joints) and station.typed:
            with suppress(FileError):  # what is wrong with a stored image, `check` says
                if _seen_at(station, folder, view):
                    return station.id
    return None


def _seen_at(station: Station, folder: Path, view: ViewDraft) -> bool:
    """Tell whether a station holds the image of ``view``, or its points where it has no image."""
    names, files = new_files(folder, "", view)
    if not names:
        return True
    kind = "image" if "image" in names else "points"
    stored = station.image if kind == "image" else station.points
    return stored is not None and holds(inside(folder, stored), files[names[kind]], LARGEST_FILE)
