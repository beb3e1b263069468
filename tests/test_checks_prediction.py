"""A typed pose is questioned as soon as its image says another one, and good ones are not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from mistakes import Faulty, clean, slipped, with_texts
from simulated_sessions import Case

from engine.arrays import Array
from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND, Mount
from engine.checks.prediction import (
    Predictor,
    congruence_findings,
    prediction_findings,
    predictor,
    travel_ratio,
)
from engine.estimate.information import predict_flange
from engine.findings import Finding
from engine.frames import displaced, inverse, rotation_exp, transform
from engine.pendant.entry import format_pose

MOUNTS = (EYE_TO_HAND, EYE_IN_HAND)
LEAST = np.array([2.0, 2.0, 2.0, 0.3, 0.3, 0.3])  # beyond five times the noise of few stations


def halves(session: Faulty) -> tuple[Predictor, Faulty]:
    """Return the predictor of all stations but the last, and the last one as a session."""
    problem, last = session.problem, session.problem.observations[-1]
    earlier = replace(problem, observations=problem.observations[:-1])
    made = predictor(earlier, session.texts[last.id - 1])
    fields = session.texts[last.id]
    alone = Faulty(replace(problem, observations=(last,)), {last.id: fields}, {last.id: fields})
    return made, alone


def asked(made: Predictor, alone: Faulty) -> list[Finding]:
    station = alone.problem.observations[0]
    return prediction_findings(made, station, alone.texts[station.id])


@pytest.mark.parametrize("mount", MOUNTS)
@pytest.mark.parametrize("recorded", [1, 2, 3, 4, 5, 8, 14])
def test_a_good_pose_is_not_questioned(mount: Mount, recorded: int) -> None:
    for seed in range(3):
        case = Case(mount=mount, stations=recorded + 1, geometry_mm=0.4, accuracy_mm=0.4)
        assert asked(*halves(clean(case, seed))) == []


@pytest.mark.parametrize("mount", MOUNTS)
@pytest.mark.parametrize("recorded", [5, 8, 14])
def test_a_slip_is_questioned_with_the_value_meant(mount: Mount, recorded: int) -> None:
    right = 0
    for seed in range(6):
        made, alone = halves(clean(Case(mount=mount, stations=recorded + 1), seed))
        least = LEAST * (2.0 if recorded < 8 else 1.0)  # noise itself is hardly known by then
        wrong = slipped(alone, np.random.default_rng(seed), least)
        (said,) = asked(made, wrong)
        assert said.code == "does-not-fit"
        assert wrong.station is not None
        assert wrong.field is not None
        right += said.suggested == wrong.true[wrong.station][wrong.field]
    assert right >= 5


def test_what_would_be_taken_if_it_were_typed_is_suggested() -> None:
    made, alone = halves(clean(Case(stations=5), 3))
    station, seen = next(iter(alone.texts)), alone.problem.observations[0]
    assert made.result is not None
    flange, covariance = predict_flange(made.result, made.problem, seen)
    off = 3.0 * np.linalg.cholesky(covariance) @ np.ones(6)  # as far as a good pose may be
    texts = format_pose(displaced(flange, off), alone.problem.pendant)
    high = texts[2]
    slip = f"{high[:-5]}{(int(high[-5]) + 4) % 10}{high[-4:]}"  # another digit of tens
    found = []
    for height in (high, slip):
        said = {station: (*texts[:2], height, *texts[3:])}
        found += asked(made, Faulty(with_texts(alone.problem, said), said, said))
    assert [(item.field, item.typed, item.suggested) for item in found] == [("Z", slip, high)]


def test_exchanged_fields_are_named() -> None:
    made, alone = halves(clean(Case(stations=9), 3))
    (station, fields), *_ = alone.texts.items()
    texts = {station: (fields[1], fields[0], *fields[2:])}
    (said,) = asked(made, replace(alone, problem=with_texts(alone.problem, texts), texts=texts))
    assert said.field == "X and Y"
    assert said.suggested == f"{fields[0]} and {fields[1]}"


def test_a_value_kept_from_the_station_before_is_named() -> None:
    session = clean(Case(stations=9), 4)
    made, alone = halves(session)
    (station, fields), *_ = alone.texts.items()
    texts = {station: (*fields[:2], session.texts[station - 1][2], *fields[3:])}
    (said,) = asked(made, replace(alone, problem=with_texts(alone.problem, texts), texts=texts))
    assert said.field == "Z"
    assert float(said.suggested or "nan") == pytest.approx(float(fields[2]), abs=1.0)


def test_a_foreign_image_gets_no_single_suggestion() -> None:
    session = clean(Case(stations=10), 5)
    made, alone = halves(session)
    old, new = session.problem.observations[2], alone.problem.observations[0]
    seen = replace(new, pixels=old.pixels, point_ids=old.point_ids)
    (said,) = prediction_findings(made, seen, alone.texts[new.id])
    assert said.code == "does-not-fit"
    assert said.suggested is None


@pytest.mark.parametrize("mount", MOUNTS)
def test_motions_tell_before_anything_solves(mount: Mount) -> None:
    """With two stations recorded a turn that only the robot made is seen (screw congruence)."""
    made, alone = halves(clean(Case(mount=mount, stations=3), 6))
    assert made.result is None
    seen = alone.problem.observations[0]
    assert congruence_findings(made, seen) == []
    turned = seen.base_T_flange @ transform(rotation_exp([0.6, 0.4, -0.7]), np.zeros(3))
    (said,) = congruence_findings(made, replace(seen, base_T_flange=turned))
    assert said.code == "does-not-fit"


@pytest.mark.parametrize("mount", MOUNTS)
@pytest.mark.parametrize(("factor", "words"), [(0.001, "metres"), (1 / 25.4, "inches")])
def test_the_unit_is_read_off_the_travel(mount: Mount, factor: float, words: str) -> None:
    session = clean(Case(mount=mount, stations=3), 7)
    observations = []
    for seen in session.problem.observations:
        pose = seen.base_T_flange.copy()
        pose[:3, 3] *= factor
        observations.append(replace(seen, base_T_flange=pose))
    problem = replace(session.problem, observations=tuple(observations))
    made, alone = halves(replace(session, problem=problem))
    (said,) = congruence_findings(made, alone.problem.observations[0])
    assert said.code == "unit"
    assert words in said.message


def test_travel_ratio_of_the_same_screw_is_one() -> None:
    """Screws seen from another frame keep angle and travel (Chen 1991)."""
    rng = np.random.default_rng(1)
    A = screws(rng)
    X = displaced(np.eye(4), np.concatenate([rng.normal(size=3), rng.normal(size=3) * 100]))
    assert travel_ratio(A, inverse(X) @ A @ X) == pytest.approx(1.0, abs=1e-9)


def screws(rng: np.random.Generator) -> Array:
    return transform(rotation_exp(rng.normal(size=(6, 3))), rng.normal(size=(6, 3)) * 200)
