"""A session of which too few stations are usable: why, how many, and what to do."""

from __future__ import annotations

import json
import re
from pathlib import Path

import cv2
import numpy as np
import pytest
from command import stationbook
from made_session import make_session

from engine.simulate.scenario import cell, truth
from engine.simulate.virtual_cell import VirtualCell
from engine.steps import unusable

DARK = np.random.default_rng(1).integers(0, 12, (1024, 1280)).astype(np.uint8)


def blind(folder: Path, images: int, count: int = 6) -> Path:
    """Return a session whose stations have no points; the first ``images`` have a dark image."""
    make_session(folder, count)
    path = folder / "session.yaml"
    text = re.sub(r"points: points/\d+\.csv", "points: null", path.read_text())
    (folder / "images").mkdir()
    for number in range(1, images + 1):
        name = f"images/{number:03d}.png"
        cv2.imwrite(str(folder / name), DARK)
        text = text.replace("image: null", f"image: {name}", 1)
    path.write_text(text)
    return folder


def said(folder: Path, *words: str) -> dict[str, str]:
    run = stationbook("solve", folder, "--no-write", "--json", *words)
    assert run.returncode == 1
    return next(f for f in json.loads(run.stdout)["findings"] if f["code"] == "too-few")


def test_images_without_a_board_say_why_how_many_and_what_to_do(tmp_path: Path) -> None:
    found = said(blind(tmp_path / "s", images=4))
    assert found["message"].startswith("0 usable stations; at least 3 are needed. ")
    assert "4 without points (1, 2, 3 ...): No board found in images/001.png." in found["message"]
    assert "grey levels" in found["message"]  # too dark
    assert "2 without points (5, 6): The station has no image and no points." in found["message"]
    assert "light" in found["remedy"]
    assert "Take the image at this stop" in found["remedy"]
    assert "\n" not in found["message"]


def test_points_that_were_never_stored_and_files_that_are_gone_are_told(tmp_path: Path) -> None:
    folder = blind(tmp_path / "s", images=2)
    (folder / "images" / "002.png").unlink()
    room = VirtualCell(cell("eye-to-hand", 6), truth("eye-to-hand", 6), 3)
    room.go_to(room.suggest_stations(1)[0])
    cv2.imwrite(str(folder / "images" / "001.png"), room.take_image())
    found = said(folder)
    assert "1 without points (1): The board is found in images/001.png now" in found["message"]
    assert "1 without points (2): " in found["message"]
    assert "002.png" in found["message"]
    assert "Take the station again with this image" in found["remedy"]


def test_of_many_images_the_first_are_looked_at_and_stations_with_points_are_left_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(unusable, "LOOKED_AT", 3)
    found = said(blind(tmp_path / "many", images=6))
    assert "3 without points (1, 2, 3): " in found["message"]
    assert found["message"].endswith("Of 6 such stations the first 3 were looked at.")
    make_session(tmp_path / "few", 2)
    assert said(tmp_path / "few")["message"] == "2 usable stations; at least 3 are needed."
