"""Every finding has its texts, and the page about them says the same."""

from __future__ import annotations

import string
import subprocess
import sys
from pathlib import Path

import pytest
from command import answer, refused

from engine.catalogue import CATALOGUE
from engine.findings import Level, finding

ROOT = Path(__file__).parent.parent


@pytest.mark.parametrize("key", CATALOGUE)
def test_every_entry_can_be_filled_and_says_what_to_do(key: str) -> None:
    entry = CATALOGUE[key]
    code, _, variant = key.partition("/")
    names = {
        name
        for text in (entry.message, entry.remedy)
        for _, name, _, _ in string.Formatter().parse(text)
        if name
    }
    own = {"station", "stations", "field", "typed", "suggested"}
    made = finding(
        code,
        variant or None,
        station=1,
        stations=(1, 2),
        field="Y",
        typed="1",
        suggested="2",
        **dict.fromkeys(names - own, "3"),
    )
    assert made.level in Level
    assert "{" not in made.message + made.remedy
    assert made.message.endswith((".", "?"))
    assert made.remedy


@pytest.mark.parametrize("code", [key for key in CATALOGUE if "/" not in key])
def test_every_code_says_its_cause_and_its_signs(code: str) -> None:
    assert CATALOGUE[code].cause.endswith(".")
    assert CATALOGUE[code].shows.endswith(".")


@pytest.mark.parametrize("key", [key for key in CATALOGUE if "/" in key])
def test_every_variant_belongs_to_a_code(key: str) -> None:
    assert key.split("/")[0] in CATALOGUE


def test_page_of_findings_is_up_to_date() -> None:
    script = ROOT / "tests" / "tools" / "make_findings_page.py"
    code = f"import runpy; print(runpy.run_path({str(script)!r})['page'](), end='')"
    made = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert made.stdout == (ROOT / "docs" / "findings.md").read_text(encoding="utf-8")


def test_explain_prints_the_texts_of_a_code() -> None:
    page = answer("explain", "board-pitch")
    assert page["texts"][0]["message"] == CATALOGUE["board-pitch"].message
    assert page["cause"] == CATALOGUE["board-pitch"].cause


def test_explain_suggests_the_nearest_code() -> None:
    assert "board-pitch" in refused("explain", "bord-pitch")
