"""Stored results against each other: two of them, the history of a cell, and points carried over.

Only points that are fixed to the camera's frame move with it; everything else stays.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from ..cautions import CARRIED_POINTS
from ..cell.result import ACCEPTED, Verdict, not_known_by, only_if
from ..cell.session import Session, seen_by
from ..cell.touched import ByTouch
from ..errors import UsageError
from ..findings import Finding, finding, has_error
from ..proof.compare import (
    CAMERA,
    SIGNIFICANCE,
    Carried,
    Difference,
    Entry,
    carried,
    difference,
    read_taught,
    taught_text,
)
from ..proof.stated import Stated, check_same, of_camera, stated
from ..report.delivered import reasons
from ..sessions.folder import open_session
from ..sessions.journal import overtaken
from ..sessions.results import current_result
from ..sessions.store import write_output
from .starting import swapped_in

FIGURES = (".svg", ".png", ".pdf")


@dataclass(frozen=True, slots=True, eq=False)
class Stored:
    """A session with what its stored result states.

    ``reasons`` why it is not accepted; ``own`` the same without that its camera moved since, ""
    where nothing else speaks against it.
    """

    session: Session
    result: Stated
    verdict: Verdict
    by_touch: ByTouch
    touched: str
    reasons: str
    own: str
    holds: str


def stored(folder: Path, camera: str | None = None) -> Stored:
    """Return a session as ``camera`` (None: the first) saw it, and its stored result.

    Raises FileError, SolveError, UsageError for a camera that the cell does not have.
    """
    session = open_session(folder)
    result = current_result(session, folder)
    name = camera or session.cell.camera.name
    own, part = seen_by(session, name), of_camera(result, session.cell, name)
    state = stated(part, own.cell)
    but = replace(part, findings=tuple(x for x in part.findings if x.code != "result-overtaken"))
    errors = reasons(but) if has_error(but.findings) else ""
    return Stored(own, state, part.verdict, part.by_touch, part.touched, reasons(part), errors,
                  only_if(part.told))  # fmt: skip


def compare(folder: Path, other: Path, camera: str | None = None) -> Difference:
    """Return the difference from the result in ``other`` to the one in ``folder``.

    Raises UsageError where they belong to different cells.
    """
    new, old = stored(folder, camera), stored(other, camera)
    check_same(old.session.cell, new.session.cell, swapped_in(folder))
    found = difference(old.result, new.result, new.session.cell)
    name = new.session.cell.camera.name
    mark = overtaken(other, [name]).get(name)
    said = found.findings
    if new.verdict == ACCEPTED and mark and mark.found == "camera" and found.agree is False:
        moved = found.movement
        said = (finding("results-differ", "moved", movement=moved.found(),
                        work_volume_mm=moved.work_volume_mm, at=mark.at, by=mark.by),)  # fmt: skip
    refused = [("later", new.reasons if new.verdict != ACCEPTED else ""), ("earlier", old.own)]
    beside = (
        finding("results-not-accepted", which=which, why=why.rstrip("."))
        for which, why in refused
        if why
    )
    return replace(found, findings=(*said, *beside))


def history(folders: Sequence[Path], camera: str | None = None) -> list[Entry]:
    """Return the results of one cell in the order of their days, each against the first.

    Sessions of the same name are told apart by their folders.
    """
    results = [(stored(folder, camera), folder.resolve().name) for folder in folders]
    found = sorted(results, key=lambda item: item[0].session.created)
    first, names = found[0][0], Counter(item.session.name for item, _ in found)
    entries = []
    for item, folder in found:
        session, cell = item.session, first.session.cell
        name = session.name if names[session.name] == 1 else f"{folder}: {session.name}"
        check_same(cell, session.cell)
        since = None if item is first else difference(first.result, item.result, cell)
        entries.append(Entry(name, session.created, item.verdict, item.by_touch, since, item.holds))
    return entries


def figure(entries: Sequence[Entry], folder: Path, path: Path, *, force: bool = False) -> None:
    """Draw the history into ``path``. Raises UsageError for an unknown kind of file.

    ``force`` as in `store.write_output`.
    """
    from ..report.figures import draw_history  # matplotlib behind it, which takes time to load

    if path.suffix.lower() not in FIGURES:
        raise UsageError(f"{path.name}: unknown kind of figure", f"Use {', '.join(FIGURES)}.")
    tolerance = open_session(folder).cell.tolerance.position_mm
    write_output(path, draw_history(entries, tolerance, path), force=force)


# ---- points taught by hand ---------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Shifted:
    """Every point before and after, and what is to be said about them; ``touched`` of the proof."""

    points: tuple[Carried, ...]
    labels: tuple[str, ...]
    findings: tuple[Finding, ...]
    verdict: Verdict
    touched: str
    holds: str

    def text(self) -> str:
        """Return the points after the shift as CSV below the cautions, as `read_taught` reads."""
        said = (
            f"result: {self.verdict.replace('-', ' ')} {self.holds}".rstrip(),
            f"proven by touch points: {self.touched}",
            *CARRIED_POINTS,
        )
        return "".join(f"# {text}\n" for text in said) + taught_text(self.points, self.labels)

    def document(self) -> dict[str, Any]:
        """Return the points as plain data."""
        return {
            "points": [
                {
                    "name": item.before.name,
                    "fixed_to": item.before.fixed_to,
                    "shifted": item.shifted,
                    "before": list(item.before.fields),
                    "after": list(item.after),
                    "distance_mm": item.distance_mm,
                    "angle_deg": item.angle_deg,
                    "reduced_speed_first": item.shifted,
                }
                for item in self.points
            ],
        }


def shift(
    folder: Path, against: Path | None, points: Path | None, camera: str | None = None
) -> Shifted:
    """Return the points of a file after the camera moved from ``against`` to ``folder``.

    ``camera``: which one moved; None: the first. Without a file nothing is shifted. A movement that
    is no larger than chance shifts nothing.
    Raises UsageError for a pendant that shows joints or where the earlier session is not named.
    """
    new = stored(folder, camera)
    pendant = new.session.cell.pendant
    if points is None:
        return _carried_by(new, (), finding("points-not-shifted", count="All"))
    if pendant.shows_joints:
        raise UsageError("this pendant shows joints: points cannot be shifted in them", "Teach.")
    taught, mount = read_taught(points, pendant), new.session.cell.mount
    stay = carried(taught, np.eye(4), np.eye(4), mount, pendant)
    if all(point.fixed_to != CAMERA for point in taught):
        return _carried_by(new, stay, finding("points-not-shifted", count="All"))
    if against is None:
        raise UsageError("the earlier session is not named", "Add --against OLD.")
    old = stored(against, camera)
    check_same(old.session.cell, new.session.cell)
    move = difference(old.result, new.result, new.session.cell)
    if move.chance is None or move.chance >= SIGNIFICANCE:
        still = tuple(Carried(item.before, item.before.fields, 0.0, 0.0, False) for item in stay)
        far, turn = move.movement.position_mm, move.movement.angle_deg
        doubtful = finding("shift-doubtful", distance_mm=far, angle_deg=turn)
        if move.unknown_by:
            doubtful = finding("shift-doubtful", "unknown", distance_mm=far, angle_deg=turn,
                               why=not_known_by(move.unknown_by))  # fmt: skip
        return _carried_by(new, still, doubtful)
    found = carried(taught, old.result.camera, new.result.camera, mount, pendant)
    said = _said(found)
    if old.own:
        said.insert(0, finding("shift-not-accepted", "earlier", why=old.own.rstrip(".")))
    if new.verdict != ACCEPTED:
        said.insert(0, finding("shift-not-accepted", why=new.reasons.rstrip(".")))
    return _carried_by(new, found, *said)


def _carried_by(new: Stored, points: tuple[Carried, ...], *said: Finding) -> Shifted:
    """Return points carried over by the result ``new``, with what is said of them."""
    labels = new.session.cell.pendant.labels
    return Shifted(points, labels, said, new.verdict, new.touched, new.holds)


def _said(found: tuple[Carried, ...]) -> list[Finding]:
    shifted = [item for item in found if item.shifted]
    far = max(item.distance_mm for item in shifted)
    turn = max(item.angle_deg for item in shifted)
    said = [finding("points-shifted", count=len(shifted), distance_mm=far, angle_deg=turn)]
    if len(shifted) < len(found):
        said.append(finding("points-not-shifted", count=len(found) - len(shifted)))
    return said
