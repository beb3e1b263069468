"""Know the day before: drift of a camera per week, knocks, and when the tolerance is reached.

What is looked at is the apparent shift (3,) [mm] of the middle of the work volume since the first
result of a cell. Model, on each axis alike: shift = a + v·t + a step at every noted event + b·(T −
mean T) + noise, t in weeks. The noise is the stated uncertainty of each result and recheck times
one factor, whose square has a scaled inverse χ² prior around 1 that the residuals sharpen
(DOF_OF_STATED; conjugate, Gelman et al., Bayesian Data Analysis, from memory); ``a`` is the error
of the first result. Weighted least squares (Gauss-Markov); the three axes share one design, so a
rate is judged by χ²/3 of its three components, against F with the degrees of freedom of both.

Three stories compete: nothing moved, a steady drift, one knock at an unknown time. A story is told
where chance explains it in less than its share of what a year may give of false alarms; the shares
are spent over the looks, most of them when eight rechecks are there (spending of an error rate over
looks: O'Brien and Fleming 1979, Lan and DeMets 1983, from memory). Drift and knock are told apart
where one is ODDS times as likely, the knock paying for the choice of its place.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any, Literal

import numpy as np
import scipy

from ..arrays import Array
from ..cell.result import ACCEPTED
from ..frames import apply, from_position_quaternion, inverse
from ..tails import f_sf
from .archive import day_of, last_part
from .cells import events
from .summary import Summary

# [-] chance at one look below which a drift, or a knock, is told, where MOST results and rechecks
# are there; with more and with fewer it falls by the power STEEP (see `_alarm`). A trend is known
# better with the third power of their number, so looks before the last few could find little, and
# later ones need little. By simulation 3 to 5 % of still years give an alarm at any of 4 to 52
# looks.
ALARM_DRIFT = 0.028
ALARM_KNOCK = 0.003  # each look tries a further place of it
MOST = 9  # one result and eight rechecks
STEEP = 5.0
ODDS = 20.0  # [-] how much likelier a knock (or a drift) must be than the other to be named
LEAST = 4  # results and rechecks; fewer leave nothing to judge a rate by
RISK = 0.05  # [-] chance that the tolerance is exceeded at which its day has come
LONGEST_DAYS = 3 * 365  # how far ahead is looked
LONGEST_INTERVAL_DAYS = 365  # a year between rechecks is the longest that is proposed: no source
WEEK = 7.0  # days
LEAST_SPREAD_DEGC = 2.0  # a smaller spread of temperatures tells nothing of their effect: no source
LEAST_TEMPERATURES = 4  # sessions that noted one
# degrees of freedom of a stated u: it is good to 16 % (JCGM 100:2008, G.4.2), as is usual where a
# few stations give it. The scatter of the series is pooled with it.
DOF_OF_STATED = 20.0

Story = Literal["too-few", "still", "drift", "knock", "unclear"]


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """What was measured of one camera: n times.

    Attributes:
        days: (n,) since the first.
        shift_mm: (n, 3) of the middle of the work volume since the first result.
        u_mm: (n,) standard uncertainty of each on every axis.
        steps: days at which events were noted.
        temperature_degc: (n,) NaN where nobody noted it.
        pick_mm: standard uncertainty of a pick by the last result; None where not known.
        tolerance_mm: of the cell.
        result_day: day of the last result.
        calibrated: (n,) true for results, false for rechecks.
        start: day 0.
    """

    days: Array
    shift_mm: Array
    u_mm: Array
    steps: tuple[float, ...] = ()
    temperature_degc: Array | None = None
    pick_mm: float | None = None
    tolerance_mm: float | None = None
    result_day: float = 0.0
    calibrated: Array | None = None
    start: datetime | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Drift:
    """What a series says.

    Attributes:
        story: what happened; ``chance`` of it in a cell that is still, per look.
        count: results and rechecks it rests on.
        rate_mm_week: size of the drift; ``u_rate_mm_week`` its standard uncertainty.
        rate: (3,) [mm a week] on the axes of the base (eye-in-hand: of the flange).
        knock_between: days before and after an unnoted knock; ``knock_mm`` its size.
        mm_per_degc: effect of temperature, size; None where it was not noted enough.
        day: on which the chance that the tolerance is exceeded reaches RISK; ``day_even``: a half;
            None: not within LONGEST_DAYS.
        chance_now: that it is exceeded on the day asked for.
        interval_days: longest time between rechecks, after a new calibration, that keeps the chance
            below RISK; None where not known.
    """

    story: Story
    count: int
    chance: float | None = None
    rate_mm_week: float | None = None
    u_rate_mm_week: float | None = None
    rate: tuple[float, float, float] | None = None
    knock_between: tuple[str, str] | None = None
    knock_mm: float | None = None
    mm_per_degc: float | None = None
    u_mm_per_degc: float | None = None
    day: str | None = None
    day_even: str | None = None
    chance_now: float | None = None
    interval_days: int | None = None
    series: Series | None = None

    def document(self) -> dict[str, Any]:
        """Return it as plain data, without the series."""
        values = {name: getattr(self, name) for name in Drift.__slots__ if name != "series"}
        return {k: list(v) if isinstance(v, tuple) else v for k, v in values.items()}

    def lines(self) -> list[str]:
        """Return it for a person."""
        said = {
            "too-few": f"too few results and rechecks to tell: {LEAST} at least, over {WEEK:g} "
            "days or more",
            "still": "no drift to be seen",
            "drift": "the camera drifts",
            "knock": "a knock, not a drift",
            "unclear": "something moved; drift or knock cannot be told apart yet",
        }[self.story]
        lines = [f"  {said} (results and rechecks so far: {self.count})"]
        if self.rate_mm_week is not None and self.u_rate_mm_week is not None:
            lines.append(
                f"  per week {self.rate_mm_week:.3f} mm ± {2 * self.u_rate_mm_week:.3f} (U, k = 2)"
            )
        if self.knock_between is not None:
            before, after = self.knock_between
            lines.append(f"  between {before} and {after}: {self.knock_mm:.2f} mm at once")
        if self.mm_per_degc is not None and self.u_mm_per_degc is not None:
            lines.append(
                f"  per °C {self.mm_per_degc:.3f} mm ± {2 * self.u_mm_per_degc:.3f} (U, k = 2)"
            )
        if self.chance_now is not None:
            lines.append(f"  chance that the tolerance is exceeded today: {self.chance_now:.1%}")
            day = self.day or f"not within {LONGEST_DAYS} days"
            lines.append(f"  that chance reaches {RISK:.0%} on {day}, a half on "
                         f"{self.day_even or f'no day within {LONGEST_DAYS} days'}")  # fmt: skip
        if self.interval_days is not None:
            lines.append(f"  a recheck every {self.interval_days} days is enough")
        return lines


def cell_drift(sessions: Sequence[Summary], now: datetime) -> Drift:
    """Return what the results and rechecks of one cell say; ``sessions`` in order of their days."""
    series = series_of(sessions)
    if series is None:
        return Drift("too-few", 0)
    return drift(series, now)


# ---- from sessions to a series -----------------------------------------------------------------


def series_of(sessions: Sequence[Summary]) -> Series | None:
    """Return the measured shifts of a cell, or None where it has no accepted result.

    Results count where they are accepted, rechecks where their journal kept the movement and the
    result that they were held against is there. A result after a recheck that found a movement
    begins anew: between them somebody put the camera right, which is a step.
    """
    start: datetime | None = None
    first: Summary | None = None
    places: dict[str, Array] = {}
    rows: list[tuple[datetime, Array, float, float | None, bool]] = []
    steps: list[datetime] = []
    moved = False
    last: Summary | None = None
    for item in sessions:
        day = day_of(item.created)
        if day is None or item.center_mm is None:
            continue
        for noted in [noted for noted in item.noted if noted.action == "recheck"][-1:]:
            base = places.get(last_part(noted.against or ""))
            if base is None or noted.shift_mm is None or noted.u_mm is None:
                continue
            shift = base + np.array(noted.shift_mm, float)
            rows.append((day, shift, noted.u_mm / math.sqrt(3.0), item.temperature_degc, False))
            moved = bool(noted.moved)
        result = item.result
        if result is None or result.camera is None or not result.work_volume_mm:
            continue
        if result.verdict != ACCEPTED:
            continue
        first = first or item
        start = start or day
        shift = _apparent(first, item)
        places[last_part(item.folder)] = shift
        u = result.work_volume_mm / math.sqrt(3.0)
        rows.append((day, shift, u, item.temperature_degc, True))
        if moved:
            steps.append(day - timedelta(seconds=1))
        moved, last = False, item
    if last is None or start is None or last.result is None:
        return None
    rows.sort(key=lambda row: row[0])
    steps += [day for noted in events(sessions) if (day := day_of(noted.at)) is not None]
    return Series(
        days=np.array([_days(row[0], start) for row in rows]),
        shift_mm=np.array([row[1] for row in rows]),
        u_mm=np.array([row[2] for row in rows]),
        steps=tuple(sorted(_days(day, start) for day in steps)),
        temperature_degc=np.array([np.nan if row[3] is None else row[3] for row in rows]),
        pick_mm=last.result.pick_mm,
        tolerance_mm=last.tolerance_mm,
        result_day=_days(day_of(last.created) or start, start),
        calibrated=np.array([row[4] for row in rows]),
        start=start,
    )


def _days(day: datetime, start: datetime) -> float:
    return (day - start) / timedelta(days=1)


def _apparent(first: Summary, item: Summary) -> Array:
    """Return the shift (3,) [mm] of the middle of the work volume from ``first`` to ``item``."""
    old, new = (
        from_position_quaternion(np.array(one.result.camera if one.result else None, float))
        for one in (first, item)
    )
    center = np.array(first.center_mm, float)
    if first.mount == "eye-in-hand":
        return np.asarray(apply(new, center[None])[0] - apply(old, center[None])[0])
    return np.asarray(apply(new @ inverse(old), center[None])[0] - center)


# ---- the fit -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """A weighted fit: coefficients (p, 3), covariance (p, p) of each axis, misfit and freedom."""

    values: Array
    covariance: Array
    misfit: float
    freedom: float

    def size(self, column: int) -> float:
        """Return χ²/3 of one coefficient over the three axes."""
        value = self.values[column]
        return float(value @ value / self.covariance[column, column] / 3.0)


def _fit(design: Array, series: Series) -> _Fit:
    """Return the fit of a design (n, p).

    The first shift is 0 by definition: its row says that ``a``, the error of the first result that
    all others share, is 0 within its uncertainty.
    """
    weight = 1.0 / series.u_mm
    A, y = design * weight[:, None], series.shift_mm * weight[:, None]
    covariance = np.asarray(np.linalg.pinv(A.T @ A), np.float64)
    values = covariance @ A.T @ y
    misfit = float(((y - A @ values) ** 2).sum())
    freedom = 3.0 * (len(A) - design.shape[1])
    return _Fit(values, covariance, misfit, max(freedom, 0.0))


def _design(series: Series, *more: Array) -> Array:
    """Return the columns a, noted steps, temperature where it tells something, and ``more``."""
    columns = [np.ones(len(series.days))]
    for step in series.steps:
        after = (series.days > step).astype(float)
        if 0.0 < after.sum() < len(after) and not any((c == after).all() for c in columns):
            columns.append(after)
    warmth = _warmth(series)
    if warmth is not None:
        columns.append(warmth)
    return np.column_stack([*columns, *more])


def _warmth(series: Series) -> Array | None:
    """Return temperatures less their mean (0 where not noted), or None where they tell nothing."""
    noted = series.temperature_degc
    if noted is None:
        return None
    known = np.isfinite(noted)
    if known.sum() < LEAST_TEMPERATURES or np.ptp(noted[known]) < LEAST_SPREAD_DEGC:
        return None
    return np.where(known, noted - noted[known].mean(), 0.0)


def _scale(fit: _Fit) -> float:
    """Return how much larger the variance is than stated, the scatter pooled with that."""
    return (DOF_OF_STATED + fit.misfit) / (DOF_OF_STATED + fit.freedom)


def _alarm(level: float, count: int) -> float:
    """Return the chance below which a story is told at the look at ``count`` measurements."""
    return float(level * min(count / MOST, MOST / count) ** STEEP)


def drift(series: Series, now: datetime | None = None) -> Drift:
    """Return what a series of at least LEAST shifts says; fewer give the story too-few."""
    count = len(series.days)
    if count < LEAST or np.ptp(series.days) < WEEK:
        return _ahead(Drift("too-few", count, series=series), series, None, now)
    weeks = series.days / WEEK
    steady = _fit(_design(series, weeks), series)
    knocks = _knocks(series)
    place, knock = min(knocks.items(), key=lambda item: item[1].misfit)
    alarms = [_alarm(level, count) for level in (ALARM_DRIFT, ALARM_KNOCK)]
    # The knock is the best of several places.
    by_drift = _chance(steady, -1)
    by_knock = min(1.0, _chance(knock, -1) * len(knocks))
    story: Story = "still"
    # ln of how much likelier the drift is than the knock
    pooled = [math.log(DOF_OF_STATED + fit.misfit) for fit in (knock, steady)]
    lead = (DOF_OF_STATED + steady.freedom) / 2.0 * (pooled[0] - pooled[1]) + math.log(len(knocks))
    if by_drift < alarms[0] or by_knock < alarms[1]:
        story = "drift" if lead > math.log(ODDS) else "knock"
        if abs(lead) <= math.log(ODDS):
            story = "unclear"
    fit, with_step = steady, series
    if story == "knock":
        with_step = replace(series, steps=tuple(sorted((*series.steps, place))))
        fit = _fit(_design(with_step, weeks), with_step)
        if _chance(fit, -1) < alarms[0]:
            story = "unclear"
    scale = math.sqrt(_scale(fit))
    rate = fit.values[-1]
    found = Drift(
        story,
        count,
        chance=min(1.0, 2.0 * min(by_drift, by_knock)),
        rate_mm_week=float(np.linalg.norm(rate)),
        u_rate_mm_week=float(scale * math.sqrt(3.0 * fit.covariance[-1, -1])),
        rate=(float(rate[0]), float(rate[1]), float(rate[2])),
        series=series,
    )
    if story == "knock":
        size = float(np.linalg.norm(knock.values[-1]))
        found = replace(found, knock_between=_around(series, place), knock_mm=size)
    if _warmth(series) is not None:
        effect = fit.values[-2]
        u = scale * math.sqrt(3.0 * fit.covariance[-2, -2])
        found = replace(found, mm_per_degc=float(np.linalg.norm(effect)), u_mm_per_degc=u)
    return _ahead(found, with_step, fit, now)


def _chance(fit: _Fit, column: int) -> float:
    """Return the chance of a coefficient at least so large where it is truly 0."""
    freedom = DOF_OF_STATED + fit.freedom
    return f_sf(fit.size(column) / _scale(fit), 3.0, freedom)


def _knocks(series: Series) -> dict[float, _Fit]:
    """Return the fit of one more step by its place: between each two neighbouring days."""
    places = np.unique(series.days)
    middles = (places[1:] + places[:-1]) / 2.0
    return {
        float(place): _fit(_design(series, (series.days > place).astype(float)), series)
        for place in middles
    }


def _around(series: Series, place: float) -> tuple[str, str]:
    before = float(series.days[series.days < place].max())
    after = float(series.days[series.days > place].min())
    return date_of(series, before), date_of(series, after)


def date_of(series: Series, day: float) -> str:
    """Return the date of a day of the series."""
    start = series.start or datetime(1, 1, 1)
    return (start + timedelta(days=day)).date().isoformat()


# ---- looking ahead -----------------------------------------------------------------------------


def exceeds(mean_mm: Array, u_axis_mm: Array, tolerance_mm: float) -> Array:
    """Return the chance (n,) that a shift exceeds the tolerance.

    ``mean_mm`` (n,) its expected size, ``u_axis_mm`` (n,) its standard uncertainty on each axis:
    its squared length over the variance is non-central χ² with 3 degrees of freedom.
    """
    u = np.maximum(u_axis_mm, 1e-9)
    return np.asarray(1.0 - scipy.special.chndtr((tolerance_mm / u) ** 2, 3.0, (mean_mm / u) ** 2))


def _ahead(found: Drift, series: Series, fit: _Fit | None, now: datetime | None) -> Drift:
    """Return ``found`` with the day on which the tolerance is reached, and the interval."""
    if fit is None or series.tolerance_mm is None or series.pick_mm is None:
        return found
    scale = _scale(fit)
    today = 0.0 if now is None or series.start is None else _days(
        now.replace(tzinfo=None), series.start
    )  # fmt: skip
    ahead = np.arange(0.0, LONGEST_DAYS + 1.0)
    first = series.result_day
    # Since the last result: the drift, and the steps that came after it.
    design = _columns_since(series, fit, first + ahead)
    mean = np.linalg.norm(design @ fit.values, axis=1)
    u_squared = np.einsum("ij,jk,ik->i", design, fit.covariance, design) * scale
    own = series.pick_mm**2 / 3.0
    chance = exceeds(mean, np.sqrt(u_squared + own), series.tolerance_mm)
    now_at = int(np.clip(round(today - first), 0, LONGEST_DAYS))
    day = _first(chance, RISK)
    even = _first(chance, 0.5)
    # After a new calibration only the drift counts.
    weeks = ahead / WEEK
    rate, u_rate = float(np.linalg.norm(fit.values[-1])), math.sqrt(fit.covariance[-1, -1] * scale)
    fresh = exceeds(rate * weeks, np.sqrt((u_rate * weeks) ** 2 + own), series.tolerance_mm)
    longest = _first(fresh, RISK)
    interval = LONGEST_INTERVAL_DAYS if longest is None else longest - 1
    return replace(
        found,
        day=None if day is None else date_of(series, first + day),
        day_even=None if even is None else date_of(series, first + even),
        chance_now=float(chance[now_at]),
        interval_days=min(interval, LONGEST_INTERVAL_DAYS) if interval > 0 else 0,
    )


def _columns_since(series: Series, fit: _Fit, days: Array) -> Array:
    """Return the design (n, p) of the shift between the last result and each of ``days``."""
    design = np.zeros((len(days), len(fit.values)))
    design[:, -1] = (days - series.result_day) / WEEK
    column = 1
    whole = _design(series)
    for step in series.steps:
        after = (series.days > step).astype(float)
        if column < whole.shape[1] and (whole[:, column] == after).all():
            design[:, column] = float(series.result_day <= step) * (days > step)
            column += 1
    return design


def _first(chance: Array, limit: float) -> int | None:
    """Return the first place at which the chance reaches a limit, or None."""
    found = np.flatnonzero(chance >= limit)
    return int(found[0]) if len(found) else None
