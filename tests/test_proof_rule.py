"""The decision rule: what counts as within the tolerance, and how likely that is wrong.

Reference: the normal distribution of the standard library (`statistics.NormalDist`), and points
drawn at random. The rules are those of ISO 14253-1 and JCGM 106:2012 (both from memory).
"""

from __future__ import annotations

import itertools
import re
import shutil
from dataclasses import replace
from pathlib import Path
from statistics import NormalDist

import numpy as np
import pytest
import yaml
from command import answer, refused, stationbook
from made_session import make_session

from engine.arrays import Array
from engine.cell.budget import Part, StoredBudget
from engine.cell.cell import Cell
from engine.cell.result import StoredResult, Uncertainty, verdict
from engine.cell.rule import BOUND, GUARDED, SIMPLE, Tolerance, chance_beyond, conforms, keeps
from engine.cell.touched import Pointer
from engine.findings import finding
from engine.proof.conclusion import Proof, concluded
from engine.proof.touch_errors import PointError, Spread, bias
from engine.report.html_record import proof as proof_section
from engine.simulate.scenario import cell

CELL = cell()


@pytest.mark.parametrize(
    ("error", "expanded", "guarded", "simple"),
    [
        (0.0, 1.0, True, False),
        (0.5, 0.5, True, False),
        (0.7, 0.33, False, True),
        (0.99, 0.01, True, True),
        (1.01, 0.01, False, False),
        (0.67, 1.27, False, False),
    ],
)
def test_what_conforms_to_a_tolerance_of_one(
    error: float, expanded: float, guarded: bool, simple: bool
) -> None:
    assert conforms(error, expanded, 1.0, GUARDED) is guarded
    assert conforms(error, expanded, 1.0, SIMPLE) is simple


@pytest.mark.parametrize("error", [0.0, 0.4, 0.9, 1.3])
@pytest.mark.parametrize("u", [0.05, 0.3, 2.0])
def test_chance_beyond_is_the_normal_distributions(error: float, u: float) -> None:
    normal = NormalDist(error, u)
    assert chance_beyond(error, u, 1.0) == pytest.approx(normal.cdf(-1.0) + 1.0 - normal.cdf(1.0))


def test_stated_chance_is_no_smaller_than_that_of_a_vector_of_the_same_uncertainty() -> None:
    rng = np.random.default_rng(3)
    for shares in ((1.0, 0.0, 0.0), (0.6, 0.4, 0.0), (1 / 3, 1 / 3, 1 / 3)):
        sizes = np.linalg.norm(rng.normal(size=(40_000, 3)) * np.sqrt(shares), axis=1)
        for limit in (2.0, 2.5, 3.0):  # accepted: U = 2u within the limit
            assert (sizes > limit).mean() <= chance_beyond(0.0, 1.0, limit) + 0.003
        assert (sizes <= 0.8).mean() <= 1.0 - chance_beyond(0.0, 1.0, 0.8) + 0.01  # refused


def test_the_verdict_follows_the_rule_and_says_how_likely_it_is_wrong() -> None:
    u = Uncertainty(0.1, 0.01, 0.1, 0.2)
    said, why = verdict(u, Tolerance(1.0, 0.2), (), None)
    assert said == "accepted"
    assert why.rule == "guarded"
    assert why.chance_wrong == pytest.approx(2 * (1 - NormalDist().cdf(5.0)), abs=1e-9)
    # Half of U is more than u of a pick where all corners keep U: the chance is of u.
    made_of = StoredBudget((Part("pixels", 0.16),), 1e6, 2.5, 1.0)
    why = verdict(u, Tolerance(0.4, 0.2), (), made_of)[1]
    assert why.chance_wrong == pytest.approx(2 * (1 - NormalDist().cdf(2.5)), abs=1e-9)
    third = finding("tolerance", "third", expanded=0.4, unit="mm", tolerance=1.0, remedy_text="",
                    rule="simple rule")  # fmt: skip
    simple = Tolerance(1.0, 0.2, SIMPLE, "A. Example")
    said, why = verdict(u, simple, [third], None)  # the rule's own
    assert said == "not-accepted"
    assert why.chance_wrong is not None
    assert why.chance_wrong > 0.99  # refused for what is known too badly, most likely good
    assert "A. Example" in why.words()
    assert "is about 100 %" in why.words()  # no bound: U is cautious
    assert verdict(u, Tolerance(1.3, 0.2, SIMPLE), (), None)[0] == "accepted"
    said, why = verdict(u, Tolerance(1.0, 0.2), [finding("no-fit")], None)
    assert (said, why.chance_wrong) == ("not-accepted", None)
    assert not keeps(None, 1.0, GUARDED)


# ---- the same rule on stored sessions ------------------------------------------------------------


def test_a_session_is_judged_by_the_rule_of_its_cell(tmp_path: Path) -> None:
    folder = tmp_path / "session"
    make_session(folder, 12)
    guarded = answer("solve", folder)
    assert guarded["decision"] == {
        "rule": "guarded", "set_by": None, "chance_wrong": guarded["decision"]["chance_wrong"],
    }  # fmt: skip
    assert 0.0 <= guarded["decision"]["chance_wrong"] < 0.05
    simple = shutil.copytree(folder, tmp_path / "simple")
    text = (simple / "session.yaml").read_text(encoding="utf-8")
    old = "tolerance: {position_mm: 1.0, angle_deg: 0.2"
    assert old in text or "position_mm: 1.0" in text
    loaded = yaml.safe_load(text)
    loaded["cell"]["tolerance"] |= {"rule": "simple", "set_by": "quality department"}
    (simple / "session.yaml").write_text(yaml.safe_dump(loaded, sort_keys=False), "utf-8")
    said = answer("solve", simple, status=1)
    assert said["verdict"] == "not-accepted"
    assert said["decision"]["set_by"] == "quality department"
    (large,) = (item for item in said["findings"] if item["code"] == "tolerance")
    assert "third of the tolerance" in large["message"]
    assert "simple rule, set by quality department" in large["message"]
    run = stationbook("solve", simple)
    assert "simple rule (JCGM 106)" in run.stdout
    assert "set by quality department" in run.stdout
    stationbook("report", simple)
    html = (simple / "report.html").read_text(encoding="utf-8")
    assert "simple rule (JCGM 106)" in html
    loaded["cell"]["tolerance"]["rule"] = "lenient"
    (simple / "session.yaml").write_text(yaml.safe_dump(loaded, sort_keys=False), "utf-8")
    assert "lenient" in refused("check", simple)


# ---- touches -------------------------------------------------------------------------------------


def touches(errors: Array, u_pointer: float, *, shared: float = 0.2, own: float = 0.03) -> list:
    """Return touches with these errors (n, 3) at the corners of the work volume."""
    volume = CELL.work_volume
    corners = volume.corners() if volume.frame == "base" else np.zeros((8, 3))
    square = [u**2 / 3.0 * np.eye(3) for u in (shared, own)]
    none = np.zeros((3, 3))
    return [
        PointError(k, f"point {k}", corners[k % 8], corners[k % 8], np.array(error),
                   Spread(square[0], none, none, square[1], u_pointer**2 * np.eye(3)))
        for k, error in enumerate(errors)
    ]  # fmt: skip


def said(errors: Array, u_pointer: float, tolerance: float = 1.0, rule: str = GUARDED) -> Proof:
    wide = replace(CELL, tolerance=Tolerance(tolerance, 0.2, rule))
    return concluded(touches(errors, u_pointer), wide, Pointer((0.0, 0.0, 150.0), u_pointer))


SCATTER = np.array([[1, 0, 1], [-1, 1, 0], [0, -1, -1], [1, 1, -1], [-1, 0, 1], [0, -1, 0.5],
                    [-1, 1, -0.5], [1, -1, 0]]) * 0.05  # fmt: skip
POINTERS = (0.01, 0.03, 0.05, 0.1, 0.2, 0.3, 0.5, 1.0)


@pytest.mark.parametrize("tolerance", [0.6, 1.0, 5.0])
@pytest.mark.parametrize("alike", [True, False])
@pytest.mark.parametrize("off", [0.1, 0.45, 0.6, 1.5])
def test_touches_prove_no_more_the_worse_the_pointer_is(
    off: float, tolerance: float, alike: bool
) -> None:
    errors = SCATTER.copy()
    errors[slice(None) if alike else 3] -= np.array([0.0, 0.0, off])
    proven = [said(errors, u, tolerance).proven for u in POINTERS]
    assert all(a or not b for a, b in itertools.pairwise(proven)), proven
    assert proven[0] is (off == 0.1)


def test_a_common_shift_is_named_with_its_axis_and_t() -> None:
    errors = SCATTER + np.array([0.0, 0.0, -0.3])
    proof = said(errors, 0.03)
    mean, sd = errors.mean(axis=0), errors.std(axis=0, ddof=1)
    expected = mean / sd * np.sqrt(len(errors))
    assert proof.stored().bias_t == pytest.approx(tuple(expected))
    (item,) = [item for item in proof.findings if item.code == "proof-bias"]
    assert "base Z −0.30 mm" in item.message
    assert proof.proven  # it is within what the result states
    codes = [item.code for item in said(errors - [0.0, 0.0, 0.12], 0.3).findings]
    assert "proof-bias" not in codes  # beyond what it states: not called within it
    assert "not-proven" in codes


def test_a_common_shift_beyond_what_the_result_states_refutes_it() -> None:
    errors = SCATTER * 0.2 + np.array([0.0, 0.0, -0.39])  # each of them within its own U
    proof = said(errors, 0.01)
    assert all(item.agrees for item in proof.errors)
    assert not proof.proven
    assert "off alike by 0.39 mm" in " ".join(item.message for item in proof.findings)


def test_a_shift_that_is_chance_is_named_in_one_of_a_hundred_proofs() -> None:
    rng = np.random.default_rng(6)
    drawn = (bias(touches(rng.normal(0.0, 0.1, (8, 3)), 0.05)) for _ in range(1500))
    assert np.mean([found is not None and found.shared for found in drawn]) < 0.02


def test_the_rule_decides_what_touches_show() -> None:
    errors = SCATTER + np.array([0.15, 0.0, 0.0])
    assert said(errors, 0.03, 1.0).proven
    assert said(errors, 0.03, 1.0, SIMPLE).proven
    assert said(errors, 0.15, 1.0).proven
    poor = said(errors, 0.15, 1.0, SIMPLE)  # U of a touch 0.53 mm: above a third
    assert not poor.proven
    by = " ".join(item.message for item in poor.findings)
    assert "simple rule, nobody is named as having set it" in by
    near = said(errors, 0.15, 0.7)
    assert not near.proven
    assert "guarded rule" in " ".join(item.message for item in near.findings)
    assert near.decision.chance_wrong is not None
    assert near.decision.chance_wrong > 0.5
    assert said(errors, 0.03, 1.0).decision.chance_wrong == pytest.approx(0.0, abs=1e-6)


def test_a_touch_that_a_poor_pointer_alone_puts_beyond_the_tolerance_fails_no_proof() -> None:
    errors = SCATTER.copy()
    errors[3] -= np.array([0.0, 0.0, 1.2])  # tolerance 1 mm
    poor = said(errors, 0.8)
    assert all(item.agrees for item in poor.errors)
    assert not poor.proven
    assert not poor.failed
    open_ = [item.message for item in poor.findings if "error and U of the touch" in item.message]
    assert len(open_) == 1
    assert said(errors, 0.05).failed  # a good pointer shows it
    errors[3] -= np.array([0.0, 0.0, 3.0])
    assert said(errors, 0.8).failed  # and a poor one what it cannot explain


def test_the_report_prints_touched_and_seen_under_their_own_names() -> None:
    (item, *_) = touches(np.array([[0.1, -0.2, 0.3]] * 4), 0.05)
    item = replace(item, p_base=np.array([600.0, 50.0, 250.0]))
    proof = concluded([item], CELL, Pointer((0.0, 0.0, 150.0), 0.05)).stored()
    assert proof.points[0].seen_mm == pytest.approx((600.1, 49.8, 250.3))
    html = str(proof_section(StoredResult("eye-to-hand", proof=proof))).replace("−", "-")
    cells = re.findall(r"<t[hd][^>]*>([^<]*)</t[hd]>", html[html.index("<thead>") :])
    assert cells[:5] == ["touch", "point", "touched [mm]", "seen [mm]", "seen less touched [mm]"]
    values = ["600.000 50.000 250.000", "600.100 49.800 250.300", "0.100 -0.200 0.300"]
    assert cells[cells.index(values[0]) :][:3] == values


def test_one_touch_barely_beyond_its_u_proves_nothing_and_disproves_nothing() -> None:
    errors = SCATTER.copy()
    U = touches(errors, 0.05)[0].expanded_mm
    errors[3] = [0.0, 0.0, 1.02 * U]
    proof = said(errors, 0.05, 5.0)
    assert not proof.proven
    (item,) = [item for item in proof.findings if item.code == "not-proven"]
    assert "touch 3 lies beyond its U" in item.message
    assert "proof-disagrees" not in {item.code for item in proof.findings}
    errors[3] = [0.0, 0.0, 1.5 * U]
    assert "proof-disagrees" in {item.code for item in said(errors, 0.05, 5.0).findings}


def test_the_chance_that_a_refused_proof_was_good_is_about_the_share_of_good_ones() -> None:
    """The mean over all touches that break the tolerance said 0.67 where 0.35 were good."""
    rng, limit, found = np.random.default_rng(6), CELL.tolerance.position_mm, []
    for _ in range(220):
        way = rng.normal(size=3)
        shared = rng.uniform(0.5, 1.2) * way / np.linalg.norm(way)
        true = shared + rng.normal(0.0, 0.1, (8, 3))
        proof = said(true + rng.normal(0.0, 0.1, (8, 3)), 0.1)
        if proof.decision.chance_wrong is not None and not proof.proven:
            good = float(np.linalg.norm(true, axis=1).max()) <= limit
            found.append((good, proof.decision.chance_wrong))
    table = np.array(found, float)
    likely = (table[:, 1] > 0.5) & (table[:, 1] < 0.8)
    assert likely.sum() > 20
    assert table[likely, 0].mean() > table[likely, 1].mean() - 0.1
    bound = table[:, 1] <= BOUND
    assert table[bound, 0].mean() < table[bound, 1].mean()


def test_one_wrong_touch_is_told_to_be_looked_at_and_several_to_look_for_what_they_share() -> None:
    errors = SCATTER.copy()
    errors[2] = [0.0, -10.0, 0.0]
    alone = {item.code: item.remedy for item in said(errors, 0.05).findings}
    assert "pose and point of that touch with the pendant" in alone["proof-disagrees"]
    assert "no fault of the result" in alone["proof-tolerance"]
    several = {item.code: item.remedy for item in said(SCATTER - (0.0, 10.0, 0.0), 0.05).findings}
    assert "common direction" in several["proof-tolerance"]


def test_good_touches_seldom_disagree_whatever_the_directions_of_their_errors() -> None:
    """Of 1,000 proofs with eight touches each, at most 1 % and what chance adds are refuted."""
    rng, none = np.random.default_rng(3), np.zeros((3, 3))
    for sd in ([1.0, 0.1, 0.1], [1.0, 1.0, 1.0], [1.0, 0.7, 0.1]):
        C = np.diag(np.square(sd))
        spread = Spread(none, none, none, C, none)
        refuted = 0
        for _ in range(1000):
            drawn = rng.normal(size=(8, 3)) * sd
            errors = [PointError(0, "", none[0], none[0], error, spread) for error in drawn]
            refuted += any(not e.agrees and e.chance < 0.01 / 8 for e in errors)
        assert refuted <= 20


def test_what_board_and_lens_leave_open_is_no_knowledge_of_a_pick() -> None:
    none, C = np.zeros((3, 3)), 0.04 * np.eye(3)
    alone = PointError(0, "", none[0], none[0], 0.1 * np.ones(3), Spread(C, none, none, none, none))
    seen = replace(alone, spread=Spread(C, C, -C, none, none))  # the same pitch in both
    assert alone.spread.measured_mm == 0.0
    assert seen.spread.measured_mm == pytest.approx(2.0 * np.sqrt(0.12))
    assert seen.spread.expanded_mm == pytest.approx(0.0)  # such touches agree whatever the pitch
    assert not seen.conforms(Tolerance(0.3, 1.0))
    assert alone.conforms(Tolerance(0.3, 1.0))


@pytest.mark.parametrize("common", [0.0, 30.0])
@pytest.mark.parametrize("count", [4, 5, 8])
def test_one_misread_touch_is_no_shift_of_all(count: int, common: float) -> None:
    errors = SCATTER[:count] + np.array([0.0, common, 0.0])
    errors[2] += [100.0, 0.0, 0.0]
    said_of = " ".join(item.message for item in said(errors, 0.05).findings)
    assert ("Touch 2 disagrees" in said_of) is (common == 0.0)
    assert ("All touches are off alike by 30.0" in said_of) is (common > 0.0)
    assert ("off alike" in said_of) is (common > 0.0)


def test_a_shift_of_all_is_named() -> None:
    alike = said(SCATTER + np.array([100.0, 0.0, 0.0]), 0.05)
    assert "All touches are off alike by 100.0" in " ".join(i.message for i in alike.findings)


def test_one_place_counts_once_however_often_and_by_whatever_name_it_was_touched() -> None:
    two = [touches(SCATTER, 0.05)[k] for k in (0, 7)]  # opposite corners span the work volume
    again = [replace(one, touch=k, point=f"mark {k}") for k, one in enumerate(2 * two)]
    proof = concluded(again, CELL, Pointer((0.0, 0.0, 150.0), 0.05))
    assert not proof.proven
    assert "2 of at least 4 different points" in " ".join(i.message for i in proof.findings)


def test_touches_at_the_height_of_the_board_prove_no_flange_to_be_the_right_way_up() -> None:
    yaw = replace(CELL.pendant, rotation="yaw", labels=("X", "Y", "Z", "A"), decimals=(2,) * 4)
    made = touches(SCATTER, 0.05)
    for height, hidden in ((-150.0, False), (150.2, True), (160.0, False), (None, False)):
        board = replace(CELL.board, height_mm=height)
        level = replace(CELL, pendant=yaw, board=board, tolerance=Tolerance(1.0, 0.2))
        proof = concluded(made, level, Pointer((0.0, 0.0, 150.0), 0.05))
        words = " ".join(item.message for item in proof.findings)
        assert proof.proven is not hidden
        assert ("flange_down told wrong" in words) is hidden


def test_touches_off_along_base_z_are_laid_to_the_height_where_it_alone_tells_it() -> None:
    yaw = replace(CELL.pendant, rotation="yaw", labels=("X", "Y", "Z", "A"), decimals=(2,) * 4)
    level = replace(CELL, pendant=yaw, board=replace(CELL.board, height_mm=20.0))

    def first(cell: Cell, shift: tuple[float, float, float]) -> str:
        made = touches(SCATTER + np.array(shift), 0.05)
        return concluded(made, cell, Pointer((0.0, 0.0, 150.0), 0.05)).findings[0].remedy

    assert "board.height_mm" in first(level, (0.0, 0.2, -12.0))
    assert "pendant.flange_down" in first(level, (0.0, 0.2, -12.0))
    assert "board.height_mm" not in first(level, (9.0, 0.0, -9.0))  # the height shifts base Z alone
    assert "board.height_mm" not in first(CELL, (0.0, 0.2, -12.0))  # stations show it
