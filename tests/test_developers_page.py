"""The page for contributors names what is there: modules, and the way that `solve` takes."""

from __future__ import annotations

import re
import subprocess
import sys

from walked import ROOT

PAGE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_every_module_that_the_page_names_exists() -> None:
    named = set(re.findall(r"`((?:engine|tui|tests)/[\w/]+\.py)`", PAGE))
    assert len(named) > 50
    assert {name for name in named if not (ROOT / name).is_file()} == set()


def test_solve_passes_the_modules_that_the_page_names_and_no_others() -> None:
    told = PAGE[PAGE.index("from file to verdict") : PAGE.index("## Habits")]
    named = set(re.findall(r"`((?:engine|tui)/[\w/]+\.py)`", told))
    words = [sys.executable, str(ROOT / "tests" / "walked.py")]  # here answers are kept: made_once
    walk = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=True)
    assert set(walk.stdout.split()) == named
