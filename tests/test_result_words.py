"""What is said of U in words: one coverage factor, one u, in text, on the screen and on paper."""

from __future__ import annotations

import re
import textwrap
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import pytest
from report_samples import export, stored
from report_sessions import record, solved
from test_report_html import Reader, report

from engine.cell.cell import Cell
from engine.cell.result import CAUSES_OF_ALL, StoredResult
from engine.cell.rule import POINTER, STATIONS, Decision
from engine.diagnosis.diagnose import CAUSES
from engine.diagnosis.gravity import STATION_CODES
from engine.errors import UsageError
from engine.proof.stated import covariance_of, transform_of
from engine.report.delivered import inverse_covariance
from engine.report.exports import FORMATS
from engine.report.html_base import number, rounded
from engine.steps.solve import solve_session
from tui.output import texts
from tui.result_text import result_lines, verdict_parts
from tui.words import unwrapped


class Few(NamedTuple):
    """A result of few stations, whose factor is not 2, its cell and its report."""

    result: StoredResult
    cell: Cell
    page: Reader


@pytest.fixture(scope="module")
def few(tmp_path_factory: pytest.TempPathFactory) -> Few:
    folder = tmp_path_factory.mktemp("few")
    session = record(folder, count=5, images=False)
    document = solved(session, folder)[2]
    page = Reader(report(folder, session, document))
    return Few(stored(document), session.cell, page)


def said(few: Few) -> list[str]:
    return texts(result_lines(few.result, few.cell, unwrapped, 80))


def test_a_factor_other_than_2_is_said_wherever_u_is(few: Few) -> None:
    made = few.result.budget
    assert made is not None
    assert made.coverage_factor is not None
    assert made.wider is not None
    assert made.coverage_factor > 2 * made.wider > 2.05
    k, of_a_pick = f"k = {2 * made.wider:.2f}", f"k = {made.coverage_factor:.2f}"
    why = f"{k} at {made.degrees_of_freedom:.0f} degrees of freedom"
    assert any(why in line for line in said(few))
    assert f"about 95 %, {why}; of a pick {of_a_pick}, so that all corners" in few.page.text
    assert few.page.text.count(f"({k})") >= 3  # rotation, both transforms
    assert few.page.text.count(f"({of_a_pick})") == 2
    page = re.sub(r"U of the (board|lens data) \(k = 2\)", "", few.page.text)  # as the cell says
    assert "k = 2)" not in page + " ".join(said(few))
    written = export(few.result, few.cell, "matrix", source_sha256="0", allow_not_accepted=True)
    assert re.search(rf"U of a pick: [\d.]+ mm \(above 99 %, {of_a_pick}\)", written)
    assert f"(about 95 %, {k})" in written
    assert "(k = 2)" not in written.replace("U of the lens (k = 2)", "")


def test_a_report_prints_one_u_of_a_pick_and_u_times_k_is_its_expanded_one(few: Few) -> None:
    made, stated = few.result.budget, few.result.uncertainty.pick_mm
    assert made is not None
    assert stated is not None
    assert made.coverage_factor is not None
    u = float(np.sqrt(sum(part.u_mm**2 for part in made.parts)))
    assert made.coverage_factor * u == pytest.approx(2 * stated, rel=1e-3)
    text = few.page.text
    assert f"u of a pick there, with the robot {rounded(u, 'mm')}" in text
    assert f"together {number(u, 4)}" in text
    assert rounded(stated, "mm") not in text
    row = re.search(r"together [\d.]+ 100 % U of a pick \(k = ([\d.]+)\) ([\d.]+)", text)
    assert row is not None
    assert float(row[2]) == pytest.approx(2 * stated, abs=0.001)


def test_the_inverse_is_handed_over_with_the_same_factor(few: Few) -> None:
    covariance = few.result.covariance
    assert covariance is not None
    written = export(
        few.result, few.cell, "matrix", source_sha256="0", inverse=True, allow_not_accepted=True
    )
    row = re.search(r"U of position: ([\d.]+) mm", written)
    once = export(few.result, few.cell, "matrix", source_sha256="0", allow_not_accepted=True)
    same = re.search(r"U of rotation: .*", once)
    assert row is not None
    assert same is not None
    assert same[0] in written

    T = transform_of(few.result.camera, few.cell.camera_key)
    C = covariance_of(covariance)
    assert T is not None
    assert C is not None
    u = float(np.sqrt(np.trace(inverse_covariance(T, C)[3:, 3:])))
    assert float(row[1]) == pytest.approx(few.result.coverage_factor * u, abs=0.006)


def test_text_and_screen_state_every_part_of_the_budget_within_80_cells(few: Few) -> None:
    made = few.result.budget
    assert made is not None
    for width, wrap in ((80, textwrap.wrap), (80, unwrapped)):
        lines = texts(result_lines(few.result, few.cell, wrap, width))
        at = next(k for k, line in enumerate(lines) if "u of a pick is made of" in line)
        block = lines[at : lines.index("", at)]
        told = " ".join(block)
        places = [told.index(f"{part.name} {part.u_mm:.2g} (") for part in made.parts]
        assert places == sorted(places)
        assert f"together {made.total_mm:.3f}, times {made.coverage_factor:.2f} is U." in told
        if wrap is textwrap.wrap:
            assert max(map(len, block)) <= 80
            assert len(block) <= 7
    shares = [int(n) for n in re.findall(r"\((\d+) %\)", told.partition("together")[0])]
    assert 97 <= sum(shares) <= 102


@pytest.fixture(scope="module")
def wrong_pitch(tmp_path_factory: pytest.TempPathFactory) -> Few:
    """Return what is found where the cell's pitch is a quarter too large: U of 30 mm and more."""
    folder = tmp_path_factory.mktemp("pitch")
    session = record(folder, count=8, images=False)
    cell = session.cell
    wrong = replace(cell, board=replace(cell.board, pitch_mm=1.25 * cell.board.pitch_mm))
    session = replace(session, cell=wrong)
    document = solve_session(session, folder).document()
    return Few(stored(document), wrong, Reader(report(folder, session, document)))


def test_no_uncertainty_is_told_beside_a_cause_of_all_stations(wrong_pitch: Few) -> None:
    result, page = wrong_pitch.result, wrong_pitch.page
    assert result.spoiled_by == "board-pitch"
    assert result.uncertainty.pick_mm is not None
    assert result.uncertainty.pick_mm > 10.0  # the file keeps it
    told = "\n".join(said(wrong_pitch))
    assert "not known while board-pitch stands" in told
    assert "±" not in told.partition("board-pitch:")[0]
    assert "above the tolerance" not in told
    assert "made of" not in told
    assert verdict_parts(result, fresh=True) == [("not accepted", "error")]
    assert "U is not known while board-pitch stands" in page.text
    assert "Uncertainty budget" not in page.text
    assert "u of a pick there, with the robot not known" in page.text
    for form in FORMATS:
        how = {"source_sha256": "0", "allow_not_accepted": True}
        if form == "plane":
            with pytest.raises(UsageError, match="which is not known"):
                export(result, wrong_pitch.cell, form, **how)
        else:
            written = export(result, wrong_pitch.cell, form, **how)
            assert f"{2 * result.uncertainty.pick_mm:.1f}" not in written


def test_every_cause_that_concerns_all_stations_takes_the_uncertainty_with_it() -> None:
    assert set(CAUSES) - set(STATION_CODES) <= set(CAUSES_OF_ALL)
    assert not set(STATION_CODES) & set(CAUSES_OF_ALL)


@pytest.mark.parametrize("tells", [STATIONS, POINTER])
def test_a_refusal_that_is_mostly_wrong_says_why_it_stands_and_what_would_tell(tells: str) -> None:
    often = Decision("guarded", None, 0.94).words(tells)
    assert "about 94 %" in often
    assert "no reason to overrule" in often
    assert often.endswith(tells)
    for chance in (None, 0.02, 0.5):  # accepted, or beyond the tolerance by more than U
        assert "overrule" not in Decision("guarded", None, chance).words(tells)


def test_a_result_refused_for_its_u_is_handed_over_with_the_reason(few: Few) -> None:
    tight = replace(few.cell.tolerance, position_mm=1.99 * few.result.uncertainty.pick_mm)
    result = few.result.judged(few.result.findings, tight)
    assert result.decision is not None
    assert 0.95 < result.decision.chance_wrong < 1.0
    cell = replace(few.cell, tolerance=tight)
    written = export(result, cell, "matrix", source_sha256="0", allow_not_accepted=True)
    for told in ("\n".join(texts(result_lines(result, cell, unwrapped, 80))), written):
        assert "no reason to overrule it. More stations" in told


def test_text_and_report_say_what_drift_is_not_in_u(few: Few) -> None:
    made = few.result.budget
    assert made is not None
    assert made.drift_u_mm is not None
    assert made.wider is not None
    told = (
        "Not in U: a slow drift of camera or board over the session; without a closing stop up to "
        f"{2.0 * made.wider * made.drift_u_mm:.2g} mm of it at a pick would not show (95 %)."
    )
    assert told in said(few)
    assert told in few.page.text
    older = replace(few.result, budget=replace(made, drift_u_mm=None, closing_stop=None))
    assert not any("drift" in line for line in texts(result_lines(older, few.cell, unwrapped, 80)))
