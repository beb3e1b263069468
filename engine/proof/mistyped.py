"""Which field of a new station is mistyped, by what the others say."""

from __future__ import annotations

from dataclasses import replace

from ..cell.stations import layout
from ..checks.explain import Prediction, explanations
from ..diagnosis.scene import Texts, fields_of
from ..estimate.information import predict_flange
from ..estimate.problem import Problem
from ..estimate.result import Result
from ..findings import Finding, finding
from ..tails import f_isf
from .assumed import CONTRADICTION, noise_freedom
from .update import Update


def mistyped(
    old: Result, problem: Problem, station: int, others: Update, texts: Texts
) -> Finding | None:
    """Return which one field of a station is mistyped and what fits; None where no single one is.

    ``others``: what all other stations make of ``old``. Whatever else a station contradicts the
    others by, one field almost never makes up for it.
    """
    errors = replace(old.systematic, value=old.systematic.value + others.now[12:])
    now = replace(
        old, geometric=others.camera, board=others.board, systematic=errors,
        full_covariance=others.now_covariance,
    )  # fmt: skip
    seen = next(one for one in problem.observations if one.id == station)
    prediction = Prediction(*predict_flange(now, problem, seen))
    pendant, fields = layout(problem.pendant, problem.robot), fields_of(problem, seen, texts)
    limit = 6.0 * f_isf(CONTRADICTION, 6, noise_freedom(old))
    likeliest = explanations(pendant, fields, [prediction])[0]
    if likeliest.size > limit or len(likeliest.fields) != 1:
        return None
    (field,), (text,) = likeliest.fields, likeliest.texts
    return finding(
        "typed-value", "recheck", station=station, field=pendant.labels[field],
        typed=fields[field], suggested=text,
    )  # fmt: skip
