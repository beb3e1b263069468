"""Checking a whole session: every recorded station again, all of them together, and the lens."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from ..camera.calibration import Calibration, differences
from ..camera.model import ASSUMED_LENS_U, Camera
from ..camera.views import Views, poses_of_views
from ..cell.result import StoredResult
from ..cell.session import Session, Station, seen_by
from ..cell.stations import station_pose
from ..checks.entry import RecordedPose
from ..diagnosis.diagnose import CAUSES
from ..errors import MOST_TOLD, FileError, PoseError, StationbookError, UsageError
from ..files import inside, read_bytes, sha256
from ..findings import Finding, finding
from ..pendant.entry import pose_from_fields
from ..proof.conclusion import CODES as OF_TOUCHES
from ..sessions.folder import session_from, what_differs
from ..sessions.journal import altered, read_journal, restored, unfinished
from ..sessions.numbers import board_views, lens_of
from ..sessions.results import changed_inputs, moved_since, read_result, what_changed
from ..sessions.signature import verified
from ..sessions.store import SESSION_FILE
from ..sessions.yaml_text import parse_yaml
from .archive import solved_as_before
from .solve import solve_session
from .station_image import DEPTH_FOLDER, stored_depth
from .station_pose import Known, pose_findings

RECORDED = ("record", "retake")  # actions after which the journal's station is in the session


def check_session(session: Session, folder: Path) -> list[Finding]:
    """Return every finding on a session: causes first, then station by station, then the rest.

    A wrong value or convention puts stations out of reach, too near or elsewhere: the cause comes
    before what follows from it. Warnings that the operator accepted when recording are not
    repeated. Raises FileError when a file that a station names is missing or damaged.
    """
    found = list(_station_findings(session))
    gone = _gone(session, folder)
    found += gone
    found += _depth_findings(session, folder)
    found += _altered(session, folder)
    found += _signature(folder)
    found += moved_since(session, folder).values()
    leftover = unfinished(folder)
    if leftover and not gone:
        what = ", ".join(dict.fromkeys(str(line.get("action", "?")) for line in leftover))
        found.append(finding("journal-unfinished", count=len(leftover), what=what))
    if session.cell.robot is None:
        found.append(finding("reach-unchecked"))
    whole = _solved(session, folder)
    causes = [item for item in whole if item.code in CAUSES]
    return [*causes, *found, *(item for item in whole if item.code not in CAUSES)]


def _solved(session: Session, folder: Path) -> tuple[Finding, ...]:
    """Return what solving says, resting on an earlier session where the stored result does.

    What touches said of the stored result is true as long as the session is as it was then.
    Where that one does not lie beside it, as after unpacking, that it is judged without is said.
    """
    before = None
    with suppress(FileError):
        before = read_result(folder)
    try:
        found = solved_as_before(session, folder, before).stored.all_findings
    except UsageError:
        found = solve_session(session, folder).stored.all_findings
        name = before.before.session if before and before.before else ""
        found = (*found, finding("board-prior", "alone", session=name))
    if before is None or not _compared(folder, before) or what_changed(session, folder, before):
        return found
    compared = tuple(item for item in before.findings if item.code in OF_TOUCHES)
    return (*compared, *(item for item in found if item.code not in OF_TOUCHES))


def _compared(folder: Path, result: StoredResult) -> bool:
    """Tell whether what was touched is what was compared with the stored result."""
    proof = result.proof
    return proof is not None and bool(proof.inputs) and not changed_inputs(proof, folder)


def _depth_findings(session: Session, folder: Path) -> Iterator[Finding]:
    """Give what is wrong with the depth that the stations in use carry, of every camera.

    Files that a pack left out are not missed. Raises FileError for one that is damaged.
    """
    for name in session.cell.camera_names:
        own = seen_by(session, name)
        for station in own.stations:
            if station.use and station.depth and (folder / DEPTH_FOLDER).is_dir():
                for item in stored_depth(own, folder, station).findings:
                    if item.code not in station.accepted:
                        yield replace(item, station=station.id)


def _altered(session: Session, folder: Path) -> Iterator[Finding]:
    """Yield what is not as the journal wrote it down."""
    for item in altered(folder):
        what = item.path
        if item.path == SESSION_FILE and (kept := restored(folder)):
            with suppress(StationbookError):
                before = session_from(parse_yaml(kept.content, folder / SESSION_FILE))
                apart = what_differs(session, before)[:MOST_TOLD]
                what = f"{what} ({'; '.join(apart)})" if apart else what
        if item.how == "line":
            yield finding("altered", "line", what=item.line)
        else:
            yield finding("altered", None if item.how == "altered" else item.how, what=what)


def _signature(folder: Path) -> Iterator[Finding]:
    """Yield what a signature in the folder shows."""
    try:
        said = verified(folder)
    except StationbookError as error:
        yield finding("signature", "unread", problem=error.problem)
        return
    if said is not None and said.problem:
        yield finding("signature", "wrong", problem=said.problem, key=said.key)
    elif said is not None:
        variant = None if said.name else "unknown"
        yield finding("signature", variant, name=said.name, key=said.key, at=said.at)


def _gone(session: Session, folder: Path) -> list[Finding]:
    """Return `stations-gone` where the file lacks stations that the journal knows were stored.

    A line was stored where a later one began from it, or where the file is none of the journal's.
    """
    own = [line for line in read_journal(folder) if line["file"] == SESSION_FILE]
    now = sha256(read_bytes(inside(folder, SESSION_FILE)))
    if not own or own[-1]["after"] == now:
        return []
    began = {line["before"] for line in own}
    foreign = all(line["after"] != now for line in own)
    stored = [line for line in own if foreign or line["after"] in began]
    noted = {line.get("station") for line in stored if line.get("action") in RECORDED}
    ids = sorted(i for i in noted if isinstance(i, int) and session.station(i) is None)
    if not ids:
        return []
    return [finding("stations-gone", count=len(ids), ids=", ".join(map(str, ids)))]


def _station_findings(session: Session) -> Iterator[Finding]:
    recorded: list[RecordedPose] = []
    for station in session.visited:
        if not station.use:
            continue
        try:
            found = _one_station(session, station, recorded)
        except PoseError:  # told with the result
            continue
        for item in found:
            if item.code not in station.accepted:
                yield replace(item, station=station.id)


def _one_station(session: Session, station: Station, recorded: list[RecordedPose]) -> list[Finding]:
    """Check one station against those before it, and add its pose to them."""
    cell = session.cell
    pose = station_pose(cell, station)
    found: list[Finding] = []
    if pose is not None:
        typed = pose_from_fields(station.pose, cell.pendant) if station.pose else None
        found += pose_findings(cell, station, typed, pose, Known(recorded))
        recorded.append(RecordedPose(station.id, pose))
    if station.points is None and station.board_pose is None and not station.views:
        found.append(finding("board-missing", "no-image"))
    return found


WORSE = 1.1  # [-] ratio of two uncertainties that are called different
SAME_LENS = 0.02  # [-] of u: four terms of other images agree so closely once in millions
DIFFERENT = 0.002  # [-] chance of each of four tests: below 1 % of good lens data are called wrong


@dataclass(frozen=True, slots=True, eq=False)
class LensCheck:
    """The lens that a session's images show, against that of its cell.

    ``chance`` that both are one lens: of focal length, image centre, distortion, and all together.
    ``cell_residual_px``: RMS per coordinate with the cell's data, each board placed as well as it
    can be; None where the cell has none. ``findings`` are what `solve` says of the lens, ``notes``
    what the found data may be used for.
    """

    found: Calibration
    chance: dict[str, float]
    cell_residual_px: float | None
    findings: tuple[Finding, ...]
    notes: tuple[Finding, ...]

    @property
    def differs(self) -> tuple[str, ...]:
        """Names of what differs by more than both uncertainties explain."""
        named = tuple(k for k, p in self.chance.items() if p < DIFFERENT and k != "all")
        together = self.chance.get("all", 1.0) < DIFFERENT
        return named or (("all together",) if together else ())

    @property
    def fits(self) -> bool:
        """Whether the cell's lens data may stay."""
        return not self.differs and not self.findings

    @property
    def stays(self) -> bool:
        """Whether the cell's lens data fit, and the found ones say less of the image's corner."""
        known = self.cell_residual_px is not None
        return known and self.fits and any(item.code == "lens-corner" for item in self.notes)

    def document(self) -> dict[str, Any]:
        """Return plain data."""
        camera, u = self.found.camera, self.found.camera.u
        names = ("fx", "fy", "cx", "cy")
        return {
            "views": len(self.found.poses),
            "matrix": [list(row) for row in camera.matrix],
            "distortion": list(camera.distortion),
            "u": None if u is None else asdict(u),
            "u_px": dict(zip(names, self.found.u_px(), strict=True)),
            "bow_mm": self.found.bow_mm.tolist(),
            "u_bow_mm": self.found.u_bow_mm.tolist(),
            "residual_px": self.found.rms_px,
            "cell_residual_px": self.cell_residual_px,
            "chance": self.chance,
            "differs": list(self.differs),
        }


def check_lens(session: Session, folder: Path) -> LensCheck:
    """Return the lens that the points of ``session`` show, and whether the cell's is the same.

    Every term is tested, against the uncertainties of both. What `solve` says of the lens counts
    too: it also sees what only the robot's moves show. Raises StationbookError for too few views or
    views too much alike, FileError for a points file that is missing or damaged.
    """
    camera = session.cell.camera
    unknown = camera.lens_from != "cell"
    found = lens_of(session, folder, from_nothing=unknown)
    views, _ = board_views(session, folder)
    notes = (*_corner(found, views, camera, unknown=unknown), _own_images(found, views, camera))
    if unknown:
        return LensCheck(found, {}, None, (), notes)
    rms = [poses[0][1] for poses in poses_of_views(replace(views, whiten=None), camera) if poses]
    solved = solve_session(session, folder).stored.all_findings
    said = tuple(item for item in solved if item.code == "lens")
    missed = float(np.sqrt(np.mean(np.square(rms))))
    return LensCheck(found, differences(found, camera), missed, said, notes)


def _own_images(found: Calibration, views: Views, camera: Camera) -> Finding:
    """Return `lens-own`: these images count in the session already, as what the stations saw.

    Or that the cell's lens data are the ones found here: no other images give them so closely.
    """
    off = np.abs(np.subtract(found.camera.matrix, camera.matrix))[[0, 1, 0, 1], [0, 1, 2, 2]]
    entered = camera.u is not None and bool((off < SAME_LENS * np.array(found.u_px())).all())
    return finding("lens-own", "entered" if entered else None, count=len(views.weight))


def _corner(
    found: Calibration, views: Views, camera: Camera, *, unknown: bool
) -> Iterator[Finding]:
    """Return `lens-corner` where less is found there than is known, or assumed, already."""
    mine, u = found.camera.known_u, ASSUMED_LENS_U if unknown else camera.known_u
    if mine.edge_px <= WORSE * u.edge_px:
        return
    K, size = np.array(found.camera.matrix), np.array(found.camera.image_size_px, float)
    corner = np.linalg.norm(np.maximum(K[:2, 2], size - 1.0 - K[:2, 2]))
    seen = np.linalg.norm(views.pixels - K[:2, 2], axis=2)[views.weight > 0.0]
    how = "is assumed" if unknown or "edge_px" in camera.u_assumed else "the cell says"
    yield finding(
        "lens-corner", "none" if unknown else None, edge_px=mine.edge_px, known_px=u.edge_px,
        how=how, percent=100.0 * float(seen.max() / corner),
    )  # fmt: skip
