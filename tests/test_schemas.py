"""What --json prints keeps to docs/schemas, judged by an independent validator (jsonschema)."""

from __future__ import annotations

import json
import shutil
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from command import stationbook
from jsonschema import Draft202012Validator
from later_session import make_later
from made_session import make_session
from test_command_handover import URDF

from tui.command_words import COMMANDS

ROOT = Path(__file__).parent.parent
EXAMPLE = ROOT / "sessions" / "bottling-line-2-infeed"
FOLDER = ROOT / "docs" / "schemas"
SCHEMAS = {
    path.stem: json.loads(path.read_text(encoding="utf-8")) for path in FOLDER.glob("*.json")
}

CALLS = [  # schema, words; {s} is the example, {d} the folder it lies in
    ("start", "start {s}/cell.yaml {d}/new"),
    ("swap", "swap {d}/earlier {d}/spare --camera"),
    ("record", "record {s} --pose 610,-80,310,180,0"),
    ("record", "edit {s} --station 2 --note seen"),
    ("import", "import {s} {d}/poses.csv"),
    ("check", "check {s}"),
    ("plan", "plan {s} --count 1"),
    ("solve", "solve {s} --no-write"),
    ("solve", "solve {d}/hand"),
    ("solve", "solve {d}/few --no-write"),
    ("solve", "solve {d}/quick --board-from {d}/earlier"),
    ("solve-all", "solve --all {d}/earlier --jobs 1"),
    ("recheck", "recheck {d}/later --against {d}/earlier"),
    ("recheck", "recheck {d}/later --against {d}/earlier --visit 2"),
    ("compare", "compare {s} {d}/same {d}/same"),
    ("proof-recorded", "proof {s} --tip 0,0,150 --tip-u 0.1"),
    ("proof", "proof {s} --no-write"),
    ("proof-held-out", "proof {s} --hold-out 3"),
    ("shift", "shift {s}"),
    ("report-together", "report {s} {d}/same --together {d}/all.html"),
    ("report", "report {s} --no-write"),
    ("export", "export {s} --as matrix"),
    ("export", "export {s} --as poses"),
    ("focus", "focus {s}/cell.yaml --image {s}/images/002.png"),
    ("lens", "lens {s}"),
    ("board", "board {s}/cell.yaml --out {d}/board.svg --paper A3"),
    ("pack", "pack {s} --out {d}/s.zip"),
    ("pack", "unpack {d}/s.zip --to {d}/copy"),
    ("robot-import", "robot import {d}/arm.urdf --base base --tip tip --out {d}/arm.yaml"),
    ("explain", "explain typed-value"),
    ("explain-all", "explain"),
    ("doctor", "doctor"),
    ("doctor", "doctor {s}"),
    ("sign", "sign --new-key"),
    ("sign", "sign {s}"),
    ("tip", "tip {s} --table {d}/touches.csv"),
    ("frame", "frame {s} --name belt --seen 0,0,900 --seen 90,0,900 --seen 0,90,900 --as json"),
    ("event", "event {s} --what crash"),
    ("about", "about {s} --place hall --instrument tape;1;2027-01-01"),
    ("cells", "cells {d} --drift"),
    ("error", "solve {d}/nowhere"),
    ("error-of-several", "solve {d}/nowhere {d}/nowhere --jobs 1"),
]


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("schemas")
    for name in ("session", "same"):
        shutil.copytree(EXAMPLE, folder / name)
    make_session(folder / "earlier", 6)
    make_session(folder / "hand", 5, "eye-in-hand")
    make_session(folder / "few", 2)
    make_later(folder / "later", 2)
    make_later(folder / "quick", 4, shift=np.array([0.0, 0.004, 0.0, 0.0, 1.0, -6.0]))
    (folder / "arm.urdf").write_text(URDF, encoding="utf-8")
    poses = "600;0;300;180;0;0\n590;90;310;150;0;0\n610;-95;300;-150;0;0\n700;0;310;180;30;0\n"
    (folder / "touches.csv").write_text(poses)
    (folder / "poses.csv").write_text("1;2;3;4;5;6\n7;8;x;0;0;0\n")
    return folder


@pytest.mark.parametrize(("name", "text"), CALLS, ids=[text.split()[0] for _, text in CALLS])
def test_a_document_keeps_to_its_schema(name: str, text: str, place: Path) -> None:
    words = [word.format(s=place / "session", d=place) for word in text.split()]
    if words[0] == "sign" and "--new-key" not in words:
        stationbook("sign", "--new-key")
    lines = stationbook(*words, "--json").stdout.splitlines()
    assert lines
    for line in lines:
        check(json.loads(line), SCHEMAS[name])


def check(document: Any, schema: Any) -> None:
    errors = [
        f"{e.json_path}: {e.message}" for e in Draft202012Validator(schema).iter_errors(document)
    ]
    assert errors == []


def test_a_schema_refuses_another_document() -> None:
    assert not Draft202012Validator(SCHEMAS["check"]).is_valid({"format": 2, "findings": []})
    assert not Draft202012Validator(SCHEMAS["check"]).is_valid({"format": 1})
    assert not Draft202012Validator(SCHEMAS["check"]).is_valid(
        {"format": 1, "findings": [], "more": 1}
    )
    assert not Draft202012Validator(SCHEMAS["solve"]).is_valid(
        {"format": 1, "mount": "eye-to-hand"}
    )


def test_the_schemas_are_those_that_the_tool_makes() -> None:
    sys.path.insert(0, str(ROOT / "tests" / "tools"))
    from make_schemas import schemas

    assert json.loads(json.dumps(schemas())) == SCHEMAS
    for schema in SCHEMAS.values():
        Draft202012Validator.check_schema(schema)


def test_every_command_that_answers_has_a_schema() -> None:
    spoken = {" ".join(text.split()[: 2 if text.startswith("robot") else 1]) for _, text in CALLS}
    assert set(COMMANDS) - spoken == {"open", "demo", "completion"}  # the screen; `solve`; a script
