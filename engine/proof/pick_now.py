"""How far off a pick on the old result is now, and whether that is within the tolerance.

The movement that the new stations show is taken as it is measured, whether or not it is larger than
chance: what could not be excluded may be there. With x the displacement of the camera since the old
result's geometric estimate (its own error and the movement), and the arm's, lens's and board's
errors a, all as the new stations leave them, a pick at a corner p of the work volume is off by

    e(p) = −M(p) · (rigid · old a + x) + S(p) · a        (see `estimate.pick.PickModel`).

Further stations would bring its U down as `estimate.information` says; the error itself is taken
to stay.
"""

from __future__ import annotations

import shlex
from typing import NamedTuple

import numpy as np

from ..arrays import Array
from ..cell.rule import SIMPLE, Decision, Tolerance, chance_beyond, conforms, most_expanded, percent
from ..estimate.information import whole_information
from ..estimate.problem import Problem
from ..estimate.result import Result
from ..findings import Finding, finding
from .assumed import FREE, mount_covariance
from .changed import focused_anew, open_to_another_lens
from .going import at_the_end
from .recheck import BOTH, RECHECK_COUNT, PickNow, Recheck, State, stations_to_revisit
from .update import seen_stations

MOST_MORE = 12  # further stations that are thought of; the full job takes no more
NOT_KNOWN: State = "not-known"


class Ways(NamedTuple):
    """How to go on after a recheck, in words; ``more`` has a place for how many.

    ``anew``: in a session of its own, for stations of another lens or board help no later ones.
    """

    again: str
    more: str
    anew: str
    quick: str
    full: str
    report: str


def commands(new: str, old: str) -> Ways:
    """Return the ways by command; ``new`` and ``old``: how the sessions are called there."""
    new, old, anew = (shlex.quote(name) for name in (new, old, f"{new}-again"))
    again = f"stationbook recheck {new} --against {old}"
    return Ways(
        f"`{again}`",
        f"`{again} --visit {{}}`",
        f"`stationbook start {old} {anew}`",
        f"`stationbook solve {new} --board-from {old}`",
        f"`stationbook solve {new}`",
        f"`stationbook report {old}`",
    )


def pick_now(
    old: Result,
    before: Problem,
    problem: Problem,
    answer: Recheck,
    tolerance: Tolerance,
    ways: Ways,
) -> PickNow:
    """Return what a pick on ``old`` is off now, and how to go on.

    ``before`` are the stations of ``old``, ``problem`` the new ones, ``answer`` what they said.
    """
    seen = None if answer.moved is None else seen_stations(old, problem)
    if seen is None or old.pick is None:
        changed = answer.cause in ("lens", "board")
        return not_told(tolerance, ways.anew if changed else ways.again)
    mount, focused = mount_covariance(problem.board), list[Array]()
    if still := answer.cause == "board":
        old = open_to_another_lens(old, problem)
        seen, focused = seen_stations(old, problem) or seen, focused_anew(old)
    seen = seen.take([one for one in seen.ids if one not in answer.left_out])
    shift = np.zeros((6, 6)) if still else FREE
    slip = FREE + mount if still or _both(answer) else mount
    now, covariance = at_the_end(old, seen, shift, slip, focused)
    sizes, expanded = _errors(old, now, covariance)
    state, worst = _state(sizes, expanded, tolerance)
    more: int | None = 0
    if state == NOT_KNOWN or answer.cause == "unclear":
        more = _stations_that_tell(old, before, now, covariance, sizes, tolerance)
    if answer.cause == "unclear":  # camera or board: the camera's part is not known
        state, more = NOT_KNOWN, max(more or 1, RECHECK_COUNT - len(answer.stations), 1)
    if answer.left_out and state == "within":  # what was mistyped may be a movement of its own
        state, more = NOT_KNOWN, 1
    chance = chance_beyond(sizes[worst], expanded[worst] / 2.0, tolerance.position_mm)
    wrong = {"within": chance, "beyond": 1.0 - chance}.get(state)
    return PickNow(
        error_mm=float(sizes[worst]),
        expanded_mm=float(expanded[worst]),
        state=state,
        more=more,
        decision=Decision(tolerance.rule, tolerance.set_by, wrong),
        tolerance_mm=tolerance.position_mm,
        next=_next(state, more, answer, ways),
    )


def not_told(tolerance: Tolerance, way: str) -> PickNow:
    """Return that nobody can tell yet what a pick on the old result is off, and how to go on."""
    decision = Decision(tolerance.rule, tolerance.set_by, None)
    limit = tolerance.position_mm
    return PickNow(None, None, NOT_KNOWN, None, decision, limit, way)


def _both(answer: Recheck) -> bool:
    """Tell whether camera and board both moved: then the board's old place helps nobody."""
    return answer.findings[0].variant == BOTH


def _next(state: State, more: int | None, answer: Recheck, ways: Ways) -> str:
    """Return the way to go on."""
    board = answer.cause == "board"
    if state == "within" and answer.cause != "camera":
        return ways.anew if board else ways.report
    if state == NOT_KNOWN and more is not None:
        return ways.more.format(more)
    if state == NOT_KNOWN and board:
        return ways.anew
    if (left := RECHECK_COUNT - len(answer.stations)) > 0:  # first record where it tells most
        return ways.more.format(left)
    return ways.full if board or _both(answer) else ways.quick


def _errors(old: Result, now: Array, covariance: Array) -> tuple[Array, Array]:
    """Return the size (8,) of the pick error at the corners [mm], and U of it."""
    if old.pick is None:
        raise ValueError("the result is not solved")
    pick, value = old.pick, old.systematic.value
    M, S = pick.moved[pick.corner], pick.off[pick.corner]
    off = value + now[12:]
    error = -M @ (pick.rigid @ value + now[:6]) + S @ off
    index = np.r_[0:6, 12 : 12 + len(value)]
    rows = np.concatenate([-M, S], axis=2)
    u2 = np.einsum("nij,jk,nik->n", rows, covariance[np.ix_(index, index)], rows)
    wider = 1.0 if old.budget is None else old.budget.wider
    return np.linalg.norm(error, axis=1), 2.0 * wider * np.sqrt(u2 + pick.floor_mm**2)


def _state(sizes: Array, expanded: Array, tolerance: Tolerance) -> tuple[State, int]:
    """Return what the rule says of the corners, and the corner that decides."""
    limit, rule = tolerance.position_mm, tolerance.rule
    pairs = list(zip(sizes.tolist(), expanded.tolist(), strict=True))
    if all(conforms(size, U, limit, rule) for size, U in pairs):
        return "within", int((sizes + expanded).argmax())
    surely = sizes > limit if rule == SIMPLE else sizes - expanded > limit
    if rule == SIMPLE:
        surely &= expanded <= most_expanded(limit, rule)
    if surely.any():
        return "beyond", int(np.where(surely, sizes, -np.inf).argmax())
    return NOT_KNOWN, int((sizes + expanded).argmax())


def _stations_that_tell(
    old: Result, before: Problem, now: Array, covariance: Array, sizes: Array, tolerance: Tolerance
) -> int | None:
    """Return after how many further stations it is known, if the error stays as measured."""
    ids = stations_to_revisit(old, before, MOST_MORE)
    place = {seen.id: seen.base_T_flange for seen in before.observations}
    gains = whole_information(before, old, np.array([place[one] for one in ids]))
    told, same = np.zeros_like(covariance), np.eye(len(covariance))
    for count in range(1, MOST_MORE + 1):
        told = told + gains[(count - 1) % len(gains)]
        left = covariance @ np.linalg.inv(same + told @ covariance)  # some may be known exactly
        _, expanded = _errors(old, now, left)
        if _state(sizes, expanded, tolerance)[0] != NOT_KNOWN:
            return count
    return None


def said(now: PickNow, answer: Recheck, tolerance: Tolerance) -> Finding:
    """Return what a pick on the old result is off, and how to go on."""
    error, U, limit, way = now.error_mm, now.expanded_mm, now.tolerance_mm, now.next
    if error is None and answer.cause in ("lens", "board"):
        return finding("pick-now", "unknown-anew", next=way)
    if error is None:
        return finding("pick-now", "unknown", next=way)
    chance = now.decision.chance_wrong
    wrong = "" if chance is None else f"; the chance that this is wrong is {percent(chance)}"
    rule = f"{tolerance.owned_rule}{wrong}"
    if now.state == "within" and answer.cause == "camera":
        return finding("pick-now", "moved", error=error, expanded=U, tolerance=limit, rule=rule,
                       next=way)  # fmt: skip
    if now.state == "within" and answer.cause != "none":
        return finding("pick-now", "still", error=error, expanded=U, tolerance=limit, rule=rule,
                       next=way)  # fmt: skip
    if now.state == "within":
        return finding("pick-now", error=error, expanded=U, tolerance=limit, rule=rule,
                       next=way)  # fmt: skip
    if now.state == "beyond":
        return finding("pick-now", "beyond", error=error, expanded=U, tolerance=limit, rule=rule,
                       next=way)  # fmt: skip
    left = RECHECK_COUNT - len(answer.stations)
    if now.more is None and answer.cause == "board":
        return finding("pick-now", "never-board", error=error, expanded=U, tolerance=limit,
                       rule=rule, most=MOST_MORE, next=way)  # fmt: skip
    if now.more is None and left > 0:
        return finding("pick-now", "never-few", error=error, expanded=U, tolerance=limit,
                       rule=rule, most=MOST_MORE, count=left, next=way)  # fmt: skip
    if now.more is None:
        return finding("pick-now", "never", error=error, expanded=U, tolerance=limit, rule=rule,
                       most=MOST_MORE, next=way)  # fmt: skip
    variant = "which" if answer.moved and answer.cause == "unclear" else "open"
    return finding("pick-now", variant, error=error, expanded=U, tolerance=limit, rule=rule,
                   count=now.more, next=way)  # fmt: skip
