"""Tables of poses and recordings of other scripts become stations, each through all checks."""

from __future__ import annotations

import csv
import io
import json
import os
import zipfile
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from command import answer, refused, stationbook
from made_session import make_session, stops
from scipy.spatial.transform import Rotation
from screen_bench import EXAMPLE

from engine.cautions import STORED_POSES
from engine.errors import StationbookError
from engine.pendant.settings import Pendant
from engine.pendant.table import Row, decoded, read_table, time_of
from engine.sessions.cell_file import cell_document
from engine.sessions.folder import open_session
from engine.sessions.numbers import observations
from engine.sessions.yaml_text import yaml_dump
from engine.simulate.scenario import cell
from engine.steps.foreign import Convention, read_foreign
from engine.steps.importing import image_files, paired

COUNT = 6
PENDANT = Pendant("mm", "deg", "fixed-xyz", ("X", "Y", "Z", "A", "B", "C"), (2,) * 6)
POSE = "612.40 -85.10 410 179.8 0.4 -90"


@pytest.fixture
def work(tmp_path: Path) -> Path:
    """An empty session ``new``, and ``seen`` with the points of six stops."""
    (tmp_path / "cell.yaml").write_text(yaml_dump(cell_document(cell("eye-to-hand"))))
    assert stationbook("start", tmp_path / "cell.yaml", tmp_path / "new").returncode == 0
    (tmp_path / "seen").mkdir()
    for number, stop in enumerate(stops(COUNT)[0], 1):
        (tmp_path / "seen" / f"shot{number}.csv").write_text(stop.points)
    return tmp_path


def table(header: bool = True, mark: str = ";", comma: bool = True, image: bool = True) -> str:
    out = io.StringIO()
    rows = csv.writer(out, delimiter=mark)
    if header:
        rows.writerow(["X", "Y", "Z", "A", "B", "C", *(["image"] if image else [])])
    for number, stop in enumerate(stops(COUNT)[0], 1):
        cells = [text.replace(".", ",") if comma else text for text in stop.pose]
        rows.writerow([*cells, *([f"shot{number}.csv"] if image else [])])
    return out.getvalue()


@pytest.mark.parametrize(
    ("text", "form"),
    [
        (table(), "a header, semicolons"),
        (table(mark="\t"), "a header, tabs"),
        (table(mark=",", comma=False), "a header, commas"),
        (table(header=False), "without a header"),
        (table(header=False, mark=",", comma=False), "without a header"),
        (table(header=False, mark=" ", comma=False), "without a header"),
    ],
)
def test_every_kind_of_table_gives_the_typed_poses(text: str, form: str) -> None:
    found = read_table(text, PENDANT)
    assert form in found.form
    assert [tuple(row.pose.split()) for row in found.rows if row.pose] == [
        stop.pose for stop in stops(COUNT)[0]
    ]
    assert [row.image for row in found.rows] == [f"shot{k}.csv" for k in range(1, COUNT + 1)]


@pytest.mark.parametrize(
    "text",
    [
        "sep=;\nA;B;C;X;Y;Z\n179,8;0,4;-90;612,40;-85,10;410\n",
        "poses of cell 7\n\nA;B;C;X;Y;Z\n179,8;0,4;-90;612,40;-85,10;410\n",
        "P1 X=612.40 Y=-85.10 Z=410 A=179.8 B=0.4 C=-90 ! X 9 was before\n",
        "P1: X = 612.40 mm, Y = -85.10 mm, Z = 410 mm\n  A 179.8 deg, B 0.4 deg, C -90 deg\n",
        "name goal_1\nX: 612.40\nY: -85.10\nZ: 410\nA: 179.8\nB: 0.4\nC: -90\n",
        "A;B;C;X [mm];Y (mm);Z_mm;speed\n179,8;0,4;-90;612,40;-85,10;410;100\n",
        "1 612.40 -85.10 410 179.8 0.4 -90\n2 612.40 -85.10 420 179.8 0.4 -90\n",
        "# a remark\n612.40;-85.10;410;179.8;0.4;-90;\n",
    ],
)
def test_a_pose_is_read_from_what_controllers_and_spreadsheets_save(text: str) -> None:
    first = read_table(text, PENDANT).rows[0]
    assert first.pose is not None
    values = [word for word in first.pose.split() if word[-1].isdigit()]
    assert [float(v) for v in values] == [float(v) for v in POSE.split()]


@pytest.mark.parametrize("form", ["utf-16", "utf-16-le", "utf-16-be", "utf-8-sig", "cp1252"])
def test_a_table_is_read_whatever_its_letters_are_stored_as(form: str) -> None:
    assert decoded(table().encode(form)) == table()


def test_joints_beside_the_pose_are_joints() -> None:
    text = "X Y Z A B C J1 J2 J3 J4 J5 J6\n1 2 3 4 5 6 10 20 30 40 50 60\n"
    (row,) = read_table(text, PENDANT, 6).rows
    assert (row.pose, row.joints) == ("1 2 3 4 5 6", "10 20 30 40 50 60")
    (row,) = read_table("1;2;3;4;5;6;10;20;30;40;50;60\n", PENDANT, 6).rows
    assert (row.pose, row.joints) == ("1 2 3 4 5 6", "10 20 30 40 50 60")


def test_a_table_is_shown_first_and_stored_when_told(work: Path) -> None:
    (work / "poses.csv").write_text(table(), encoding="utf-16")
    words = ("import", work / "new", work / "poses.csv", "--images", work / "seen")
    shown = answer(*words)
    assert [row["station"] for row in shown["rows"]] == list(range(1, COUNT + 1))
    assert open_session(work / "new").stations == ()
    stored = answer(*words, "--store", "--operator", "A. Example")
    assert stored["paired_by"] == "name"
    session = open_session(work / "new")
    assert [s.pose for s in session.stations] == [stop.pose for stop in stops(COUNT)[0]]
    text = (work / "new" / "points" / "003.csv").read_text()
    assert text == stops(COUNT)[0][2].points
    assert '"action": "import"' in (work / "new" / "journal.jsonl").read_text()


def test_what_is_exported_comes_back_the_same(work: Path) -> None:
    make_session(work / "old", COUNT)
    text = answer("export", work / "old", "--as", "poses")["text"]
    assert "# result beside them: none, the poses alone" in text
    text = "\n".join(line for line in text.splitlines() if line[0] != "#")
    timed = "\n".join(line if k == 0 else f"{line.rstrip(';')};2026-11-25T09:12:00+05:30"
                      for k, line in enumerate(text.splitlines()))  # fmt: skip
    (work / "poses.csv").write_text(timed)
    images = work / "old" / "points"
    answer("import", work / "new", work / "poses.csv", "--images", images, "--store")
    old, new = open_session(work / "old"), open_session(work / "new")
    assert [s.pose for s in new.stations] == [s.pose for s in old.stations]
    assert [s.taken for s in new.stations] == ["2026-11-25T09:12:00+05:30"] * COUNT
    assert [list(r) for r in csv.reader(io.StringIO(text), delimiter=";")][1][1:7] == list(
        old.stations[0].pose or ()
    )


def test_a_stop_keeps_the_time_that_the_table_says_and_has_none_where_it_says_none(
    work: Path,
) -> None:
    lines = table().splitlines()
    times = ["taken", "2026-11-25T12:00:00+01:00", "", "2026-11-24T08:00:00+01:00", "", "", ""]
    (work / "poses.csv").write_text(
        "\n".join(f"{line};{time}" for line, time in zip(lines, times, strict=True))
    )
    answer("import", work / "new", work / "poses.csv", "--images", work / "seen", "--store")
    session = open_session(work / "new")
    assert [s.taken or "" for s in session.stations] == times[1:]
    # Which stop was the last is known by the times; solving takes the stops in their order.
    assert [s.id for s in session.visited] == [2, 4, 5, 6, 3, 1]
    assert [seen.id for seen in observations(session, work / "new")] == [2, 4, 5, 6, 3, 1]


def test_a_refused_line_says_why_and_keeps_no_other_out(work: Path) -> None:
    lines = table().splitlines()
    lines[2] = lines[2].replace(lines[2].split(";")[1], "12,x")
    lines[4] = lines[3].rpartition(";")[0] + ";shot4.csv"  # the pose of the line above
    lines[5] = lines[5].replace("shot5", "other")
    (work / "poses.csv").write_text("\n".join(lines))
    words = ("import", work / "new", work / "poses.csv", "--images", work / "seen", "--store")
    rows = answer(*words, status=1)["rows"]
    assert [row["station"] for row in rows] == [1, None, 2, None, None, 3]
    assert "Y holds" in rows[1]["refused"]
    assert rows[3]["refused"].startswith("duplicate")
    assert "other.csv" in rows[4]["refused"]
    assert len(open_session(work / "new").stations) == 3


def test_a_table_that_comes_in_again_brings_only_what_is_new(work: Path) -> None:
    lines = table().splitlines()
    (work / "poses.csv").write_text("\n".join(lines[:4]))
    words = ("import", work / "new", work / "poses.csv", "--images", work / "seen", "--store")
    answer(*words)
    (work / "poses.csv").write_text("\n".join(lines))
    rows = answer(*words)["rows"]
    assert [(row["station"], row["already"]) for row in rows] == [
        (1, True), (2, True), (3, True), (4, False), (5, False), (6, False),
    ]  # fmt: skip
    assert len(open_session(work / "new").stations) == COUNT
    said = stationbook(*words)
    assert said.returncode == 0
    assert "0 of 6 rows stored, 6 stored already, 0 refused" in said.stdout
    assert "robot not moved" not in said.stdout
    (work / "seen" / "shot6.csv").write_text((work / "seen" / "shot5.csv").read_text())
    last = answer(*words, status=1)["rows"][-1]  # its pose with another image is no such row
    assert (last["station"], last["already"]) == (None, False)
    assert last["refused"].startswith("duplicate")


def test_a_slip_of_the_finger_in_a_table_is_found_as_if_it_were_typed(work: Path) -> None:
    lines = table().splitlines()
    cells = lines[6].split(";")
    cells[2] = f"{float(cells[2].replace(',', '.')) + 10:.2f}"
    (work / "poses.csv").write_text("\n".join([*lines[:6], ";".join(cells)]))
    words = ("import", work / "new", work / "poses.csv", "--images", work / "seen", "--store")
    last = answer(*words, status=1)["rows"][-1]
    assert last["refused"].startswith("does-not-fit")


def test_images_are_paired_in_the_order_of_their_numbers(work: Path) -> None:
    for number in range(1, COUNT + 1):  # 10 comes after 9, not after 1
        (work / "seen" / f"shot{number}.csv").rename(work / "seen" / f"take{number + 7}.csv")
    assert [p.name for p in image_files(work / "seen")][:3] == ["take8.csv", "take9.csv",
                                                               "take10.csv"]  # fmt: skip
    (work / "poses.csv").write_text(table(image=False))
    shown = answer("import", work / "new", work / "poses.csv", "--images", work / "seen")
    assert shown["paired_by"] == "order"
    (work / "seen" / "take8.csv").unlink()
    said = refused("import", work / "new", work / "poses.csv", "--images", work / "seen")
    assert "6 rows and 5 images" in said


def test_images_are_paired_by_time(work: Path) -> None:
    start = datetime(2026, 11, 25, 9, 0).astimezone()
    lines = ["X;Y;Z;A;B;C;taken"]
    for number, stop in enumerate(stops(COUNT)[0], 1):
        time = start + timedelta(minutes=number)
        lines.append(";".join([*stop.pose, time.isoformat()]))
        if number != 4:
            when = (time + timedelta(seconds=5)).timestamp()
            os.utime(work / "seen" / f"shot{number}.csv", (when, when))
    (work / "poses.csv").write_text("\n".join(lines))
    words = ("import", work / "new", work / "poses.csv", "--images", work / "seen")
    shown = answer(*words, "--pair", "time", status=1)
    images = [row["image"] for row in shown["rows"]]
    assert images == ["shot1.csv", "shot2.csv", "shot3.csv", None, "shot5.csv", "shot6.csv"]
    assert "30 s" in shown["rows"][3]["refused"]
    assert shown["images_left"] == ["shot4.csv"]


def test_images_are_paired_by_the_times_in_their_names(tmp_path: Path) -> None:
    files = [tmp_path / f"cam_20261125_09{k:02d}05.png" for k in (10, 11, 12)]
    rows = [Row(k, "p", taken=f"25.11.2026 9:{9 + k}:00") for k in (1, 2, 3)]
    assert [item.file for item in paired(rows, files, "time").items] == files


def test_images_in_sub_folders_are_told_apart_by_their_folder(tmp_path: Path) -> None:
    for place in ("left/1.PNG", "left/2.PNG", "right/1.PNG", ".trash/9.PNG"):
        (tmp_path / place).parent.mkdir(exist_ok=True)
        (tmp_path / place).touch()
    files = image_files(tmp_path)
    assert [path.relative_to(tmp_path).as_posix() for path in files] == [
        "left/1.PNG", "left/2.PNG", "right/1.PNG"]  # fmt: skip
    rows = [Row(k, "p", image=name) for k, name in enumerate(("right\\1.png", "2.png", "1.png"))]
    items = paired(rows, files).items
    assert [item.file for item in items] == [files[2], files[1], None]
    assert "more than one" in items[2].problem


def test_columns_say_what_they_are_in_any_language() -> None:
    head, body = "Bild;Zeit;X;Y;Z;A;B;C;Notiz", "a.PNG;25.11.2026 09:12;1;2;3;4;5;6;gut"
    (row,), unused = (found := read_table(f"{head}\n{body}\n", PENDANT)).rows, found.unused
    assert (row.image, row.taken, unused) == ("a.PNG", "25.11.2026 09:12", ("Notiz",))
    assert time_of(row.taken) == datetime(2026, 11, 25, 9, 12)
    (row,) = (found := read_table("time;X;Y;Z;A;B;C\n12/11/26;1;2;3;4;5;6\n", PENDANT)).rows
    assert (row.taken, found.unused) == (None, ("time",))  # nobody knows the day from the month


@pytest.mark.parametrize(
    "line",
    [
        "p[690.55, -25, 434.92, 37.45, 17.58, 48.23]",
        "CONST place p1 := [[690.55,-25.00,434.92],[37.45,17.58,48.23],[0,0,0,0],[9E9,9E9]];",
        "P[1] = (690.55, -25.0, 434.92, 37.45, 17.58, 48.23), a.png",
    ],
)
def test_lists_in_brackets_are_read(line: str) -> None:
    (row,) = read_table(line, PENDANT).rows
    read = [float(value) for value in (row.pose or "").split()]
    assert read == [690.55, -25, 434.92, 37.45, 17.58, 48.23]


def recorded(work: Path, kind: str) -> tuple[Path, list[str]]:
    """Write the stops as another script would; scipy's rotations, metres. Return the words."""
    poses = np.array([[float(v) for v in stop.pose] for stop in stops(COUNT)[0]])
    turn = Rotation.from_euler("xyz", poses[:, 3:], degrees=True)  # fixed axes x, y, z
    place, names = poses[:, :3] / 1000.0, [f"shot{k}.csv" for k in range(1, COUNT + 1)]
    T = np.tile(np.eye(4), (COUNT, 1, 1))
    T[:, :3, :3], T[:, :3, 3] = turn.as_matrix(), place
    path = work / f"robot.{kind.partition('-')[0]}"
    words = ["--unit", "m"]
    if kind == "npz-matrix":
        np.savez(path, poses=T, images=np.array(names))
    elif kind == "npz-inverse":
        np.savez(path, poses=np.linalg.inv(T).astype(np.float32), images=np.array(names))
        words.append("--inverse")
    elif kind == "npz-pairs":
        np.savez(path, position=place, quaternion=turn.as_quat(scalar_first=True))
        words += ["--convention", "quaternion-wxyz"]
    elif kind == "json-matrix":
        stations = [{"image": n, "pose": t.tolist()} for n, t in zip(names, T, strict=True)]
        path.write_text(json.dumps({"made": "by a script", "stations": stations}))
    elif kind == "json-parts":
        keys = ("x", "y", "z", "w")
        stations = [
            {"file": n, "position": dict(zip("xyz", p, strict=True)),
             "orientation": dict(zip(keys, q, strict=True))}
            for n, p, q in zip(names, place.tolist(), turn.as_quat().tolist(), strict=True)
        ]  # fmt: skip
        path.write_text(json.dumps(stations))
    elif kind == "csv-vector":
        rows = np.hstack([place, turn.as_rotvec()])
        path.write_text("\n".join(",".join(map(repr, row.tolist())) for row in rows))
        words += ["--convention", "rotation-vector", "--angle-unit", "rad"]
    return path, words


@pytest.mark.parametrize(
    "kind",
    ["npz-matrix", "npz-inverse", "npz-pairs", "json-matrix", "json-parts", "csv-vector"],
)
def test_recordings_of_other_scripts_give_the_same_poses(work: Path, kind: str) -> None:
    path, words = recorded(work, kind)
    answer("import", work / "new", path, "--images", work / "seen", *words, "--store")
    for station, stop in zip(open_session(work / "new").stations, stops(COUNT)[0], strict=True):
        typed = np.array([float(v) for v in station.pose or ()])
        assert typed == pytest.approx([float(v) for v in stop.pose], abs=2e-3)  # float32 of a metre


def test_matrices_by_columns_in_parts_by_name_and_in_blocks_are_the_same_poses(work: Path) -> None:
    path, _ = recorded(work, "npz-matrix")
    T = np.load(path)["poses"]
    meant = Convention("m")
    wanted = [row.pose for row in read_foreign(path, PENDANT, meant)]
    np.savez(work / "columns.npz", poses=T.transpose(0, 2, 1).reshape(COUNT, 16))
    np.savez(work / "parts.npz", R=T[:, :3, :3], tvecs=T[:, :3, 3:])
    parts = [{"r": one[:3, :3].tolist(), "t": one[:3, 3].tolist()} for one in T]
    (work / "parts.json").write_text(json.dumps(parts))
    (work / "named.json").write_text(
        json.dumps({f"{k}.png": one.tolist() for k, one in enumerate(T)})
    )
    lines = (" ".join(map(repr, line.tolist())) for one in T for line in one)
    (work / "blocks.txt").write_text("\n".join(lines))
    for name in ("columns.npz", "parts.npz", "parts.json", "named.json", "blocks.txt"):
        rows = read_foreign(work / name, PENDANT, meant)
        assert [row.pose for row in rows] == wanted, name
    assert [row.image for row in read_foreign(work / "named.json", PENDANT, meant)][:2] == [
        "0.png", "1.png"]  # fmt: skip


def test_positions_that_are_none_are_refused_row_by_row(tmp_path: Path) -> None:
    np.savez(tmp_path / "a.npz", R=np.tile(np.eye(3), (2, 1, 1)), t=np.ones((2, 2)))
    rows = read_foreign(tmp_path / "a.npz", PENDANT, Convention("m"))
    assert [row.problem for row in rows] == ["2 + 9 numbers are no pose"] * 2


def test_what_a_recording_does_not_say_is_asked(work: Path) -> None:
    path, _ = recorded(work, "npz-matrix")
    assert "--unit" in refused("import", work / "new", path)
    path, _ = recorded(work, "npz-pairs")
    assert "quaternion-xyzw or" in refused("import", work / "new", path, "--unit", "m")
    assert "unknown convention" in refused(
        "import", work / "new", path, "--unit", "m", "--convention", "euler"
    )


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("a.npz", b"PK\x03\x04nonsense"),
        ("a.npy", b"\x93NUMPY\x01\x00v\x00{'descr': '<f8', 'shape': (999999999, 4, 4)}"),
        ("a.json", b'[{"pose": [[1, 2], [3]]}]'),
        ("a.json", b'[{"position": [1, 2, 3], "rotation": [[1, 2], [3]]}]'),
        ("a.json", b"[" * 100_000),
        ("a.json", b'{"stations": []}'),
        ("a.csv", b""),
        ("a.csv", b"\x00\x01\x02\xff"),
        ("a.csv", b"X;Y;Z\n1;2;3\n"),
        ("a.csv", b"X;X;Y;Z;A;B;C\n1;1;2;3;4;5;6\n"),
        ("a.csv", b"X [m];Y [m];Z [m];A;B;C\n1;2;3;4;5;6\n"),
    ],
)
def test_files_that_hold_no_poses_end_in_a_sentence(work: Path, name: str, data: bytes) -> None:
    (work / name).write_bytes(data)
    words = ["--unit", "mm"] if name != "a.csv" else []
    run = stationbook("import", work / "new", work / name, *words)
    assert run.returncode in (1, 2)
    assert "Traceback" not in run.stderr
    assert "internal error" not in run.stderr
    assert run.stderr or "REFUSED" in run.stdout


def zipped(**members: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members.items():
            archive.writestr(name.replace("_", "."), data)
    return out.getvalue()


def saved(array: np.ndarray) -> bytes:
    out = io.BytesIO()
    np.save(out, array)
    return out.getvalue()


@pytest.mark.parametrize(
    ("name", "data", "words"),
    [
        ("a.npz", zipped(poses_npy=zipped(x_npy=b"y")), "holds no poses"),
        ("a.npz", zipped(poses_npy=b""), "holds no poses"),
        ("a.npz", zipped(poses_npy=bytes(65 * 2**20)), "unpacked it would take"),
        ("a.npz", zipped(position_npy=saved(np.array(1)), q_npy=saved(np.array(2))), "no poses"),
        ("a.npy", saved(np.zeros((6_000, 7), np.int8)), "more than 5000"),
        ("a.json", b"[" + b"[1]," * 2_200_000 + b"1]", "the limit is 8"),
        ("a.csv", b"1;2;3;4;5;6\n" * 800_000, "the limit is 8"),
    ],
)  # fmt: skip
def test_a_recording_larger_than_any_is_refused_before_it_is_read(
    tmp_path: Path, name: str, data: bytes, words: str
) -> None:
    (tmp_path / name).write_bytes(data)
    with pytest.raises(StationbookError, match=words):
        read_foreign(tmp_path / name, PENDANT, Convention("mm", "quaternion-xyzw"))


def test_a_line_without_end_is_refused_at_once() -> None:
    with pytest.raises(StationbookError, match="line 2 has more than"):
        read_table(f"1;2;3;4;5;6\n{'1;' * 10_000}", PENDANT)


def test_a_matrix_that_is_no_rotation_is_refused(work: Path) -> None:
    path, words = recorded(work, "json-matrix")
    document = json.loads(path.read_text())
    document["stations"][1]["pose"][0][0] += 0.2
    path.write_text(json.dumps(document))
    rows = answer("import", work / "new", path, *words, "--images", work / "seen", status=1)["rows"]
    assert [row["station"] is None for row in rows] == [False, True, False, False, False, False]
    assert "rigid" in rows[1]["refused"]


def test_images_from_before_the_session_come_in_without_being_called_old(work: Path) -> None:
    text = stationbook("export", EXAMPLE, "--as", "poses").stdout.splitlines()
    said = [line for line in text if line.startswith("#")]
    assert said[-3:] == [f"# {caution}" for caution in STORED_POSES]
    assert "# proven by touch points: not yet" in said
    (work / "poses.csv").write_text("\n".join(text[: len(said) + 3]))
    new = work / "later"
    assert stationbook("start", EXAMPLE / "cell.yaml", new).returncode == 0
    rows = answer("import", new, work / "poses.csv", "--images", EXAMPLE / "images", "--store")
    assert [row["station"] for row in rows["rows"]] == [1, 2]
    assert (new / "images" / "002.png").read_bytes() == (EXAMPLE / "images/002.png").read_bytes()
    assert rows["images_left"] == [f"00{k}.png" for k in range(3, 10)]


def test_a_row_with_more_numbers_than_columns_is_refused_as_a_whole(work: Path) -> None:
    """With commas in the numbers and between them, each half of a number was read as one."""
    text = table(mark=";", comma=True, image=False).replace(";", ",")
    found = read_table(text, PENDANT)
    assert {row.problem for row in found.rows} == {"12 values stand under 6 columns"}
    assert "semicolons" in found.rows[0].remedy
    (work / "poses.csv").write_text(text)
    told = stationbook("import", work / "new", work / "poses.csv", "--images", work / "seen")
    assert told.returncode == 1
    assert f"0 of {COUNT} rows can be stored, {COUNT} refused" in told.stdout
    remark = table(image=False).replace("\r\n", ";a remark\r\n").replace("C;a remark", "C")
    assert all(row.pose for row in read_table(remark, PENDANT).rows)
