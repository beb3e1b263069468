"""A pointer's tip found on the screen, and used for the proof."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import yaml
from screen_bench import app_for, comes, example, on_screen, opened, paste_line, type_line, until
from test_proof_tip import TIP, touches, typed

from engine.proof.touch import read_touches
from engine.sessions.folder import open_session
from engine.sessions.journal import newest
from engine.steps.planning import LEFT, STOPPED
from engine.steps.pointing import AT_A_POINT, TIP_TOUCHED
from tui.desk.desk import Desk
from tui.screens.proof import Proof
from tui.screens.tip import FindTip


@on_screen
async def test_a_tip_is_found_by_touching_and_becomes_the_pointer(tmp_path: Path) -> None:
    folder = example(tmp_path / "session", 9)
    app = app_for(folder)
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await opened(pilot)
        assert isinstance(screen.desk, Desk)
        app.push_screen(Proof(screen.desk))
        await until(pilot, "Proof by touch", "nothing touched yet")
        await pilot.press("escape", "t")
        await until(pilot, "The tip of the pointer", "CAUTION")
        poses = typed(touches(np.random.default_rng(4), 0.02))
        await type_line(pilot, "612.4 x")
        await pilot.press("enter")
        await until(pilot, "has no label")
        await pilot.press("ctrl+u")
        tip = app.screen
        assert isinstance(tip, FindTip)
        for number, pose in enumerate(poses[:5], 1):
            await paste_line(pilot, pose)
            await pilot.press("enter")
            await comes(pilot, lambda n=number: len(tip.touches.items) >= n)  # type: ignore[misc]
            assert newest(folder, STOPPED + LEFT) == AT_A_POINT  # no jog is told from a station
        await until(pilot, "Tip X 12.", "F10 uses it.")
        await pilot.press("f10")
        await comes(pilot, lambda: isinstance(app.screen, Proof))
        shown = await until(pilot, "mm in the flange")
        assert re.search(
            r"pointer +(-?\d+(\.\d\d?)? ){3}mm in the flange, u \d\.\d\d?\d? mm", shown
        )
    pointer = read_touches(folder).pointer
    assert pointer is not None
    assert np.abs(np.array(pointer.tip_mm) - TIP).max() < 0.3
    assert pointer.covariance_mm2 is not None
    assert yaml.safe_load((folder / "proof.yaml").read_text())["pointer"]["covariance_mm2"]
    assert open_session(folder).stations
    assert newest(folder, STOPPED + LEFT) == TIP_TOUCHED
