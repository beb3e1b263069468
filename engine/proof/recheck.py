"""Whether the camera moved since an earlier result, from one to a few new stations.

The board is on its old mount, known to a stated repeatability. A movement of the camera is said to
be there when its estimate is larger than chance allows at the stated significance; what would have
been found is said too. Then two explanations compete, each with the same freedom: the camera
moved, or the board sits elsewhere on its mount. They differ only over stations that turn the board
against the camera: with one station nobody can tell them apart, and the program says so.

Old stations are safer than new poses (reachable, known clear of fixtures at the time), and the
robot's systematic error is the same there as it was.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any, Literal

import numpy as np

from ..arrays import Array
from ..cell.mount import EYE_TO_HAND, Mount
from ..cell.rule import Decision
from ..diagnosis.scene import Texts
from ..errors import SolveError
from ..estimate.information import station_information
from ..estimate.pick import PickModel
from ..estimate.problem import Problem, related
from ..estimate.result import Result
from ..findings import Finding, by_gravity, finding
from ..frames import displaced, displacement, inverse
from ..tails import f_isf, non_central_f_size
from .assumed import (
    FREE,
    ODDS,
    contradiction,
    mount_covariance,
    mount_notes,
    noise_freedom,
    plausible,
)
from .changed import both_moved, changes, in_words, told_changed
from .compare import Movement, moved
from .mistyped import mistyped
from .update import Seen, Update, seen_stations, updated

Cause = Literal["camera", "board", "lens", "unclear", "none"]
Said = tuple[bool | None, Cause, Finding]
State = Literal["within", "beyond", "not-known"]

SIGNIFICANCE = 0.01  # [-] chance of a false alarm; two tests share it
POWER = 0.95  # [-] chance of finding a movement of the size that is said to be detectable
BOTH, LENS = "and-board", "or-lens"  # what else lies in a movement of the camera
OTHER_WAY_DEG = 170.0  # deg; a mount with two pins takes the board in two ways, half a turn apart


@dataclass(frozen=True, slots=True, eq=False)
class PickNow:
    """The pick error on the old result at the worst corner: ``error_mm`` with U = 2u (95 %).

    Both None where the stations do not tell. ``decision``: by which rule ``state`` was decided.
    ``more``: how many further stations would tell; 0: it is known already, None: no number that is
    thought of, or not known. ``next``: how to go on, a command or keys.
    """

    error_mm: float | None
    expanded_mm: float | None
    state: State
    more: int | None
    decision: Decision
    tolerance_mm: float
    next: str

    def document(self) -> dict[str, Any]:
        """Return it as plain data; what is not known is None."""
        return {
            **asdict(self.decision),
            "tolerance_mm": self.tolerance_mm,
            "pick_error_mm": self.error_mm,
            "expanded_mm": self.expanded_mm,
            "state": self.state,
            "stations_needed": self.more,
            "next": self.next.strip("`"),  # which set a command off in a sentence
        }


@dataclass(frozen=True, slots=True, eq=False)
class Recheck:
    """What the new stations say.

    ``moved`` True: the camera moved, or may have; False: it did not (within ``detectable_mm``);
    None: nobody can tell. ``movement`` of the camera, taken alone; None where nobody can tell.
    ``detectable_mm`` and ``detectable_deg``: the pure shift and the pure turn that would have been
    found with 95 % probability, whichever way they went. ``pick``: what that means for a pick on
    the old result; None where nobody asked. ``left_out``: mistyped stations, on which it does not
    rest.
    """

    moved: bool | None
    cause: Cause
    movement: Movement | None
    detectable_mm: float | None
    detectable_deg: float | None
    stations: tuple[int, ...]
    findings: tuple[Finding, ...]
    pick: PickNow | None = None
    left_out: tuple[int, ...] = ()

    def document(self) -> dict[str, Any]:
        """Return the answer as plain data; what is not known is None."""
        return {
            "format": 1,
            "moved": self.moved,
            "cause": self.cause,
            "movement": None if self.movement is None else self.movement.document(),
            "detectable_mm": self.detectable_mm,
            "decision": None if self.pick is None else self.pick.document(),
            "findings": [item.document() for item in self.findings],
        }


@dataclass(frozen=True, slots=True, eq=False)
class Explanations:
    """The stations explained by the camera's movement, and by the board's alone.

    ``misfit`` [-] of the one that fits better; how far that movement is costs it nothing: another
    tool may put the board at a right angle.
    """

    camera: Update
    board: Update
    misfit: float

    @property
    def odds(self) -> float:
        """Logarithm of how much likelier the camera's movement is."""
        return self.camera.evidence - self.board.evidence


def recheck(old: Result, problem: Problem, texts: Texts | None = None) -> Recheck:
    """Return whether the camera of ``problem`` (the new stations) moved since ``old``.

    Both must belong to the same cell (`stated.check_same`). ``texts``: the fields of each station
    as typed; without them as the pendant shows the pose. Raises SolveError where the old result is
    not solved.
    """
    return answered(old, problem, seen_stations(old, problem), texts)


def answered(old: Result, problem: Problem, seen: Seen | None, texts: Texts | None) -> Recheck:
    """Return what `recheck` does; ``seen``: what the stations of ``problem`` show, None: nothing.

    Raises SolveError where the old result is not solved.
    """
    notes = mount_notes(problem.board)
    if seen is None or old.pick is None:
        usable = finding("recheck-stations", "none-usable")
        return Recheck(None, "unclear", None, None, None, (), (usable, *notes))
    if turned := other_way(old, seen):
        return Recheck(None, "board", None, None, None, seen.ids, (turned, *notes))
    found, freedom = explanations(old, problem, seen), noise_freedom(old)
    movement = movement_of(old, old.pick, found.camera)
    detectable = _detectable(movement.covariance, freedom)
    alarm = _alarm(found, mount_covariance(problem.board), freedom)
    said: Said | None = (False, "none", not_moved(*detectable))
    if alarm:
        covered = plausible(found.misfit, len(seen.ids), freedom)
        slips = slipped(old, problem, seen)
        said = _told(found, slips, seen, movement) if covered else None
        if len(seen.ids) > 1:
            said = _or_changed(said, old, problem, seen, movement)
        if said is not None and said[2].variant == BOTH:
            movement = movement_of(old, old.pick, both_free(old, problem, seen))
            said = True, "camera", movement_found(movement, "camera", len(seen.ids), BOTH)
    if said is None:
        return _contradicting(old, problem, seen, texts or {}, detectable)
    answer, cause, item = said
    findings = tuple(by_gravity([item, *notes]))
    known = None if answer is None else movement
    return Recheck(answer, cause, known, *detectable, seen.ids, findings)


def _or_changed(
    said: Said | None, old: Result, problem: Problem, seen: Seen, movement: Movement
) -> Said | None:
    """Return what was ``said`` of movements, unless another lens or board lies or may lie behind.

    None: no movement covers the stations, nor is it another lens or board.
    """
    certain, possible = changes(old, problem, said is not None)
    if len(certain) == 1:
        cause: Cause = "board" if certain[0].what == "another-board" else "lens"
        return None, cause, told_changed(certain[0])
    if certain:
        return None, "unclear", finding("moved-unclear", "other", others=in_words(certain))
    if said is not None and said[2].variant == "typed":
        return said
    typed = both_moved(old, problem)
    both = typed == () and not possible and covered_by_both(old, problem, seen)
    if said is None and not both:
        return None
    if typed:
        return None, "unclear", finding("stations-contradict", "both", stations=sorted(typed))
    in_it = [one.what for one in possible] == ["centre"]
    if both or (said and said[1] == "camera" and in_it):
        variant = BOTH if both else LENS
        return True, "camera", movement_found(movement, "camera", len(seen.ids), variant)
    if not possible:
        return said
    item = finding(
        "moved-unclear", "changed", movement=movement.found(), others=in_words(possible),
        work_volume_mm=movement.work_volume_mm,
    )  # fmt: skip
    return True, "unclear", item


def movement_of(old: Result, pick: PickModel, found: Update) -> Movement:
    """Return how far the camera moved since ``old``, by the update ``found``."""
    now = displaced(old.geometric, found.shift)
    return moved(old.mount, old.geometric, now, found.shift_covariance, pick)


def other_way(old: Result, seen: Seen) -> Finding | None:
    """Return that the board sits the other way round on its mount, which no bump of a camera does.

    Where it sits then, nobody knows to a tenth of a millimetre, so the stations do not tell whether
    the camera moved.
    """
    stations = seen.stations
    flange_side = inverse(related(stations.mount, stations.typed))
    places = flange_side @ old.geometric @ stations.views.pose
    off = displacement(places, old.board)
    angles = np.degrees(np.linalg.norm(off[:, :3], axis=1))
    if angles.min() < OTHER_WAY_DEG:
        return None
    distance = float(np.linalg.norm(off[:, 3:], axis=1).mean())
    return finding("board-moved", "other-way", distance_mm=distance, angle_deg=angles.mean())


def explanations(old: Result, problem: Problem, seen: Seen) -> Explanations:
    """Return the new stations explained both ways, each with the same freedom."""
    mount = mount_covariance(problem.board)
    camera = updated(old, seen, FREE, mount)
    board = updated(old, seen, np.zeros((6, 6)), FREE + mount)
    off = (
        camera.misfit - _of_going(camera.shift, FREE),
        board.misfit - _of_going(board.slip, FREE + mount),
    )
    return Explanations(camera, board, min(off))


def slipped(old: Result, problem: Problem, seen: Seen) -> dict[int, float]:
    """Return by id the evidence that nothing moved, and one station's pose is mistyped.

    With the same freedom as a movement; nothing for one station, of which that is said anyway.
    """
    if len(seen.ids) < 2:
        return {}
    mount, still = mount_covariance(problem.board), np.zeros((6, 6))
    anywhere = -0.5 * float(np.linalg.slogdet(FREE)[1])
    others = {one: seen.take([k for k in seen.ids if k != one]) for one in seen.ids}
    return {one: updated(old, rest, still, mount).evidence + anywhere
            for one, rest in others.items()}  # fmt: skip


def squared_size(value: Array, covariance: Array) -> float:
    """Return the squared size of ``value`` (6,) over its covariance, per component."""
    return float(value @ np.linalg.solve(covariance, value)) / 6.0


def _of_going(way: Array, free: Array) -> float:
    """Return the part of a misfit [-] that is of going ``way`` (6,), where it is ``free`` to go."""
    return 6.0 * squared_size(way, free)


def _detectable(covariance: Array, freedom: float) -> tuple[float, float]:
    """Return the shift [mm] and turn [deg] found with probability POWER in the worst direction."""
    limit = _limit(freedom)
    size = non_central_f_size(POWER, limit, 6, freedom)
    information = np.linalg.inv(covariance)
    turn, shift = (np.linalg.eigvalsh(information[k, k])[0] for k in (slice(3), slice(3, 6)))
    return float(np.sqrt(size / shift)), float(np.degrees(np.sqrt(size / turn)))


def _limit(freedom: float) -> float:
    """Return the size above which one of the two tests gives alarm."""
    return f_isf(SIGNIFICANCE / 2.0, 6, freedom)


def _alarm(found: Explanations, mount: Array, freedom: float) -> bool:
    """Tell whether camera or board, taken alone, moved more than chance and mount allow."""
    camera, board = found.camera, found.board
    went = squared_size(camera.shift, camera.shift_covariance)
    slipped = squared_size(board.slip, board.slip_covariance + mount)
    return max(went, slipped) > _limit(freedom)


def _told(
    found: Explanations, slips: Mapping[int, float], seen: Seen, movement: Movement
) -> tuple[bool, Cause, Finding]:
    """Return which of the two moved, once something has; or that mistyped poses may explain it.

    One station never tells: the wrong tool shows as a board far away, however small the camera's
    movement would have to be beside it.
    """
    if len(seen.ids) == 1:
        return True, "unclear", movement_found(movement, "unclear", 1)
    evidences = found.camera.evidence, found.board.evidence, *slips.values()
    best = max(evidences) - np.log(ODDS)
    if doubted := sorted(one for one, evidence in slips.items() if evidence > best):
        return True, "unclear", finding("moved-unclear", "typed", stations=doubted)
    if found.odds < -np.log(ODDS):
        return False, "board", board_elsewhere(found.board.slip, seen.stations.mount)
    cause: Cause = "camera" if found.odds > np.log(ODDS) else "unclear"
    return True, cause, movement_found(movement, cause, len(seen.ids))


def _contradicting(
    old: Result, problem: Problem, seen: Seen, texts: Texts, detectable: tuple[float, float]
) -> Recheck:
    """Return that stations contradict each other, or what the others say of what moved.

    The latter where those that do are mistyped, each in one field. That nothing moved is never said
    so: what looks like a mistyped pose may be a knock.
    """
    notes, said = mount_notes(problem.board), _contradiction(old, problem, seen)
    blank = Recheck(None, "unclear", None, *detectable, seen.ids, (said, *notes))
    if said.variant != "some" or said.stations is None:
        return blank
    rest = [one for one in seen.ids if one not in said.stations]
    alone = explanations(old, problem, seen.take(rest))
    likelier = alone.camera if alone.odds > 0.0 else alone.board
    each = [mistyped(old, problem, one, likelier, texts) for one in said.stations]
    slips = [item for item in each if item is not None]
    answer = recheck(old, without(problem, said.stations), texts)
    if len(slips) == len(each) and shows_more(answer):
        return beside(answer, slips, seen.ids)
    return replace(blank, findings=(said, *slips, *notes))


def without(problem: Problem, stations: Sequence[int]) -> Problem:
    """Return the problem without these stations."""
    kept = tuple(one for one in problem.observations if one.id not in stations)
    return replace(problem, observations=kept)


def shows_more(answer: Recheck) -> bool:
    """Tell whether the answer of the other stations holds beside mistyped ones."""
    return answer.cause != "none" and answer.findings[0].variant != "typed"


def beside(answer: Recheck, slips: Sequence[Finding], stations: Sequence[int]) -> Recheck:
    """Return the ``answer`` of the others of all ``stations`` beside mistyped ones, ``slips``."""
    left_out = tuple(item.station for item in slips if item.station is not None)
    findings = (*answer.findings[:1], *slips, *answer.findings[1:])
    return replace(answer, stations=tuple(stations), left_out=left_out, findings=findings)


def _contradiction(old: Result, problem: Problem, seen: Seen) -> Finding:
    freedom = noise_freedom(old)

    def fit(kept: Sequence[int]) -> tuple[float, int]:
        some = seen.take(kept)
        return explanations(old, problem, some).misfit, len(some.ids)

    said = contradiction(seen.ids, fit, freedom)
    if len(seen.ids) > 2 and covered_by_both(old, problem, seen):
        return finding("stations-contradict", "both", stations=said.stations)
    return said


def covered_by_both(old: Result, problem: Problem, seen: Seen) -> bool:
    """Tell whether movements of camera and board together cover the stations."""
    both, mount = both_free(old, problem, seen), mount_covariance(problem.board)
    far = _of_going(both.shift, FREE) + _of_going(both.slip, FREE + mount)
    return plausible(both.misfit - far, len(seen.ids), noise_freedom(old), 2)


def both_free(old: Result, problem: Problem, seen: Seen) -> Update:
    """Return the new stations explained by a movement of the camera and one of the board."""
    return updated(old, seen, FREE, FREE + mount_covariance(problem.board))


def movement_found(
    movement: Movement, cause: Cause, stations: int, variant: str = "since"
) -> Finding:
    """Return the finding that the camera moved, or ("unclear") that camera or board did.

    ``variant`` `BOTH`: the board did too; `LENS`: the lens may have in it, and looks alike.
    """
    code = "camera-moved"
    if cause != "camera":
        code, variant = "moved-unclear", "one-station" if stations == 1 else ""
    volume = movement.work_volume_mm
    return finding(code, variant, movement=movement.found(), work_volume_mm=volume)


def not_moved(mm: float, deg: float) -> Finding:
    """Return the finding of no movement; a shift of ``mm`` or a turn of ``deg`` would be found."""
    percent = 100 * SIGNIFICANCE
    return finding("not-moved", shift_mm=mm, turn_deg=deg, percent=percent, power=95)


def board_elsewhere(slip: Array, mount: Mount) -> Finding:
    """Return the finding that the board sits ``slip`` (6,) elsewhere, or what looks alike did."""
    mm, deg = np.linalg.norm(slip[3:]), np.degrees(np.linalg.norm(slip[:3]))
    if mount == EYE_TO_HAND:
        return finding("board-moved", "since", distance_mm=mm, angle_deg=deg)
    return finding("board-moved", "since-in-cell", distance_mm=mm, angle_deg=deg)


RECHECK_COUNT = 3  # stations that tell the camera's movement from the board's


def stations_to_revisit(result: Result, problem: Problem, count: int) -> list[int]:
    """Return ids of up to ``count`` used stations, best first.

    Each next one cuts the uncertainty of a movement at the work volume the most, the board being
    back on its mount. Raises SolveError where the earlier session is not solved.
    """
    if result.pick is None:
        raise SolveError("the earlier session gives no result", "Do the full job.")
    used = {station.id for station in result.stations if station.used}
    offered = [seen for seen in problem.observations if seen.id in used]
    flanges = np.array([seen.base_T_flange for seen in offered])
    gains = station_information(problem, result, flanges)
    known = np.zeros((12, 12))
    known[:6, :6] = np.linalg.inv(FREE)
    known[6:, 6:] = np.linalg.inv(mount_covariance(problem.board))
    chosen: list[int] = []
    while len(chosen) < min(count, len(offered)):
        left = [k for k in range(len(offered)) if k not in chosen]
        after = np.linalg.inv(known + gains[left])[:, :6, :6]
        best = left[int(np.argmin([result.pick.work_volume_mm(C) for C in after]))]
        known = known + gains[best]
        chosen.append(best)
    return [offered[k].id for k in chosen]
