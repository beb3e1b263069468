"""session.yaml in both directions, cut off and damaged at every place."""

from __future__ import annotations

import random
from dataclasses import replace
from pathlib import Path

import pytest
import yaml
from files_samples import (
    POSE,
    SCARA,
    SESSION,
    STATION,
    demo_cell,
    keys_of,
    refusal,
    session_of,
    write_session,
)
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from engine.cell.session import PlannedStation, Session, Station
from engine.errors import FileError
from engine.sessions.folder import PLANNED, open_session, session_from, session_text
from engine.sessions.folder import STATION as STATION_KEYS
from engine.sessions.yaml_text import parse_yaml, yaml_dump

FILE = Path("session.yaml")


def parsed(text: str | bytes) -> Session:
    return session_from(parse_yaml(text.encode() if isinstance(text, str) else text, FILE))


def refused(text: str) -> FileError:
    with pytest.raises(FileError) as caught:
        parsed(text)
    assert "\n" not in str(caught.value)
    return caught.value


def with_station(**values: object) -> str:
    (station,) = yaml.safe_load(STATION)
    station |= {"taken": "2026-11-25T09:12:00+01:00"} | values
    station = {key: value for key, value in station.items() if value is not ...}
    return SESSION.replace(STATION, yaml_dump([station]))


def test_the_example_session_arrives() -> None:
    session = parsed(SESSION)
    station = session.stations[0]
    assert session.cell.name == "bottling line 2, infeed"
    assert (station.id, station.pose, station.use) == (3, POSE, True)
    assert (station.image, station.points) == ("images/003.png", "points/003.csv")
    assert station.taken == "2026-11-25T09:12:00+01:00"
    assert session.plan == (PlannedStation(jog="base Z +80 mm", why="tilt"),)


def test_a_folder_written_by_hand_with_little_in_it_is_a_session(tmp_path: Path) -> None:
    text = SESSION.split("plan:")[0].replace("operator: A. Example\n", "")
    text = text.replace("created: 2026-11-25T09:00:00+01:00\n", "")
    bare = "stations:\n- {id: 1, pose: [612.4, 010, 3, 4, 5, 6], points: points/001.csv}\n"
    session = open_session(write_session(tmp_path, text + bare))
    assert session.stations == (
        Station(1, ("612.4", "010", "3", "4", "5", "6"), points="points/001.csv"),
    )
    assert session.operator is None


@pytest.mark.parametrize("quote", ["", "'", '"'])
def test_typed_texts_are_kept_as_typed(quote: str) -> None:
    fields = ["010", "-85.10", "1.50", "+179.80", "−0.40", "-90,00"]
    listed = ", ".join(
        f"{quote or chr(39) * (',' in f)}{f}{quote or chr(39) * (',' in f)}" for f in fields
    )
    text = SESSION.replace(", ".join(f'"{p}"' for p in POSE), listed)
    assert parsed(text).stations[0].pose == tuple(fields)


@pytest.mark.parametrize(
    "field", [".nan", "inf", "-.inf", "nan", "1_000", "1:30", "0x1F", "true", "6 1", ""]
)
def test_what_is_no_typed_number_is_refused_at_its_field(field: str) -> None:
    for written in (field or "~", f"'{field}'"):
        error = refused(SESSION.replace('"410.00"', written))
        assert error.key == "stations[1].pose[3]"
        assert error.line is not None


@pytest.mark.parametrize(
    ("values", "key"),
    [
        ({"id": 0}, "stations[1].id"),
        ({"id": 1.5}, "stations[1].id"),
        ({"id": ...}, "stations[1].id"),
        ({"pose": POSE[:5]}, "stations[1].pose"),
        ({"pose": None}, "stations[1]"),
        ({"pose": None, "joints": POSE}, "stations[1].pose"),
        ({"pose": "612.40 -85.10"}, "stations[1].pose"),
        ({"joints": ["1", "2"]}, "stations[1].joints"),
        ({"image": "../003.png"}, "stations[1].image"),
        ({"image": "/etc/passwd"}, "stations[1].image"),
        ({"points": "points/../../x.csv"}, "stations[1].points"),
        ({"points": "C:/x.csv"}, "stations[1].points"),
        ({"points": "points\\003.csv"}, "stations[1].points"),
        ({"points": "points/"}, "stations[1].points"),
        ({"points": "~/x.csv"}, "stations[1].points"),
        ({"board_pose": [1, 2, 3]}, "stations[1].board_pose"),
        ({"board_pose": [1, 2, 3, 0, 0, 0, 0]}, "stations[1].board_pose"),
        ({"board_pose": [1, 2, float("nan"), 0, 0, 0, 1]}, "stations[1].board_pose[3]"),
        ({"board_pose": [1, 2, 3, 0, 0, 0, float("inf")]}, "stations[1].board_pose[7]"),
        ({"taken": "yesterday"}, "stations[1].taken"),
        ({"use": "yes"}, "stations[1].use"),
        ({"accepted": "small-move"}, "stations[1].accepted"),
        ({"poze": POSE}, "stations[1].poze"),
    ],
)
def test_a_station_that_cannot_be_is_refused_at_its_key(
    values: dict[str, object], key: str
) -> None:
    error = refused(with_station(**values))
    assert error.key == key
    assert error.line is not None


def test_two_stations_with_one_id_are_refused() -> None:
    assert refused(SESSION + STATION).key == "stations[2].id"


def test_the_session_may_not_read_robot_or_points_files_outside_its_folder() -> None:
    text = SESSION.replace("    pitch_mm: 20.0", "    pitch_mm: 20.0\n    points_file: ../x.csv")
    assert refused(text).key == "cell.board.points_file"
    start, end = SESSION.index("  robot:"), SESSION.index("  pendant:")
    text = SESSION[:start] + "  robot: {file: ../arm.yaml}\n" + SESSION[end:]
    assert refused(text).key == "cell.robot.file"


def test_typed_joints_take_the_place_of_the_pose(tmp_path: Path) -> None:
    text = SESSION.replace("rotation: fixed-xyz", "rotation: joints")
    text = text.replace("labels: [X, Y, Z, A, B, C]", "labels: [J1, J2, J3, J4, J5, J6]")
    assert refused(text).key == "stations[1].pose"
    text = text.replace("  joints: null", "  joints: [1, 2, 3, 4, 5, 6]").replace(
        '  pose: ["612.40", "-85.10", "410.00", "179.80", "0.40", "-90.00"]', "  pose: null"
    )
    assert parsed(text).stations[0].joints == ("1", "2", "3", "4", "5", "6")


def test_newer_missing_and_foreign_files_say_what_they_are(tmp_path: Path) -> None:
    assert (
        "newer"
        in refused(SESSION.replace("format: 1\nname: first", "format: 7\nname: first")).clause
    )
    assert refused(SESSION.removeprefix("format: 1\n")).key == "format"
    assert refused("just a text").clause.startswith("expected")
    with pytest.raises(FileError, match="no such folder"):
        open_session(tmp_path / "nowhere")
    with pytest.raises(FileError, match=r"holds no session\.yaml"):
        open_session(tmp_path)
    (tmp_path / "session.yaml").mkdir()
    with pytest.raises(FileError, match="folder, not a file"):
        open_session(tmp_path)
    with pytest.raises(FileError, match="this is a file"):
        open_session(Path(__file__))


def test_a_session_cut_off_at_any_byte_opens_or_is_refused_in_one_sentence() -> None:
    data = SESSION.encode()
    complete = parsed(data)
    for length in range(len(data)):
        said = refusal(lambda cut=data[:length]: parsed(cut))
        assert "\n" not in said
        if not said:
            assert parsed(data[:length]).cell == complete.cell  # never half a cell


def test_any_single_damaged_byte_opens_or_is_refused_in_one_sentence() -> None:
    rng = random.Random(20261125)
    data = SESSION.encode()
    for _ in range(1500):
        place, byte = rng.randrange(len(data)), rng.randrange(256)
        damaged = data[:place] + bytes([byte]) + data[place + 1 :]
        assert "\n" not in refusal(lambda data=damaged: parsed(data))


WRONG = [{"a": [1]}, [{"x": 1}], float("nan"), float("inf"), {"": None}]


@pytest.mark.parametrize("wrong", WRONG, ids=repr)
@pytest.mark.parametrize("key", [p[0] for p in keys_of(STATION_KEYS) if len(p) == 1])
def test_a_wrong_type_in_a_station_is_refused_at_its_key(key: str, wrong: object) -> None:
    words = ("image", "points", "depth", "photo", "operator", "note")
    if key in words and isinstance(wrong, float):
        return  # any word is a name
    error = refused(with_station(**{key: wrong}))
    assert (error.key or "").startswith(f"stations[1].{key}")


@pytest.mark.parametrize("wrong", WRONG[:2], ids=repr)
@pytest.mark.parametrize("key", [p[0] for p in keys_of(PLANNED) if len(p) == 1])
def test_a_wrong_type_in_the_plan_is_refused_at_its_key(key: str, wrong: object) -> None:
    text = SESSION.replace(
        "- {pose: null, jog: base Z +80 mm, why: tilt}", yaml_dump([{key: wrong}])
    )
    assert (refused(text).key or "").startswith(f"plan[1].{key}")


words = st.text(st.characters(exclude_categories=("Cs",)), min_size=1, max_size=30).filter(
    str.strip
)
numbers = st.decimals(-9999, 9999, places=3).map(str)
fields = st.tuples(*[numbers] * 6)
names = st.from_regex(r"[a-z0-9]{1,8}(/[a-z0-9]{1,8})?\.(png|csv)", fullmatch=True)
finite = st.floats(-1e6, 1e6)
stations = st.builds(
    Station,
    id=st.integers(1, 10**6),
    pose=fields,
    joints=st.none() | fields,
    image=st.none() | names,
    points=st.none() | names,
    board_pose=st.none() | st.tuples(finite, finite, finite, *map(st.just, (0.6, 0.0, 0.8, 0.0))),
    taken=st.none() | st.datetimes().map(lambda t: t.isoformat()),
    use=st.booleans(),
    accepted=st.lists(words, max_size=3).map(tuple),
    operator=st.none() | words,
    note=st.none() | words,
    closing=st.booleans(),
)
plans = st.builds(
    PlannedStation,
    pose=st.none() | fields,
    jog=st.none() | words,
    why=st.none() | words,
    skipped=st.none() | words,
)


@settings(
    max_examples=50, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)
@given(
    name=words,
    operator=st.none() | words,
    plan=st.lists(plans, max_size=3).map(tuple),
    made=st.lists(stations, max_size=4, unique_by=lambda s: s.id).map(tuple),
)
def test_any_session_comes_back_as_it_was_written(
    tmp_path: Path, name: str, operator: str | None, plan: tuple, made: tuple
) -> None:
    cell = demo_cell(tmp_path)
    session = Session(name, operator, "2026-11-25T09:00:00+01:00", cell, plan, made)
    text = session_text(session)
    assert open_session(write_session(tmp_path, text)) == session
    assert session_text(session) == text


def test_pose_texts_are_quoted_so_that_other_programs_keep_them(tmp_path: Path) -> None:
    text = session_text(session_of(demo_cell(tmp_path), 1))
    assert tuple(yaml.safe_load(text)["stations"][0]["pose"]) == POSE


@pytest.mark.parametrize(
    "change",
    [
        {"operator": " "},
        {"note": "x" * 5000},
        {"pose": POSE[:3]},
        {"pose": ("nan",) * 6},
        {"id": 1},
    ],
)
def test_a_session_that_could_not_be_opened_again_is_never_written(
    tmp_path: Path, change: dict[str, object]
) -> None:
    session = session_of(demo_cell(tmp_path), 2)
    bad = replace(session.stations[1], **change)
    with pytest.raises(FileError):
        session_text(replace(session, stations=(session.stations[0], bad)))


def test_a_lift_counts_among_the_joints() -> None:
    start, end = SESSION.index("  robot:"), SESSION.index("  pendant:")
    robot = "  robot:\n" + "".join(f"    {line}\n" for line in SCARA.splitlines())
    text = SESSION[:start] + robot + SESSION[end:]
    assert parsed(text.replace("joints: null", "joints: [1, 2, 3, 4]")).stations[0].joints
    assert refused(text.replace("joints: null", "joints: [1, 2, 3]")).key == "stations[1].joints"
