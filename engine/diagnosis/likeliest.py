"""Which of several causes is told: the likeliest, where it beats the others by the margin."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ..findings import Finding, finding
from .causes import Cause, declared_weight, texts_of
from .gravity import EXPLAINED, MOVES
from .scene import Scene

SURE = 1.1  # [-] log odds by which a cause must beat the session as declared: 3 to 1
EQUAL = 1e-3  # [-] log odds that are none


def least_weight(view: Scene) -> float:
    """Return the weight that a cause must have: that of the session as declared, and a margin.

    A station that the fit left out is no session as declared: one cause of it, if only that it fits
    nothing, weighs as much as the fit.
    """
    margin = SURE if view.used.all() else -EQUAL
    return declared_weight(view.found) + margin


def likeliest(causes: list[Cause], least: float) -> Cause | None:
    """Return the cause with the most weight, if it has more than ``least``.

    A bad station is explained only where that beats by the margin every cause that excludes it;
    else its station is merely one that does not fit, where that beats the session as declared. Of
    moves, or values of one field, that are as likely as each other, all are told; of a station that
    is as likely a bad stop, which field it may be.
    """
    best = _first(causes, least)
    return None if best is None or best.slight else best


def _first(causes: list[Cause], least: float) -> Cause | None:
    """Return the same, be it a station that is hardly off."""
    best = max(causes, key=lambda cause: cause.weight, default=None)
    if best is None or best.weight <= least:
        return None
    close = [c for c in causes if c is not best and c.weight > best.weight - SURE]
    best = _undecided(best, close)
    rivals = [  # that cannot be true beside it; two poses of one image may give one value
        c
        for c in close
        if (not c.set_aside or c.set_aside & best.set_aside) and c.findings != best.findings
    ]
    if not rivals:
        return best
    if not any(item.code in EXPLAINED for item in best.findings):
        return _maybe_typed(best, close)
    plain = [
        cause
        for cause in causes
        if (cause.weight > least or cause in close)
        and cause.set_aside == best.set_aside
        and all(item.code == "outlier" for item in cause.findings)
    ]
    return _either(plain[0], [best, *rivals]) if plain else best


def likeliest_each(view: Scene, causes: list[Cause], least: float) -> Cause | None:
    """Return the likeliest cause; that of a station with those of all others left out, at once.

    None of the stations that the fit left out hides another. Those with an explanation come before
    those with none, whom more stations may explain; and both before what an arm errs by, which
    makes the others likelier and explains none of them.
    """
    out = [view.ids[row] for row in np.flatnonzero(~view.used)]
    own = [likeliest([c for c in causes if c.set_aside == {id_}], least) for id_ in out]
    found = sorted((c for c in own if c is not None), key=lambda cause: -cause.weight)
    best = likeliest([c for c in causes if not _of_the_arm(c)], least)
    if best is None or not best.set_aside & set(out):
        best = likeliest(causes, least)
        best = found[0] if found and (best is None or _of_the_arm(best)) else best
    if best is None or len(best.set_aside) != 1:
        return best
    alike = [c for c in found if _explains(c) == _explains(best)]
    others = [c for c in alike if not c.set_aside & best.set_aside]
    return _together(view, [best, *others]) if others else best


def _of_the_arm(cause: Cause) -> bool:
    """Tell whether a cause is what an arm errs by, see `causes.smooth_causes`."""
    return cause.last and all(item.code == "robot-geometry" for item in cause.findings)


def _explains(cause: Cause) -> bool:
    return any(item.code in EXPLAINED for item in cause.findings)


def _together(view: Scene, causes: Sequence[Cause]) -> Cause:
    """Return causes of single stations as one, which puts all of them right."""
    problem, texts = view.found.problem, texts_of(view)
    seen = {item.id: item for item in problem.observations}
    for cause in causes:
        corrected = {item.id: item for item in cause.problem.observations}
        for id_ in cause.set_aside:
            seen.pop(id_) if id_ not in corrected else seen.update({id_: corrected[id_]})
            texts[id_] = cause.texts[id_]
    return replace(
        causes[0],
        findings=tuple(item for cause in causes for item in cause.findings),
        problem=replace(problem, observations=tuple(seen.values())),
        texts=texts,
        set_aside=frozenset().union(*(cause.set_aside for cause in causes)),
        found=None,
    )


def _either(plain: Cause, close: Sequence[Cause]) -> Cause:
    """Return the station as one that does not fit, with the values of one field where all do."""
    said = _of_one_field(close)
    if not said:
        return _maybe_typed(plain, close)
    values = dict.fromkeys(str(item.suggested) for item in said)
    either = finding(
        "typed-value",
        "either",
        station=said[0].station,
        field=said[0].field,
        typed=said[0].typed,
        candidates=" or ".join(values),
    )
    return replace(plain, findings=(either,))


def _of_one_field(causes: Sequence[Cause]) -> list[Finding]:
    """Return the findings of causes that each give another value to the same field; or none."""
    said = [item for cause in causes for item in cause.findings]
    places = {(item.code, item.station, item.field) for item in said}
    alike = len(said) == len(causes) and len(places) == 1
    return said if alike and said[0].code == "typed-value" else []


def _maybe_typed(plain: Cause, close: Sequence[Cause]) -> Cause:
    """Return the station that does not fit, with the field of one typed value as likely as that."""
    others = [cause for cause in close if cause.findings != plain.findings]
    said, (bad,) = _of_one_field(others), plain.findings[:1] or (None,)
    if not said or bad is None or (bad.code, bad.station) != ("outlier", said[0].station):
        return plain
    values = dict.fromkeys(str(item.suggested) for item in said)
    typed = finding(
        "outlier",
        "maybe-typed",
        station=bad.station,
        field=said[0].field,
        typed=said[0].typed,
        off=bad.message,
        candidates=" or ".join(values),
    )
    return replace(plain, findings=(typed, *plain.findings[1:]))


def _undecided(best: Cause, close: Sequence[Cause]) -> Cause:
    """Return the likeliest moves, which tell as well of another kind of move among ``close``.

    Another kind is that of the other thing, or a drift for a knock. ``best`` may be no move at all.
    """
    kind = _kind(best)
    other = next((c for c in close if kind and _kind(c) and _kind(c) != kind), None)
    if other is None:
        return best
    said = best.findings[0]
    both = finding(
        said.code,
        "undecided",
        station=said.station,
        suggested=other.findings[0].code,
        first=" ".join(item.message for item in best.findings),
        other=" ".join(item.message for item in other.findings),
    )
    return replace(best, findings=(both,))


def _kind(cause: Cause) -> list[tuple[str, bool]]:
    """Return what moved, and whether slowly; empty for another cause."""
    return [(item.code, item.station is None) for item in cause.findings if item.code in MOVES]


def or_bad_stops(moved: Cause, several: list[Cause]) -> Cause:
    """Return the move, or the bad stops of a short session that are likelier by the margin.

    Where neither is by that, no cause: the stations do not agree.
    """
    ranked = sorted([moved, *several], key=lambda cause: -cause.weight)
    if len(ranked) == 1 or ranked[0].weight > ranked[1].weight + SURE:
        return ranked[0]
    return replace(moved, findings=(no_agreement(),), set_aside=frozenset(), last=True)


def no_agreement() -> Finding:
    return finding("outlier", "no-agreement")
