"""Every finding has its texts, and the page about them says the same."""

from __future__ import annotations

import ast
import re
import string
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from command import answer, refused, stationbook

from engine.catalogue import CATALOGUE, PARTS
from engine.estimate.budget import FRESH_DEG, FRESH_FOCAL, FRESH_PX, FRESH_SCALE, MEASURED_U_MM
from engine.findings import Finding, Level, finding, in_general
from tui.desk.desk import Desk
from tui.desk.say import job

ROOT = Path(__file__).parent.parent
OWN = {"station", "stations", "field", "typed", "suggested"}  # stand in the finding itself
# Variants of calls that compute theirs, by the code named in the call: which, and why computed.
VARIANTS = {
    "signature": ("", "unknown"),  # by the keys that the user trusts
    "altered": ("", "deleted", "added"),  # what happened to the file
    "digits-missing": ("", "all"),  # of some values, or of all
    "does-not-fit": ("same-flange", "same-base", "same-either"),  # where it is the same
    "duplicate": ("", "previous"),  # of the last pose, or of an earlier one
    "format": ("", "joints"),  # by what the pendant shows
    "proof-disagrees": ("bias", "height"),  # by its direction, and whether the arm can tilt
    "frames-told": ("", "no-robot"),  # whether joints could show them
    "joint-limit": ("", "near"),  # outside the limit, or near it
    "stations-contradict": ("", "some"),  # several come into question, or one alone
    "result-overtaken": ("", "something", "lens", "contradict", "beyond"),  # what the recheck found
    "pick-now": ("open", "which"),  # whether it is known that the camera moved
    "joints-disagree": (  # what the stops with joints and pose say together
        "",
        "at-either",
        "at-tool",
        "at-frame",
        "either",
        "tool",
        "tool-or-file",
        "frame",
        "frame-or-file",
        "both",
        "several",
        "part",
        "robot",
    ),
    "outlier": ("", "last"),  # after it, stops would tell a knock
    "input-doubted": ("", "bow", "lens", "height"),  # by the key
    "overruled": ("", "most", "joints"),  # few, or so many that the cell is in doubt
    "over-exposed": ("", "image"),  # the board, or the whole image where none was found
    "under-exposed": ("", "image"),
    "image-turned": ("", "mirrored", "all-turned", "all-mirrored"),  # how, and all images or some
    "board-remounted": ("", "other-way"),  # by how far it is turned
    "inverse-pose": ("either", "reported"),  # typed or reported poses, or the reported ones
    "view-behind": ("", "metres"),  # behind the camera, or reported in metres
    "misfit": ("", "lens", "bow"),  # what the pattern looks like
    "pairing": ("swap", "order"),  # two for each other, or any
    "unit": ("session", "stations"),  # of the whole session, or of some stations
    "depth-holes": ("", "light", "dark"),  # of the whole board, or of one of its parts
    "locate-assumed": ("", "depth"),  # by the lens data, or by a 3-D camera
    "lens-assumed": ("", "part"),  # all of it, or some
    "lens-unknown": ("", "level"),  # the robot tilts, or does not
    "too-few": ("", "level"),  # the robot tilts, or does not
    # what is measured: the board, the lens or depth afresh, the height of the board
    "what-helps": ("", "assumed", "lens", "depth", "height"),
    "board-assumed": ("", "scale", "bow"),  # its lengths, its flatness, or both
    "robot-geometry": ("", "exact"),  # whether the cell calls board or lens data exact
    "lens-own": ("", "entered"),  # whether the cell holds these data already
    "lens-corner": ("", "none"),  # whether the cell has lens data
}
# Keys of calls that compute their code, by module.
CODES = {
    "engine/diagnosis/moved": (  # what moved, by the mount and the side of the split
        "board-moved",
        "board-moved/drift",
        "board-moved/in-cell",
        "board-moved/twice",
        "board-moved/twice-in-cell",
        "camera-moved",
        "camera-moved/drift",
        "camera-moved/on-flange",
        "camera-moved/twice",
        "camera-moved/twice-on-flange",
    ),
    "engine/diagnosis/likeliest": ("board-moved/undecided", "camera-moved/undecided"),
    "engine/proof/recheck": (  # one wording of a movement for both
        "camera-moved/since",
        "camera-moved/and-board",
        "camera-moved/or-lens",
        "moved-unclear",
        "moved-unclear/one-station",
    ),
}


def placeholders(key: str) -> set[str]:
    texts = (CATALOGUE[key].message, CATALOGUE[key].remedy)
    parts = (part for text in texts for part in string.Formatter().parse(text))
    return {name for _, name, _, _ in parts if name}


def calls() -> Iterator[tuple[str, tuple[str, ...], set[str]]]:
    """Give where `finding` is called, the keys it may raise there, and the keywords passed."""
    for path in sorted([*(ROOT / "engine").rglob("*.py"), *(ROOT / "tui").rglob("*.py")]):
        module, text = str(path.relative_to(ROOT).with_suffix("")), path.read_text(encoding="utf-8")
        for node in ast.walk(ast.parse(text)) if "finding(" in text else ():
            if isinstance(node, ast.Call) and getattr(node.func, "id", None) == "finding":
                passed = {str(keyword.arg) for keyword in node.keywords}
                yield f"{module}:{node.lineno}", keys_of(node, module), passed - {"level"}


def keys_of(node: ast.Call, module: str) -> tuple[str, ...]:
    code, *variants = node.args
    if not isinstance(code, ast.Constant):
        return CODES[module]
    if not variants:
        return (str(code.value),)
    written = isinstance(variants[0], ast.Constant)
    named = (str(variants[0].value),) if written else VARIANTS[str(code.value)]
    return tuple(f"{code.value}/{variant}".rstrip("/") for variant in named)


CALLS = list(calls())


@pytest.mark.parametrize(
    ("keys", "passed"),
    [pytest.param(keys, passed, id=where) for where, keys, passed in CALLS],
)
def test_every_placeholder_gets_its_value_and_no_value_goes_unused(
    keys: tuple[str, ...], passed: set[str]
) -> None:
    used = set().union(*map(placeholders, keys))
    assert used - passed == set()
    assert passed - used - OWN == set()


@pytest.mark.parametrize("found", ["camera", "something", "lens", "contradict", "beyond"])
def test_the_next_step_of_a_marked_result_hangs_on_what_was_found_not_on_words(found: str) -> None:
    variant = None if found == "camera" else found
    mark = finding("result-overtaken", variant, camera="The camera", at="now", by="later")
    reworded = replace(mark, message="Once.", remedy="Twice.")
    assert "variant" not in mark.document()
    told = job(cast(Desk, SimpleNamespace(follow=False, questions_open=False, findings=[reworded])))
    left_open = found in ("something", "lens", "contradict")
    assert told.next.startswith("repeat the recheck") == left_open


def test_no_key_stands_in_two_parts_of_the_catalogue() -> None:
    assert sum(len(part.ENTRIES) for part in PARTS) == len(CATALOGUE)


def test_every_text_of_the_catalogue_is_raised_somewhere() -> None:
    raised = {key for _, keys, _ in CALLS for key in keys}
    assert set(CATALOGUE) - raised == set()
    assert raised <= set(CATALOGUE)


@pytest.mark.parametrize("key", CATALOGUE)
def test_every_entry_can_be_filled_and_says_what_to_do(key: str) -> None:
    code, _, variant = key.partition("/")
    made = finding(
        code,
        variant or None,
        station=1,
        stations=(1, 2),
        field="Y",
        typed="1",
        suggested="2",
        **dict.fromkeys(placeholders(key) - OWN, 3),
    )
    assert made.level in Level
    assert "{" not in made.message + made.remedy
    assert made.message.endswith((".", "?"))
    assert made.remedy


def test_an_option_is_never_told_to_somebody_at_the_screen_as_if_it_stood_there() -> None:
    said = re.compile(r"by command|on the screen|F\d there|x there|`doctor|`stationbook", re.I)
    told = {key for key, entry in CATALOGUE.items() if "--" in entry.remedy}
    assert "result-overtaken/beyond" in told
    bare = {key for key in told if not said.search(CATALOGUE[key].remedy)}
    assert bare == {"tip-found"}  # which the screen says without its remedy


def test_what_a_measurement_is_promised_to_bring_rests_on_the_figures_that_are_told() -> None:
    said = {key: CATALOGUE[f"what-helps{key}"].remedy for key in ("", "/lens", "/depth", "/height")}
    assert f"to {MEASURED_U_MM:g} mm" in said[""]
    assert f"to {MEASURED_U_MM:g} mm" in said["/height"]
    assert f"known to {100 * FRESH_FOCAL:g} % and {FRESH_PX:g} px" in said["/lens"]
    assert f"known to {100 * FRESH_SCALE:g} % and {FRESH_DEG:g}°" in said["/depth"]


def test_a_number_of_a_numerical_library_is_written_as_any_other() -> None:
    plain = finding("mount-assumed", position_mm=0.05, angle_deg=0.02)
    assert finding("mount-assumed", position_mm=np.float64(0.05), angle_deg=np.array(0.02)) == plain
    assert "; 0.05 mm and 0.02° are assumed" in plain.message


@pytest.mark.parametrize("code", [key for key in CATALOGUE if "/" not in key])
def test_every_code_says_its_cause_and_its_signs(code: str) -> None:
    assert CATALOGUE[code].cause.endswith(".")
    assert CATALOGUE[code].shows.endswith(".")


@pytest.mark.parametrize("key", [key for key in CATALOGUE if "/" in key])
def test_every_variant_belongs_to_a_code_that_explains_it(key: str) -> None:
    assert key.split("/")[0] in CATALOGUE
    assert not CATALOGUE[key].cause + CATALOGUE[key].shows  # they would be shown nowhere


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
