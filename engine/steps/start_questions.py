"""The questions at the start of a session: what no residual can show later must be asked.

A constant wrong tool or frame fits every image as well as the right one, a board measured wrong
scales everything, and lens data of another focus bend it. The answers are kept in the journal.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from pathlib import Path

from ..cell.session import Session
from ..errors import StationbookError
from ..sessions.changes import Change, read_journal

ACTION = "start questions"
OPEN = "start questions, lens data open"  # kept, and asked again


@dataclass(frozen=True, slots=True)
class Answers:
    """What was answered.

    ``active_tool`` and ``active_frame`` as the pendant shows them, or their values where flange
    and base cannot be selected. ``pitch_mm`` as measured on the board. ``lens_fits``: the lens data
    were made at this image size, focus and zoom.
    """

    operator: str
    active_tool: str
    active_frame: str
    warmed_up: bool
    pitch_mm: float
    lens_fits: bool


def answered(folder: Path) -> bool:
    """Tell whether the questions were answered in this session. Raises FileError."""
    return any(line["finished"] and line.get("action") == ACTION for line in read_journal(folder))


def kept_open(folder: Path) -> Answers | None:
    """Return the answers kept last while the lens data were open, or None. Raises FileError."""
    lines = [line for line in read_journal(folder) if line["finished"]]
    given = next((x["answers"] for x in reversed(lines) if x.get("action") == OPEN), None)
    return None if given is None else Answers(**given)


def answer_questions(session: Session, answers: Answers) -> Change:
    """Keep the answers; tool, frame and pitch become those of the session's copy of the cell.

    Nothing is written; whoever answered is to commit it. Where the lens data do not fit, the
    questions stay open: they will be asked again. Raises StationbookError where something must be
    put right first.
    """
    if not answers.operator.strip():
        raise StationbookError("no operator named", "Say who works at the robot.")
    cell = session.cell
    new = replace(
        session,
        operator=session.operator or answers.operator,
        cell=replace(
            cell,
            pendant=replace(
                cell.pendant, active_tool=answers.active_tool, active_frame=answers.active_frame
            ),
            board=replace(cell.board, pitch_mm=answers.pitch_mm),
        ),
    )
    action = ACTION if answers.lens_fits else OPEN
    return Change(action, new, {"answers": asdict(answers)})
