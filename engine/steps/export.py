"""Handing the stored result over as a file in the form that another program reads."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

from ..cell.cameras import camera_number, cell_of
from ..cell.session import Session
from ..report.delivered import of_camera
from ..report.exports import export
from ..sessions.places import RESULT_FILE
from ..sessions.results import keep_earlier
from ..sessions.store import write_text_atomic
from ..sessions.yaml_text import read_bytes, sha256
from .current import current_result


class Form(NamedTuple):
    """What an export form is for, and the ending of its files."""

    words: str
    suffix: str


FORMS: dict[str, Form] = {
    "pendant": Form("values to type into the robot, as its pendant shows them", ".txt"),
    "yaml": Form("everything, for people and programs", ".yaml"),
    "json": Form("everything, for programs", ".json"),
    "csv": Form("a table for a spreadsheet", ".csv"),
    "matrix": Form("4 × 4 matrix, row by row", ".txt"),
    "quaternion": Form("x y z qx qy qz qw in one line", ".txt"),
    "opencv": Form("file that OpenCV reads", ".yaml"),
    "urdf": Form("robot description of two links and a fixed joint", ".urdf"),
    "tf": Form("arguments of a static transform", ".txt"),
}
"""The forms of `report.exports.FORMATS`, those for people first."""


def export_result(
    session: Session,
    folder: Path,
    form: str,
    *,
    inverse: bool = False,
    unit: str | None = None,
    not_accepted: bool = False,
    camera: str | None = None,
) -> tuple[str, str]:
    """Return the export of the stored result as text, and the SHA-256 of result.yaml.

    ``camera``: which of several; None: the first. Raises FileError where there is no result,
    UsageError for one that is not accepted unless ``not_accepted``.
    """
    document = current_result(session, folder)
    source, name = sha256(read_bytes(folder / RESULT_FILE)), camera or session.cell.camera.name
    text = export(
        of_camera(document, session.cell, name),
        cell_of(session.cell, name),
        form,
        inverse=inverse,
        unit=unit,
        allow_not_accepted=not_accepted,
        source_sha256=source,
    )
    return text, source


def store_exports(session: Session, folder: Path, form: str) -> tuple[Path, ...]:
    """Write the accepted result of every camera into the folder; hold the folder's lock.

    Returns the paths, the first camera's first. A file of that name is kept beside the new one.
    Raises as `export_result`; then nothing is written.
    """
    texts = {}
    for name in (session.cell.camera.name, *(camera.name for camera in session.cell.cameras)):
        number = camera_number(session.cell, name)
        whose = f"-camera{number}" if number else ""
        path = folder / f"{session.cell.camera_key}-{form}{whose}{FORMS[form].suffix}"
        texts[path] = export_result(session, folder, form, camera=name)[0]
    for path, text in texts.items():
        keep_earlier(path)
        write_text_atomic(path, text)
    return tuple(texts)
