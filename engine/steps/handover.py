"""Handing the stored result over as it stands now, in files for other programs."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import TypeVar

from ..cautions import STORED_POSES
from ..cell.cell import Cell
from ..cell.result import StoredResult
from ..cell.session import Session, camera_number, cell_of
from ..errors import FileError, StationbookError, UsageError
from ..files import inside, read_bytes, sha256
from ..pendant.table import Row, table_text
from ..proof.stated import of_camera
from ..report.delivered import delivered, one_line, reasons
from ..report.exports import FORMATS, Chosen, write
from ..sessions.changes import keep_earlier
from ..sessions.folder import open_session
from ..sessions.results import current_result
from ..sessions.store import RESULT_FILE, write_text_atomic

REPORT_FILE = "report.html"
POSES = "poses"  # the export form that holds the stations, not the result
EXPORTS = (*FORMATS, POSES)

Made = TypeVar("Made")
Written = tuple[tuple[Path, ...], tuple[str, ...]]  # the first camera's first; whose is refused


def export_result(
    session: Session,
    folder: Path,
    form: str,
    *,
    inverse: bool = False,
    unit: str | None = None,
    not_accepted: bool = False,
    camera: str | None = None,
    anyway: bool = False,
    chosen: Chosen | None = None,
) -> tuple[str, str]:
    """Return the export of the stored result as text, and the SHA-256 of result.yaml.

    ``camera``: which of several; None: the first. Raises FileError where there is no result,
    UsageError for one that is not accepted unless ``not_accepted``, and for one whose camera moved
    since unless ``anyway``.
    """
    name = camera or session.cell.camera.name
    result, moved = marked(session, folder, name, anyway)
    source = sha256(read_bytes(inside(folder, RESULT_FILE)))
    part, cell = of_camera(result, session.cell, name), cell_of(session.cell, name)
    item = delivered(part, cell, source, inverse, not_accepted or moved)
    return write(item, form, unit, chosen), source


def marked(session: Session, folder: Path, camera: str, anyway: bool) -> tuple[StoredResult, bool]:
    """Return the stored result, and whether only the mark of ``camera`` bars its acceptance.

    Raises UsageError where ``camera`` is marked, unless its result is wanted ``anyway``.
    """
    result = current_result(session, folder)
    part = of_camera(result, session.cell, camera)
    mark = next((item for item in part.findings if item.code == "result-overtaken"), None)
    if mark is None:
        return result, False
    if not anyway:
        raise UsageError(mark.message.rstrip("."), mark.remedy)
    before = part.judged((f for f in part.findings if f != mark), session.cell.tolerance)
    return result, before.accepted


def caution_of(folder: Path) -> str | None:
    """Return why the stored result must not be used as it stands; None: it may, or there is none.

    What cannot be read is told elsewhere.
    """
    with suppress(StationbookError):
        session = open_session(folder)
        result = current_result(session, folder)
        parts = [part for part in (result, *result.cameras.values()) if part is not None]
        bad = next((part for part in parts if not part.accepted), None)
        return None if bad is None else f"NOT ACCEPTED: {reasons(bad)}"
    return None


def poses_text(session: Session, folder: Path) -> str:
    """Return the stations in use as the table that an import reads, below what is to be said."""
    pendant = session.cell.pendant
    try:
        result = current_result(session, folder)
        stands, by_touch = result.verdict_words, result.touched
    except FileError:
        stands, by_touch = "none, the poses alone", "no result"
    said = (
        f"poses of {one_line(session.name)}, as typed; no transform",
        f"active tool {one_line(str(pendant.active_tool))!r}, active frame "
        f"{one_line(str(pendant.active_frame))!r}",
        f"result beside them: {stands}",
        f"proven by touch points: {by_touch}",
        *STORED_POSES,
    )
    used = [station for station in session.stations if station.use]
    joints = [] if session.cell.pendant.shows_joints else [s.joints or () for s in used]
    rows = [Row(s.id, image=s.image or s.points, taken=s.taken) for s in used]
    table = table_text(pendant, rows, [s.typed for s in used], joints or [()] * len(used))
    return "".join(f"# {text}\n" for text in said) + table


def of_every_camera(
    cell: Cell, make: Callable[[str], Made]
) -> tuple[dict[str, Made], tuple[str, ...]]:
    """Return what is made for each camera by name, and whose is refused, in words.

    Raises the first refusal where nothing could be made.
    """
    made: dict[str, Made] = {}
    refused: dict[str, StationbookError] = {}
    for name in cell.camera_names:
        try:
            made[name] = make(name)
        except StationbookError as error:
            refused[name] = error
    if not made:
        raise next(iter(refused.values()))
    return made, tuple(f"{name}: {error.problem}" for name, error in refused.items())


def store_exports(session: Session, folder: Path, form: str) -> Written:
    """Write the accepted result of every camera into the folder; hold the folder's lock.

    A file of that name is kept beside the new one. Raises as `export_result` where none can be
    written.
    """
    named = f"{session.cell.camera_key}-{form}{FORMATS[form].suffix}"
    texts, refused = of_every_camera(
        session.cell, lambda name: export_result(session, folder, form, camera=name)[0]
    )
    paths = [
        kept_beside(of_its_camera(folder / named, session.cell, name), text)
        for name, text in texts.items()
    ]
    return tuple(paths), refused


def of_its_camera(path: Path, cell: Cell, camera: str | None) -> Path:
    """Return where a file about this camera lies: a further one's carries its place in the cell."""
    number = camera_number(cell, camera)
    return path.with_stem(f"{path.stem}-camera{number}") if number else path


def kept_beside(path: Path, text: str) -> Path:
    """Write a file, the one before beside it."""
    keep_earlier(path)
    write_text_atomic(path, text)
    return path
