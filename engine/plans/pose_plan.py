"""Plans from a rough result: the stations that cut the expected uncertainty most."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ..arrays import Array
from ..cell.cell import Cell
from ..estimate.problem import implied_flange
from ..frames import rotation_angle
from .choose import Alike, Offered, by_gain, choose, exchanged, ordered
from .outlook import Offers, Outlook
from .sight import spiral_views
from .types import Plan, Spiral, Step, Wish
from .way import jog_text
from .words import gain_words, risk, shown, view_words

USUAL_STATIONS = 8  # good ones are enough for most cells; see docs/plans.md
SPIRAL_STATIONS = 9  # of the fixed pattern: three of each turn
LEAST_MORE = 3  # further stations where a session already has so many
MOST_STATIONS = 24  # of one plan: more than an hour at the robot, and what one printed page holds
ALIKE_MM, ALIKE_RAD = 30.0, np.radians(8.0)  # [mm], [rad] nearer than both: the same place again
STAY = 1.1  # [-] a plan stays while another one lowers the last u by less than this factor
# [mm], [rad] about those chosen within which better places are looked for, one after the other.
# That lowers u by 3 %, four times as many candidates by 2 % (simulation).
NEARER = (60.0, np.radians(15.0)), (25.0, np.radians(6.0))
RETRIES = 4  # times stations without a clear way are replaced

FEW = (
    "Only {found} of {wanted} stations show the whole board within reach: look for joint limits, "
    "boxes to keep out of, and a camera that is too near."
)
ENOUGH = "U at the work volume is about {now} mm already: no further station is needed for that."
OF_THE_ARM = (
    " What the arm's own errors leave open in the transform falls slowly: a calibrated robot, or "
    "its true robot.accuracy_mm, helps more than further stations."
)


def chosen_plan(cell: Cell, look: Outlook, typed: Array, wish: Wish, near: Fields) -> Plan:
    """Return the best further stations after the recorded poses ``typed`` (n, 4, 4)."""
    usual = max(USUAL_STATIONS - len(typed), LEAST_MORE)
    until = None if wish.until_mm is None else wish.until_mm / 2.0
    count = wish.count or (usual if until is None else MOST_STATIONS)
    avoid = (*typed, *wish.avoid)
    offers = fresh(look.offers(), avoid)
    poses = best_stations(look, offers, avoid, count, until)
    few = len(poses) < count and until is None
    notes = (FEW.format(found=len(poses), wanted=count),) if few else ()
    if until is not None and poses and not look.reaches(np.array(poses), until):
        notes = (beyond(look, np.array(poses), 2 * until),)
        poses = poses if wish.count else best_stations(look, offers, avoid, usual)
    new = plan_of(cell, look, poses, until, near, notes)
    kept = _kept(cell, look, wish, near)
    if kept is None:
        return new
    was, will = kept.work_volume_mm, new.work_volume_mm
    return kept if was is None or will is None or was <= STAY * will else new


def _kept(cell: Cell, look: Outlook, wish: Wish, near: Fields) -> Plan | None:
    """Return the plan of the poses planned before, where all of them are still possible."""
    if not wish.kept:
        return None
    poses = np.array(wish.kept)
    if not (look.seen(poses, look.views(poses)) & look.clear(poses)).all():
        return None
    if not all(look.arm.stands(pose).any() for pose in wish.kept):
        return None
    held: Array | None = look.arm.held
    for here, pose in pairwise([look.present, *wish.kept]):
        held = None if held is None else look.goes(here, pose, held)
    if held is None:
        return None
    return plan_of(cell, look, wish.kept, wish.until_mm and wish.until_mm / 2.0, near)


def beyond(look: Outlook, poses: Array, until_mm: float) -> str:
    """Say that U = 2u stays above ``until_mm`` after all of ``poses`` (n, 4, 4), and why."""
    after = look.after(poses)
    if after is None:
        return f"U at the work volume is not known yet: the plan cannot stop at {until_mm:g} mm."
    stations = "1 more station" if len(poses) == 1 else f"{len(poses)} more stations"
    why = OF_THE_ARM if len(look.result.systematic.sd) else ""
    left = f"about {2 * after[0]:.2g} mm after {stations}"
    return f"U at the work volume would still be {left}, not {until_mm:g} mm.{why}"


def fresh(offers: Offers, avoid: Sequence[Array]) -> Offers:
    """Return the stations that are not alike any of the poses (4, 4) to ``avoid``."""
    again = [alike(offers.flange, pose) for pose in avoid]
    return offers.take(~np.any(again, axis=0))


def best_stations(
    look: Outlook,
    offers: Offers,
    avoid: Sequence[Array],
    count: int,
    until_mm: float | None = None,
) -> list[Array]:
    """Return up to ``count`` flange poses (4, 4) in the order of visiting.

    Those that every likely posture holds and leads on to, or where they are too few, one at least.
    Those chosen of the ``offers`` are moved on to better places near them, if not like ``avoid``.
    """
    arm, offered = look.arm, _offered(look, offers, np.all)
    best = _best(look, offers.flange, offered, count, until_mm)
    if len(arm.held) > 1 and (not best or (len(best) < count and until_mm is None)):
        offered = _offered(look, offers, np.any, offered.alike)
        best = max(best, _best(look, offers.flange, offered, count, until_mm), key=len)
    return _moved_on(look, offers.take(best), avoid)


def _offered(
    look: Outlook,
    offers: Offers,
    of_all: Callable[[NDArray[np.bool_]], np.bool_],
    like: Alike | None = None,
) -> Offered:
    """Return what is offered, usable where the arm stands in every likely posture, or in any."""
    flange, arm = offers.flange, look.arm

    def usable(index: int) -> bool:
        pose = flange[index]
        return bool(of_all(arm.stands(pose)) and of_all(arm.leads(arm.held, pose)))

    like = like or cache(lambda index: alike(flange, flange[index]))
    return Offered(offers.information, cache(usable), like)


def _moved_on(look: Outlook, chosen: Offers, avoid: Sequence[Array]) -> list[Array]:
    """Return the flange poses of those ``chosen``, moved on to the best places near them.

    Where no clear jog leads to a better place, or none from there on, a station stays.
    """
    best, stay = chosen, list(chosen.flange)
    for size in NEARER if stay else ():
        more = best.and_also(fresh(look.offers(look.near(best.view, size)), avoid))
        best = more.take(exchanged(look.aim, _offered(look, more, np.all), range(len(stay))))
    blocked = set[tuple[bytes, bytes]]()  # from where no way leads to the end

    def onward(here: Array, held: Array, ends: list[tuple[Array, Array]]) -> list[Array] | None:
        if not ends or (here.tobytes(), held.tobytes()) in blocked:
            return None if ends else []
        for end in ends[0]:
            after = look.goes(here, end, held)
            rest = None if after is None else onward(end, after, ends[1:])
            if rest is not None:
                return [end, *rest]
        blocked.add((here.tobytes(), held.tobytes()))
        return None

    ends = list(zip(best.flange, stay, strict=True))
    return onward(look.present, look.arm.held, ends) or stay


def _best(
    look: Outlook, flange: Array, offered: Offered, count: int, until_mm: float | None
) -> list[int]:
    """Return the indices of the stations in the order of visiting."""
    order, barred = list[int](), np.zeros(len(flange), bool)
    unbarred = replace(offered, usable=lambda index: not barred[index] and offered.usable(index))

    def enough(chosen: list[int]) -> bool:  # u is below ``until_mm`` as the result will state it
        return until_mm is not None and look.reaches(flange[chosen], until_mm)

    reached: list[int] | None = None
    for _ in range(RETRIES):
        chosen = choose(look.aim, unbarred, count, enough, reached)
        ranked = [chosen[k] for k in by_gain(look.aim, offered.information[chosen])]
        found, left = ordered(look.present, look.arm.held, list(flange[ranked]), look.goes)
        reached = [ranked[k] for k in found]
        order = max(order, reached, key=len)
        if not left:
            break
        for k in left:  # what is alike is no easier to get to
            barred |= offered.alike(ranked[k])
    return order


def alike(poses: Array, pose: Array) -> NDArray[np.bool_]:
    """Tell which of ``poses`` (..., 4, 4) lead to the same place as ``pose`` (4, 4) again."""
    distance = np.linalg.norm(poses[..., :3, 3] - pose[:3, 3], axis=-1)
    turn = rotation_angle(poses[..., :3, :3] @ pose[:3, :3].T)
    return np.asarray((distance < ALIKE_MM) & (turn < ALIKE_RAD))


Fields = tuple[str, ...] | None


def plan_of(
    cell: Cell,
    look: Outlook,
    poses: Sequence[Array] | Array,
    until_mm: float | None,
    near: Fields,
    notes: tuple[str, ...] = (),
) -> Plan:
    """Return the plan that visits ``poses`` (4, 4) in this order, and what each of them brings.

    It ends with the first station after which u is expected below ``until_mm``. A station to which
    no clear jog leads is left out.
    """
    now = look.expected(look.whole)
    before = now and now[0]
    steps, here, total, held = list[Step](), look.present, look.whole, look.arm.held
    for flange in poses:
        if until_mm is not None and before is not None and before <= until_mm:
            break
        way = look.way(here, flange, held)
        if way is None:
            continue
        legs, held = way
        fields, pose = shown(cell, look.arm, flange, near, held)
        total = total + look.whole_information(pose[None])[0]
        after = look.expected(total)
        view = look.views(pose[None])[0]
        gain = gain_words(before, after and after[0])
        jog = jog_text(legs)
        why = "; ".join(filter(None, (view_words(look.sight, view, look.usual_mm), gain)))
        volume, pick = after or (None, None)
        steps.append(Step("pose", pose, fields, jog, why, volume, pick, held, risk(look.arm, held)))
        here, near, before = pose, fields, after and after[0]
    if not steps and look.enough(until_mm and 2 * until_mm) and before is not None:
        notes = (*notes, ENOUGH.format(now=f"{2 * before:.2g}"))
    return Plan(tuple(steps), notes, *(now or (None, None)))


def spiral_plan(
    cell: Cell, look: Outlook, typed: Array, spiral: Spiral, wish: Wish, near: Fields
) -> Plan:
    """Return the fixed pattern, with what as many chosen stations would reach beside it."""
    count = wish.count or SPIRAL_STATIONS
    middle = look.views(typed[:1])[0]
    turned = look.turned if look.problem.level else None
    view = spiral_views(spiral, count, look.sight, middle, turned)
    flange = implied_flange(look.problem.mount, look.result.geometric, view, look.result.board)
    good = look.seen(flange, view) & look.clear(flange)
    good = np.array(
        [ok and look.arm.stands(F).any() for ok, F in zip(good, flange, strict=True)], bool
    )
    order, _ = ordered(look.present, look.arm.held, list(flange[good]), look.goes)
    missing = count - len(order)
    notes = (f"{missing} of the {count} stations of the spiral are not seen or not reached.",)
    until = None if wish.until_mm is None else wish.until_mm / 2.0
    plan = plan_of(cell, look, flange[good][order], until, near, notes if missing else ())
    best = chosen_plan(cell, look, typed, Wish(count=len(plan.steps)), near) if plan.steps else plan
    return replace(plan, chosen_mm=best.work_volume_mm)
