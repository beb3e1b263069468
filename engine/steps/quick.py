"""Quick re-calibration of a session, with the board's place from an earlier one."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from ..cell.cameras import cell_of
from ..cell.session import Session
from ..diagnosis.diagnose import diagnosed
from ..errors import FileError
from ..estimate.problem import Problem
from ..estimate.result import Result
from ..proof.quick import Quick, quick
from ..proof.same_cell import check_same
from ..sessions.results import basis, input_hashes
from .recheck import Earlier, earlier
from .solve import Solved, cameras_document, session_problems, typed_texts


def solve_quickly(session: Session, folder: Path, board_from: Path) -> Solved:
    """Return the result of ``session`` with the board where ``board_from`` had it.

    Further cameras each use the board's old place too, and are not solved together.
    The document also says what was ``before``: the earlier camera transform, the movement since,
    and the hashes of the earlier session's files. Nothing is written. Raises UsageError where the
    sessions belong to different cells, FileError for what cannot be read.
    """
    old = earlier(board_from)
    check_same(old.session.cell, session.cell)
    problems = session_problems(session, folder)
    texts = typed_texts(session)

    def usual(problem: Problem) -> Result:
        return diagnosed(problem, texts)

    def recalibrated(name: str, problem: Problem) -> Quick:
        check_same(cell_of(old.session.cell, name), cell_of(session.cell, name))
        known = old.of(name)
        if known is None or not known.solved:
            raise FileError(
                board_from,
                f"this session gives no result of camera {name!r}",
                "Name a session that has one, or do the full job.",
            )
        return quick(known, problem, old.session.name, usual)

    found = {name: recalibrated(name, problem) for name, problem in problems.items()}
    documents = {
        name: one.result.document() | {"before": _before(old, name, one)}
        for name, one in found.items()
    }
    first = session.cell.camera.name
    document = documents.pop(first)
    others = {name: found[name].result for name in documents}
    return Solved(
        found[first].result,
        document | {"basis": basis(session)} | cameras_document(session, documents),
        input_hashes(session, folder),
        others,
    )


def _before(old: Earlier, camera: str, found: Quick) -> dict[str, Any]:
    result = old.of(camera)
    placed = None if result is None else result.document()[old.session.cell.camera_key]
    return {
        "session": old.session.name,
        "created": old.session.created,
        "inputs": input_hashes(old.session, old.folder),
        "position_mm": placed and placed["position_mm"],
        "quaternion_xyzw": placed and placed["quaternion_xyzw"],
        "trusted_board": found.trusted,
        "movement": None if found.movement is None else found.movement.document(),
    }
