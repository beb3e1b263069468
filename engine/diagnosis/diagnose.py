"""What is wrong with a session, and why: competing causes, the simplest sufficient one first.

First the cheap overall test (`screen`): where no alarm is as rare as 1 in some hundred clean
sessions, nothing is tried. Otherwise every cause is fitted and weighed by the probability of the
data under it, its unknowns integrated out (so that a cause with more freedom pays for it), times
how common it is. The winner is put right, the session solved again, and tested for a second cause.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, replace

import numpy as np

from ..arrays import Array
from ..cell.result import DIAGNOSED_OF_ALL
from ..errors import StationbookError
from ..estimate.assemble import assembled, unsolved
from ..estimate.fit import fit
from ..estimate.gather import behind, in_metres
from ..estimate.problem import MOST_PIXEL_PX, Problem, absurd
from ..estimate.result import Result, judged
from ..estimate.solver import LEAST_STATIONS, Solution, fitted, flange_residuals, left_out, quiet
from ..findings import Finding, by_gravity, has_error
from .both import first_causes
from .causes import (
    Cause,
    apart_weight,
    configuration_causes,
    declared_weight,
    smooth_causes,
    texts_of,
    weight_of,
)
from .gravity import ERROR_CHANCE, MOVES, STATION_CODES, beside, weighed
from .images import GARBLED_PX, count_causes, image_causes, turned_causes
from .inputs import as_shown
from .leaning import leaning_causes
from .likeliest import SURE, least_weight, likeliest, likeliest_each, no_agreement, or_bad_stops
from .optics import allowed_causes, pattern_causes, shape_causes, term_causes
from .reported import reported_causes
from .scale import both_scales, scale_causes
from .scene import (
    Alarm,
    Scene,
    Texts,
    field_alarms,
    lens_alarm,
    pitch_alarm,
    scene,
    split_alarms,
    term_alarms,
)
from .single import several_causes, single_causes
from .split import split_causes
from .whole import (
    BETTER,
    NOTHING,
    SURER,
    Promising,
    inverse_unsettled,
    order_causes,
    promising,
    settled,
    whole_causes,
)

# Chance that a clean session raises an alarm of one family. A cause must also beat the session as
# declared, so few of them come out as findings; a typed value under `ERROR_CHANCE` is an error.
ALARM_CHANCE = {
    "field": 2e-2,
    "station": 1.0,
    "split": 1e-2,
    "pitch": 5e-4,
    "lens": 5e-4,
    "term": 5e-4,
}
HOPEFUL = 2  # causes put right after which the stations must agree at last
CAUSES = (*DIAGNOSED_OF_ALL, *STATION_CODES)  # they name what is wrong, not what follows from it
# not told beside their cause
CONSEQUENCES = ("noise-beyond", "robot-geometry", "stops-scatter", "no-fit")
UNREAD = ("view-behind", "too-few")  # nor these beside what the images or reports mean
# Nor are these beside a cause that concerns the whole session, known or not: without it they may
# be gone.
OF_THE_WHOLE = (
    "unobservable", "volume-far", "weak-direction", "tolerance", "what-helps", "pick-differs",
    "view-behind", "number-disagrees", "depth-leans",
)  # fmt: skip
MOST_JUDGED, RUN = 60, 10  # stations that judge where nothing fits, in runs of so many
KEPT = ("point_ids", "camera_T_board", "joints")  # of a station, what a cause that is kept changes
NO_NUMBERS = (np.linalg.LinAlgError, StationbookError)  # raised by causes too wrong to be fitted
SECOND_SHARE = -4.0  # log of how common a cause is beside another one, common practice, no source
ROUNDS = 4  # causes found at most; more at once and the session is to be repeated


@dataclass(frozen=True, slots=True, eq=False)
class Diagnosis:
    """What was found: ``findings``, causes first; ``set_aside`` the stations not to be used.

    ``problem`` is the session as declared but with turned boards undone, to be solved without the
    stations set aside. ``settled``: the fit with the causes put right, as far as they can be.
    """

    findings: tuple[Finding, ...]
    set_aside: frozenset[int]
    problem: Problem
    settled: Solution | None


@dataclass(frozen=True, slots=True, eq=False)
class Examined:
    """A fit without the stations set aside, ``declared`` with them; no diagnosis: all is well."""

    solution: Solution
    diagnosis: Diagnosis | None
    declared: Solution

    @property
    def holds(self) -> bool:
        """Whether nothing is wrong with it, or single stations only."""
        return self.diagnosis is None or _of_stations(self.diagnosis)

    def result(self) -> Result:
        """Return the result, the findings of the diagnosis first."""
        result, told = assembled(self.solution), self.diagnosis
        if told is None:
            return result
        return _with_findings(beside(result, self.solution, told.settled, told.findings), told)


def diagnosed(problem: Problem, texts: Texts | None = None) -> Result:
    """Return the estimate of ``problem`` with a diagnosis: its findings first.

    ``texts`` are the typed fields by station id, where one is missing what the pendant would show.
    Stations with a wrong value, pairing or no explanation are left out of the fit. Raises as
    `estimate.solve` does.
    """
    found = examined(problem, texts)
    return not_fitted(problem, texts) if found is None else found.result()


def not_fitted(problem: Problem, texts: Texts | None = None) -> Result:
    """Return the result of a problem that cannot be solved, with what the images tell of it.

    And what else is wrong with all stations once that is put right.
    """
    result = unsolved(problem)
    with quiet():
        causes = count_causes(problem, {})
        if not causes and not in_metres(problem):
            causes = reported_causes(problem, {})
    if not causes:
        return result
    rest = examined(causes[0].problem, texts)
    told = () if rest is None or rest.diagnosis is None else rest.diagnosis.findings
    others = (item for item in told if item.code in DIAGNOSED_OF_ALL)
    own = (item for item in result.findings if item.code not in (*CONSEQUENCES, *UNREAD))
    return judged(result, (*causes[0].findings, *others, *own))


def examined(problem: Problem, texts: Texts | None = None) -> Examined | None:
    """Return the fit of ``problem`` with its diagnosis; None where too few stations can be used."""
    found = fitted(problem)
    if found is None:
        return None
    with quiet():
        diagnosis = diagnose(found, texts or {})
        if not diagnosis.findings:
            diagnosis = replace(diagnosis, findings=tuple(inverse_unsettled(found)))
    if not diagnosis.findings and diagnosis.problem is found.problem:
        return Examined(as_shown(found), None, found)
    one = Examined(final(found, diagnosis), diagnosis, found)
    wrong = has_error(diagnosis.findings) and not one.holds
    return one if wrong else replace(one, solution=as_shown(one.solution, arm=one.holds))


def without_consequences(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return the findings without what is not told beside a cause that concerns all stations."""
    return tuple(item for item in findings if item.code not in (*CONSEQUENCES, *OF_THE_WHOLE))


def diagnose(found: Solution, texts: Texts) -> Diagnosis:
    """Return what is wrong with a solved session; nothing in a clean one.

    A long session of which nothing fits is judged by a part of it, but for the order of its images
    and what is undone in all.
    """
    if len(found.used) > MOST_JUDGED and _absurd(found):
        if (ordered := _ordered(found, texts)) is not None:
            return ordered
        part = fitted(_part(found.problem))
        told = None if part is None else _diagnosed(part, texts)
        if part is None or told is None or told.problem is part.problem:
            said = [
                replace(item, suggested=None) if item.code == "pairing" else item  # not of all
                for item in (told and told.findings) or (no_agreement(),)
            ]
            return Diagnosis(tuple(said), frozenset(), found.problem, None)
    return _diagnosed(found, texts)


def _ordered(found: Solution, texts: Texts) -> Diagnosis | None:
    """Return that images belong to other poses, where that explains most of a long session."""
    with suppress(*NO_NUMBERS):
        for cause in order_causes(scene(found, texts)):
            fits = cause.found
            if fits is not None and not _absurd(fits) and 2 * fits.used.sum() > len(found.used):
                said = weighed(found, cause, 0.0)
                return Diagnosis(said, cause.set_aside, found.problem, fits)
    return None


def _part(problem: Problem) -> Problem:
    """Return the problem with some stations, in runs so that neighbours stay neighbours."""
    seen, runs = problem.observations, MOST_JUDGED // RUN
    starts = np.linspace(0, len(seen) - RUN, runs).round().astype(int)
    return replace(problem, observations=tuple(seen[k + i] for k in starts for i in range(RUN)))


def _diagnosed(found: Solution, texts: Texts, *, both: bool = True) -> Diagnosis:
    """Return what is wrong, one cause after the other.

    ``both``: where no single one brings the stations together, two of all stations are looked for.
    """
    problem, findings, aside = found.problem, list[Finding](), frozenset[int]()
    now: Solution | None = found
    typed = texts
    for attempt in range(ROUNDS):
        if now is None or (attempt >= HOPEFUL and _absurd(now)):
            break
        # The images alone tell of a wrong lens or a bowed board; everything else rests on them.
        images = _of_the_images(now, texts) if attempt == 0 else None
        alarms, cause = _next(now, texts) if images is None else ([Alarm("lens", 0.0)], images)
        if cause is None or cause.set_aside & aside:  # a station corrected twice fits nothing
            break
        findings += weighed(now, cause, min(alarm.chance for alarm in alarms))
        aside |= cause.set_aside
        if cause.kept:
            problem = _kept(problem, cause.problem)
        if cause.last:
            beside, settled = _beside_inverse(cause)
            return Diagnosis((*findings, *beside), aside, problem, settled or cause.found or now)
        now, texts = cause.found or fitted(cause.problem), cause.texts
    if now is not None and _absurd(now):
        left = [item for item in findings if item.code == "lens"]
        if both and not left and (told := _both(found, typed)) is not None:
            return told
        left = left or [no_agreement()]
        return Diagnosis(tuple(left), frozenset(), found.problem, None)
    return Diagnosis(tuple(findings), aside, problem, now)


def _beside_inverse(cause: Cause) -> tuple[tuple[Finding, ...], Solution | None]:
    """Return what else is wrong with all stations once inverse poses are put right, and the fit.

    Of single stations nothing that was typed can be told then.
    """
    if cause.found is None or all(item.code != "inverse-pose" for item in cause.findings):
        return (), None
    rest = _diagnosed(cause.found, {}, both=False)
    return tuple(f for f in rest.findings if f.code in DIAGNOSED_OF_ALL), rest.settled


def _both(found: Solution, texts: Texts) -> Diagnosis | None:
    """Return two causes of all stations that bring them together; None where it is not clear."""
    try:
        firsts = first_causes(scene(found, texts))
    except np.linalg.LinAlgError:
        return None
    tried = list[tuple[float, Diagnosis]]()
    for first in firsts:
        now = fitted(first.problem)
        if now is None:
            continue
        rest = _diagnosed(now, {} if first.last else first.texts, both=False)
        settled, said = rest.settled, rest.findings
        if settled is None or _absurd(settled) or 2 * int(settled.used.sum()) <= len(found.used):
            continue
        if not said or said[0].code not in DIAGNOSED_OF_ALL:
            continue
        kept = (
            found.problem if rest.problem is first.problem else _kept(found.problem, rest.problem)
        )
        weight = weight_of(settled) + first.weight + SECOND_SHARE * len(said)
        weight += apart_weight(settled, _left(found, settled))
        aside = first.set_aside | rest.set_aside
        tried.append((weight, Diagnosis((*first.findings, *said), aside, kept, settled)))
    tried.sort(key=lambda item: -item[0])
    if not tried or tried[0][0] <= declared_weight(found) + SURER:
        return None
    best = _said(tried[0][1])
    rivals = [weight for weight, other in tried[1:] if _said(other) != best]
    return None if rivals and rivals[0] > tried[0][0] - SURER else tried[0][1]


def _left(found: Solution, settled: Solution) -> Array:
    """Return the degrees of freedom (k,) of images left without a pose in ``settled``."""
    kept = {seen.id for seen in settled.problem.observations}
    rows = zip(found.gathered.index, found.stations.dof, strict=True)
    return np.array([dof for row, dof in rows if found.problem.observations[row].id not in kept])


def _said(diagnosis: Diagnosis) -> set[tuple[str, str | None]]:
    return {(item.code, item.suggested) for item in diagnosis.findings}


def _of_the_images(now: Solution, texts: Texts) -> Cause | None:
    """Return what the images by themselves contradict; None where they agree with the cell.

    They may contradict what it says exactly and keep within its uncertainties: a cause must beat
    the session as declared as any other one does.
    """
    beyond = now.fit.noise.pixel_px > MOST_PIXEL_PX  # of reported poses, it takes whatever is off
    if (beyond or behind(now.problem)) and (read := reported_causes(now.problem, texts)):
        return read[0]
    garbled = now.fit.noise.pixel_px > GARBLED_PX
    causes = count_causes(now.problem, texts) if garbled else []
    for look in (pattern_causes, shape_causes):
        with suppress(*NO_NUMBERS):
            causes += look(now, texts)
    if _absurd(now):
        with suppress(*NO_NUMBERS):
            view = scene(now, texts)
            if _ending(view, both := both_scales(view)) is not None:
                return both[0]
    if not causes:
        return None
    with suppress(*NO_NUMBERS):
        causes += [*turned_causes(now, texts), *term_causes(scene(now, texts))]
    best = max(causes, key=lambda cause: cause.weight)
    return best if _absurd(now) or best.weight > declared_weight(now) + SURE else None


def _next(now: Solution, texts: Texts) -> tuple[list[Alarm], Cause | None]:
    """Return the alarms of a fit and the likeliest cause; None where all is well."""
    try:
        view = scene(now, texts)
        alarms, other = _alarms(view)
        return alarms, _best(view, alarms, other) if alarms else None
    except np.linalg.LinAlgError:  # stations that hold no information at all: nothing to tell
        return [], None


def _alarms(view: Scene) -> tuple[list[Alarm], Promising]:
    """Return the alarms that a clean session hardly raises, and the readings that fit better."""
    tests = [*field_alarms(view), *split_alarms(view), pitch_alarm(view), lens_alarm(view)]
    tests += term_alarms(view)
    alarms = [alarm for alarm in tests if alarm.chance < ALARM_CHANCE[alarm.family]]
    alarms += [
        Alarm("station", min(alarm.chance, ERROR_CHANCE / 2), alarm.station, alarm.field)
        for alarm in tests
        if alarm.family == "station" and alarm.chance >= ALARM_CHANCE["station"]
    ]
    if _absurd(view.found):
        alarms.append(Alarm("noise", 0.0))
    agree = view.found.score < BETTER  # no reading scores below zero
    other = NOTHING if agree else promising(view, calm=not alarms)
    if other.items:
        alarms.append(Alarm("whole", float(np.exp(-other.gain))))
    return alarms, other


def _best(view: Scene, alarms: list[Alarm], other: Promising) -> Cause | None:
    """Return the cause with the most weight; a reading that leaves no alarm wins at once.

    One of the poses does so before other readings of the images are looked for.
    """
    reported = reported_causes(view.found.problem, texts_of(view))
    least, read = least_weight(view), [*whole_causes(view, other), *reported]
    causes = settled(view, read)
    if (ending := _ending(view, causes)) is not None:
        return ending
    if images := image_causes(view):
        causes = settled(view, [*read, *images])
        if (ending := _ending(view, causes)) is not None:
            return ending
    if all(alarm.family == "whole" for alarm in alarms):
        return likeliest(causes, least)
    families: set[str] = {alarm.family for alarm in alarms}
    for tried in _tried(view, families):
        try:
            causes += tried()
        except NO_NUMBERS:
            continue
    if _absurd(view.found):
        best = likeliest(causes, -np.inf)
    else:
        best = likeliest_each(view, causes, least)
    if best is None or not any(item.code in MOVES for item in best.findings):
        return best
    return or_bad_stops(best, several_causes(view))


def _ending(view: Scene, causes: list[Cause]) -> Cause | None:
    """Return the first cause that ends the search: its fit leaves no alarm.

    Where nothing fitted as declared, it is enough that all stations fit: no other cause does that,
    and what is left is for the next round.
    """
    for cause in causes:
        if cause.found is None:
            continue
        if _absurd(view.found) and cause.found.used.all() and not _absurd(cause.found):
            return cause
        if not _alarms(scene(cause.found, cause.texts))[0]:
            return cause
    return None


def _absurd(found: Solution) -> bool:
    return absurd(found.fit.noise, found.prior)


def _tried(view: Scene, families: set[str]) -> Iterator[Callable[[], list[Cause]]]:
    yield lambda: configuration_causes(view)
    yield lambda: single_causes(view, field_alarms(view), double=not _absurd(view.found))
    yield lambda: split_causes(view)
    scatters = _absurd(view.found)
    if scatters or families & {"pitch", "lens", "split"}:
        yield lambda: scale_causes(view)
    if scatters or families & {"term", "pitch", "lens", "split"}:
        yield lambda: term_causes(view)
        yield lambda: leaning_causes(view)
    if families & {"term", "lens"}:
        yield lambda: turned_causes(view.found, texts_of(view))
    if not scatters:
        yield lambda: smooth_causes(view)
        yield lambda: allowed_causes(view)


def _kept(problem: Problem, corrected: Problem) -> Problem:
    """Return the declared problem with the board's turns and the postures of ``corrected``."""
    better = {seen.id: seen for seen in corrected.observations}
    observations = tuple(
        replace(seen, **{name: getattr(better[seen.id], name) for name in KEPT})
        if seen.id in better
        else seen
        for seen in problem.observations
    )
    return replace(problem, observations=observations)


def final(found: Solution, diagnosis: Diagnosis) -> Solution:
    """Return the fit of the declared session without the stations set aside.

    And without those that the fit with the causes put right leaves out, where all causes are of
    single stations.
    """
    if diagnosis.problem is not found.problem:
        found = fitted(diagnosis.problem) or found
    ids = [found.problem.observations[i].id for i in found.gathered.index]
    out = diagnosis.set_aside | _still_out(diagnosis)
    used = np.array([station not in out for station in ids])
    if not out or used.sum() < LEAST_STATIONS or (used == found.used).all():
        return found
    settled = diagnosis.settled or found
    errors = found.fit.state.errors  # those of the settled fit may be of another robot
    start = replace(settled.fit.state, errors=errors)
    ended = fit(found.stations.take(used), start, found.prior)
    return replace(
        found,
        fit=ended,
        used=used,
        error=flange_residuals(found.stations, ended),
        left_out=left_out(found.stations, ended, used.astype(float)),
    )


def _of_stations(diagnosis: Diagnosis) -> bool:
    """Tell whether all that was found concerns single stations, or explains none of them."""
    return all(item.code in (*STATION_CODES, "robot-geometry") for item in diagnosis.findings)


def _still_out(diagnosis: Diagnosis) -> set[int]:
    """Return the ids of stations that fit nothing even with the causes put right."""
    settled = diagnosis.settled
    if settled is None or not _of_stations(diagnosis):
        return set()
    ids = [settled.problem.observations[i].id for i in settled.gathered.index]
    return {station for station, used in zip(ids, settled.used, strict=True) if not used}


def _with_findings(result: Result, diagnosis: Diagnosis) -> Result:
    """Return the result with the causes first, without the outliers that they explain."""
    said = {item.station for item in diagnosis.findings}
    nothing = any(item.code == "outlier" and item.station is None for item in diagnosis.findings)
    whole = nothing or (bool(diagnosis.findings) and not _of_stations(diagnosis))
    silent = {*CONSEQUENCES, *OF_THE_WHOLE} if whole else set(CONSEQUENCES)
    if nothing and any(one.camera_T_board is not None for one in diagnosis.problem.observations):
        silent.discard("view-behind")  # of what was reported it may be the reason
    own = [
        item
        for item in result.findings
        if not (item.code == "outlier" and (whole or item.station in said))
        and not (item.code in silent and has_error(diagnosis.findings))
    ]
    findings = (*diagnosis.findings, *by_gravity(own))
    return replace(judged(result, findings), findings=findings)
