"""export, board, pack, unpack and robot import as real commands."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
import yaml
from command import answer, refused, stationbook

EXAMPLE = Path(__file__).parent.parent / "sessions" / "bottling-line-2-infeed"

URDF = """<robot name="two turns"><link name="base"/><link name="a"/><link name="tip"/>
<joint name="one" type="revolute"><parent link="base"/><child link="a"/><axis xyz="0 0 1"/>
<origin xyz="0 0 0.3"/><limit lower="-2" upper="2" effort="1" velocity="1"/></joint>
<joint name="two" type="revolute"><parent link="a"/><child link="tip"/><axis xyz="0 1 0"/>
<origin xyz="0.2 0 0"/><limit lower="-1" upper="1" effort="1" velocity="1"/></joint></robot>"""


@pytest.fixture
def session(tmp_path: Path) -> Path:
    return Path(shutil.copytree(EXAMPLE, tmp_path / "session"))


def test_exported_matrix_is_the_result(session: Path) -> None:
    result = yaml.safe_load((session / "result.yaml").read_text(encoding="utf-8"))
    run = stationbook("export", session, "--as", "matrix")
    assert run.returncode == 0
    rows = [line.split() for line in run.stdout.splitlines() if not line.startswith("#")]
    exported = np.array([row for row in rows if row], float)
    np.testing.assert_allclose(exported, result["base_T_camera"]["matrix"], atol=1e-6)


def test_export_over_several_folders_keeps_their_order(session: Path, tmp_path: Path) -> None:
    run = stationbook("export", session, tmp_path / "none", session, "--as", "tf", "--json")
    lines = [json.loads(line) for line in run.stdout.splitlines()]
    assert run.returncode == 2
    assert lines[0]["as"] == lines[2]["as"] == "tf"
    assert "error" in lines[1]


def test_unknown_format_lists_those_that_exist(session: Path) -> None:
    assert "matrix" in refused("export", session, "--as", "matrx")


def test_export_to_a_file_says_where(session: Path, tmp_path: Path) -> None:
    out = tmp_path / "camera.json"
    assert stationbook("export", session, "--as", "json", "--out", out).returncode == 0
    assert json.loads(out.read_text(encoding="utf-8"))["transform"] == "base_T_camera"


def test_board_is_written_as_pdf(session: Path, tmp_path: Path) -> None:
    out = tmp_path / "board.pdf"
    made = answer("board", session / "cell.yaml", "--out", out, "--paper", "A3")
    assert made["files"] == [str(out)]
    assert out.read_bytes().startswith(b"%PDF")


def test_board_larger_than_the_paper_is_refused_without_tiles(
    session: Path, tmp_path: Path
) -> None:
    sentence = refused("board", session / "cell.yaml", "--out", tmp_path / "b.pdf", "--paper", "A5")
    assert "A5" in sentence


def test_pack_and_unpack_give_the_same_session(session: Path, tmp_path: Path) -> None:
    answer("pack", session, "--out", tmp_path / "s.zip")
    answer("unpack", tmp_path / "s.zip", "--to", tmp_path / "copy")
    for name in ("session.yaml", "result.yaml", "images/001.png"):
        assert (tmp_path / "copy" / name).read_bytes() == (session / name).read_bytes()
    assert "exists" in refused("unpack", tmp_path / "s.zip", "--to", tmp_path / "copy")


def test_pack_without_images_still_solves(session: Path, tmp_path: Path) -> None:
    made = answer("pack", session, "--out", tmp_path / "s.zip", "--without-images")
    assert made["left_out"] == 9
    answer("unpack", tmp_path / "s.zip", "--to", tmp_path / "copy")
    assert answer("solve", tmp_path / "copy", "--no-write")["verdict"] == "accepted"


def test_robot_import_writes_a_robot_file(tmp_path: Path) -> None:
    (tmp_path / "arm.urdf").write_text(URDF, encoding="utf-8")
    out = tmp_path / "arm.yaml"
    words = ("robot", "import", tmp_path / "arm.urdf", "--base", "base", "--tip", "tip")
    assert answer(*words, "--out", out)["axes"] == 2
    assert yaml.safe_load(out.read_text(encoding="utf-8"))["kind"] == "chain"
    assert "tip" in refused(*words[:-1], "top", "--out", tmp_path / "other.yaml")


def test_report_is_one_file_that_needs_nothing_else(session: Path) -> None:
    made = answer("report", session)
    html = (session / "report.html").read_text(encoding="utf-8")
    assert made["path"] == str(session / "report.html")
    assert "ACCEPTED" in html
    assert "a record, not an accredited certificate" in html
    assert "http://" not in html.replace("http://www.w3.org", "")
    assert 'src="data:' in html


def test_a_second_report_keeps_the_first(session: Path) -> None:
    answer("report", session)
    first = (session / "report.html").read_bytes()
    answer("edit", session, "--station", 3, "--note", "looked at again")
    answer("report", session)
    assert (session / "report-001.html").read_bytes() == first


def test_a_report_needs_a_result(session: Path) -> None:
    (session / "result.yaml").unlink()
    assert "solve" in refused("report", session)
