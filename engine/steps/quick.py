"""Quick re-calibration of a session, with the board's place from an earlier one."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from ..diagnosis.diagnose import solve
from ..estimate.problem import Problem, problem_from
from ..estimate.result import Result
from ..proof.quick import quick
from ..proof.same_cell import check_same
from ..sessions.folder import observations
from ..sessions.results import input_hashes
from ..sessions.session import Session
from .recheck import Earlier, earlier
from .solve import Solved, typed_texts


def solve_quickly(session: Session, folder: Path, board_from: Path) -> Solved:
    """Return the result of ``session`` with the board where ``board_from`` had it.

    The document also says what was ``before``: the earlier camera transform, the movement since,
    and the hashes of the earlier session's files. Nothing is written. Raises UsageError where the
    sessions belong to different cells, FileError for what cannot be read.
    """
    old = earlier(board_from)
    check_same(old.session.cell, session.cell)
    problem = problem_from(session.cell, observations(session, folder))
    texts = typed_texts(session)

    def usual(problem: Problem) -> Result:
        return solve(problem, texts)

    found = quick(old.result, problem, old.session.name, usual)
    before = _before(old) | {"trusted_board": found.trusted}
    before["movement"] = None if found.movement is None else found.movement.document()
    document = found.result.document() | {"before": before}
    return Solved(found.result, document, input_hashes(session, folder))


def _before(old: Earlier) -> dict[str, Any]:
    placed = old.result.document()[old.session.cell.camera_key] or {}
    return {
        "session": old.session.name,
        "created": old.session.created,
        "inputs": input_hashes(old.session, old.folder),
        "position_mm": placed.get("position_mm"),
        "quaternion_xyzw": placed.get("quaternion_xyzw"),
    }
