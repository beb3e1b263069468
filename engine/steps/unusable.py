"""Why stations are not usable: what is said where a session has too few that are."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from ..cell.session import Session, Station
from ..errors import FileError
from ..files import inside
from ..findings import Finding, Level, finding
from ..images.load import image_bytes
from .station_image import judged_image

LOOKED_AT = 12  # images looked at again: about a second
NAMED = 3  # stations named of each kind


def too_few_told(
    findings: Sequence[Finding], session: Session, folder: Path
) -> tuple[Finding, ...]:
    """Return the findings of a result of ``session``, `too-few` with what its stations lack.

    ``session`` as one camera saw it. The images in which no board was found are looked at again.
    """
    lost = [one for one in session.stations if one.use and not (one.points or one.board_pose)]
    if not lost:
        return tuple(findings)
    return tuple(
        _told(item, session, folder, lost) if item.code == "too-few" else item for item in findings
    )


def _told(few: Finding, session: Session, folder: Path, lost: Sequence[Station]) -> Finding:
    kinds: dict[tuple[str, str], list[tuple[int, str]]] = {}
    for station, codes, message, remedy in _reasons(session, folder, lost):
        kinds.setdefault((codes, remedy), []).append((station.id, message))
    grouped = sorted(kinds.items(), key=lambda kind: -len(kind[1]))
    why = " ".join(_kind([i for i, _ in found], found[0][1]) for _, found in grouped)
    if len(lost) > LOOKED_AT:
        why += f" Of {len(lost)} such stations the first {LOOKED_AT} were looked at."
    remedies = dict.fromkeys(remedy for (_, remedy), _ in grouped)
    usable, why = few.message.rstrip("."), why.rstrip(".")
    return finding("too-few", "why", usable=usable, lacking=why, remedy_text=" ".join(remedies))


def _kind(ids: Sequence[int], example: str) -> str:
    """Return how many stations lack the same, which the first of them are, and what that is."""
    named = ", ".join(map(str, ids[:NAMED])) + (" ..." if len(ids) > NAMED else "")
    return f"{len(ids)} without points ({named}): {example}"


def _reasons(
    session: Session, folder: Path, lost: Sequence[Station]
) -> Iterator[tuple[Station, str, str, str]]:
    """Yield each station with what is wrong there: codes, message and remedy."""
    for station in lost[:LOOKED_AT]:
        if station.image is None:
            found = [finding("board-missing", "no-image")]
        else:
            try:
                data = image_bytes(inside(folder, station.image))
                judged = judged_image(session.cell, data, station.image)
            except FileError as error:
                yield station, "file", error.problem, error.remedy
                continue
            found = [item for item in judged.findings if item.level is not Level.NOTE]
            if judged.report.found:
                found = [finding("board-missing", "not-stored", image=station.image)]
        codes, messages, remedies = zip(
            *((f.code, f.message, f.remedy) for f in found), strict=True
        )
        yield station, " ".join(codes), " ".join(messages), " ".join(remedies)
