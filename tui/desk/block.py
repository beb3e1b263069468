"""A table of poses for the session that is open: pasted or from a file, paired, stored."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path

from engine.cell.session import labelled
from engine.errors import StationbookError
from engine.findings import Level
from engine.steps.foreign import convention_of, stations_of
from engine.steps.importing import Imported, image_files, imported, paired, rows_of_text
from engine.steps.recording import Consent, can_be_accepted, outstanding

from .desk import Desk


@dataclass(frozen=True, slots=True)
class BlockRow:
    """One line of the table in words: its number, state and its role, image, pose, what is wrong.

    ``codes`` are the warnings that could be accepted.
    """

    number: int
    state: str
    role: str
    image: str
    pose: str
    wrong: str
    codes: tuple[str, ...] = ()


def stations_in(desk: Desk, text: str) -> int:
    try:
        return len(rows_of_text(desk.opened(), text).rows)
    except StationbookError:
        return 0


def brought_in(
    desk: Desk,
    text: str,
    file: str,
    images: str,
    meaning: str,
    accepted: Collection[str],
    store: bool,
) -> list[BlockRow]:
    """Return what each row of a pasted text (or of a file) would become; ``store`` stores it.

    ``images``: a folder, or "" for none. ``meaning``: what the numbers of another script mean, as
    `convention_of` reads it; "" for a table as the pendant shows poses. Raises StationbookError
    where nothing can be read.
    """
    session, consent = desk.opened(), Consent(tuple(accepted))
    found = (
        rows_of_text(session, text)
        if text
        else stations_of(session, _path(file), convention_of(meaning))
    )
    files = image_files(_path(images)) if images.strip() else []
    pairs = paired(found.rows, files)
    done = imported(
        session, desk.folder, pairs.items, desk.who, consent,
        store=(lambda change: desk.do("import", lambda _: change)) if store else None,
    )  # fmt: skip
    labels = desk.labels
    return [_row(item, labels, store, consent) for item in done]


def _path(text: str) -> Path:
    return Path(text.strip()).expanduser()


def _row(item: Imported, labels: Sequence[str], stored: bool, consent: Consent) -> BlockRow:
    row = item.pair.row
    image = item.pair.file.name if item.pair.file else row.image or ""
    typed = (row.pose or row.joints or "").split()
    pose = labelled(labels, typed) if len(typed) == len(labels) else " ".join(typed)
    standing = outstanding(item.findings, consent)
    codes: tuple[str, ...] = ()
    if item.already:
        state, role = "already", "dim"
    elif item.station is not None:
        state, role = ("stored", "good") if stored else ("ready", "good")
    elif standing and all(can_be_accepted(i) and i.level is Level.WARNING for i in standing):
        state, role = "look", "warning"
        codes = tuple(dict.fromkeys(i.code for i in standing))
    else:
        state, role = "refused", "error"
    said = f"already stored as station {item.station}" if item.already else item.refused
    return BlockRow(row.number, state, role, image, pose, said, codes)
