"""Lines that were not typed to their end, and joint angles typed where the pose belongs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from command import stationbook
from made_session import make_session

from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND, Mount
from engine.cell.session import Session, Station
from engine.checks.digits import decimals, digits_findings
from engine.findings import Finding, Level, by_cause
from engine.pendant.settings import Active, Pendant
from engine.sessions.folder import open_session
from engine.steps.station_pose import examine_pose, known

PENDANT = Pendant("mm", "deg", "fixed-xyz", ("X", "Y", "Z", "A", "B", "C"), (2, 2, 2, 2, 2, 2))
FULL = "612.40 -85.10 410.00 179.80 0.40 -90.12"


def digits(line: str, *earlier: str, pendant: Pendant = PENDANT) -> list[Finding]:
    recorded = [tuple(map(decimals, text.split())) for text in earlier]
    return digits_findings(line.split(), pendant, recorded)


@pytest.mark.parametrize("last", ["-90", "-90.1", "-9"])
def test_enter_in_the_middle_of_the_last_number_is_said_at_the_first_station(last: str) -> None:
    (found,) = digits(FULL.replace("-90.12", last))
    assert (found.code, found.level) == ("digits-missing", Level.WARNING)
    assert (found.field, found.typed) == ("C", last)
    assert f"C {last} has fewer decimals than the 2" in found.message


def test_a_line_with_all_its_decimals_is_not_questioned() -> None:
    assert digits(FULL) == digits(FULL, FULL) == []
    assert digits("612.405 -85.1 410.00 179.80 0.40 -90.12", "1.1 2.2 3.3 4.44 5.55 6.66") == []


def test_a_pendant_that_leaves_zeros_out_is_asked_about_once() -> None:
    trimmed = "612.4 -85.1 410 179.8 0.4 -90.12"
    assert [item.field for item in digits(trimmed)] == ["X and Y and Z and A and B"]
    assert digits("600.25 -85 410.1 179.8 0.4 -90", trimmed) == []
    assert digits(trimmed, FULL)  # the first line happened to have them all
    assert digits(trimmed, FULL, trimmed) == []


def test_a_cell_that_says_too_many_decimals_is_asked_about_once_and_slips_are_still_seen() -> None:
    finer = replace(PENDANT, decimals=(3, 3, 3, 4, 4, 4))
    (found,) = digits(FULL, pendant=finer)
    assert "All values" in found.message
    assert "3 or 4" in found.message
    assert digits(FULL, FULL, pendant=finer) == []
    (found,) = digits(FULL.replace("-90.12", "-90.1"), FULL, pendant=finer)
    assert found.field == "C"


def test_joint_angles_are_held_against_each_other() -> None:
    """The decimals of joints need not stand in the cell."""
    joints = replace(
        PENDANT, rotation="joints", labels=tuple(f"J{k}" for k in range(1, 7)), decimals=(3,) * 6
    )
    assert digits("10.25 -20.10 30.00 0.00 45.00 12.30", pendant=joints) == []
    (found,) = digits("10.25 -20.10 30.00 0.00 45.00 12", pendant=joints)
    assert found.field == "J6"


@pytest.fixture(scope="module", params=[EYE_TO_HAND, EYE_IN_HAND])
def session(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Session:
    mount: Mount = request.param
    folder = tmp_path_factory.mktemp(mount) / "session"
    make_session(folder, 3, mount)
    return replace(open_session(folder), plan=())


def before(session: Session) -> Session:
    """Return the session with nothing recorded."""
    return replace(session, stations=())


def said(session: Session, line: str) -> list[str]:
    found = by_cause(examine_pose(session, line).findings)
    return [item.code for item in found if item.level is not Level.NOTE]


def test_a_cut_off_value_keeps_a_station_from_being_stored_until_it_is_accepted(
    tmp_path: Path,
) -> None:
    folder = tmp_path / "session"
    make_session(folder, 2)
    recorded = open_session(folder)
    *whole, last = recorded.stations[1].pose or ()
    alone = folder / "session.yaml"
    cut, hanging = (" ".join([*whole, last[:-n]]) for n in (1, 2))
    before = alone.read_bytes()
    refused = stationbook("edit", folder, "--station", 2, "--pose", cut)
    assert (refused.returncode, alone.read_bytes()) == (1, before)
    assert "digits-missing" in refused.stdout + refused.stderr
    refused = stationbook("edit", folder, "--station", 2, "--pose", hanging)
    assert "ends with a decimal mark" in refused.stdout + refused.stderr
    assert alone.read_bytes() == before


def test_a_pose_is_corrected_with_the_digits_that_it_had(session: Session) -> None:
    """Whoever left zeros out when it was recorded is not asked again when another digit changes."""
    first = session.stations[0]
    short = replace(first, pose=tuple(f"{float(text):.0f}" for text in first.pose or ()))
    alone = replace(session, stations=(short,))
    assert known(alone, correct=1).decimals == {(0,) * 6}


def lines() -> Iterator[str]:
    yield "0.00 -90.00 90.00 0.00 45.00 0.00"
    yield "0.00 0.00 0.00 0.00 90.00 0.00"
    yield "10.50 -45.20 60.10 3.20 70.00 -15.00"
    yield "-5.20 30.00 62.10 12.00 95.00 -45.00"


@pytest.mark.parametrize("line", lines())
def test_joints_typed_as_the_first_pose_are_called_that(session: Session, line: str) -> None:
    assert said(before(session), line)[0] == "joints-typed"


@pytest.mark.parametrize("line", lines())
def test_joints_are_known_without_a_robot_file(session: Session, line: str) -> None:
    bare = before(replace(session, cell=replace(session.cell, robot=None)))
    assert said(bare, line)[0] == "joints-typed"


@pytest.mark.parametrize("described", [True, False])
def test_a_pose_in_a_foot_that_is_narrower_than_thought_is_asked_about_once(
    session: Session, described: bool
) -> None:
    """Stops near a slim foot were asked about one after the other."""
    line = "10.50 -45.20 60.10 3.20 70.00 -15.00"
    cell = session.cell if described else replace(session.cell, robot=None)
    recorded = session.stations[0]
    accepted = replace(recorded, pose=tuple(line.split()), accepted=("joints-typed",))
    here = before(replace(session, cell=cell))
    assert "joints-typed" in said(here, line)
    after = replace(here, stations=(accepted,))
    near = "10.50 -75.20 80.10 3.20 60.00 -15.00"
    found = [i for i in examine_pose(after, near).findings if i.code == "joints-typed"]
    assert [item.level for item in found] == [Level.NOTE]
    other = replace(here, stations=(replace(recorded, accepted=()),))
    assert "joints-typed" in said(other, near)


def test_a_pose_near_the_base_in_another_frame_is_none_of_joints(session: Session) -> None:
    """In a frame that lies elsewhere a flange may well stand near the origin."""
    frame = Active("F1", ("600.00", "0.00", "400.00", "0.00", "0.00", "0.00"))
    pendant = replace(session.cell.pendant, active_frame=frame)
    for robot in (session.cell.robot, None):
        cell = replace(session.cell, robot=robot, pendant=pendant)
        here = before(replace(session, cell=cell))
        assert "joints-typed" not in said(here, "10.00 -20.00 50.00 170.00 5.00 20.00")


def test_lengths_in_metres_are_not_called_joints(session: Session) -> None:
    assert said(before(session), "0.61 -0.09 0.41 179.80 0.40 -90.00") == ["unit"]


@pytest.mark.parametrize("axes", [6, 4])
@pytest.mark.parametrize("mount", [EYE_TO_HAND, EYE_IN_HAND])
def test_good_first_poses_are_not_called_joints_or_cut_off(
    tmp_path: Path, mount: Mount, axes: int
) -> None:
    make_session(tmp_path / "session", 12, mount, axes)  # type: ignore[arg-type]
    made = open_session(tmp_path / "session")
    for station in made.stations:
        assert said(before(made), text(station)) == []
        bare = replace(made, cell=replace(made.cell, robot=None))
        assert said(before(bare), text(station)) == []


def text(station: Station) -> str:
    return " ".join(station.pose or ())
