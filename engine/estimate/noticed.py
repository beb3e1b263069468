"""What the estimator itself notices about a fit, as findings."""

from __future__ import annotations

import numpy as np

from ..arrays import Array
from ..camera.lens import project
from ..camera.views import in_front
from ..cell.mount import EYE_TO_HAND
from ..findings import Finding, Level, finding
from ..frames import AXES, apply, displaced, displacement, inverse
from ..pendant.conventions import YAW
from ..robots.model import ASSUMED_ACCURACY_MM
from ..tails import chi2_isf, chi2_sf
from .assumed import board_findings, doubted_findings, geometry_finding, input_findings
from .fit import NOT_KNOWN_MM, Fit, but_the_arm
from .gather import behind, board_turns, gather, in_metres, poseless
from .information import flange_information
from .of_depth import depth_findings
from .pick import PickModel
from .problem import MOST_PIXEL_PX, Problem, absurd
from .remedies import instead_of_tilts, tolerance_findings
from .result import Result
from .solver import LEAST_STATIONS, Solution, quiet
from .systematic import systematic
from .ties import HEIGHT, across, motion

BESIDE_VIEW = 0.1  # [-] of the image: what distortion may bring into view
BESIDE = 1e-3  # [-] chance that a good touch is said to lie beside its point
TILT = np.radians(20.0)  # [rad] the tilt that is tried as a remedy: well seen, easily jogged


def direction_words(axis: Array | tuple[float, float, float]) -> str:
    """Return "base Z" or, off the axes, "base direction (0.6, 0.0, 0.8)"."""
    axis = np.asarray(axis, float)
    largest = int(np.abs(axis).argmax())
    if abs(axis[largest]) > np.cos(np.radians(15.0)):  # within 15°: people call it by the axis
        return f"base {AXES[largest]}"
    return f"base direction ({axis[0]:.1f}, {axis[1]:.1f}, {axis[2]:.1f})"


def observability_findings(found: Solution, without_ties: Fit | None) -> list[Finding]:
    """Return `unobservable` or `unobservable/fixed`, or nothing.

    ``without_ties`` is the fit without the measured numbers, where there are any.
    """
    if found.fit.unknown:
        direction, remedy = _open_direction(found)
        return [finding("unobservable", direction=direction, remedy_text=remedy)]
    if without_ties is not None and without_ties.unknown:
        direction, _ = _open_direction(found)
        given = " and ".join(tie.name for tie in found.stations.constraints)
        value = found.problem.board.height_mm if given == HEIGHT else None
        number, typed = (given, f"{value:g}") if value is not None else (f"the {given}", None)
        items = [finding("unobservable", "fixed", direction=direction, given=given, field=number,
                         typed=typed)]  # fmt: skip
        known = found.problem.touched or found.problem.board_prior
        told = [] if known else [*_upside_down(found), *_other_end(found)]
        return [*items, *_off_the_flange(found), *told]
    return []


MOST_MOUNT_MM = 600.0  # mm; no bracket on a flange is longer, common practice, no source


def _off_the_flange(found: Solution) -> list[Finding]:
    """Return that what the flange carries lies farther along its axis than any mount reaches."""
    state, fixed = found.fit.state, found.problem.mount == EYE_TO_HAND
    middle = found.problem.board.points().mean(axis=0) if fixed else np.zeros(3)
    carried = state.board if fixed else state.camera
    distance = abs(float(apply(carried, middle[None])[0, 2]))  # the number tells nothing across
    if distance <= MOST_MOUNT_MM:
        return []
    what = "board" if fixed else "camera"
    return [finding("unobservable", "far", what=what, distance_mm=distance)]


def _upside_down(found: Solution) -> list[Finding]:
    """Return that the height over the flange counts along its z axis, up or down as told.

    With one angle nothing else depends on it, so no station shows it.
    """
    problem = found.problem
    height, pendant = problem.board.height_mm, problem.pendant
    if height is None or pendant.rotation != YAW or problem.mount != EYE_TO_HAND:
        return []
    if 2.0 * abs(height) <= problem.tolerance.position_mm:
        return []
    told = str(pendant.flange_down).lower()
    return [finding("unobservable", "flange-down", field="pendant.flange_down", typed=told,
                    distance_mm=2.0 * abs(height))]  # fmt: skip


def number_findings(found: Solution) -> list[Finding]:
    """Return `number-disagrees` where a touch lies beside the point that it is said to be of.

    Along the direction that it gives nothing can contradict it; across it the stations can.
    """
    fit, p = found.fit, len(found.systematic.sd)
    told = but_the_arm(len(fit.covariance), p)
    shared, items = fit.covariance[np.ix_(told, told)], list[Finding]()
    for touch in found.problem.touched:
        tie = across(found.problem, touch)
        if tie is None:
            continue
        state = fit.state
        off, rows = tie.whitened(state.camera, state.board, state.errors[p:])
        expected = rows @ shared @ rows.T + np.eye(len(off))
        if chi2_sf(float(off @ np.linalg.solve(expected, off)), len(off)) < BESIDE:
            distance = touch.u_mm * float(np.linalg.norm(off))
            U = touch.u_mm * 2.0 * float(np.sqrt(np.trace(expected)))
            items.append(finding("number-disagrees", distance=distance, expanded=U))
    return items


def _other_end(found: Solution) -> list[Finding]:
    """Return `height-open` where another point of the board may be the one that was measured.

    As likely as not the result is off by so much: half of the tolerance is left to all the rest.
    """
    board = found.problem.board
    if board.height_mm is None:
        return []
    off = (found.fit.state.board @ board_turns(board))[:, 2, 3] - found.fit.state.board[2, 3]
    other = float(off[np.abs(off).argmax()])
    if abs(other) <= 2 * board.height_u_mm:
        return []
    grave = 2.0 * abs(other) > found.problem.tolerance.position_mm
    level = Level.ERROR if grave else Level.WARNING
    return [finding("height-open", level=level, distance_mm=abs(other))]


def _open_direction(found: Solution) -> tuple[str, str]:
    moved = motion(found.stations.typed[found.used])
    carrier = "flange" if found.problem.mount == EYE_TO_HAND else "base"
    turning = "Add stations that turn and tilt the board by 20° or more about two axes."
    if found.problem.level:
        turning = "Add stations that are turned by 20° or more about base Z, and further apart."
    if moved.kind == "pure shift":
        return "The camera's place", turning
    if moved.kind == "one axis":
        along = direction_words(moved.axis)
        return (
            f"How far camera and board are shifted together along {along}",
            f"Measure the height of point 0 over the {carrier} and enter board.height_mm (t on the "
            "screen), or touch one point that the camera sees"
            + ("." if found.problem.level else "; a six-axis robot can tilt the board instead."),
        )
    return "The camera's place and direction", turning


def weak_findings(
    found: Solution, pick: PickModel, covariance: Array, instead: str | None
) -> list[Finding]:
    """Return `weak-direction` where the camera's part of U alone breaks the tolerance.

    ``instead``: the remedy where more tilt is none.
    """
    tolerance = found.problem.tolerance.position_mm
    if 2 * pick.work_volume_mm(covariance) <= tolerance:
        return []
    rows = pick.moved[pick.corner]
    spread = np.einsum("nij,jk,nlk->nil", rows, covariance, rows)
    worst = int(np.einsum("nii->n", spread).argmax())
    sizes, axes = np.linalg.eigh(spread[worst])
    axis = _base_axes(found) @ axes[:, 2]
    expanded = 2.0 * float(np.sqrt(sizes[2]))
    if np.abs(axis[2]) > np.cos(np.radians(30.0)):  # within 30° of upright: people say height
        what = "At the work volume, height over the base (base Z)"
    else:
        what = f"At the work volume, the place along {direction_words(axis * np.sign(axis.sum()))}"
    return [
        finding(
            "weak-direction",
            what=what,
            expanded=expanded,
            unit="mm",
            remedy_text=instead
            or f"Add stations tilted about {_helping_axis(found, rows[worst])}.",
        )
    ]


def _base_axes(found: Solution) -> Array:
    if found.problem.mount == EYE_TO_HAND:
        return np.eye(3)
    return np.asarray(found.stations.typed[found.used][:, :3, :3].mean(axis=0))


def _helping_axis(found: Solution, rows: Array) -> str:
    """Return the base axis about which two tilts of the middle station help the place most."""
    typed = found.stations.typed[found.used]
    middle = typed[np.linalg.norm(typed[:, :3, 3] - typed[:, :3, 3].mean(0), axis=1).argmin()]
    tilts = [sign * TILT * np.eye(6)[axis] for axis in range(3) for sign in (1, -1)]
    candidates = displaced(np.broadcast_to(middle, (6, 4, 4)), np.array(tilts))
    added = flange_information(found, candidates).reshape(3, 2, 12, 12).sum(axis=1)
    base = np.linalg.inv(found.fit.covariance[:12, :12])
    after = np.linalg.inv(base + added)[:, :6, :6]
    left = np.einsum("ij,njk,ik->n", rows, after, rows)
    return f"base {AXES[int(left.argmin())]}"


GEOMETRY_SIGNIFICANCE = 1e-4  # [-] chance that a robot as good as stated is called worse, if its
# errors had the proportions of the model; those of the simulated cell give ten times as much
LEAST_TOLD = 1e-9  # [-] information over that of the prior; rounding gives less, even negative
LEAST_TOUCHES = 4  # touch points that prove a result, common practice, no source


def noticed(
    found: Solution, result: Result, pick: PickModel, without_ties: Fit | None
) -> tuple[Finding, ...]:
    """Return what the estimator itself notices about a fit."""
    items = [*observability_findings(found, without_ties), *nonsense_findings(found)]
    items += [*found.problem.apart, *number_findings(found)]
    geometry, depth = _geometry_finding(found), found.gathered.depth
    first = "robot-geometry" if geometry else None
    if depth is not None and (depth.left_out or depth.bent.any()):
        first = "depth-disagrees"
    if result.uncertainty.pick_mm is not None:
        instead = instead_of_tilts(found, result, first)
        items += weak_findings(found, pick, result.covariance, instead)
        items += tolerance_findings(found, result, instead, first)
        items += _unseen_volume(found)
    elif not found.fit.unknown and not absurd(found.fit.noise, found.prior):
        items.append(_far(found))
    items += outlier_findings(result)
    items += turned_findings(result)
    items += robot_findings(found, result, geometry)
    items += [
        *depth_findings(found, result, pick),
        *doubted_findings(found.problem, result),
        *input_findings(found.problem),
        *board_findings(found.problem.board, result),
    ]
    items.append(finding("not-proven", least=LEAST_TOUCHES))
    return tuple(items)


FAR_ACCURACY_MM = 5.0  # mm; no industrial arm is worse, even uncalibrated: common practice


def _far(found: Solution) -> Finding:
    """Return why a pick is not known: a robot as inaccurate as told, or a work volume far away."""
    told = systematic(found.problem.robot, found.problem.robot_accuracy_mm).accuracy_mm
    if told > FAR_ACCURACY_MM:
        return finding("volume-far", "robot", accuracy_mm=told, limit_mm=NOT_KNOWN_MM)
    centre = np.asarray(found.problem.work_volume.center_mm)
    if found.problem.mount == EYE_TO_HAND:
        centre = apply(inverse(found.fit.state.camera), centre[None])[0]
    seen = found.poses()[found.used, :3, 3].mean(axis=0)
    metres = float(np.linalg.norm(centre - seen)) / 1000.0
    return finding("volume-far", distance_m=metres, limit_mm=NOT_KNOWN_MM)


def _unseen_volume(found: Solution) -> list[Finding]:
    """Return that the camera sees neither the middle nor any corner of the work volume."""
    volume, camera = found.problem.work_volume, found.problem.camera
    places = np.concatenate([volume.corners(), np.asarray(volume.center_mm)[None]])
    if found.problem.mount == EYE_TO_HAND:
        places = apply(inverse(found.fit.state.camera), places)
    ahead = places[places[:, 2] > 0.0]
    if not len(ahead):
        return [finding("volume-far", "behind")]
    pixels, size = (
        project(ahead, camera.without_distortion()),
        np.asarray(camera.image_size_px, float),
    )
    beside = (pixels < -BESIDE_VIEW * size) | (pixels > (1.0 + BESIDE_VIEW) * size)
    return [finding("volume-far", "beside")] if beside.any(axis=1).all() else []


def nonsense_findings(found: Solution) -> list[Finding]:
    """Return what no camera and no robot can be: `view-behind`, `noise-beyond`, and `no-fit`."""
    ids = [found.problem.observations[i].id for i in found.gathered.index]
    ahead = in_front(found.views, found.poses()) | ~found.used
    lost = [*behind(found.problem), *(i for i, good in zip(ids, ahead, strict=True) if not good)]
    none = poseless(found.problem, found.gathered.index, lost)
    items = _behind(found.problem, sorted(lost), none)
    noise = found.fit.noise
    if not found.fit.arrived:
        items.append(finding("no-fit"))
    if absurd(noise, found.prior) or noise.pixel_px > MOST_PIXEL_PX:
        items.append(
            finding(
                "noise-beyond",
                pixel_px=noise.pixel_px,
                position_mm=noise.position,
                angle_deg=np.degrees(noise.rotation),
            )
        )
    return items


def _behind(problem: Problem, lost: list[int], none: list[int]) -> list[Finding]:
    """Return `view-behind` of the stations ``lost``, in metres or not, and those of no pose."""
    items = [finding("view-behind", "none", stations=none)] if none else []
    if lost:
        metres = "metres" if in_metres(problem) else None
        items.append(finding("view-behind", metres, stations=lost))
    return items


def unseen(problem: Problem) -> list[Finding]:
    """Return `view-behind` of views that show no board before the camera, each by itself."""
    with quiet():
        lost = behind(problem)
        return _behind(problem, lost, poseless(problem, gather(problem).index, lost))


def not_solved(problem: Problem) -> tuple[Finding, ...]:
    """Return why a problem has no result: too few stations, views behind the camera, or no fit.

    Stations that are too few only without those behind are that consequence, and not told.
    """
    usable = sum(
        seen.camera_T_board is not None or (seen.pixels is not None and len(seen.pixels) > 3)
        for seen in problem.observations
    )
    items = unseen(problem)
    if usable < LEAST_STATIONS:
        level = "level" if problem.level else None
        return (*items, finding("too-few", level, count=usable, least=LEAST_STATIONS))
    behind = sum(len(item.stations or ()) for item in items)
    return tuple(items) if usable - behind < LEAST_STATIONS else (*items, finding("no-fit"))


def outlier_findings(result: Result) -> list[Finding]:
    """Return `outlier` for each station that was left out of the fit."""
    items, seen = [], [one for one in result.stations if one.left_out_mm is not None]
    for station in seen:
        if station.used or station.left_out_mm is None or station.left_out_deg is None:
            continue
        items.append(
            finding(
                "outlier",
                "last" if station is seen[-1] else None,
                station=station.id,
                distance_mm=station.left_out_mm,
                angle_deg=station.left_out_deg,
            )
        )
    return items


def turned_findings(result: Result) -> list[Finding]:
    """Return `board-turned` for each turn that was undone, with its stations."""
    names = sorted({station.turn for station in result.stations if station.turn})
    return [
        finding(
            "board-turned",
            stations=[s.id for s in result.stations if s.turn == name],
            turn=name,
        )
        for name in names
    ]


def robot_findings(found: Solution, result: Result, geometry: list[Finding]) -> list[Finding]:
    """Return `accuracy-assumed`, ``geometry`` (what is said of it) and `pick-differs`."""
    robot, items = found.problem.robot, list[Finding]()
    known = found.problem.robot_accuracy_mm if robot is None else robot.accuracy_mm
    if known is None:
        items.append(finding("accuracy-assumed", accuracy_mm=ASSUMED_ACCURACY_MM))
    elif (told := found.problem.told_accuracy_mm) is not None:
        items.append(finding("accuracy-assumed", "least", accuracy_mm=told, least_mm=known))
    items += geometry or _scattering(found)
    move = displacement(result.camera, result.geometric)
    sd = np.sqrt(np.trace(result.full_covariance[3:6, 3:6]))
    if np.linalg.norm(move[3:]) > sd and result.known.all():
        items.append(finding("pick-differs", distance_mm=float(np.linalg.norm(move[3:]))))
    return items


SCATTERS = 2.5  # [-] of the prior's median, that is 7.5 times the repeatability: worth a word


def _scattering(found: Solution) -> list[Finding]:
    """Return `stops-scatter` where stops scatter more than the cell says of its arm."""
    noise, usual = found.fit.noise, found.prior.median[2]
    size = float(np.sqrt(3.0)) * noise.position
    told = found.systematic.accuracy_mm
    if noise.position <= SCATTERS * usual or size <= told or absurd(noise, found.prior):
        return []
    return [
        finding(
            "stops-scatter",
            distance_mm=size,
            usual_mm=float(np.sqrt(3.0)) * usual,
            accuracy_mm=told,
        )
    ]


def _geometry_finding(found: Solution) -> list[Finding]:
    """Return `robot-geometry` where the estimated errors are larger than accuracy_mm explains.

    The data's own information J about the errors, in units of their prior, and its right-hand side
    b = J · (estimate without prior) give b ~ N(0, k²J² + J) for errors k times as large as stated,
    whatever scale the fit took. In the directions of J (values v) the test sums b²/(v² + v), each
    weighted with what the data tell, v/(1 + v): a scaled chi-square (Satterthwaite 1946) for k = 1.
    """
    p, sd = len(found.systematic.sd), found.systematic.sd
    if not p:
        return []
    precision = np.linalg.inv(found.fit.covariance[12 : 12 + p, 12 : 12 + p])
    told = precision - np.diag(1.0 / found.stations.systematic_variance(found.fit.noise))
    v, directions = np.linalg.eigh(told * np.outer(sd, sd))
    v = np.maximum(v, LEAST_TOLD)
    b = directions.T @ (sd * (precision @ found.fit.state.errors[:p]))
    weight = v / (1.0 + v)
    size = float((b**2 / (1.0 + v) ** 2).sum())
    scale, degrees = (weight**2).sum() / weight.sum(), weight.sum() ** 2 / (weight**2).sum()
    if size <= scale * chi2_isf(GEOMETRY_SIGNIFICANCE, degrees):
        return []
    k = np.sqrt((size - (v / (1.0 + v) ** 2).sum()) / (weight**2).sum())
    worse = found.systematic.accuracy_mm * float(k)
    return [geometry_finding(found.problem, worse)]
