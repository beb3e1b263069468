"""What the recorded stations say is wrong with all that is recorded, when the next one comes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path

import numpy as np
import pytest
from made_session import make_session

from engine.arrays import Array
from engine.boards.points_file import read_points
from engine.cell.cell import Cell
from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND, Mount
from engine.cell.session import Session
from engine.cell.stations import station_pose
from engine.findings import Finding, Level
from engine.frames import rotation_exp, transform
from engine.pendant.entry import format_pose
from engine.sessions.changes import Who
from engine.sessions.folder import open_session
from engine.simulate.scenario import Axes
from engine.steps.recording import Consent, Draft, examine, record_station
from engine.steps.station_image import ViewDraft
from engine.steps.station_pose import examine_pose, observed

MOUNTS = (EYE_TO_HAND, EYE_IN_HAND)
ALL = 8  # stations made
WHO = Who(None, datetime(2026, 11, 25, 12, 0, tzinfo=UTC))


def made(folder: Path, mount: Mount, axes: Axes = 6, seed: int = 0) -> Session:
    make_session(folder, ALL, mount, axes, seed=seed)
    return replace(open_session(folder), plan=())


def with_pitch(cell: Cell, factor: float) -> Cell:
    return replace(cell, board=replace(cell.board, pitch_mm=factor * cell.board.pitch_mm))


def with_focal(cell: Cell, factor: float) -> Cell:
    K = np.array(cell.camera.matrix)
    K[[0, 1], [0, 1]] *= factor
    return replace(cell, camera=replace(cell.camera, matrix=tuple(map(tuple, K.tolist()))))


def moved(cell: Cell, station: object, by: Array, *, tool: bool) -> tuple[str, ...]:
    """Return what the pendant shows with another tool (frame) active."""
    pose = station_pose(cell, station)  # type: ignore[arg-type]
    assert pose is not None
    return format_pose(pose @ by if tool else by @ pose, cell.pendant)


def drafts(session: Session, folder: Path) -> Iterator[Draft]:
    """Give each station as it is entered; whatever is said is accepted."""
    grown = replace(session, stations=())
    for station in session.stations:
        ids, pixels, *_ = read_points(folder / str(station.points), session.cell.board)
        pose = examine_pose(grown, " ".join(station.pose or ()))
        draft = examine(grown, folder, pose, ViewDraft((), point_ids=ids, pixels=pixels))
        yield draft
        said = tuple({item.code for item in draft.findings})
        change = record_station(grown, folder, draft, WHO, Consent(said, "on purpose"))
        for name, content in change.files.items():
            (folder / name).write_bytes(content)
        grown = change.session


def said(draft: Draft) -> list[Finding]:
    return [item for item in draft.findings if item.level is not Level.NOTE]


@pytest.mark.parametrize("axes", [6, 4])
@pytest.mark.parametrize("mount", MOUNTS)
@pytest.mark.parametrize("factor", [0.8, 1.05])
def test_a_wrong_pitch_is_said_once_three_stations_are_recorded(
    tmp_path: Path, mount: Mount, axes: Axes, factor: float
) -> None:
    session = made(tmp_path / "s", mount, axes)
    session = replace(session, cell=with_pitch(session.cell, factor))
    *first, fourth, fifth = [said(d) for d in islice(drafts(session, tmp_path / "s"), 5)]
    assert first == [[], [], []]
    assert [item.code for item in fourth] == ["board-pitch"]
    assert fourth[0].level is Level.WARNING
    assert float(str(fourth[0].suggested)) == pytest.approx(20.0, abs=0.1)
    assert "board-pitch" not in [item.code for item in fifth]  # accepted with the fourth


@pytest.mark.parametrize("mount", MOUNTS)
def test_a_wrong_focal_length_is_said_once_three_stations_are_recorded(
    tmp_path: Path, mount: Mount
) -> None:
    session = made(tmp_path / "s", mount)
    true = session.cell.camera.matrix[0][0]
    session = replace(session, cell=with_focal(session.cell, 1.05))
    fourth = [said(d) for d in islice(drafts(session, tmp_path / "s"), 4)][3]
    assert [item.code for item in fourth] == ["lens"]
    assert float(str(fourth[0].suggested)) == pytest.approx(true, rel=0.005)


TOOL = transform(rotation_exp([0.02, 0.01, 0.4]), [0.0, 40.0, 120.0])
SLIP = transform(rotation_exp([0.0, 0.0, 0.03]), [3.0, 2.0, 0.0])


@pytest.mark.parametrize("by", [TOOL, SLIP])
@pytest.mark.parametrize("tool", [True, False])
@pytest.mark.parametrize("mount", MOUNTS)
def test_the_second_stop_with_one_shift_names_tool_or_frame(
    tmp_path: Path, mount: Mount, tool: bool, by: Array
) -> None:
    session = made(tmp_path / "s", mount)
    for station in session.stations[5:]:
        other = moved(session.cell, station, by, tool=tool)
        session = session.with_station(replace(station, pose=other))
    every = [said(draft) for draft in islice(drafts(session, tmp_path / "s"), 7)]
    assert every[:5] == [[]] * 5
    misfits = [next(item for item in found if item.code == "does-not-fit") for found in every[5:7]]
    assert "same" not in misfits[0].message
    words = ("in the flange: another tool than flange", "in the base: another frame than base")
    assert words[not tool] in misfits[1].message
    on_flange = "board" if mount == EYE_TO_HAND else "camera"
    assert (f"the {on_flange} has moved" in misfits[1].message) == tool


@pytest.mark.parametrize("again", [False, True])
def test_a_stop_refused_before_shows_one_shift_as_a_recorded_one_does(
    tmp_path: Path, again: bool
) -> None:
    """Whoever refused the first misfit never saw the cause named; ``again``: at the same stop."""
    session = made(tmp_path / "s", EYE_TO_HAND)
    five = replace(session, stations=session.stations[:5])
    stops = []
    for station in session.stations[5:7]:
        typed = moved(session.cell, session.stations[5] if again else station, TOOL, tool=True)
        ids, pixels, *_ = read_points(tmp_path / "s" / str(station.points), session.cell.board)
        view = ViewDraft((), station.points, point_ids=ids, pixels=pixels)
        stops.append((examine_pose(five, " ".join(typed)), view))
    (first, seen), (second, then) = stops
    before = said(examine(five, tmp_path / "s", second, then))
    assert "same" not in before[0].message
    found = said(examine(five, tmp_path / "s", second, then, observed(five, first, seen)))
    assert ("the one refused before it are off by the same" in found[0].message) is not again
    assert found[0].code == "does-not-fit"


def test_two_stops_with_slips_of_their_own_are_not_called_one_shift(tmp_path: Path) -> None:
    session = made(tmp_path / "s", EYE_TO_HAND)
    for station, field, off in zip(session.stations[5:7], (0, 1), (30.0, -45.0), strict=True):
        fields = list(station.pose or ())
        fields[field] = f"{float(fields[field]) + off:.2f}"
        session = session.with_station(replace(station, pose=tuple(fields)))
    seventh = [said(d) for d in islice(drafts(session, tmp_path / "s"), 7)][6]
    assert [item.code for item in seventh] == ["does-not-fit"]
    assert seventh[0].field == "Y"


@pytest.mark.parametrize("axes", [6, 4])
@pytest.mark.parametrize("mount", MOUNTS)
def test_good_stations_raise_no_suspicion(tmp_path: Path, mount: Mount, axes: Axes) -> None:
    for seed in (1, 2):
        folder = tmp_path / f"s{seed}"
        session = made(folder, mount, axes, seed)
        assert [said(draft) for draft in drafts(session, folder)] == [[]] * ALL
