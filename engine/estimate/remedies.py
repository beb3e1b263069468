"""What would bring a U that is above its tolerance within it: the remedy of `tolerance`."""

from __future__ import annotations

from bisect import bisect_left

import numpy as np

from ..arrays import Array
from ..cell.rule import SIMPLE, Tolerance, keeps, most_expanded
from ..findings import Finding, finding
from .budget import ARM, KNOCK, NUMBERS
from .information import known_whole, uncertainty_after, whole_information
from .problem import MUCH_FACTOR, ON_MOUNT, scatter
from .result import Result
from .solver import Solution
from .ties import HEIGHT, TOUCHED, open_axis

MOST_MORE = 6  # stations that are asked for at once; a usual plan holds eight, common practice


FIRST = {  # by the finding that is to be looked at before any station is added
    "robot-geometry": "Do first what robot-geometry names: while the arm is off by more than its "
    "accuracy_mm says, or what is called exact is not, more stations and larger tilts do not help.",
    "depth-disagrees": "Do first what depth-disagrees names: depth was left out, and this is what "
    "the images alone tell.",
}


BY_NUMBER = {  # what shrinks U where a measured number makes most of it, by what gives the number
    HEIGHT: "Measure the height of point 0 better, and enter board.height_mm and height_u_mm.",
    TOUCHED: "Touch again, with a pointer whose tip is known better: further stations do not show "
    "what the touched point gives.",
    ON_MOUNT: "Touch a point that the camera sees (`proof --touch ID --fix`), or do the full job: "
    "how well the board comes back to its mount gives what further stations do not show.",
}


def instead_of_tilts(found: Solution, result: Result, first: str | None) -> str | None:
    """Return what helps where more tilt does not: poses are wrong, an arm is off or cannot tilt.

    ``first``: the finding of `FIRST` that is said, if any.
    """
    noise = found.fit.noise
    if scatter(noise, found.prior) > MUCH_FACTOR:
        mm, deg = noise.position, float(np.degrees(noise.rotation))
        return (
            f"The stops scatter by {mm:.2g} mm and {deg:.2g}°, far more than such a robot does: "
            "compare every typed pose and its image with the paper, check the mounts of board and "
            "camera, and take again what is wrong. More stations help only then."
        )
    if first is not None:
        return FIRST[first]
    made_of = result.budget
    if made_of is not None and made_of.mostly_arm:
        return (
            "The robot's own accuracy sets most of this: have the robot calibrated, or enter the "
            "accuracy it really has as robot.accuracy_mm (robot_accuracy_mm with robot: none)."
        )
    told = found.problem.robot is None and open_axis(found.problem) is not None
    if not found.problem.level and not (told and found.stations.constraints):
        return None
    if made_of is not None and made_of.help_ == NUMBERS:
        return BY_NUMBER[HEIGHT]
    if made_of is not None and made_of.parts and made_of.parts[0].name == NUMBERS:
        names = [tie.name for tie in found.stations.constraints]
        first_of = next((text for name, text in BY_NUMBER.items() if name in names), None)
        if first_of is not None:
            return f"{first_of} It is the largest part (u = {made_of.parts[0].u_mm:.2g} mm)."
    return "Add stations further apart, turned further about base Z."


def tolerance_findings(
    found: Solution, result: Result, instead: str | None, first: str | None
) -> list[Finding]:
    """Return `tolerance` for position and angle where U does not conform to it.

    ``instead``: the remedy where more tilt is none; ``first``: the finding of `FIRST` that is said.
    """
    u, limit = result.uncertainty, result.tolerance
    pairs = ((u.pick_mm, "mm", limit.position_mm), (u.angle_deg, "°", limit.angle_deg))
    above = [
        (value, unit, most)
        for value, unit, most in pairs
        if value is not None and not keeps(value, most, limit.rule)
    ]
    if not above:
        return []
    wrong = first is not None or scatter(found.fit.noise, found.prior) > MUCH_FACTOR
    does = None if wrong else _by_a_knock(result) or few_more(found, result) or _measuring(result)
    by_arm = _by_the_arm(result)
    remedy = (
        does or instead or by_arm or "Add stations with larger tilts, nearer to the work volume."
    )
    return [_beyond(2 * value, unit, most, remedy, limit) for value, unit, most in above]


def _by_a_knock(result: Result) -> str | None:
    """Return how to tell whether there was a knock, where U would do without it; else None."""
    made_of, limit, now = result.budget, result.tolerance, result.uncertainty
    if made_of is None or made_of.knock is None or now.pick_mm is None:
        return None
    part = next(part.u_mm for part in made_of.parts if part.name == KNOCK)
    stated = made_of.coverage * made_of.corners / 2.0 * part
    if not keeps(
        float(np.sqrt(max(now.pick_mm**2 - stated**2, 0.0))), limit.position_mm, limit.rule
    ):
        return None
    return (
        f"Camera or board may have been knocked before station {made_of.knock}: check their "
        "mounts, then record two or three more stations, which tell. If nothing moved, U falls "
        "again; if it did, its finding names it."
    )


ROOM = 1.05  # [-] of U: of stations to come it is known no better before they are there


def few_more(found: Solution, result: Result) -> str | None:
    """Return how many more stations like those used bring U within the tolerance, or None."""
    limit, now = result.tolerance, result.uncertainty.pick_mm
    if now is None:
        return None
    typed, known = found.stations.typed[found.used], known_whole(result)
    told = whole_information(found.problem, result, typed).mean(axis=0)

    def pick_after(count: int) -> float | None:
        """Return u of a pick [mm] after so many, None where that does not do."""
        information = known + count * told
        angle = _angle_after(information, result)
        if angle is None or not keeps(ROOM * angle, limit.angle_deg, limit.rule):
            return None
        pick = uncertainty_after(information, result)[1]
        return pick if keeps(ROOM * pick, limit.position_mm, limit.rule) else None

    counts = range(1, MOST_MORE + 1)
    count = counts[0] + bisect_left(counts, True, key=lambda n: pick_after(n) is not None)
    pick = pick_after(count) if count <= MOST_MORE else None
    if pick is None:
        return None
    more = "About one more station" if count == 1 else f"About {count} more stations"
    best = "the best one" if count == 1 else "better ones, of which fewer do"
    return (
        f"{more} like those so far would do: U of a pick {2 * now:.3g} → {2 * pick:.3g} mm. "
        f"`plan`, or the next move on the screen, names {best}."
    )


def _by_the_arm(result: Result) -> str | None:
    """Return that a better robot helps where its accuracy is the largest part of u, or None."""
    made_of = result.budget
    if made_of is None or not made_of.parts or made_of.parts[0].name != ARM:
        return None
    return (
        f"The robot's own accuracy is the largest part (u = {made_of.parts[0].u_mm:.2g} mm), and "
        f"{MOST_MORE} more stations like those so far would not do: have the robot calibrated, or "
        "enter its true accuracy as robot.accuracy_mm (robot_accuracy_mm with robot: none)."
    )


def _angle_after(information: Array, result: Result) -> float | None:
    """Return u of the rotation [deg] that ``information`` leaves, no less wide than stated now."""
    if result.pick is None:
        return None
    left = np.asarray(np.linalg.inv(information))
    wider = 1.0 if result.budget is None else result.budget.wider
    return wider * result.pick.angle_deg(left, result.systematic.value)


def _measuring(result: Result) -> str | None:
    """Return that the measurement of `what-helps` would do, or None where it would not."""
    made_of, limit, now = result.budget, result.tolerance, result.uncertainty.pick_mm
    if made_of is None or made_of.help_ == NUMBERS or made_of.after_mm is None or now is None:
        return None
    after = made_of.coverage * made_of.after_mm
    if after > most_expanded(limit.position_mm, limit.rule) or not keeps(
        result.uncertainty.angle_deg, limit.angle_deg, limit.rule
    ):
        return None
    return f"The one measurement that what-helps names would do: U {2 * now:.2g} → {after:.2g} mm."


def _beyond(U: float, unit: str, most: float, remedy: str, limit: Tolerance) -> Finding:
    if limit.rule == SIMPLE:
        return finding("tolerance", "third", expanded=U, unit=unit, tolerance=most,
                       rule=limit.owned_rule, remedy_text=remedy)  # fmt: skip
    return finding("tolerance", expanded=U, unit=unit, tolerance=most, remedy_text=remedy)
