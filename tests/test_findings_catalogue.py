"""Every finding has its texts, and the page about them says the same."""

from __future__ import annotations

import string
import subprocess
import sys
from pathlib import Path

import pytest
from command import answer, refused, stationbook

from engine.catalogue import CATALOGUE
from engine.findings import Finding, Level, finding, in_general

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
    assert page["texts"][0]["message"] == in_general(CATALOGUE["board-pitch"].message)
    assert "pitch fits as <suggested value> mm" in page["texts"][0]["message"]
    assert page["cause"] == CATALOGUE["board-pitch"].cause


def test_explain_suggests_the_nearest_code() -> None:
    assert "board-pitch" in refused("explain", "bord-pitch")


@pytest.mark.parametrize("key", CATALOGUE)
def test_explained_in_general_no_placeholder_is_left(key: str) -> None:
    for text in (CATALOGUE[key].message, CATALOGUE[key].remedy):
        shown = in_general(text)
        assert not set("{}|") & set(shown)
        assert all(word.strip("<>") for word in shown.split())


def test_explained_page_reads_as_a_sentence() -> None:
    run = stationbook("explain", "typed-value")
    assert (
        "Station <station>: <field> <typed value> does not fit; <suggested value> does."
        in run.stdout
    )


@pytest.mark.parametrize(
    ("made", "said"),
    [
        (finding("too-few", count=1, least=3), "1 usable station; at"),
        (finding("too-few", count=0, least=3), "0 usable stations; at"),
        (finding("proof-tolerance", touches="1", tolerance=1, worst=2), "Touch 1 is off"),
        (finding("proof-tolerance", touches="1, 3", tolerance=1, worst=2), "Touches 1, 3 are off"),
        (finding("board-turned", stations=[4], turn="180°"), "image of station 4 the"),
        (finding("board-turned", stations=[4, 11], turn="180°"), "images of stations 4, 11 the"),
        (finding("journal-unfinished", count=1, what="solve"), "last line was never"),
        (finding("journal-unfinished", count=2, what="solve"), "last 2 lines were never"),
        (finding("points-not-shifted", count="All"), "All taught points stay as they are"),
        (finding("recheck-stations", count=1, poses="2: X 1"), "Station of the earlier session to"),
        (finding("recheck-stations", count=2, poses="2: X 1"), "again, 2 of them, best first: 2"),
    ],
)
def test_one_is_told_from_several(made: Finding, said: str) -> None:
    assert said in made.message
