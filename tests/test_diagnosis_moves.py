"""Two moves of one thing in a session, and how well the stations tell from which on it moved."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from mistakes import Faulty, typed, unsure, with_texts
from simulated_sessions import BOARD, CAMERA, Case, Seen, simulated

from engine.arrays import Array
from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND, Mount
from engine.cell.rule import Tolerance
from engine.diagnosis.diagnose import diagnosed
from engine.findings import Finding, Level
from engine.frames import displacement

ONE = np.concatenate([np.radians([0.1, -0.1, 0.2]), [2.0, -1.5, 1.0]])
OTHER = np.concatenate([np.radians([-0.2, 0.1, 0.1]), [-1.0, 2.5, 0.5]])
SMALL = np.concatenate([np.radians([0.06, -0.06, 0.06]), [0.9, -0.6, 0.6]])
ACCURACY = ("tolerance", "weak-direction")


def knocked(case: Case, seed: int, what: str, moves: dict[int, Array]) -> Faulty:
    """Return a session in which ``what`` moves by each of ``moves`` (6,) before that row."""
    rows = np.arange(case.stations)[:, None]
    off = np.sum([(rows >= row) * xi for row, xi in moves.items()], axis=0)
    truly = Seen(BOARD.points(), CAMERA, **{f"{what}_off": off})
    return typed(simulated(case, np.random.default_rng(seed), truly).problem)


def weighty(session: Faulty, verdict: str = "not-accepted") -> list[Finding]:
    result = diagnosed(session.problem, session.texts)
    assert result.verdict in ("not-accepted", verdict)
    found = [f for f in result.findings if f.level is not Level.NOTE]
    return [f for f in found if f.code not in ACCURACY]


def places(said: Finding) -> Sequence[str]:
    return re.findall(r"from station (\d+) on", said.message.lower())


@pytest.mark.parametrize(("first", "second"), [(5, 10), (3, 9), (7, 11)])
@pytest.mark.parametrize("what", ["camera", "board"])
@pytest.mark.parametrize("mount", [EYE_TO_HAND, EYE_IN_HAND])
def test_two_moves_of_one_thing_are_told_at_once(
    mount: Mount, what: str, first: int, second: int
) -> None:
    """They came out as three or four moves, some at the same place, or as a list of bad stops."""
    session = knocked(Case(mount), 21, what, {first: ONE, second: OTHER})
    (said,) = weighty(session)
    assert (said.code, said.station) == (f"{what}-moved", first + 1)
    assert "moved twice" in said.message
    assert places(said) == [str(first + 1), str(second + 1)]
    sizes = [float(size) for size in re.findall(r"([\d.]+) mm", said.message)]
    assert sizes == pytest.approx([2.7, 2.7], abs=0.5)
    assert "do the session again" in said.remedy


def test_one_move_is_told_once() -> None:
    (said,) = weighty(knocked(Case(), 22, "camera", {6: ONE}))
    assert (said.code, said.station, places(said)) == ("camera-moved", 7, ["7"])
    assert "from 7 on or those before 7" in said.remedy


@pytest.mark.parametrize("row", [30, 31, 44])
def test_a_move_in_a_long_session_is_told_at_its_very_station(row: int) -> None:
    """Only some of many places were looked at, and the nearest of them was told."""
    (said,) = weighty(knocked(Case(stations=60), 23, "camera", {row: ONE / 2.0}))
    assert (said.station, places(said)) == (row + 1, [str(row + 1)])


def test_a_move_that_neighbours_tell_as_well_is_told_between_them() -> None:
    """Of 20 such moves 19 are to lie within the stations told."""
    told = list[tuple[int, int]]()
    for seed in range(4):
        case = Case(stations=20, position_mm=0.4, angle_deg=0.05)
        session = knocked(case, seed, "board", {9: SMALL})
        said = weighty(session, "accepted")[0]  # some matter less than U
        ends = re.match(r"From station (\d+)(?: or (\d+))? on", said.message)
        assert ends is not None
        told.append((int(ends[1]), int(ends[2] or ends[1])))
    assert all(low <= 10 <= high for low, high in told)
    assert sum(low < high for low, high in told) == 2


def test_the_board_at_one_station_and_the_camera_at_another_are_both_told() -> None:
    """The later move came out as one that was told twice, and as stations that fit nothing."""
    rows = np.arange(11)[:, None]
    off = {"board_off": (rows >= 4) * 2.0 * ONE, "camera_off": (rows >= 8) * 2.0 * OTHER}
    truly = Seen(BOARD.points(), CAMERA, **off)
    session = typed(simulated(Case(stations=11), np.random.default_rng(24), truly).problem)
    said = weighty(session)
    assert [(f.code, f.station) for f in said] == [("board-moved", 5), ("camera-moved", 9)]
    sizes = [float(size) for f in said for size in re.findall(r"([\d.]+) mm", f.message)]
    assert sizes == pytest.approx([5.4, 5.5], abs=0.5)
    assert all("from 5 on or those before 9" in f.remedy for f in said)


def test_a_slip_beside_a_drift_is_named_with_its_value() -> None:
    """The station came out as one that fits nothing: its pose had been moved with the drift."""
    share = np.linspace(0.0, 1.0, 9)[:, None]
    truly = Seen(BOARD.points(), CAMERA, camera_off=share * 2.0 * ONE)
    session = typed(simulated(Case(stations=9), np.random.default_rng(25), truly).problem)
    x, y, *rest = session.texts[6]
    texts = {**session.texts, 6: (x, f"{float(y) + 30.0:.2f}", *rest)}
    drift, slip = weighty(Faulty(with_texts(session.problem, texts), texts, session.true))
    assert (drift.code, drift.station) == ("camera-moved", None)
    assert (slip.station, slip.field, slip.suggested) == (6, "Y", y)


@pytest.mark.parametrize(("row", "level"), [(3, Level.WARNING), (17, Level.ERROR)])
def test_a_camera_that_moved_counts_from_where_it_stands_in_the_end(row: int, level: Level) -> None:
    """A knock before the last stops was held against where the camera stood before: accepted."""
    session = knocked(Case(stations=20), 24, "camera", {row: 0.6 * SMALL})
    lenient = replace(session.problem, tolerance=Tolerance(2.0, 0.5))
    (said,) = weighty(replace(session, problem=lenient), "accepted")
    assert (said.code, said.station, said.level) == ("camera-moved", row + 1, level)


def test_a_camera_focused_anew_is_told_by_its_focal_length() -> None:
    """It came out as a camera that moved, and beside it as a last stop that fits nothing."""
    (fx, s, cx), (_, fy, cy), last = CAMERA.matrix
    anew = replace(CAMERA, matrix=((1.005 * fx, s, cx), (0.0, 1.005 * fy, cy), last))
    case = Case(stations=9, position_mm=0.03, angle_deg=0.005)
    before, after = (
        unsure(simulated(case, np.random.default_rng(0), Seen(BOARD.points(), lens)).problem)
        for lens in (CAMERA, anew)
    )
    seen = (*before.observations[:4], *after.observations[4:])
    (said,) = weighty(typed(replace(before, observations=seen)))
    assert (said.code, said.variant, said.station) == ("camera-moved", "refocused", 5)
    percent = re.search(r"focal length is ([\d.]+) % longer", said.message)
    assert percent is not None
    assert float(percent[1]) == pytest.approx(0.5, abs=0.15)
    assert "repeat the stations from 5 on" in said.remedy


@pytest.mark.parametrize("mount", [EYE_TO_HAND, EYE_IN_HAND])
def test_what_the_cause_of_a_warning_moves_is_in_u(mount: Mount) -> None:
    """A wrong pitch that a wide tolerance made a warning was accepted at seven times U."""
    truth = simulated(Case(mount, stations=9), np.random.default_rng(31))
    board = replace(truth.problem.board, pitch_mm=0.97 * truth.problem.board.pitch_mm)
    wide = replace(truth.problem, board=board, tolerance=Tolerance(200.0, 20.0))
    result = diagnosed(wide)
    (said,) = [item for item in result.findings if item.level is not Level.NOTE]
    assert (said.code, said.level, result.verdict) == ("board-pitch", Level.WARNING, "accepted")
    off = result.pick.moved @ displacement(result.camera, truth.camera)
    U, made_of = 2.0 * result.uncertainty.pick_mm, result.budget
    assert 5.0 < np.linalg.norm(off, axis=1).max() < U
    assert made_of.parts[0].name == "what a warning says"
    total = np.sqrt(sum(part.u_mm**2 for part in made_of.parts))
    assert made_of.coverage * made_of.corners * total == pytest.approx(U)
    tight = replace(wide, tolerance=Tolerance(0.95 * U, 20.0))
    assert diagnosed(tight).verdict == "not-accepted"
