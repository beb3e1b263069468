"""Every command once as a process of its own: what it prints and its exit status.

The other tests call the command line in their own process (tests/command.py); here both ways are
held to each other, so that nothing rests on what another test has loaded.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from command import process, stationbook
from later_session import make_later
from made_session import make_session
from test_command_handover import URDF

EXAMPLE = Path(__file__).parent.parent / "sessions" / "bottling-line-2-infeed"


def words(text: str, folder: Path) -> list[str]:
    """Return the words of a command; {s} is a session, {d} the folder it lies in."""
    return [word.format(s=folder / "session", d=folder) for word in text.split()]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What the commands are called on; each call gets a copy."""
    folder = tmp_path_factory.mktemp("made")
    shutil.copytree(EXAMPLE, folder / "session")
    shutil.copytree(EXAMPLE, folder / "same")
    make_session(folder / "earlier", 6)
    make_later(folder / "later", 2)
    (folder / "arm.urdf").write_text(URDF, encoding="utf-8")
    return folder


@pytest.mark.parametrize(
    ("text", "status"),
    [
        ("--help", 0),
        ("--version", 0),
        ("nonsense", 2),
        ("start {s}/cell.yaml {d}/new", 0),
        ("record {s} --pose 610,-80,310,180,0", 1),
        ("edit {s} --station 2 --note seen", 0),
        ("import {s} {d}/none.csv", 2),
        ("check {s}", 0),
        ("plan {s} --count 2", 0),
        ("solve {s} --no-write", 0),
        ("recheck {d}/later --against {d}/earlier", 0),
        ("compare {s} {d}/same", 0),
        ("proof {s} --tip 0,0,150 --tip-u 0.1", 0),
        ("shift {s} {d}/same --points {d}/none.csv --out {d}/moved.csv", 2),
        ("cells {d}", 0),
        ("event {s} --what crash --on 2020-01-01", 0),
        ("about {s} --place hall", 0),
        ("report {s}", 0),
        ("export {s} --as matrix", 0),
        ("focus {s}/cell.yaml --image {s}/images/002.png", 0),
        ("lens {s}", 0),
        ("board {s}/cell.yaml --out {d}/board.pdf --paper A3", 0),
        ("pack {s} --out {d}/s.zip", 0),
        ("unpack {d}/none.zip --to {d}/copy", 2),
        ("robot import {d}/arm.urdf --base base --tip tip --out {d}/arm.yaml", 0),
        ("explain typed-value", 0),
        ("open {d}/none", 2),
    ],
)
def test_a_process_prints_and_ends_as_the_call_does(
    text: str, status: int, made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    folder = tmp_path / "work"
    called = stationbook(*words(text, Path(shutil.copytree(made, folder))))
    shutil.rmtree(folder)
    ran = process(*words(text, Path(shutil.copytree(made, folder))))
    assert ran.returncode == called.returncode == status, ran.stdout + ran.stderr
    assert "Traceback" not in ran.stderr
    assert ran.stderr == called.stderr
    assert ran.stdout == called.stdout


def test_a_process_looks_at_the_machine_as_the_call_does() -> None:
    ran, called = process("doctor"), stationbook("doctor")
    assert ran.returncode == called.returncode == 0
    assert "Traceback" not in ran.stderr
    parts = [[line for line in run.stdout.splitlines() if line[:1] != " "] for run in (ran, called)]
    assert parts[0] == parts[1]
    assert "system" in parts[0]
