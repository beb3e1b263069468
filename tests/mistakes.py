"""Mistakes as hands make them, put into simulated sessions: used by tests and benches."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from engine.checks.slips import slips
from engine.checks.typed import layout
from engine.estimate.problem import Problem
from engine.frames import Array
from engine.pendant.entry import format_pose, pose_from_fields
from engine.simulate.statistics import Case, simulated

Texts = dict[int, tuple[str, ...]]


@dataclass(frozen=True, slots=True, eq=False)
class Faulty:
    """A simulated session with a mistake: what was typed, and what should have been."""

    problem: Problem
    texts: Texts
    true: Texts
    station: int | None = None
    field: int | None = None


def clean(case: Case, seed: int) -> Faulty:
    """Return a session without a mistake."""
    made = simulated(case, np.random.default_rng(seed))
    return typed(made.problem)


def typed(problem: Problem) -> Faulty:
    """Return the session as its pendant shows it."""
    texts = {o.id: format_pose(o.base_T_flange, problem.pendant) for o in problem.observations}
    return Faulty(with_texts(problem, texts), texts, texts)


def with_texts(problem: Problem, texts: Texts) -> Problem:
    """Return the problem with the poses that ``texts`` give under its pendant."""
    observations = tuple(
        replace(o, base_T_flange=pose_from_fields(texts[o.id], problem.pendant).base_T_flange)
        for o in problem.observations
    )
    return replace(problem, observations=observations)


def slipped(session: Faulty, rng: np.random.Generator, least: Array) -> Faulty:
    """Return the session with one field mistyped by more than ``least`` (k,) [field units].

    The slip is drawn from those that lead from the true text to another one.
    """
    where = layout(session.problem.pendant, session.problem.robot)
    while True:
        station = int(rng.choice(list(session.texts)))
        k = int(rng.integers(where.count))
        text = session.texts[station][k]
        ways = [s for s in slips(text, where.decimals[k]) if s.kind != "extra digit"]
        p = np.exp([s.log_share for s in ways])
        slip = ways[int(rng.choice(len(ways), p=p / p.sum()))]
        off = abs(float(slip.text) - float(text))
        if where.is_angle(k):
            off = abs((off + 180.0) % 360.0 - 180.0)
        if off > least[k]:
            break
    fields = list(session.texts[station])
    fields[k] = slip.text
    texts = {**session.texts, station: tuple(fields)}
    return Faulty(with_texts(session.problem, texts), texts, session.true, station, k)
